package library

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// RigRow is what the list of rigs shows of one, as it lies in the work tree.
type RigRow struct {
	Fingerprint, Alias, Gimbal string
	Mass                       float64 // kg; 0 where the build sheet cannot be read
	Lens                       string  // names of the parts in the slot lens
	Tunes                      []string
	Fault                      string // why its build sheet cannot be read, "" when it can

	Proof    string // of the usual tune, by group: "proved", "walk out of date", "not proved"; "" for no tune
	ProvedOn string // unit of that proof
	HeldBy   []string
	Changed  time.Time // of the newest revision that changed anything of it; zero for none
	Unsaved  bool
	NextJob  string // slug of the next open job that has not ended
}

// Unit is the unit to name in one word: what holds a tune of the rig, else what it was proved on.
func (r RigRow) Unit() string {
	if len(r.HeldBy) > 0 {
		return strings.Join(r.HeldBy, ", ")
	}
	return r.ProvedOn
}

// listVersion changes whenever listText answers differently for the same file.
const listVersion = "3"

// listText is what is kept of one file for the list of rigs, fields parted by fieldSep: of a
// build sheet alias, gimbal, mass, lens and fault; of a tune the state and the unit of its proof;
// of an open job its last day and the rigs pinned to it; of a unit its label and the rigs whose
// tunes it holds.
func (l Lists) listText(path string, data []byte) string {
	place, _ := preset.Locate(path)
	if place.Kind == schema.KindRig {
		kg, lens := 0.0, []string(nil)
		r, err := preset.QuickRig(l.Cat, path, data)
		if err == nil {
			kg = r.Mass()
			for _, p := range r.Parts {
				if p.Slot == "lens" {
					lens = append(lens, p.Name)
				}
			}
			_, err = propsOf(r)
		}
		fault := ""
		if err != nil {
			fault = err.Error()
		}
		return fields(r.Alias, r.Gimbal, schema.Num(kg), strings.Join(lens, " + "), fault)
	}
	if place.Kind == schema.KindTune {
		t, err := preset.UncheckedTune(l.Cat, path, data)
		if err != nil {
			return ""
		}
		unit := ""
		if t.Proof != nil {
			unit = t.Proof.Unit
		}
		return fields(preset.OverallWords(t.Standing(preset.Rig{ID: place.Rig}, nil, "")), unit)
	}
	if place.Kind == schema.KindJob {
		j, err := preset.UncheckedJob(path, data)
		if err != nil || j.State != "open" {
			return ""
		}
		out := []string{schema.SayDate(j.To)}
		for _, p := range j.Pins {
			out = append(out, p.Rig)
		}
		return fields(out...)
	}
	// a unit's record: of each memory, the newest that it held
	tree, err := file.Values(path, data)
	if err != nil {
		return ""
	}
	f := schema.Flatten(tree)
	newest, held := map[float64]time.Time{}, map[float64]string{}
	for i := range f.Len("held") {
		at := fmt.Sprintf("held[%d].", i)
		m, t := f.NumOr(at+"memory", 0), f.Time(at+"at")
		if old, ok := newest[m]; !ok || t.After(old) {
			newest[m], held[m] = t, f.Str(at+"rig")
		}
	}
	return fields(append([]string{f.Str("label")}, slices.Sorted(maps.Values(held))...)...)
}

const fieldSep = "\x1f"

func fields(fs ...string) string {
	for i, f := range fs {
		fs[i] = strings.ReplaceAll(f, fieldSep, " ")
	}
	return strings.Join(fs, fieldSep)
}

// isListed chooses the files that the list of rigs is made of.
func isListed(path string) bool {
	if strings.HasPrefix(path, "units/") {
		return owner(path) != ""
	}
	place, ok := preset.Locate(path)
	return ok && (place.Kind == schema.KindRig || place.Kind == schema.KindTune || place.Kind == schema.KindJob)
}

