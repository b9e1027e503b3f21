package library

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/identify"
	"rigkeep/preset/start"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// savedLog is a bench log of the last revision, without its steps.
type savedLog struct {
	path, fp, ref string
	log           preset.BenchLog
}

// onGimbal goes through the saved files of a kind that lie with the rigs of a gimbal, by path. What extract
// tells of each (nil: nothing, as of one that is faulty: check says so) is kept in the library's cache under name, so that ten thousand files cost no
// reading; a file without the word is not parsed.
func (l Evidence) onGimbal(name, kind, word, gimbal string, extract func(path string, data []byte) any, each func(x savedLog, alias string, told []byte)) error {
	s, err := l.Lists().summary()
	if err != nil {
		return err
	}
	list, err := l.Store.Work().Summaries(store.SummaryOptions{Name: name, Version: "1", SavedOnly: true,
		Match: func(p string) bool {
			place, ok := preset.Locate(p)
			return ok && place.Kind == kind
		},
		Extract: func(p string, data []byte) string {
			if !bytes.Contains(data, []byte(word)) {
				return ""
			}
			v := extract(p, data)
			if v == nil {
				return ""
			}
			text, err := json.Marshal(v)
			if err != nil {
				return ""
			}
			return string(text)
		}})
	if err != nil {
		return err
	}
	for _, e := range list {
		place, _ := preset.Locate(e.Path)
		if r := s.rigs[place.Rig]; e.Value != "" && r != nil && r.gimbal == gimbal {
			each(savedLog{path: e.Path, fp: place.Rig}, r.alias, []byte(e.Value))
		}
	}
	return nil
}

// savedLogs gives the ended bench logs saved on a gimbal, by path.
func (l Evidence) savedLogs(gimbal string) (out []savedLog, err error) {
	err = l.onGimbal("bench", schema.KindBench, "", gimbal, func(p string, data []byte) any {
		log, err := preset.QuickBench(l.Cat, p, data)
		if err != nil || log.Open() || len(log.Results) == 0 {
			return nil
		}
		log.Steps, log.Plan = nil, preset.BenchPlan{}
		return log
	}, func(x savedLog, alias string, told []byte) {
		if json.Unmarshal(told, &x.log) == nil {
			x.ref = alias + ", session of " + schema.SayMoment(x.log.Began, l.Zone)
			out = append(out, x)
		}
	})
	return out, err
}

// proofLogs gives what the saved proofs of a gimbal tell as sessions do, by path, but for the
// onsets that one of the logs has seen as well: prove takes them from there.
func (l Evidence) proofLogs(sheet *schema.Sheet, logs []savedLog) (out []savedLog, err error) {
	err = l.onGimbal("proof-onset", schema.KindTune, "onset_hz", sheet.Slug, func(p string, data []byte) any {
		t, err := preset.QuickTune(l.Cat, p, data, nil)
		if err != nil || t.Proof == nil || len(t.Proof.OnsetHz) == 0 {
			return nil
		}
		return preset.Tune{Values: t.GroupValues(preset.GroupHold), Proof: t.Proof}
	}, func(x savedLog, alias string, told []byte) {
		var t preset.Tune
		if json.Unmarshal(told, &t) != nil {
			return
		}
		var ok bool
		if x.log, ok = t.ProofSession(sheet); !ok {
			return
		}
		for _, o := range logs {
			if o.fp != x.fp || serial(sheet, o.log.Unit) != serial(sheet, x.log.Unit) {
				continue
			}
			for a, seen := range o.log.Results {
				if mine, ok := x.log.Results[a]; ok && seen.Onset != nil && *seen.Onset == *mine.Onset {
					delete(x.log.Results, a)
				}
			}
		}
		if len(x.log.Results) > 0 {
			x.ref = alias + ", proof of " + schema.SayMoment(x.log.Began, l.Zone)
			out = append(out, x)
		}
	})
	return out, err
}

// UnitFacts says what saved sessions and proofs tell of the units of a gimbal. Loops
// are looked at for one unit only ("" for none), since each needs its build.
func (l Evidence) UnitFacts(sheet *schema.Sheet, unit string) (*identify.Report, error) {
	logs, err := l.savedLogs(sheet.Slug)
	if err != nil {
		return nil, err
	}
	return l.unitFacts(sheet, unit, logs)
}

func (l Evidence) unitFacts(sheet *schema.Sheet, unit string, logs []savedLog) (*identify.Report, error) {
	typed, err := l.proofLogs(sheet, logs)
	if err != nil {
		return nil, err
	}
	var sights []identify.OnsetObservation
	builds := map[string]*preset.Rig{}
	for _, x := range append(slices.Clip(logs), typed...) {
		var r *preset.Rig
		if u, ok := sheet.Unit(x.log.Unit); unit != "" && (x.log.Unit == unit || ok && u.Serial == unit) {
			if _, ok := builds[x.fp]; !ok {
				if b, err := l.Rig("", x.fp); err == nil {
					builds[x.fp] = &b
				}
			}
			r = builds[x.fp]
		}
		sights = append(sights, x.log.OnsetObservations(l.Cat, sheet, r, x.ref)...)
	}
	return identify.Units(sights, identify.DefaultOptions())
}

// serial is a unit's serial where the sheet knows it, else its name as given.
func serial(sheet *schema.Sheet, unit string) string {
	if u, ok := sheet.Unit(unit); ok {
		return u.Serial
	}
	return unit
}

// sessions are saved sessions as evidence, each at the inertia it recorded: one on an
// earlier build stays one of the same rig.
func (l Evidence) sessions(sheet *schema.Sheet, logs []savedLog, now time.Time) []start.Tune {
	var out []start.Tune
	for _, x := range logs {
		if t, ok := x.log.AsTune(sheet, x.fp, x.ref, now); ok {
			out = append(out, t)
		}
	}
	return out
}

// LoopSheet is a gimbal sheet with the delay and damping that sessions told of the first
// of some units they were on, then of any of its units, where the sheet has maps of its
// stiffness dials and lacks those; else the sheet itself.
func (l Evidence) LoopSheet(sheet *schema.Sheet, units ...string) (*schema.Sheet, error) {
	if len(preset.LoopRemarks(sheet, nil, "")) == 0 {
		return sheet, nil
	}
	for _, u := range sheet.Units {
		units = append(units, u.Serial)
	}
	for _, u := range units {
		if u == "" {
			continue
		}
		u = serial(sheet, u)
		facts, err := l.UnitFacts(sheet, u)
		if err != nil {
			return sheet, err
		}
		if s := preset.LoopSheet(sheet, facts, u); s != sheet {
			return s, nil
		}
	}
	return sheet, nil
}

// SheetFor is a gimbal sheet as sessions have told one unit to be, with what they
// told; the sheet itself where they told nothing.
func (l Evidence) SheetFor(sheet *schema.Sheet, unit string) (*schema.Sheet, *identify.Unit, error) {
	if unit == "" {
		return sheet, nil, nil
	}
	unit = serial(sheet, unit)
	facts, err := l.UnitFacts(sheet, unit)
	if err != nil {
		return nil, nil, err
	}
	if u, ok := facts.Unit(unit); ok {
		return preset.SheetOf(sheet, facts, unit), &u, nil
	}
	return sheet, nil, nil
}
