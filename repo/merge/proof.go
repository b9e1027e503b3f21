package merge

import (
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// maxStale is how long the reason of an ended proof may be.
const maxStale = 400

// reasonSep stands between two reasons of it.
const reasonSep = "; "

// proofGroups lists the groups of which either side or the base has a proof.
func (m *merger) proofGroups() []string {
	if m.in.Kind != schema.KindTune {
		return nil
	}
	there := map[string]bool{}
	for _, x := range []*doc{m.b, m.o, m.t} {
		for id := range x.leaves {
			seg := schema.SplitPath(x.at[id])
			switch {
			case len(seg) < 3 || seg[0] != "proof":
			case seg[1] != "style":
				there[seg[1]] = true
			case len(seg) > 3:
				there[preset.StyleGroup(seg[2])] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(there))
}

// proofSide says whose proof of a group a tune keeps, "" where key by key gives the same or
// there is none. A proof that both changed is never mixed: the newer one is kept.
func (m *merger) proofSide(group string) Side {
	id := "proof." + group
	b, o, t := m.b.table(id, ""), m.o.table(id, ""), m.t.table(id, "")
	switch {
	case file.Equal(o, t), file.Equal(t, b):
		return Ours
	case file.Equal(o, b):
		return Theirs
	case len(o) == 0 || len(t) == 0:
		// Deleted here, changed there: as everywhere else, a person decides.
		c := Conflict{Path: m.in.Path, Key: id, Why: "deleted on one side, changed on the other", Base: m.b.showProof(group), Ours: m.o.showProof(group), Theirs: m.t.showProof(group)}
		if m.in.Choose != nil {
			if ch, ok := m.in.Choose(c, false); ok && ch.Take != "" {
				return ch.Take
			}
		}
		if !m.in.Virtual {
			m.out.Conflicts = append(m.out.Conflicts, c)
		}
		return Ours
	}
	at := func(p map[string]any) time.Time { t, _ := schema.Moment(p[id+".at"]); return t }
	if a, b := at(o), at(t); !a.Equal(b) {
		if a.After(b) {
			return Ours
		}
		return Theirs
	}
	// The same session recorded twice: no side is newer, so the choice only must not depend on who merges.
	if fmt.Sprint(o) >= fmt.Sprint(t) {
		return Ours
	}
	return Theirs
}

// table gives the values of a table by identity, without the key named.
func (x *doc) table(id, without string) map[string]any {
	out := map[string]any{}
	for k, l := range x.leaves {
		if within(k, id) && k != without {
			out[k] = l.value
		}
	}
	return out
}

func (x *doc) showProof(group string) any {
	if len(x.table("proof."+group, "")) == 0 {
		return nil
	}
	return plain(x.cell("proof." + group + ".at").value)
}

// checkProofs finds out which groups' proofs this merge ends, and writes it into the text.
// A group whose values both sides changed ends its own proof and no other.
func (m *merger) checkProofs(sides map[string]Side) {
	mixed := m.mixed()
	for _, g := range slices.Sorted(maps.Keys(mixed)) {
		m.out.Stale = append(m.out.Stale, mixed[g]...)
	}
	merged := preset.TuneIn(m.in.Cat, m.doc)
	o, t := preset.TuneIn(m.in.Cat, m.o.d), preset.TuneIn(m.in.Cat, m.t.d)
	for _, g := range slices.Sorted(maps.Keys(sides)) {
		if merged.ProofOf(g) == nil {
			continue
		}
		id := "proof." + g
		now, ours, theirs := merged.GroupDigest(g), o.GroupDigest(g), t.GroupDigest(g)
		reasons := slices.Clone(mixed[g])
		if file.Equal(m.o.table(id, id+".stale"), m.t.table(id, id+".stale")) {
			// One session; what ended it on either side ends it here.
			reasons = append(reasons, ended(o, g)...)
			reasons = append(reasons, ended(t, g)...)
			if len(reasons) == 0 && now != ours && now != theirs {
				reasons = append(reasons, "values from both sides merged")
			}
		} else {
			own, was := o, ours
			if sides[g] == Theirs {
				own, was = t, theirs
			}
			reasons = append(reasons, ended(own, g)...)
			if now != was {
				reasons = append(reasons, "tested with other values; some came from the other side")
			}
		}
		if next, err := AddStale(m.doc, reasons, g); err == nil {
			m.doc, m.out.Text = next, next.Text()
		} else {
			m.failed(id+".stale", err)
		}
	}
}

func ended(t preset.Tune, group string) []string {
	p := t.ProofOf(group)
	if p == nil || p.Ended == "" {
		return nil
	}
	return strings.Split(p.Ended, reasonSep)
}

// BuildGroups are the groups whose proofs a change of the build ends.
var BuildGroups = []string{preset.GroupHold, preset.GroupHorizon}

// ProofGroups lists the groups of which a tune's text has a proof.
func ProofGroups(d *file.Doc) []string {
	v, _ := d.Get("proof")
	m, _ := v.(map[string]any)
	var out []string
	for _, g := range slices.Sorted(maps.Keys(m)) {
		if g != "style" {
			out = append(out, g)
			continue
		}
		styles, _ := m[g].(map[string]any)
		for _, s := range slices.Sorted(maps.Keys(styles)) {
			out = append(out, preset.StyleGroup(s))
		}
	}
	return out
}

// AddStale writes reasons into the proofs of some groups of a tune, beside those that are
// there already; each once, in alphabetical order, so that merges in any order come to the
// same text. A group without a proof stays as it is.
func AddStale(d *file.Doc, reasons []string, groups ...string) (*file.Doc, error) {
	for _, g := range groups {
		next, err := addStale(d, reasons, "proof."+g)
		if err != nil {
			return nil, err
		}
		d = next
	}
	return d, nil
}

func addStale(d *file.Doc, reasons []string, at string) (*file.Doc, error) {
	if v, _ := d.Get(at); v == nil || len(reasons) == 0 {
		return d, nil
	}
	old, _ := d.Get(at + ".stale")
	was, _ := old.(string)
	all := slices.Clone(reasons)
	if was != "" {
		all = append(all, strings.Split(was, reasonSep)...)
	}
	sort.Strings(all)
	all = slices.Compact(all)
	text := ""
	for i, r := range all {
		next := text + r
		if i > 0 {
			next = text + reasonSep + r
		}
		if len([]rune(next)) > maxStale {
			break
		}
		text = next
	}
	if text == "" { // one reason longer than the field
		text = string([]rune(all[0])[:maxStale])
	}
	return d.Set(at+".stale", text)
}

// mixed says, group by group, which values of two sides were put together in it.
func (m *merger) mixed() map[string][]string {
	ours, theirs := map[string][]string{}, map[string][]string{}
	for id, side := range m.from {
		key := m.at(id)
		if _, ok := m.in.Cat.Param(key); !ok {
			continue
		}
		g := preset.GroupOf(key)
		switch b := m.b.cell(id); {
		case side == Ours && !m.o.cell(id).is(b):
			ours[g] = append(ours[g], id)
		case side == Theirs && !m.t.cell(id).is(b):
			theirs[g] = append(theirs[g], id)
		}
	}
	out := map[string][]string{}
	for g := range ours {
		if words := pairsOf(m.in.Cat, ours[g], theirs[g]); words != nil {
			out[g] = words
		}
	}
	return out
}

// pairsOf says in words which values of one group come from two sides.
func pairsOf(cat *schema.Catalogue, ours, theirs []string) []string {
	pairs := map[string]bool{}
	for _, a := range ours {
		for _, b := range theirs {
			p, _ := cat.Param(a)
			q, _ := cat.Param(b)
			if a != b {
				x, y := p.Label(a), q.Label(b)
				if y < x {
					x, y = y, x
				}
				pairs[x+" and "+y] = true
			}
		}
	}
	if len(pairs) == 0 {
		return nil
	}
	list := slices.Sorted(maps.Keys(pairs))
	text := "merged from two sides: " + list[0]
	switch n := len(list) - 1; {
	case n == 1:
		text += ", and one more pair"
	case n > 1:
		text += ", and " + schema.Count(n, "more pair", "more pairs")
	}
	return []string{text}
}
