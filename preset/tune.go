package preset

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"rigkeep/schema"
)

// Tune is the values for one rig. Values holds the parameters by concrete key:
// numbers as float64, flags as bool, words as string.
type Tune struct {
	Rig    string
	Unit   string // that it is for, "" for any
	Note   string
	Values map[string]any
	Proof  *Proof
}

// Proof is a dated record that a tune was worked in the hand.
type Proof struct {
	At                        time.Time
	Unit, Place, By, Firmware string
	Minutes                   float64
	Styles                    []string
	Note                      string
	Rig                       string // fingerprint at the time
	Digest                    string // of the tune's values at the time
	MassKg                    float64
	CGmm                      []float64
	Effort, Onset, OnsetHz    map[schema.Axis]float64
	Inertia                   map[schema.Axis]float64
	Ended                     string // why a merge or a handover ended it, "" when nothing did
}

// DecodeTune reads a tune that has passed Validate.
func DecodeTune(c *schema.Catalogue, doc schema.Tree) Tune {
	f := schema.Flatten(doc)
	t := Tune{Rig: f.Str("rig"), Unit: f.Str("unit"), Note: f.Str("note"), Values: map[string]any{}}
	for k, v := range f {
		if _, ok := c.Param(k); !ok {
			continue
		}
		if n, ok := schema.Number(v); ok {
			v = n
		}
		t.Values[k] = v
	}
	if hasProof(f) {
		p := Proof{
			At: f.Time("proof.at"), Unit: f.Str("proof.unit"), Place: f.Str("proof.place"), By: f.Str("proof.by"), Firmware: f.Str("proof.firmware"),
			Minutes: f.NumOr("proof.minutes", 0), Styles: f.Strs("proof.styles"), Note: f.Str("proof.note"),
			Rig: f.Str("proof.rig"), Digest: f.Str("proof.values"), MassKg: f.NumOr("proof.mass_kg", 0), CGmm: f.Nums("proof.cg_mm"), Ended: f.Str("proof.stale"),
			Effort: perAxis(f, "proof.effort_pct."), Onset: perAxis(f, "proof.onset."), OnsetHz: perAxis(f, "proof.onset_hz."), Inertia: perAxis(f, "proof.inertia_kgm2."),
		}
		t.Proof = &p
	}
	return t
}

func hasProof(f schema.Flat) bool {
	for k := range f {
		if strings.HasPrefix(k, "proof.") {
			return true
		}
	}
	return false
}

func perAxis(f schema.Flat, at string) map[schema.Axis]float64 {
	m := map[schema.Axis]float64{}
	for _, a := range schema.Axes {
		if v, ok := f.Num(at + a.String()); ok {
			m[a] = v
		}
	}
	return m
}

// Num reads a numeric value.
func (t Tune) Num(key string) (float64, bool) { return schema.Number(t.Values[key]) }

// Stiffness reads the dial number of one axis.
func (t Tune) Stiffness(a schema.Axis) (float64, bool) { return t.Num("stiffness." + a.String()) }

// Keys lists the values in byte order.
func (t Tune) Keys() []string {
	out := make([]string, 0, len(t.Values))
	for k := range t.Values {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// Styles lists the follow styles in byte order.
func (t Tune) Styles() []string {
	seen := map[string]bool{}
	var out []string
	for k := range t.Values {
		if s := schema.SplitPath(k); len(s) > 2 && s[0] == "follow" && !seen[s[1]] {
			seen[s[1]] = true
			out = append(out, s[1])
		}
	}
	sort.Strings(out)
	return out
}

// Style gives dead band or lag of one style and axis.
func (t Tune) Style(style, what string, a schema.Axis) (float64, bool) {
	return t.Num(schema.Join("follow", style) + "." + what + "." + a.String())
}

// Digest identifies the values alone: notes, proof, comments and layout do not
// matter, nor does 40 against 40.0.
func (t Tune) Digest() string {
	var b strings.Builder
	b.WriteString("rigkeep-values-1\n")
	for _, k := range t.Keys() {
		v := t.Values[k]
		if n, ok := schema.Number(v); ok {
			v = schema.Num(n)
		}
		fmt.Fprintf(&b, "%s=%v\n", k, v)
	}
	return digest(b.String())
}

// Staleness is one reason why a proof no longer holds.
type Staleness struct {
	What string // "rig", "tune", "unit", "firmware", "ended"
	Text string
}

// Stale lists why a proof does not hold for this tune on this rig, unit and
// firmware; unit and firmware may be empty when they are not known. No proof at
// all is not staleness.
func (t Tune) Stale(r Rig, sheet *schema.Sheet, unit string) []Staleness {
	p := t.Proof
	if p == nil {
		return nil
	}
	var out []Staleness
	if p.Ended != "" {
		out = append(out, Staleness{"ended", p.Ended})
	}
	if p.Rig != "" && r.ID != "" && p.Rig != r.ID {
		text := "the build changed since the proof (" + p.Rig + " then, " + r.ID + " now)"
		if m := r.Mass(); p.MassKg > 0 && math.Abs(m-p.MassKg) >= 0.0005 {
			text += fmt.Sprintf("; mass %+.0f g", (m-p.MassKg)*1000)
		}
		out = append(out, Staleness{"rig", text})
	}
	if p.Digest != "" && p.Digest != t.Digest() {
		out = append(out, Staleness{"tune", "values changed since the proof"})
	}
	if unit != "" && p.Unit != "" && !sheet.SameUnit(unit, p.Unit) {
		out = append(out, Staleness{"unit", "proved on unit " + p.Unit + ", not on " + unit})
	}
	if sheet != nil && p.Firmware != "" {
		if u, ok := sheet.Unit(p.Unit); ok && u.Firmware != "" && u.Firmware != p.Firmware {
			out = append(out, Staleness{"firmware", "unit " + p.Unit + " had firmware " + p.Firmware + " at the proof and has " + u.Firmware + " now"})
		}
	}
	return out
}
