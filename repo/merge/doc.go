package merge

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// doc is one side's text with its values by identity: a key as in the file, but with the elements
// of arrays of tables named by what identifies them, part[lens,zoom 25-80].mass_kg, so that
// the same key means the same thing on every side whatever the order of the elements.
type doc struct {
	d      *file.Doc
	leaves map[string]leaf
	at     map[string]string   // every key, table and element by identity: its path in the file
	id     map[string]string   // the other way round
	up     map[string]string   // the table or element that each is in, by identity; "" for the root
	units  map[string]bool     // what is added or taken away as one: elements, named tables, optional tables
	arrays map[string][]string // identities of the elements of an array of tables, in order
}

type leaf struct {
	value any
	unit  string // outermost unit it is in, "" for none
}

// cell is one value of one side.
type cell struct {
	has   bool
	value any
}

func (x *doc) cell(id string) cell {
	if x == nil {
		return cell{}
	}
	l, ok := x.leaves[id]
	return cell{ok, l.value}
}

func (a cell) is(b cell) bool { return a.has == b.has && (!a.has || file.Equal(a.value, b.value)) }

// shape is what the catalogue says of a kind's tables: how elements are told apart, and which
// tables come and go as one.
type shape struct {
	cat      *schema.Catalogue
	kind     string
	elements map[string]schema.Section // by pattern without the last []
	optional map[string]bool           // patterns of optional tables
	named    map[string]bool           // patterns that end in *
	rank     map[string]int            // place of each field in the catalogue
}

// shapes keeps what shapeOf worked out, by catalogue and kind.
var shapes sync.Map

type shapeKey struct {
	cat  *schema.Catalogue
	kind string
}

func shapeOf(cat *schema.Catalogue, kind string) *shape {
	if s, ok := shapes.Load(shapeKey{cat, kind}); ok {
		return s.(*shape)
	}
	s := makeShape(cat, kind)
	shapes.Store(shapeKey{cat, kind}, s)
	return s
}

func makeShape(cat *schema.Catalogue, kind string) *shape {
	s := &shape{cat: cat, kind: kind, elements: map[string]schema.Section{}, optional: map[string]bool{}, named: map[string]bool{}, rank: map[string]int{}}
	k, _ := cat.Kind(kind)
	for _, sec := range k.Sections {
		if p, ok := strings.CutSuffix(sec.Path, "[]"); ok {
			s.elements[p] = sec
		} else if sec.Optional {
			s.optional[sec.Path] = true
		}
	}
	for i, f := range k.Fields {
		s.rank[f.Path] = i
		segs := strings.Split(f.Path, ".")
		for j, seg := range segs {
			if seg == "*" && j < len(segs)-1 {
				s.named[strings.Join(segs[:j+1], ".")] = true
			}
		}
	}
	return s
}

// order is for file.Doc.WithOrder: new keys go where the catalogue lists them.
func (s *shape) order(key string) int {
	if f, ok := s.cat.Field(s.kind, key); ok {
		return s.rank[f.Path]
	}
	return len(s.rank)
}

// parse reads one side. ties holds the arrays whose ID alone does not tell elements apart on
// some side.
func (s *shape) parse(d *file.Doc, ties map[string]bool) *doc {
	x := s.parseTree(d.Tree(), ties)
	x.d = d
	return x
}

func (s *shape) parseTree(t map[string]any, ties map[string]bool) *doc {
	leaves, all := count(t)
	x := &doc{leaves: make(map[string]leaf, leaves), at: make(map[string]string, all), id: make(map[string]string, all), up: make(map[string]string, all), units: map[string]bool{}, arrays: map[string][]string{}}
	s.walk(x, t, "", "", "", "", ties)
	return x
}

// count gives how many values a table holds at any depth, and how many keys, tables and elements.
func count(t map[string]any) (leaves, all int) {
	for _, v := range t {
		var l, a int
		switch v := v.(type) {
		case map[string]any:
			l, a = count(v)
		case []any:
			for _, e := range v {
				if e, ok := e.(map[string]any); ok {
					el, ea := count(e)
					l, a = l+el, a+ea+1
				}
			}
			if a == 0 {
				l = 1
			}
		default:
			l = 1
		}
		leaves, all = leaves+l, all+a+1
	}
	return leaves, all
}