// RigRows lists all rigs as they lie in the work tree, by alias as a person counts. today is the
// day from which the next job is looked for. What is listed is kept beside the library and
// brought forward by what changed.
func (l Lists) RigRows(today time.Time) ([]*RigRow, error) {
	list, err := l.Store.Work().Summaries(store.SummaryOptions{Name: "rigs", Version: listVersion, Match: isListed, Extract: l.listText})
	if err != nil {
		return nil, err
	}
	changed, err := l.Past().lastChanges()
	if err != nil {
		return nil, err
	}
	rows, others := rigRows(list, changed)
	addJobsAndUnits(rows, others, today)
	return byAlias(rows), nil
}

// rigRows makes the rows of a list of files, by fingerprint, and gives the files that are no rig's. The
// files of a rig lie together there. All is made for a list of ten thousand: a row is kept in place, not by itself.
func rigRows(list []store.Summary, changed changes) (rows []RigRow, others []*store.Summary) {
	rows = make([]RigRow, 0, changed.n())
	known := 0 // place in changed
	for i := range list {
		e := &list[i]
		fp, isRig := rigOf(e.Path)
		var row *RigRow
		if n := len(rows); isRig && n > 0 && rows[n-1].Fingerprint == fp {
			row = &rows[n-1]
			row.Unsaved = row.Unsaved || e.Unsaved != ""
		}
		if e.Unsaved == store.Deleted || e.Value == "" && !isRig {
			continue
		}
		if !isRig {
			others = append(others, e)
			continue
		}
		if row == nil {
			rows = append(rows, RigRow{Fingerprint: fp, Unsaved: e.Unsaved != ""})
			row = &rows[len(rows)-1]
			for known < changed.n() && changed.print(known) < fp {
				known++
			}
			if known < changed.n() && changed.print(known) == fp {
				row.Changed = changed.at(known)
			}
		}
		row.take(base(e.Path), e.Value)
	}
	for i := range rows {
		if r := &rows[i]; r.Alias == "" && r.Fault == "" { // tunes without a build sheet
			r.Fault = "its folder has no rig.toml"
		}
	}
	return rows, others
}

// onlyMain is the tunes of most rigs, shared until one is added.
var onlyMain = []string{preset.MainTune}

// take takes in what is kept of one file of the rig.
func (r *RigRow) take(name, text string) {
	var x [5]string
	n := cutFields(text, x[:])
	if name == preset.RigName {
		if n == 5 {
			r.Alias, r.Gimbal, r.Lens, r.Fault = x[0], x[1], x[3], x[4]
			r.Mass, _ = strconv.ParseFloat(x[2], 64)
		}
		return
	}
	name = strings.TrimSuffix(name, ".toml")
	switch {
	case name != preset.MainTune:
		r.Tunes = append(r.Tunes, name)
	case r.Tunes == nil:
		r.Tunes = onlyMain[:1:1]
	default:
		r.Tunes = slices.Insert(r.Tunes, 0, name)
	}
	if r.Tunes[0] == name && n == 2 {
		r.Proof, r.ProvedOn = x[0], x[1]
	}
}

// addJobsAndUnits gives the rows, which are by fingerprint, the next job of each rig and the units that hold a tune of it.
func addJobsAndUnits(rows []RigRow, others []*store.Summary, today time.Time) {
	day := schema.SayDay(today, nil)
	for _, o := range others { // jobs lie by their first day
		x := strings.Split(o.Value, fieldSep)
		for _, fp := range x[1:] {
			i, ok := slices.BinarySearchFunc(rows, fp, func(r RigRow, fp string) int { return strings.Compare(r.Fingerprint, fp) })
			if !ok {
				continue
			}
			r := &rows[i]
			if strings.HasPrefix(o.Path, "jobs/") {
				if r.NextJob == "" && x[0] >= day {
					r.NextJob = strings.TrimSuffix(base(o.Path), ".toml")
				}
				continue
			}
			name := x[0]
			if name == "" {
				_, name, _ = strings.Cut(strings.TrimPrefix(owner(o.Path), "unit "), "/")
			}
			if !slices.Contains(r.HeldBy, name) {
				r.HeldBy = append(r.HeldBy, name)
			}
		}
	}
}

