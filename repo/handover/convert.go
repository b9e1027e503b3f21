package handover

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Conversion is one value taken from the dial of one gimbal to that of another, through SI.
type Conversion struct {
	Path   string  `json:"path"` // of the tune, where it ends up
	Key    string  `json:"key"`
	From   float64 `json:"from"` // on the dial it comes from
	SI     float64 `json:"si"`
	Unit   string  `json:"unit"`
	Exact  float64 `json:"exact"` // on the dial it goes to
	To     float64 `json:"to"`    // rounded to a step, to the less stiff (lighter, narrower, shorter) side
	Step   float64 `json:"step"`
	Toward string  `json:"toward,omitempty"` // the word for that side, if it was rounded
}

// converter rewrites the files of rigs for another gimbal.
type converter struct {
	cat  *schema.Catalogue
	to   *schema.Sheet
	rigs []Rig
	made []Conversion
	// print is the new fingerprint of each rig, by its old one.
	print map[string]string
}

// newConverter works out the new fingerprints.
func newConverter(cat *schema.Catalogue, to *schema.Sheet, rigs []Rig) *converter {
	c := &converter{cat: cat, to: to, rigs: rigs, print: map[string]string{}}
	for _, r := range rigs {
		moved := r.Rig
		moved.Gimbal = to.Slug
		c.print[r.ID] = moved.Fingerprint()
	}
	return c
}

// files rewrites the texts of one state of the rigs: build sheets name the other gimbal, tunes are
// converted, proofs and bench logs stay behind, since their numbers are those of the first gimbal.
// what says whose state it is, for errors; keep collects the conversions.
//
// Errors: ErrBadPath, with everything that is missing or cannot be reached.
func (c *converter) files(texts map[string][]byte, keep bool) (map[string][]byte, error) {
	out := map[string][]byte{}
	var lacks []gap
	for _, path := range sortedPaths(texts) {
		p, ok := preset.Locate(path)
		if !ok || p.Rig == "" {
			continue // their sheet stays behind with the numbers
		}
		i := slices.IndexFunc(c.rigs, func(r Rig) bool { return r.ID == p.Rig || slices.Contains(r.Was, p.Rig) })
		if i < 0 || p.Kind == schema.KindBench || p.Kind == schema.KindBalance {
			continue
		}
		r := c.rigs[i]
		fp := c.print[r.ID]
		doc, err := file.Parse(path, texts[path])
		if err != nil {
			return nil, err
		}
		at := preset.TunePath(fp, p.Name)
		if p.Kind == schema.KindRig {
			at = preset.RigPath(fp)
			var was []any
			for _, w := range append(slices.Clone(r.Was), r.ID) {
				if w != fp {
					was = append(was, w)
				}
			}
			doc, err = doc.Apply(file.Edit{Key: "gimbal", Value: c.to.Slug}, file.Edit{Key: "was", Value: was})
		} else {
			var made []Conversion
			var gaps []gap
			made, gaps = c.tune(r.Sheet, preset.TuneIn(c.cat, doc), at)
			lacks = append(lacks, gaps...)
			edits := []file.Edit{{Key: "rig", Value: fp}}
			for _, m := range made {
				edits = append(edits, file.Edit{Key: m.Key, Value: m.To})
			}
			if _, ok := doc.Get("proof"); ok {
				edits = append(edits, file.Edit{Key: "proof", Delete: true})
			}
			doc, err = doc.Apply(edits...)
			if keep {
				c.made = append(c.made, made...)
			}
		}
		if err != nil {
			return nil, err
		}
		out[at] = doc.Text()
	}
	if len(lacks) > 0 {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: "this tune cannot be converted to " + c.to.Slug + ": " + together(lacks),
			Hint: "Add what is missing to the gimbal sheets, or make a tune of its own: rigkeep start RIG"}
	}
	return out, nil
}

// gap is one thing that a conversion lacks: of what, and why it cannot go on.
type gap struct{ why, of string }

// together says each reason once, with all that it holds for.
func together(gaps []gap) string {
	var order []string
	by := map[string][]string{}
	for _, g := range gaps {
		if by[g.why] == nil {
			order = append(order, g.why)
		}
		if !slices.Contains(by[g.why], g.of) {
			by[g.why] = append(by[g.why], g.of)
		}
	}
	slices.Sort(order)
	for i, why := range order {
		slices.Sort(by[why])
		order[i] = why + " " + strings.Join(by[why], ", ")
	}
	return strings.Join(order, "; ")
}

