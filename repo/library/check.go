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
	paths, err := l.Store.Work().List("")
	if err != nil {
		return nil, 0, err
	}
	links, err := l.Store.Work().Links()
	if err != nil {
		return nil, 0, err
	}
	c := &checker{Library: l, places: map[string]preset.Place{}, rigs: map[string]preset.Rig{}, sheets: map[string]*schema.Sheet{},
		aliases: map[string]string{}, unitNames: map[string]string{}, earlierOf: map[string]string{}, present: map[string]bool{}}
	for _, p := range links {
		c.add(Finding{Path: p, What: "this is a symbolic link: git keeps the link and nothing of what it leads to", Fix: "put a real file or folder in its place"})
	}
	c.spellings(paths)
	ours := c.locate(paths)
	for _, p := range ours {
		c.file(p)
	}
	sort.SliceStable(c.out, func(i, j int) bool {
		if c.out[i].Path != c.out[j].Path {
			return c.out[i].Path < c.out[j].Path
		}
		return c.out[i].Line < c.out[j].Line
	})
	return c.out, len(ours), nil
}

// checker goes through the files of a library; what is read first is what the others refer to.
type checker struct {
	*Library
	out       []Finding
	places    map[string]preset.Place
	rigs      map[string]preset.Rig
	sheets    map[string]*schema.Sheet
	aliases   map[string]string // the rig of each
	unitNames map[string]string // by gimbal and name, the serial
	earlierOf map[string]string // by a fingerprint that a rig had, the rig
	present   map[string]bool   // fingerprints that rigs have
}

// faultFunc adds a finding at a key of the file that is looked at.
type faultFunc func(key, what, fix string, warning bool)

func (c *checker) add(f Finding) { c.out = append(c.out, f) }

// spellings finds paths that are one name on many disks.
func (c *checker) spellings(paths []string) {
	spelled := map[string]string{} // by the canonical form of a path, its first spelling
	for _, p := range paths {
		for i := 0; i <= len(p); i++ {
			if i < len(p) && p[i] != '/' {
				continue
			}
			at, form := p[:i], schema.CanonicalName(p[:i])
			if was, ok := spelled[form]; ok && was != at {
				c.add(Finding{Path: at, What: fmt.Sprintf("this and %+q are one name on many disks: they differ in capitals or in how letters are composed only", was), Fix: "rename one of them, or merge them and remove one"})
				break
			}
			spelled[form] = at
		}
	}
}

// checkOrder is that in which kinds of file are read: sheets and rigs before the tunes that are checked against them.
var checkOrder = map[string]int{schema.KindLibrary: 0, schema.KindPart: 1, schema.KindGimbal: 2, schema.KindUnit: 3, schema.KindRig: 3,
	schema.KindTune: 4, schema.KindBalance: 4, schema.KindBench: 4, schema.KindJob: 5}

// locate finds the files that Rigkeep reads, in the order in which they are read, and names those that lie astray.
func (c *checker) locate(paths []string) (ours []string) {
	for _, p := range paths {
		place, ok := preset.Locate(p)
		if !ok {
			if fp, inRig := strings.CutPrefix(owner(p), "rig "); inRig && !strings.HasSuffix(p, ".toml") {
				c.checkStray(fp, p, c.add)
			} else if strings.HasSuffix(p, ".toml") {
				c.add(Finding{Path: p, What: "Rigkeep does not read files here", Fix: "move it under gimbals/, jobs/ or the rig's folder, or rename it", Warning: true})
			}
			continue
		}
		c.places[p] = place
		ours = append(ours, p)
	}
	sort.SliceStable(ours, func(i, j int) bool { return checkOrder[c.places[ours[i]].Kind] < checkOrder[c.places[ours[j]].Kind] })
	for _, place := range c.places {
		if place.Kind == schema.KindRig {
			c.present[place.Rig] = true
		}
	}
	return ours
}