// byAlias orders rows as a person counts. It sorts where they are, as a row is large.
func byAlias(rows []RigRow) []*RigRow {
	type place struct {
		key [2]uint64
		row *RigRow
	}
	order := make([]place, len(rows))
	for i := range rows {
		order[i] = place{schema.NaturalKey(rows[i].Alias), &rows[i]}
	}
	slices.SortFunc(order, func(a, b place) int {
		if a.key[0] != b.key[0] {
			return cmp.Compare(a.key[0], b.key[0])
		}
		if a.key[1] != b.key[1] {
			return cmp.Compare(a.key[1], b.key[1])
		}
		if c := schema.CompareNatural(a.row.Alias, b.row.Alias); c != 0 {
			return c
		}
		return strings.Compare(a.row.Fingerprint, b.row.Fingerprint)
	})
	out := make([]*RigRow, len(rows))
	for i := range order {
		out[i] = order[i].row
	}
	return out
}

// cutFields takes apart what fields made, into as many as there is room for; n is how many there
// are, at most one more than that.
func cutFields(s string, into []string) (n int) {
	for more := true; more && n <= len(into); n++ {
		var x string
		if x, s, more = strings.Cut(s, fieldSep); n < len(into) {
			into[n] = x
		}
	}
	return n
}

// changedCache keeps when each rig was changed last, under the revision it was made for.
const changedCache = "changed-2"

// changes says by fingerprint when a rig was changed last: lines of changeSize bytes, sorted, each
// a fingerprint, the second as ten digits and a line break.
type changes []byte

const changeSize = preset.FingerprintLen + 11

func (c changes) n() int { return len(c) / changeSize }

func (c changes) print(i int) string {
	return string(c[i*changeSize : i*changeSize+preset.FingerprintLen])
}

func (c changes) at(i int) time.Time {
	n := int64(0)
	for _, d := range c[i*changeSize+preset.FingerprintLen : (i+1)*changeSize-1] {
		n = n*10 + int64(d-'0')
	}
	return time.Unix(n, 0)
}

// lastChanges gives when the newest revision that changed anything in a rig's folder was made.
func (l Past) lastChanges() (changes, error) {
	head, err := l.Store.Head()
	if err != nil || head == "" {
		return nil, err
	}
	rev, known := store.Rev(""), changes(nil)
	if data, ok := l.Store.Cache(changedCache); ok && len(data) > 41 && (len(data)-41)%changeSize == 0 {
		rev, known = store.Rev(data[:40]), changes(data[41:])
	}
	if rev == head {
		return known, nil
	}
	out := make(map[string]time.Time, known.n())
	newer := func(path string, at time.Time) {
		if fp, ok := strings.CutPrefix(owner(path), "rig "); ok && at.After(out[fp]) && at.Unix() >= 0 && at.Unix() < 1e10 {
			out[fp] = at
		}
	}
	diff, err := l.Store.Revisions().Diff(rev, head)
	if rev == "" || err != nil || len(diff) > 500 {
		if err := l.Store.History().Touched("rigs/", newer); err != nil {
			return nil, err
		}
	} else {
		for i := range known.n() {
			out[known.print(i)] = known.at(i)
		}
		for _, c := range diff {
			if at, ok := l.LastChanged(c.Path); ok {
				newer(c.Path, at)
			}
		}
	}
	text := make([]byte, 0, 41+len(out)*changeSize)
	text = append(text, string(head)+"\n"...)
	for _, fp := range slices.Sorted(maps.Keys(out)) {
		text = fmt.Appendf(text, "%s%010d\n", fp, out[fp].Unix())
	}
	l.Store.SetCache(changedCache, text)
	return changes(text[41:]), nil
}