// tune converts one tune. gaps say what is missing.
func (c *converter) tune(from *schema.Sheet, t preset.Tune, path string) (made []Conversion, gaps []gap) {
	for _, key := range t.Keys() {
		p, ok := c.cat.Param(key)
		v, isNum := t.Num(key)
		if !ok || !isNum || p.Dial == "" {
			continue
		}
		a, hasA := from.Dials[p.Dial]
		b, hasB := c.to.Dials[p.Dial]
		label := p.Label(key)
		if hasA && hasB && sameControl(a, b) { // one gimbal under two names
			made = append(made, Conversion{Path: path, Key: key, From: v, Exact: v, To: v, Step: b.Fine})
			continue
		}
		switch {
		case !hasA || a.Map == nil:
			gaps = append(gaps, gap{fmt.Sprintf("the sheet it comes from, %s, has no SI conversion for", from.Slug), "dial." + p.Dial})
			continue
		case !hasB:
			gaps = append(gaps, gap{fmt.Sprintf("gimbal %s has no", c.to.Slug), "dial." + p.Dial})
			continue
		case b.Map == nil:
			gaps = append(gaps, gap{fmt.Sprintf("the sheet of %s has no SI conversion for", c.to.Slug), "dial." + p.Dial})
			continue
		}
		si, err := a.ToSI(v)
		if err != nil {
			gaps = append(gaps, gap{label + ":", err.Error()})
			continue
		}
		x := Conversion{Path: path, Key: key, From: v, SI: si, Unit: a.Map.Unit, Step: b.Fine}
		if a.Map.Unit != b.Map.Unit {
			// a low pass is given by its cutoff or by its time constant; 1/(2πf) is one in the other
			if si == 0 {
				gaps = append(gaps, gap{label + ":", fmt.Sprintf("0 %s has no equal in %s", a.Map.Unit, b.Map.Unit)})
				continue
			}
			si = 1 / (2 * math.Pi * si)
		}
		if x.Exact, err = b.FromSI(si); err != nil {
			gaps = append(gaps, gap{label + ":", err.Error()})
			continue
		}
		x.To = b.Round(x.Exact)
		if x.To < b.Min || x.To > b.Max {
			gaps = append(gaps, gap{label + ":", fmt.Sprintf("%s lies between the last step of dial.%s and its end", schema.Num(x.Exact), p.Dial)})
			continue
		}
		if x.To != x.Exact {
			x.Toward = p.Down
		}
		made = append(made, x)
	}
	return made, gaps
}

// sameControl reports that two dials are one on the controller: the same name, range, step and
// direction, and no map that says otherwise. Its numbers then need no way through SI.
func sameControl(a, b schema.Dial) bool {
	return a.ShownAs != "" && strings.EqualFold(a.ShownAs, b.ShownAs) && a.Fine == b.Fine && sameDial(a, b)
}

func sortedPaths(m map[string][]byte) []string {
	var out []string
	for p := range m {
		out = append(out, p)
	}
	slices.Sort(out)
	return out
}

// dials refuses numbers that mean something else on the sheet that the library has.
func (x *accepting) dials() error {
	if x.to != nil {
		return nil
	}
	for _, r := range x.p.Rigs {
		path := preset.GimbalPath(r.Gimbal)
		text, err := x.here(path)
		if err != nil || text == nil || !bytes.Equal(x.base[path], x.theirs[path]) {
			// no sheet here, or theirs changed since we parted, which the merge sees to
			if err != nil {
				return err
			}
			continue
		}
		here, err := preset.ReadSheet(x.l.Cat, path, text)
		if err != nil {
			return err
		}
		var odd []string
		for _, t := range r.Tunes {
			for _, key := range t.Keys() {
				p, _ := x.l.Cat.Param(key)
				if p.Dial == "" || slices.ContainsFunc(odd, func(s string) bool { return strings.HasPrefix(s, "dial."+p.Dial+" ") }) {
					continue
				}
				a, b := r.Sheet.Dials[p.Dial], here.Dials[p.Dial]
				if b.Key == "" {
					odd = append(odd, "dial."+p.Dial+" is not on the sheet here")
				} else if !sameDial(a, b) {
					odd = append(odd, fmt.Sprintf("dial.%s runs from %s to %s there, from %s to %s here%s", p.Dial, schema.Num(a.Min), schema.Num(a.Max), schema.Num(b.Min), schema.Num(b.Max), mapWords(a, b)))
				}
			}
		}
		if len(odd) > 0 {
			return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("gimbal %s has different dials in this library: %s", r.Gimbal, strings.Join(odd, "; ")),
				Hint: "Convert them to the sheet here with --on " + r.Gimbal + ", or make the sheets agree first", Paths: []string{path}}
		}
	}
	return nil
}

// sameDial says whether a number means the same on two dials.
func sameDial(a, b schema.Dial) bool {
	if a.Min != b.Min || a.Max != b.Max || a.Sign != b.Sign {
		return false
	}
	if a.Map == nil || b.Map == nil {
		return true // one sheet does not say; it does not contradict
	}
	return a.Map.Kind == b.Map.Kind && a.Map.Unit == b.Map.Unit && a.Map.AtMin == b.Map.AtMin && a.Map.AtMax == b.Map.AtMax && slices.Equal(a.Map.Points, b.Map.Points)
}

func mapWords(a, b schema.Dial) string {
	if a.Min == b.Min && a.Max == b.Max {
		return ", with another meaning in SI"
	}
	return ""
}
