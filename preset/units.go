package preset

import (
	"fmt"
	"sort"
	"strings"

	"rigkeep/schema"
)

// DecodeUnit reads a unit record that has passed Validate. Its serial is the name of
// its folder.
func DecodeUnit(c *schema.Catalogue, serial string, doc schema.Tree) schema.Unit {
	f := schema.Flatten(doc)
	u := schema.Unit{Serial: serial, Label: f.Str("label"), Was: f.Strs("was"), Firmware: f.Str("firmware"), Memories: int(f.NumOr("memories", 0)),
		Note: f.Str("note"), Trouble: f.Str("trouble"), Address: f.Str("link.address")}
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

// plainNumber is a value as a tune holds it: every number as float64.
func plainNumber(v any) any {
	if n, ok := schema.Number(v); ok {
		return n
	}
	return v
}
