package merge

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// maxStale is how long proof.stale may be.
const maxStale = 400

// reasonSep stands between two reasons in proof.stale.
const reasonSep = "; "

// proofSide says whose proof a tune keeps, "" where key by key gives the same or there is none.
// A proof that both changed is never mixed: the newer one is kept.
func (m *merger) proofSide() Side {
	if m.in.Kind != schema.KindTune {
		return ""
	}
	b, o, t := m.b.table("proof", ""), m.o.table("proof", ""), m.t.table("proof", "")
	switch {
	case file.Equal(o, t), file.Equal(t, b):
		return Ours
	case file.Equal(o, b):
		return Theirs
	case len(o) == 0 || len(t) == 0:
		// Deleted here, changed there: as everywhere else, a person decides.
		c := Conflict{Path: m.in.Path, Key: "proof", Why: "deleted on one side, changed on the other", Base: m.b.showProof(), Ours: m.o.showProof(), Theirs: m.t.showProof()}
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
	at := func(p map[string]any) time.Time { t, _ := schema.Moment(p["proof.at"]); return t }
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

func (x *doc) showProof() any {
	if len(x.table("proof", "")) == 0 {
		return nil
	}
	return plain(x.cell("proof.at").value)
}

// checkProof finds out whether this merge ends the proof, and writes it into the text.
func (m *merger) checkProof(side Side) {
	m.out.Stale = m.mixed()
	v, _ := m.doc.Get("proof")
	if p, ok := v.(map[string]any); !ok || len(p) == 0 {
		return
	}
	merged := preset.DecodeTune(m.in.Cat, m.doc.Tree())
	o, t := preset.DecodeTune(m.in.Cat, m.o.d.Tree()), preset.DecodeTune(m.in.Cat, m.t.d.Tree())
	sameProof := file.Equal(m.o.table("proof", "proof.stale"), m.t.table("proof", "proof.stale"))
	reasons := slices.Clone(m.out.Stale)
	if sameProof {
		// One session; what ended it on either side ends it here.
		reasons = append(reasons, ended(o)...)
		reasons = append(reasons, ended(t)...)
		if now := merged.Digest(); len(reasons) == 0 && now != o.Digest() && now != t.Digest() {
			reasons = append(reasons, "values of two sides were merged")
		}
	} else {
		own := o
		if side == Theirs {
			own = t
		}
		reasons = append(reasons, ended(own)...)
		if merged.Digest() != own.Digest() {
			reasons = append(reasons, "it was worked with other values; some were merged in from another side")
		}
	}
	if next, err := AddStale(m.doc, reasons); err == nil {
		m.doc, m.out.Text = next, next.Text()
	} else {
		m.failed("proof.stale", err)
	}
}

func ended(t preset.Tune) []string {
	if t.Proof == nil || t.Proof.Ended == "" {
		return nil
	}
	return strings.Split(t.Proof.Ended, reasonSep)
}

// AddStale writes reasons into the proof of a tune, beside those that are there already; each
// once, in alphabetical order, so that merges in any order come to the same text. A tune
// without a proof stays as it is.
func AddStale(d *file.Doc, reasons []string) (*file.Doc, error) {
	if v, _ := d.Get("proof"); v == nil || len(reasons) == 0 {
		return d, nil
	}
	old, _ := d.Get("proof.stale")
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
	return d.Set("proof.stale", text)
}

// mixed lists what of two sides was put together although it acts together: parameters of one
// axis, and parameters of which the catalogue says that they work on each other.
func (m *merger) mixed() []string {
	var ours, theirs []string
	for id, side := range m.from {
		if _, ok := m.in.Cat.Param(m.at(id)); !ok {
			continue
		}
		switch b := m.b.cell(id); {
		case side == Ours && !m.o.cell(id).is(b):
			ours = append(ours, id)
		case side == Theirs && !m.t.cell(id).is(b):
			theirs = append(theirs, id)
		}
	}
	return interacting(m.in.Cat, ours, theirs)
}

// interacting says in words which changes of two sides act together.
func interacting(cat *schema.Catalogue, ours, theirs []string) []string {
	pairs := map[string]bool{}
	for _, a := range ours {
		for _, b := range theirs {
			p, _ := cat.Param(a)
			q, _ := cat.Param(b)
			if s, u := p.Style(a), q.Style(b); s != "" && u != "" && s != u {
				continue // two styles are never at work at once
			}
			if a != b && (p.Axis != "" && p.Axis == q.Axis || interplay(p, q) || interplay(q, p)) {
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
	list := sortedKeys(pairs)
	text := "merged from two sides: " + list[0]
	switch n := len(list) - 1; {
	case n == 1:
		text += ", and one more pair"
	case n > 1:
		text += fmt.Sprintf(", and %d more pairs", n)
	}
	return []string{text}
}

func interplay(p, q schema.Param) bool {
	for _, w := range p.With {
		if w.Key == q.Path {
			return true
		}
	}
	return false
}
