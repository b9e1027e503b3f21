package library

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
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

// savedLogs gives the ended bench logs saved on a gimbal, by path. What is read of
// each is kept in the library's cache, so that ten thousand logs cost no reading.
func (l Evidence) savedLogs(gimbal string) ([]savedLog, error) {
	s, err := l.Lists().summary()
	if err != nil {
		return nil, err
	}
	list, err := l.Store.Work().Summaries(store.SummaryOptions{Name: "bench", Version: "1", SavedOnly: true,
		Match: func(p string) bool {
			place, ok := preset.Locate(p)
			return ok && place.Kind == schema.KindBench
		},
		Extract: func(p string, data []byte) string {
			tree, err := file.Values(p, data)
			if err != nil || len(schema.Errors(l.Cat.Validate(schema.KindBench, tree, nil))) > 0 {
				return "" // check says what is wrong with it
			}
			log := preset.DecodeBench(tree)
			if log.Open() || len(log.Results) == 0 {
				return ""
			}
			log.Steps, log.Plan = nil, preset.BenchPlan{}
			text, err := json.Marshal(log)
			if err != nil {
				return ""
			}
			return string(text)
		}})
	if err != nil {
		return nil, err
	}
	var out []savedLog
	for _, e := range list {
		place, _ := preset.Locate(e.Path)
		r := s.rigs[place.Rig]
		if e.Value == "" || r == nil || r.gimbal != gimbal {
			continue
		}
		x := savedLog{path: e.Path, fp: place.Rig}
		if json.Unmarshal([]byte(e.Value), &x.log) != nil {
			continue
		}
		x.ref = r.alias + ", session of " + schema.SayMoment(x.log.Began, l.Zone)
		out = append(out, x)
	}
	return out, nil
}

// proofLogs gives what the saved proofs of a gimbal tell as sessions do, by path, but for the
// onsets that one of the logs has seen as well: prove takes them from there.
func (l Evidence) proofLogs(sheet *schema.Sheet, logs []savedLog) ([]savedLog, error) {
	s, err := l.Lists().summary()
	if err != nil {
		return nil, err
	}
	list, err := l.Store.Work().Summaries(store.SummaryOptions{Name: "proof-onset", Version: "1", SavedOnly: true,
		Match: func(p string) bool {
			place, ok := preset.Locate(p)
			return ok && place.Kind == schema.KindTune
		},
		Extract: func(p string, data []byte) string {
			if !bytes.Contains(data, []byte("onset_hz")) {
				return ""
			}
			tree, err := file.Values(p, data)
			if err != nil || len(schema.Errors(l.Cat.Validate(schema.KindTune, tree, nil))) > 0 {
				return "" // check says what is wrong with it
			}
			t := preset.DecodeTune(l.Cat, tree)
			if t.Proof == nil || len(t.Proof.OnsetHz) == 0 {
				return ""
			}
			text, err := json.Marshal(preset.Tune{Values: t.GroupValues(preset.GroupHold), Proof: t.Proof})
			if err != nil {
				return ""
			}
			return string(text)
		}})
	if err != nil {
		return nil, err
	}
	var out []savedLog
	for _, e := range list {
		place, _ := preset.Locate(e.Path)
		r := s.rigs[place.Rig]
		if e.Value == "" || r == nil || r.gimbal != sheet.Slug {
			continue
		}
		var t preset.Tune
		if json.Unmarshal([]byte(e.Value), &t) != nil {
			continue
		}
		log, ok := t.ProofSession(sheet)
		if !ok {
			continue
		}
		for _, x := range logs {
			if x.fp != place.Rig || serial(sheet, x.log.Unit) != serial(sheet, log.Unit) {
				continue
			}
			for a, seen := range x.log.Results {
				if mine, ok := log.Results[a]; ok && seen.Onset != nil && *seen.Onset == *mine.Onset {
					delete(log.Results, a)
				}
			}
		}
		if len(log.Results) > 0 {
			out = append(out, savedLog{path: e.Path, fp: place.Rig, ref: r.alias + ", proof of " + schema.SayMoment(log.Began, l.Zone), log: log})
		}
	}
	return out, nil
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
