package merge

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strconv"
	"strings"

	"rigkeep/preset/file"
)

// write splices what was decided into our text, brings the remarks of both sides together, and
// gives the result.
func (m *merger) write() *file.Doc {
	d := m.o.d.WithOrder(m.shape.order)
	d = m.writeValues(d)
	d = m.writeNew(d)
	// Elements last and from the back, so that the others keep their numbers.
	sort.Slice(m.drop, func(i, j int) bool { return m.reverseOrder(m.drop[i], m.drop[j]) })
	for _, u := range m.drop {
		next, err := d.Delete(m.o.at[u])
		if err != nil {
			m.failed(u, err)
			continue
		}
		d = next
	}
	return m.remarks(d)
}

// reverseOrder orders units so that a higher element of an array comes before a lower one.
func (m *merger) reverseOrder(a, b string) bool {
	if up := m.o.up[a]; up == m.o.up[b] {
		return slices.Index(m.o.arrays[up], a) > slices.Index(m.o.arrays[up], b)
	}
	return a > b
}

// failed is an edit that preset/file refuses because it would touch more than its key.
func (m *merger) failed(id string, err error) {
	why := "it cannot be written without touching more of the file"
	if es := file.List(err); len(es) > 0 {
		why += ": " + es[0].What
	}
	m.out.Conflicts = append(m.out.Conflicts, m.conflict(id, why))
}

// writeValues changes and deletes values that ours has.
func (m *merger) writeValues(d *file.Doc) *file.Doc {
	for _, id := range slices.Sorted(maps.Keys(m.final)) {
		want, o := m.final[id], m.o.cell(id)
		if want.is(o) || !o.has {
			continue
		}
		var next *file.Doc
		var err error
		if !want.has {
			next, err = d.Delete(m.o.at[id])
		} else {
			next, err = d.Set(m.o.at[id], m.spelled(id, want))
		}
		if err != nil {
			m.failed(id, err)
			continue
		}
		d = next
	}
	return d
}

// spelled is a value as the other side wrote it, where it is theirs and stands on one line.
func (m *merger) spelled(id string, want cell) any {
	if t := m.t.cell(id); t.has && t.is(want) {
		if _, isList := want.value.([]any); isList {
			return want.value // element by element, so that remarks within stay
		}
		if lit, ok := m.t.d.Literal(m.t.at[id]); ok && !strings.ContainsAny(lit, "\r\n") {
			return file.Raw(lit)
		}
	}
	return want.value
}

// writeNew brings in what ours does not have, in the order of the other side's text: whole
// tables and elements as they are written there, then single keys.
func (m *merger) writeNew(d *file.Doc) *file.Doc {
	done := map[string]bool{} // identities brought in with something larger
	added := map[string]int{} // how many elements each array of ours has gained
	covered := func(id string) bool {
		for ; id != ""; id = m.t.up[id] {
			if done[id] {
				return true
			}
		}
		return false
	}
	for _, at := range append(m.t.d.Tables(), m.t.d.Keys()...) {
		id, ok := m.t.id[at]
		if !ok || m.o.at[id] != "" || covered(id) || !m.wanted(id) {
			continue
		}
		to, ok := m.place(id, added)
		if !ok {
			continue // its table comes later in the list
		}
		next, err := d.Graft(to, m.t.d, at)
		if err != nil {
			v, _ := m.t.d.Get(at)
			next, err = d.Set(to, v)
		}
		if err != nil {
			m.failed(id, err)
			done[id] = true
			continue
		}
		d, done[id] = next, true
		if up := m.t.up[id]; len(m.t.arrays[up]) > 0 {
			added[up]++
		}
	}
	for _, id := range slices.Sorted(maps.Keys(m.final)) { // values that neither side has, and what is left
		want := m.final[id]
		if !want.has || m.o.at[id] != "" || covered(id) {
			continue
		}
		to, ok := m.place(id, added)
		if !ok {
			continue
		}
		next, err := d.Set(to, m.spelled(id, want))
		if err != nil {
			m.failed(id, err)
			continue
		}
		d = next
	}
	return d
}

// wanted says whether all of a table, element or key of theirs is to come in just as it is.
func (m *merger) wanted(id string) bool {
	for _, u := range m.graft {
		if within(id, u) {
			return true
		}
	}
	n := 0
	for k, l := range m.t.leaves {
		if !within(k, id) {
			continue
		}
		n++
		if f, ok := m.final[k]; !ok || !f.is(cell{true, l.value}) {
			return false
		}
	}
	return n > 0
}

