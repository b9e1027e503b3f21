package schema

import "strings"

// node is one place in a kind's tree of keys: a table, an array of tables, a
// name of the person's choosing, or a value. Validation, JSON Schema and
// templates walk it.
type node struct {
	path    string // pattern
	name    string // last segment; "*" for a chosen name
	kids    map[string]*node
	order   []*node  // kids as the catalogue lists them
	star    *node    // the kid that stands for any name
	list    bool     // an array of tables
	field   *Field   // set for a value
	param   *Param   // the parameter whose dial numbers the value is in
	section *Section // never nil
	needs   []*node  // kids that must be there
}

// noSection is that of a place which none describes.
var noSection Section

// child finds the child at a path, which is a pattern, or makes it in the room given: 500 of them are
// made by every command that reads a tune.
func (n *node) child(path string, room *[]node) *node {
	segment := path[strings.LastIndexByte(path, '.')+1:]
	name, list := strings.CutSuffix(segment, "[]")
	if name == "*" && n.star != nil {
		return n.star
	}
	if k, ok := n.kids[name]; ok {
		return k
	}
	if len(*room) == 0 {
		*room = make([]node, 64)
	}
	k := &(*room)[0]
	*room = (*room)[1:]
	*k = node{path: path, name: name, section: &noSection, list: list}
	n.order = append(n.order, k)
	if name == "*" {
		n.star = k
	} else {
		if n.kids == nil {
			n.kids = map[string]*node{}
		}
		n.kids[name] = k
	}
	return k
}

// grow builds the tree of a kind. ps gives the dial of values that are in dial
// numbers.
func grow(k *Kind, ps []Param) *node {
	root, room := &node{section: &noSection}, []node(nil)
	byPath := map[string]*Param{}
	for i := range ps {
		byPath[ps[i].Path] = &ps[i]
	}
	for i := range k.Fields {
		f := &k.Fields[i]
		n := root
		for i := range len(f.Path) + 1 {
			if i == len(f.Path) || f.Path[i] == '.' {
				n = n.child(f.Path[:i], &room)
			}
		}
		n.field = f
		if n.param = byPath[f.Of]; f.Of == "" && k.Name == KindTune {
			n.param = byPath[f.Path]
		}
	}
	for i := range k.Sections {
		if n := root.find(steps(k.Sections[i].Path)); n != nil {
			n.section = &k.Sections[i]
		}
	}
	root.settle()
	return root
}

// settle works out, from the leaves up, what must be there.
func (n *node) settle() {
	for _, k := range n.order {
		k.settle()
		switch {
		case k.field != nil && k.field.Required,
			k.list && k.section.Min > 0,
			k.field == nil && !k.list && k.name != "*" && !k.section.Optional && len(k.needs) > 0:
			n.needs = append(n.needs, k)
		}
	}
}

// step is one segment of a concrete path.
type step struct {
	name   string
	item   bool // an element of an array of tables
	quoted bool // written in quotes, so brackets and stars in it are just text
}

// steps cuts a concrete path or a pattern.
func steps(path string) []step {
	var out []step
	open := strings.HasSuffix(path, ".") // a segment is still to come
	for path != "" {
		name, rest, quoted := cutSegment(path)
		path = rest
		s := step{name: name, quoted: quoted}
		if !quoted && strings.HasSuffix(name, "]") {
			if n, _, ok := strings.Cut(name, "["); ok {
				s.name, s.item = n, true
			}
		}
		out = append(out, s)
	}
	if open {
		out = append(out, step{})
	}
	return out
}

// find follows a concrete path or a pattern down the tree, nil when it leads nowhere.
func (n *node) find(path []step) *node {
	for _, s := range path {
		if n = n.next(s); n == nil {
			return nil
		}
	}
	return n
}

func (n *node) next(s step) *node {
	k := n.kids[s.name]
	if k == nil && !s.item {
		k = n.star
	}
	if k == nil || k.list != s.item {
		return nil
	}
	return k
}

// names lists what may stand below a table, in the catalogue's order.
func (n *node) names() []string {
	var out []string
	for _, k := range n.order {
		if k.name != "*" {
			out = append(out, k.name)
		}
	}
	return out
}

// stylePattern is what may stand for "*", the name of a follow style.
const stylePattern = `[` + nameStart + `]([` + nameMore + `_-]{0,38}[` + nameMore + `])?`
