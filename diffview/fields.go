package diffview

import (
	"sort"
	"strings"
	"unicode/utf8"

	"rigkeep/preset"
	"rigkeep/schema"
)

// fields compares two flat documents, leaving out keys for which skip is true.
func (c *comparison) fields(kind string, a, b schema.Flat, skip func(key string) bool) []Field {
	order := map[string]int{}
	if k, ok := c.cat.Kind(kind); ok {
		for i, f := range k.Fields {
			order[f.Path] = i
		}
	}
	var out []Field
	for _, key := range union(a, b) {
		va, inA := a[key]
		vb, inB := b[key]
		if inA && inB && equal(va, vb) || skip != nil && skip(key) {
			continue
		}
		f := c.field(kind, key, va, vb)
		switch { // a present nil does not occur in a decoded document, but must not look absent
		case inA && inB:
			f.Op = Changed
		case inA:
			f.Op = Removed
		default:
			f.Op = Added
		}
		out = append(out, f)
	}
	rank := make(map[string]int, len(out))
	for _, f := range out {
		rank[f.Key] = len(order)
		if k, ok := c.cat.Field(kind, f.Key); ok {
			rank[f.Key] = order[k.Path]
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		// the items of a list stay together
		li, lj := listItem(out[i].Key), listItem(out[j].Key)
		ri, rj := rank[out[i].Key], rank[out[j].Key]
		if (ri == len(order)) != (rj == len(order)) {
			return ri < rj
		}
		if li != "" && lj != "" && li != lj && list(li) == list(lj) {
			return natural(li, lj)
		}
		if ri != rj {
			return ri < rj
		}
		return natural(out[i].Key, out[j].Key)
	})
	return out
}

// listItem is the start of a key up to its first index: "part[3]".
func listItem(key string) string {
	if i := strings.IndexByte(key, ']'); i >= 0 {
		return key[:i+1]
	}
	return ""
}

func list(item string) string { s, _, _ := strings.Cut(item, "["); return s }

// natural orders part[2] before part[10].
func natural(a, b string) bool {
	if la, lb := len(listItem(a)), len(listItem(b)); la != lb && la > 0 && lb > 0 && list(a) == list(b) {
		return la < lb
	}
	return a < b
}

// field compares one key by what the catalogue knows of it.
func (c *comparison) field(kind, key string, va, vb any) Field {
	f := Field{Key: key, Op: opOf(va, vb), Before: va, After: vb, Level: schema.Minor}
	if d, ok := c.cat.Field(kind, key); ok {
		f.Known, f.Unit, f.Label, f.Derived = true, d.Unit, strings.TrimSuffix(d.Doc, "."), d.Derived
		if p, ok := c.cat.Param(key); ok && kind == schema.KindTune {
			f.Label = p.Label(key)
		}
		if !d.Derived && key != "note" && !strings.HasSuffix(key, ".note") {
			f.Level = schema.Notable
		}
	}
	return f.finish()
}

// finish fills in delta and word marks.
func (f Field) finish() Field {
	if x, ok := schema.Number(f.Before); ok {
		if y, ok := schema.Number(f.After); ok {
			d := tidy(y - x)
			f.Delta = &d
		}
	}
	x, okA := f.Before.(string)
	y, okB := f.After.(string)
	if okA && okB && (strings.ContainsAny(x, " \n") || strings.ContainsAny(y, " \n")) && utf8.ValidString(x+y) {
		f.Words = Words(x, y)
	}
	return f
}

// documents compares the documents that Side.Docs holds. Of a tune or rig that
// is compared above, only keys that the catalogue does not know are left to say.
func (c *comparison) documents() {
	for _, p := range pairs(c.docsA, c.docsB, docKind) {
		kind := docKind(p.after, p.docB)
		if p.docB == nil {
			kind = docKind(p.before, p.docA)
		}
		d := Document{Path: p.path(), Kind: kind, Op: p.op()}
		if p.before != p.after && p.docA != nil && p.docB != nil {
			d.Was = p.before
		}
		var skip func(string) bool
		covered := kind == schema.KindTune && (c.a.Tune != nil || c.b.Tune != nil) || kind == schema.KindRig && c.r.comparedBuilds(c.a, c.b)
		if covered {
			skip = func(key string) bool { _, known := c.cat.Field(kind, key); return known }
		}
		d.Fields = c.fields(kind, schema.Flatten(p.docA), schema.Flatten(p.docB), skip)
		if len(d.Fields) == 0 && (covered || p.op() == Changed) {
			continue
		}
		c.r.Documents = append(c.r.Documents, d)
	}
}

// comparedBuilds reports whether the build section speaks for the build sheets.
func (r *Report) comparedBuilds(a, b Side) bool {
	return a.Rig != nil && (b.Rig != nil || b.Tune == nil) || b.Rig != nil && a.Tune == nil
}

// docKind is the kind of a document: what it says it is, else what its place says.
func docKind(path string, doc schema.Tree) string {
	if k, _ := doc["kind"].(string); k != "" {
		return k
	}
	p, _ := preset.Locate(path)
	return p.Kind
}

// pair is a file of both sides, or of one.
type pair[V any] struct {
	before, after string // paths, "" on the side that lacks it
	docA, docB    V
	inA, inB      bool
}

func (p pair[V]) path() string {
	if p.inB {
		return p.after
	}
	return p.before
}

func (p pair[V]) op() Op {
	switch {
	case !p.inA:
		return Added
	case !p.inB:
		return Removed
	}
	return Changed
}

// pairs matches files by path; of what is left over, one file of a kind on each
// side makes a pair, as for the tunes of two rigs.
func pairs[V any](a, b map[string]V, kind func(path string, v V) string) []pair[V] {
	var out []pair[V]
	leftA, leftB := map[string][]string{}, map[string][]string{}
	for _, path := range union(a, b) {
		va, inA := a[path]
		vb, inB := b[path]
		switch {
		case inA && inB:
			out = append(out, pair[V]{path, path, va, vb, true, true})
		case inA:
			leftA[kind(path, va)] = append(leftA[kind(path, va)], path)
		default:
			leftB[kind(path, vb)] = append(leftB[kind(path, vb)], path)
		}
	}
	for _, k := range union(leftA, leftB) {
		x, y := leftA[k], leftB[k]
		if len(x) == 1 && len(y) == 1 && k != "" {
			out = append(out, pair[V]{x[0], y[0], a[x[0]], b[y[0]], true, true})
			continue
		}
		for _, p := range x {
			out = append(out, pair[V]{before: p, docA: a[p], inA: true})
		}
		for _, p := range y {
			out = append(out, pair[V]{after: p, docB: b[p], inB: true})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].path() < out[j].path() })
	return out
}
