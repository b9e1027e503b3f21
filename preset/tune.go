package preset

import (
	"fmt"
	"sort"
	"strings"

	"rigkeep/schema"
)

// Tune is the values for one rig. Values holds the parameters by concrete key:
// numbers as float64, flags as bool, words as string.
type Tune struct {
	Rig    string
	Unit   string // that it is for, "" for any
	Note   string
	Values map[string]any
	// Proof is that of stiffness and filters, the group that holds the head still; Others
	// are those of the other groups, by the group's name.
	Proof  *Proof
	Others map[string]*Proof
}

func decodeTune(c *schema.Catalogue, doc schema.Tree) Tune {
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
	t.readProofs(f)
	return t
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
func (t Tune) Digest() string { return digestOf(t.Values) }

func digestOf(values map[string]any) string {
	var b strings.Builder
	b.WriteString("rigkeep-values-1\n")
	for _, k := range (Tune{Values: values}).Keys() {
		v := values[k]
		if n, ok := schema.Number(v); ok {
			v = schema.Num(n)
		}
		fmt.Fprintf(&b, "%s=%v\n", k, v)
	}
	return digest(b.String())
}
