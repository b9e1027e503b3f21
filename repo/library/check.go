package library

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Finding is one thing that check has to say about a library.
type Finding struct {
	Path    string `json:"path"`
	Line    int    `json:"line,omitempty"`
	Col     int    `json:"column,omitempty"`
	Key     string `json:"key,omitempty"`
	What    string `json:"what"`
	Fix     string `json:"fix,omitempty"`
	Warning bool   `json:"warning"`
}

// Check reads every file of the work tree and says what does not hold: syntax,
// keys, ranges, fingerprints, references between files, names that clash.
func (l *Library) Check() ([]Finding, int, error) {
	paths, err := l.Store.List("")
	if err != nil {
		return nil, 0, err
	}
	var out []Finding
	add := func(f Finding) { out = append(out, f) }
	places := map[string]preset.Place{}
	rigs := map[string]preset.Rig{}
	sheets := map[string]*schema.Sheet{}
	files := 0
	links, err := l.Store.Links()
	if err != nil {
		return nil, 0, err
	}
	for _, p := range links {
		add(Finding{Path: p, What: "this is a symbolic link: git keeps the link and nothing of what it leads to", Fix: "put a real file or folder in its place"})
	}
	spelled := map[string]string{} // by the canonical form of a path, its first spelling
	for _, p := range paths {
		for i := 0; i <= len(p); i++ {
			if i < len(p) && p[i] != '/' {
				continue
			}
			at, form := p[:i], schema.CanonicalName(p[:i])
			if was, ok := spelled[form]; ok && was != at {
				add(Finding{Path: at, What: fmt.Sprintf("this and %+q are one name on many disks: they differ in capitals or in how letters are composed only", was), Fix: "rename one of them, or merge them and remove one"})
				break
			}
			spelled[form] = at
		}
	}
	// sheets and rigs first: tunes are checked against them
	order := map[string]int{schema.KindLibrary: 0, schema.KindPart: 1, schema.KindGimbal: 2, schema.KindUnit: 3, schema.KindRig: 3, schema.KindTune: 4, schema.KindBalance: 4, schema.KindBench: 4, schema.KindJob: 5}
	var ours []string
	for _, p := range paths {
		place, ok := preset.Locate(p)
		if !ok {
			if fp, inRig := strings.CutPrefix(owner(p), "rig "); inRig && !strings.HasSuffix(p, ".toml") {
				l.checkStray(fp, p, add)
			} else if strings.HasSuffix(p, ".toml") {
				add(Finding{Path: p, What: "Rigkeep does not read files here", Fix: "move it under gimbals/, jobs/ or the rig's folder, or rename it", Warning: true})
			}
			continue
		}
		places[p] = place
		ours = append(ours, p)
	}
	sort.SliceStable(ours, func(i, j int) bool { return order[places[ours[i]].Kind] < order[places[ours[j]].Kind] })
	aliases := map[string]string{}
	unitNames := map[string]string{} // by gimbal and name, the serial
	earlier := map[string]bool{}     // fingerprints that rigs had
	earlierOf := map[string]string{} // the rig that had it
	present := map[string]bool{}     // fingerprints that rigs have
	for _, place := range places {
		if place.Kind == schema.KindRig {
			present[place.Rig] = true
		}
	}
	for _, p := range ours {
		files++
		place := places[p]
		data, err := l.Store.Read(p)
		var sheet *schema.Sheet
		if r, ok := rigs[place.Rig]; ok {
			sheet = sheets[r.Gimbal]
		}
		var doc *file.Doc
		if err == nil {
			if doc, err = file.Parse(p, data); err == nil {
				ps := l.Cat.Validate(place.Kind, doc.Tree(), sheet)
				err = Faults(doc, ps)
				for _, w := range ps {
					if w.Warning {
						line, col, _ := doc.ValuePos(w.Key)
						add(Finding{p, line, col, w.Key, w.What + "; expected " + w.Want, w.Fix, true})
					}
				}
			}
		}
		if err != nil {
			es := file.List(err)
			for _, e := range es {
				what := e.What
				if e.Want != "" {
					what += "; expected " + e.Want
				}
				add(Finding{p, e.Line, e.Col, e.Key, what, e.Fix, false})
			}
			if len(es) == 0 {
				var re *store.Error
				if errors.As(err, &re) {
					add(Finding{Path: p, What: re.Msg, Fix: re.Hint})
				} else {
					add(Finding{Path: p, What: err.Error()})
				}
			}
			continue
		}
		fault := func(key, what, fix string, warning bool) {
			e := doc.Fault(key, what, "", fix)
			add(Finding{p, e.Line, e.Col, key, what, fix, warning})
		}
		switch place.Kind {
		case schema.KindGimbal:
			sheets[place.Name], _ = l.Cat.Sheet(place.Name, doc.Tree())
		case schema.KindUnit:
			u := preset.DecodeUnit(l.Cat, place.Name, doc.Tree())
			if sheets[place.Gimbal] == nil {
				fault("kind", fmt.Sprintf("no readable gimbal sheet %q", place.Gimbal), "add or correct "+preset.GimbalPath(place.Gimbal)+", or move the unit", false)
			}
			for _, n := range u.Names() {
				id := place.Gimbal + "/" + schema.CanonicalName(n)
				if other, ok := unitNames[id]; ok && other != u.Serial {
					fault("label", fmt.Sprintf("%q is a name of unit %s as well", n, other), "give one of them another label", false)
				}
				unitNames[id] = u.Serial
			}
		case schema.KindRig:
			r := preset.ReadRig(place.Rig, doc)
			rigs[place.Rig] = r
			for _, w := range r.Was {
				if other, ok := earlierOf[w]; ok && other != place.Rig && !(l.wasAt(w, r.Alias) && l.wasAt(w, rigs[other].Alias)) {
					fault("was", fmt.Sprintf("the earlier fingerprint %s belongs to the rig %s as well: its history would show as this one's", w, other), "take it out of the sheet that was copied", false)
				}
				if present[w] && w != place.Rig {
					fault("was", fmt.Sprintf("the earlier fingerprint %s is now that of another rig, which wins: names and pins of it mean that one", w), "nothing is wrong; pin the revision where an old job means this rig", true)
				}
				earlier[w], earlierOf[w] = true, place.Rig
			}
			if sheets[r.Gimbal] == nil {
				fault("gimbal", fmt.Sprintf("no readable gimbal sheet %q", r.Gimbal), "add or correct gimbals/"+r.Gimbal+".toml", false)
			}
			if now := r.Fingerprint(); now != place.Rig {
				fault("part", fmt.Sprintf("edited by hand: fingerprint %s in the folder of %s", now, place.Rig), "Try: rigkeep save "+r.Alias+" -m WHY", false)
			}
			if other, ok := aliases[r.Alias]; ok {
				fault("alias", fmt.Sprintf("the alias %q belongs to %s as well", r.Alias, other), "give one of them another alias", false)
			}
			aliases[r.Alias] = place.Rig
			if err := r.Check(); err != nil {
				fault("part", err.Error(), "correct the part", false)
			}
			for i, part := range r.Parts {
				if part.From != "" && places[preset.PartPath(part.From)].Kind != schema.KindPart {
					fault(fmt.Sprintf("part[%d].from", i), "the shop has no part "+part.From, "take the key out, or bring the part back", true)
				}
			}
			if d, ok := r.WeighedOff(); ok {
				fault("weighed_kg", fmt.Sprintf("the build was weighed at %s kg and its parts sum to %s kg", schema.Num(r.Weighed), schema.Num(preset.Rounded(r.Mass(), 4))), fmt.Sprintf("find the %.0f g: a cable, a battery, a part typed wrong", d*1000), true)
			}
		case schema.KindTune, schema.KindBench:
			f := schema.Flatten(doc.Tree())
			if f.Str("rig") != place.Rig {
				fault("rig", fmt.Sprintf("the file says it is for rig %s and lies in the folder of %s", f.Str("rig"), place.Rig), "correct the key, or move the file", false)
			}
			if _, ok := rigs[place.Rig]; !ok {
				fault("rig", "rig.toml missing or unreadable", "add or correct "+preset.RigPath(place.Rig), false)
			}
		case schema.KindBalance:
			fp := schema.Flatten(doc.Tree()).Str("rig")
			if r, ok := rigs[place.Rig]; !ok {
				fault("rig", "rig.toml missing or unreadable", "add or correct "+preset.RigPath(place.Rig), false)
			} else if fp != place.Rig && !slices.Contains(r.Was, fp) {
				fault("rig", fmt.Sprintf("the record is of rig %s and lies in the folder of %s", fp, place.Rig), "correct the key, or move the file", false)
			}
		case schema.KindJob:
			j := preset.DecodeJob(place.Name, doc.Tree())
			if j.To.Before(j.From) {
				fault("to", "the last day is before the first", "correct one of them", false)
			}
			if !strings.HasPrefix(place.Name, j.From.Format("2006-01-02")) {
				fault("from", "the first day is not the date in the file's name", "rename the file or correct the day", true)
			}
			for i, pin := range j.Pins {
				at := fmt.Sprintf("pin[%d].rig", i)
				if _, ok := rigs[pin.Rig]; !ok && !earlier[pin.Rig] && j.State == "open" {
					fault(at, "unknown rig "+pin.Rig, "remove the pin, or bring the rig back", false)
				}
				if pin.Revision != "" {
					if _, err := l.Store.ReadAt(store.Rev(pin.Revision), preset.TunePath(pin.Rig, pin.Tune)); err != nil {
						fault(fmt.Sprintf("pin[%d].revision", i), "the pinned revision does not hold this tune", "pin it again: rigkeep job add "+place.Name+" "+pin.Rig, false)
					}
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		if out[i].Path != out[j].Path {
			return out[i].Path < out[j].Path
		}
		return out[i].Line < out[j].Line
	})
	return out, files, nil
}

// wasAt reports whether a rig of this name lay under a fingerprint in some revision: two that did so
// one after the other may both say so, a copied sheet may not.
func (l *Library) wasAt(fp, alias string) bool {
	path := preset.RigPath(fp)
	revs, err := l.Store.History(path, 0)
	return err == nil && slices.ContainsFunc(revs, func(r store.FileRevision) bool {
		data, err := l.Store.ReadAt(r.ID, path)
		if err != nil {
			return false
		}
		doc, err := file.Parse(path, data)
		return err == nil && schema.Flatten(doc.Tree()).Str("alias") == alias
	})
}