// walk takes in a table: its identity, its path in the file, its pattern in the catalogue, and
// the unit it is in.
func (s *shape) walk(x *doc, t map[string]any, id, at, pattern, unit string, ties map[string]bool) {
	for _, k := range slices.Sorted(maps.Keys(t)) {
		kid, kat, kpat := schema.Join(id, k), schema.Join(at, k), schema.Join(pattern, k)
		if pattern != "" && s.named[pattern+".*"] {
			kpat = pattern + ".*"
		}
		x.note(kid, kat, id)
		switch v := t[k].(type) {
		case map[string]any:
			u := unit
			if s.optional[kpat] || s.named[kpat] {
				x.units[kid] = true
				if u == "" {
					u = kid
				}
			}
			s.walk(x, v, kid, kat, kpat, u, ties)
		case []any:
			if !allTables(v) {
				x.leaves[kid] = leaf{v, unit}
				continue
			}
			ids := s.identify(v, kpat, ties[kpat])
			for i, e := range v {
				eid, eat := kid+"["+ids[i]+"]", kat+"["+strconv.Itoa(i)+"]"
				x.note(eid, eat, kid)
				x.units[eid] = true
				x.arrays[kid] = append(x.arrays[kid], eid)
				u := unit
				if u == "" {
					u = eid
				}
				s.walk(x, e.(map[string]any), eid, eat, kpat+"[]", u, ties)
			}
		default:
			x.leaves[kid] = leaf{v, unit}
		}
	}
}

func (x *doc) note(id, at, up string) { x.at[id], x.id[at], x.up[id] = at, id, up }

func allTables(list []any) bool {
	for _, e := range list {
		if _, ok := e.(map[string]any); !ok {
			return false
		}
	}
	return len(list) > 0
}

// identify names the elements of an array: by the keys the catalogue says identify them, with
// the further ones where asked for, and the second of two that are still alike by a number.
func (s *shape) identify(list []any, pattern string, tie bool) []string {
	sec, known := s.elements[pattern]
	out := make([]string, len(list))
	seen := map[string]int{}
	for i, e := range list {
		keys := sec.ID
		if tie {
			keys = append(slices.Clone(keys), sec.Tie...)
		}
		var parts []string
		for _, k := range keys {
			parts = append(parts, idWord(e.(map[string]any)[k]))
		}
		name := strings.Join(parts, ",")
		if !known {
			name = ""
		}
		if seen[name]++; seen[name] > 1 {
			name += "#" + strconv.Itoa(seen[name])
		}
		out[i] = name
	}
	return out
}

// needTies finds the arrays in which two elements of some side have the same ID.
func (s *shape) needTies(trees ...map[string]any) map[string]bool {
	out := map[string]bool{}
	for _, t := range trees {
		for pattern := range s.elements {
			list, ok := t[pattern].([]any)
			if !ok || !allTables(list) {
				continue
			}
			for _, id := range s.identify(list, pattern, false) {
				if strings.Contains(id, "#") {
					out[pattern] = true
				}
			}
		}
	}
	return out
}

// idWord is one identifying value, quoted where it could be mistaken for two.
func idWord(v any) string {
	w := plain(v)
	if strings.ContainsAny(w, ",[]\"#\\=:") || w != strings.TrimSpace(w) {
		return strconv.Quote(w)
	}
	return w
}

// plain is a value as a person would type it.
func plain(v any) string {
	if n, ok := schema.Number(v); ok {
		return schema.Num(n)
	}
	switch t := v.(type) {
	case nil:
		return ""
	case string:
		return t
	case fmt.Stringer:
		return t.String()
	}
	return fmt.Sprint(v)
}

// within says whether key id is table or element up, or in it.
func within(id, up string) bool {
	rest, ok := strings.CutPrefix(id, up)
	return ok && (rest == "" || rest[0] == '.' || rest[0] == '[')
}

// unitSame says whether a unit holds the same values on two sides.
func unitSame(a, b *doc, unit string) bool {
	if a.units[unit] != b.units[unit] {
		return false
	}
	n := 0
	for id, l := range a.leaves {
		if within(id, unit) {
			if !(cell{true, l.value}).is(b.cell(id)) {
				return false
			}
			n++
		}
	}
	for id := range b.leaves {
		if within(id, unit) {
			n--
		}
	}
	return n == 0
}