// file reads one file, and looks at what it says.
func (c *checker) file(p string) {
	place := c.places[p]
	data, err := c.Store.Work().Read(p)
	var sheet *schema.Sheet
	if r, ok := c.rigs[place.Rig]; ok {
		sheet = c.sheets[r.Gimbal]
	}
	var doc *file.Doc
	if err == nil {
		if doc, err = file.Parse(p, data); err == nil {
			ps := c.Cat.Validate(place.Kind, doc.Tree(), sheet)
			err = preset.Faults(doc, ps)
			for _, w := range ps {
				if w.Warning {
					line, col, _ := doc.ValuePos(w.Key)
					c.add(Finding{p, line, col, w.Key, w.What + "; expected " + w.Want, w.Fix, true})
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
			c.add(Finding{p, e.Line, e.Col, e.Key, what, e.Fix, false})
		}
		if len(es) == 0 {
			var re *store.Error
			if errors.As(err, &re) {
				c.add(Finding{Path: p, What: re.Msg, Fix: re.Hint})
			} else {
				c.add(Finding{Path: p, What: err.Error()})
			}
		}
		return
	}
	fault := func(key, what, fix string, warning bool) {
		e := doc.Fault(key, what, "", fix)
		c.add(Finding{p, e.Line, e.Col, key, what, fix, warning})
	}
	switch place.Kind {
	case schema.KindGimbal:
		c.sheets[place.Name] = preset.SheetIn(c.Cat, doc)
	case schema.KindUnit:
		c.unit(place, doc, fault)
	case schema.KindRig:
		c.rig(place, doc, fault)
	case schema.KindTune, schema.KindBench:
		c.ofRig(place, doc, fault)
	case schema.KindBalance:
		c.balance(place, doc, fault)
	case schema.KindJob:
		c.job(place, doc, fault)
	}
}

// unit looks at a unit record: its gimbal, and names that another unit has.
func (c *checker) unit(place preset.Place, doc *file.Doc, fault faultFunc) {
	u := preset.UnitIn(c.Cat, doc)
	if c.sheets[place.Gimbal] == nil {
		fault("kind", fmt.Sprintf("no readable gimbal sheet %q", place.Gimbal), "add or correct "+preset.GimbalPath(place.Gimbal)+", or move the unit", false)
	}
	for _, n := range u.Names() {
		id := place.Gimbal + "/" + schema.CanonicalName(n)
		if other, ok := c.unitNames[id]; ok && other != u.Serial {
			fault("label", fmt.Sprintf("%q is a name of unit %s as well", n, other), "give one of them another label", false)
		}
		c.unitNames[id] = u.Serial
	}
}

// rig looks at a build sheet: its names, its parts, what it weighs.
func (c *checker) rig(place preset.Place, doc *file.Doc, fault faultFunc) {
	r := preset.RigIn(doc)
	c.rigs[place.Rig] = r
	for _, w := range r.Was {
		if other, ok := c.earlierOf[w]; ok && other != place.Rig && !(c.wasAt(w, r.Alias) && c.wasAt(w, c.rigs[other].Alias)) {
			fault("was", fmt.Sprintf("the earlier fingerprint %s belongs to the rig %s as well: its history would show as this one's", w, other), "take it out of the sheet that was copied", false)
		}
		if c.present[w] && w != place.Rig {
			fault("was", fmt.Sprintf("the earlier fingerprint %s is now that of another rig, which wins: names and pins of it mean that one", w), "nothing is wrong; pin the revision where an old job means this rig", true)
		}
		c.earlierOf[w] = place.Rig
	}
	if c.sheets[r.Gimbal] == nil {
		fault("gimbal", fmt.Sprintf("no readable gimbal sheet %q", r.Gimbal), "add or correct gimbals/"+r.Gimbal+".toml", false)
	}
	if now := r.Fingerprint(); now != place.Rig {
		fault("part", fmt.Sprintf("edited by hand: fingerprint %s in the folder of %s", now, place.Rig), "Try: rigkeep save "+r.Alias+" -m WHY", false)
	}
	if other, ok := c.aliases[r.Alias]; ok {
		fault("alias", fmt.Sprintf("the alias %q belongs to %s as well", r.Alias, other), "give one of them another alias", false)
	}
	c.aliases[r.Alias] = place.Rig
	if err := r.Check(); err != nil {
		fault("part", err.Error(), "correct the part", false)
	}
	for i, part := range r.Parts {
		if part.From != "" && c.places[preset.PartPath(part.From)].Kind != schema.KindPart {
			fault(fmt.Sprintf("part[%d].from", i), "the shop has no part "+part.From, "take the key out, or bring the part back", true)
		}
	}
	if d, ok := r.WeighedOff(); ok {
		fault("weighed_kg", fmt.Sprintf("the build was weighed at %s kg and its parts sum to %s kg", schema.Num(r.Weighed), schema.Num(preset.Rounded(r.Mass(), 4))), fmt.Sprintf("find the %.0f g: a cable, a battery, a part typed wrong", d*1000), true)
	}
}

// ofRig looks whether a tune or bench log lies with its rig.
func (c *checker) ofRig(place preset.Place, doc *file.Doc, fault faultFunc) {
	f := schema.Flatten(doc.Tree())
	if f.Str("rig") != place.Rig {
		fault("rig", fmt.Sprintf("the file says it is for rig %s and lies in the folder of %s", f.Str("rig"), place.Rig), "correct the key, or move the file", false)
	}
	if _, ok := c.rigs[place.Rig]; !ok {
		fault("rig", "rig.toml missing or unreadable", "add or correct "+preset.RigPath(place.Rig), false)
	}
}

// balance looks whether a balance record lies with its rig, or with what became of it.
func (c *checker) balance(place preset.Place, doc *file.Doc, fault faultFunc) {
	fp := schema.Flatten(doc.Tree()).Str("rig")
	if r, ok := c.rigs[place.Rig]; !ok {
		fault("rig", "rig.toml missing or unreadable", "add or correct "+preset.RigPath(place.Rig), false)
	} else if fp != place.Rig && !slices.Contains(r.Was, fp) {
		fault("rig", fmt.Sprintf("the record is of rig %s and lies in the folder of %s", fp, place.Rig), "correct the key, or move the file", false)
	}
}

// job looks at the days and pins of a job.
func (c *checker) job(place preset.Place, doc *file.Doc, fault faultFunc) {
	j := preset.JobIn(doc)
	if j.To.Before(j.From) {
		fault("to", "the last day is before the first", "correct one of them", false)
	}
	if !strings.HasPrefix(place.Name, schema.SayDate(j.From)) {
		fault("from", "the first day is not the date in the file's name", "rename the file or correct the day", true)
	}
	for i, pin := range j.Pins {
		at := fmt.Sprintf("pin[%d].rig", i)
		if _, ok := c.rigs[pin.Rig]; !ok && c.earlierOf[pin.Rig] == "" && j.State == "open" {
			fault(at, "unknown rig "+pin.Rig, "remove the pin, or bring the rig back", false)
		}
		if pin.Revision != "" {
			if _, err := c.Store.Revisions().ReadAt(store.Rev(pin.Revision), preset.TunePath(pin.Rig, pin.Tune)); err != nil {
				fault(fmt.Sprintf("pin[%d].revision", i), "the pinned revision does not hold this tune", "pin it again: rigkeep job add "+place.Name+" "+pin.Rig, false)
			}
		}
	}
}

// wasAt reports whether a rig of this name lay under a fingerprint in some revision: two that did so
// one after the other may both say so, a copied sheet may not.
func (l *Library) wasAt(fp, alias string) bool {
	path := preset.RigPath(fp)
	revs, err := l.Store.History().Of(path, 0)
	return err == nil && slices.ContainsFunc(revs, func(r store.FileRevision) bool {
		data, err := l.Store.Revisions().ReadAt(r.ID, path)
		if err != nil {
			return false
		}
		then, err := preset.UncheckedRig(path, data)
		return err == nil && then.Alias == alias
	})
}