// place is where in our text something new goes; false if the table it is in is not there.
func (m *merger) place(id string, added map[string]int) (string, bool) {
	up, ok := m.t.up[id]
	x := m.t
	if !ok {
		if up, ok = m.b.up[id]; !ok {
			return id, true
		}
		x = m.b
	}
	if list := x.arrays[up]; len(list) > 0 && slices.Contains(list, id) {
		base, ok := m.o.at[up]
		if !ok {
			if base, ok = m.place(up, added); !ok {
				return "", false
			}
		}
		return base + "[" + strconv.Itoa(len(m.o.arrays[up])+added[up]) + "]", true
	}
	last := lastKey(x.at[id])
	if up == "" {
		return last, true
	}
	base, ok := m.o.at[up]
	if !ok {
		if len(x.arrays[x.up[up]]) > 0 {
			return "", false // in an element that is not there
		}
		if base, ok = m.place(up, added); !ok {
			return "", false
		}
	}
	return base + "." + last, true
}

// lastKey is the last name of a path, quotes kept.
func lastKey(at string) string {
	p, err := file.ParsePath(at)
	if err != nil || len(p) == 0 {
		return at
	}
	return p[len(p)-1:].String()
}

// remark is a comment by identity.
type remark struct{ id, words string }

func (x *doc) remarks() []file.Comment {
	if x == nil || x.d == nil {
		return nil
	}
	return x.d.Comments()
}

func (x *doc) remarkID(c file.Comment) string {
	if id, ok := x.id[c.Key]; ok {
		return id
	}
	return c.Key
}

// remarks brings the remarks of both sides together: those that one side added are there, those
// that one side took away (or reworded) and the other left as they were are gone.
func (m *merger) remarks(d *file.Doc) *file.Doc {
	count := func(x *doc) (byKey map[remark]int, byWords map[string]int) {
		byKey, byWords = map[remark]int{}, map[string]int{}
		for _, c := range x.remarks() {
			byKey[remark{x.remarkID(c), c.Text}]++
			byWords[c.Text]++
		}
		return byKey, byWords
	}
	if m.sameRemarks() {
		return d
	}
	if m.in.Base != nil && m.b.d == nil {
		b, err := file.Parse(m.in.Path, m.in.Base)
		if err != nil {
			return d // its values could be read, so this does not happen
		}
		m.b.d = b
	}
	bk, bw := count(m.b)
	ok, ow := count(m.o)
	tk, tw := count(m.t)
	if len(ok)+len(tk) == 0 {
		return d
	}
	now := m.shape.parse(d, m.ties)
	_, nw := count(now)
	reread := func(next *file.Doc) {
		d = next
		now = m.shape.parse(d, m.ties)
		_, nw = count(now)
	}
	// Gone on their side, untouched on ours.
	for _, r := range sortedRemarks(bk) {
		if tk[r] > 0 || ok[r] == 0 || nw[r.words] <= tw[r.words] || m.t.at[r.id] == "" && r.id != "" {
			continue
		}
		for _, c := range d.Comments() {
			if c.Text == r.words && now.remarkID(c) == r.id {
				if next, err := d.DropComment(c); err == nil {
					reread(next)
				}
				break
			}
		}
	}
	// New on either side.
	for _, side := range []struct {
		x *doc
		w map[string]int
	}{{m.t, tw}, {m.o, ow}} {
		for _, c := range side.x.remarks() {
			id := side.x.remarkID(c)
			if side.w[c.Text] <= bw[c.Text] || nw[c.Text] >= side.w[c.Text] {
				continue // not new (it may have moved), or here already
			}
			next, err := m.addRemark(d, now, side.x, id, c)
			if err != nil {
				m.out.Lost = append(m.out.Lost, fmt.Sprintf("a remark on %s: %s", firstOf(id, "the file"), c.Text))
				continue
			}
			reread(next)
		}
	}
	return d
}

// sameRemarks says that the remarks need no work: theirs are the base's, and nothing of ours goes.
// It looks at what stands behind the first # of each line, in quotes or not, which differs at
// least where a remark does.
func (m *merger) sameRemarks() bool {
	if m.in.Base == nil || len(m.drop) > 0 {
		return false
	}
	for id, want := range m.final {
		if !want.has && m.o.cell(id).has {
			return false
		}
	}
	return slices.Equal(behindSigns(m.in.Base), behindSigns(m.in.Theirs))
}

func behindSigns(text []byte) []string {
	var out []string
	for line := range bytes.Lines(text) {
		if i := bytes.IndexByte(line, '#'); i >= 0 {
			out = append(out, string(bytes.TrimRight(line[i:], "\r\n")))
		}
	}
	sort.Strings(out)
	return out
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// addRemark puts a remark on its key, or on the nearest table around it that is still there.
func (m *merger) addRemark(d *file.Doc, now, from *doc, id string, c file.Comment) (*file.Doc, error) {
	tail := c.Tail
	for id != "" {
		if at, ok := now.at[id]; ok {
			return d.AddComment(at, c.Text, tail)
		}
		id, tail = from.up[id], false
	}
	return d.AddComment("", c.Text, false)
}

func sortedRemarks(m map[remark]int) []remark {
	out := make([]remark, 0, len(m))
	for r := range m {
		out = append(out, r)
	}
	sort.Slice(out, func(i, j int) bool {
		return out[i].id < out[j].id || out[i].id == out[j].id && out[i].words < out[j].words
	})
	return out
}
