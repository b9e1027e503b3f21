package preset

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"rigkeep/schema"
)

func decodeUnit(c *schema.Catalogue, serial string, doc schema.Tree) schema.Unit {
	f := schema.Flatten(doc)
	u := schema.Unit{Serial: serial, Label: f.Str("label"), Was: f.Strs("was"), Firmware: f.Str("firmware"), Memories: int(f.NumOr("memories", 0)),
		Note: f.Str("note"), Trouble: f.Str("trouble"), Address: f.Str("link.address"), DeviceID: f.Str("link.device_id")}
	keys := f.Keys()
	for i := range f.Len("held") {
		at := fmt.Sprintf("held[%d].", i)
		h := schema.Held{At: f.Time(at + "at"), By: f.Str(at + "by"), Rig: f.Str(at + "rig"), Tune: f.Str(at + "tune"), Memory: int(f.NumOr(at+"memory", 0)),
			Revision: f.Str(at + "revision"), Digest: f.Str(at + "digest"), Values: map[string]any{}}
		for _, k := range keys {
			key, ok := strings.CutPrefix(k, at+"values.")
			if !ok {
				continue
			}
			if _, known := c.Param(key); !known {
				continue
			}
			h.Values[key] = plainNumber(f[k])
		}
		u.Held = append(u.Held, h)
	}
	sort.SliceStable(u.Held, func(i, j int) bool { return u.Held[i].At.Before(u.Held[j].At) })
	return u
}

// KeyLine is one value of a tune as it is keyed in to a controller.
type KeyLine struct {
	Group   string `json:"group"`              // heading under which it stands
	Key     string `json:"key"`                //
	Name    string `json:"name"`               // what we call it
	ShownAs string `json:"shown_as,omitempty"` // what the controller calls it, "" where the sheet does not say
	Value   any    `json:"value"`
	Unit    string `json:"unit,omitempty"`
}

// Label is what a person looks for on the controller.
func (l KeyLine) Label() string {
	if l.ShownAs != "" {
		return l.ShownAs
	}
	return l.Name
}

// KeyLines lists values in the order in which they are keyed in: by the groups of the
// catalogue, the follow styles one after the other. sheet may be nil.
func KeyLines(c *schema.Catalogue, sheet *schema.Sheet, values map[string]any) []KeyLine {
	var out []KeyLine
	title := map[string]string{}
	for _, g := range c.Groups() {
		title[g.Name] = g.Title
	}
	add := func(p schema.Param, key, group string) {
		v, there := values[key]
		if !there {
			return
		}
		l := KeyLine{Group: group, Key: key, Name: p.Name, Value: v, Unit: p.Unit}
		if sheet != nil {
			if d, ok := sheet.DialOf(c, key); ok {
				l.ShownAs = d.ShownAs
				if d.Unit != "" {
					l.Unit = d.Unit
				}
			}
		}
		out = append(out, l)
	}
	for _, g := range c.Groups() {
		for _, key := range c.Expand(nil) {
			if p, _ := c.Param(key); p.Group == g.Name {
				add(p, key, g.Title)
			}
		}
	}
	for _, s := range (Tune{Values: values}).Styles() {
		for _, key := range c.Expand([]string{s}) {
			if p, _ := c.Param(key); p.Style(key) == s {
				add(p, key, title[p.Group]+", "+s)
			}
		}
	}
	return out
}

// DifferentValues lists, in key order, the keys whose values differ between what was wanted
// and what is there.
func DifferentValues(want, got map[string]any) []string {
	var out []string
	for _, k := range (Tune{Values: want}).Keys() {
		if g, ok := got[k]; ok && valueWord(want[k]) != valueWord(g) {
			out = append(out, k)
		}
	}
	return out
}

// LackingValues lists, in key order, the keys whose wanted value is not there.
func LackingValues(want, got map[string]any) []string {
	return slices.DeleteFunc((Tune{Values: want}).Keys(), func(k string) bool {
		g, ok := got[k]
		return ok && valueWord(want[k]) == valueWord(g)
	})
}

func valueWord(v any) string {
	if n, ok := schema.Number(v); ok {
		return schema.Num(n)
	}
	return fmt.Sprint(v)
}

// plainNumber is a value as a tune holds it: every number as float64.
func plainNumber(v any) any {
	if n, ok := schema.Number(v); ok {
		return n
	}
	return v
}
