package schema

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"sync"
)

// Catalogue holds every kind of file and every parameter. It is a value to be
// read; With makes a changed copy.
type Catalogue struct {
	groups []Group
	params []Param
	kinds  map[string]func() *Kind
}

// Format is the newest file format this program reads and the one it writes.
const Format = 1

// Kind names, in the order of their folders.
const (
	KindLibrary = "library"
	KindPart    = "part"
	KindGimbal  = "gimbal"
	KindUnit    = "unit"
	KindRig     = "rig"
	KindTune    = "tune"
	KindBench   = "bench"
	KindBalance = "balance"
	KindJob     = "job"
)

// Kinds lists the kinds of file.
var Kinds = []string{KindLibrary, KindPart, KindGimbal, KindUnit, KindRig, KindTune, KindBalance, KindBench, KindJob}

var builtin = sync.OnceValue(func() *Catalogue { return build(groups, params()) })

// Default is the catalogue that ships with Rigkeep, made when it is first asked for.
func Default() *Catalogue { return builtin() }

// With returns a copy with one more parameter, in place of the one with the same
// path if there is one; its group is added if new. Everything that reads the
// catalogue knows the parameter with no other change.
func (c *Catalogue) With(p Param) *Catalogue {
	gs := append([]Group(nil), c.groups...)
	if !slices.ContainsFunc(gs, func(g Group) bool { return g.Name == p.Group }) {
		gs = append(gs, Group{Name: p.Group, Title: p.Group})
	}
	ps := slices.DeleteFunc(append([]Param(nil), c.params...), func(q Param) bool { return q.Path == p.Path })
	return build(gs, append(ps, p))
}

func build(gs []Group, ps []Param) *Catalogue {
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].Order < ps[j].Order })
	c := &Catalogue{groups: gs, params: ps, kinds: map[string]func() *Kind{}}
	for name, of := range kinds {
		c.kinds[name] = sync.OnceValue(func() *Kind {
			k := of(ps)
			k.root = grow(&k, ps)
			return &k
		})
	}
	return c
}

// Prepare makes what reading a tune asks for, which is otherwise made when it is asked
// for: to be run beside other work.
func (c *Catalogue) Prepare() {
	for _, name := range []string{KindLibrary, KindRig, KindGimbal, KindTune} {
		c.kind(name)
	}
}

// kind is a kind of file by name, nil for none.
func (c *Catalogue) kind(name string) *Kind {
	if of, ok := c.kinds[name]; ok {
		return of()
	}
	return nil
}

// Groups lists the groups in working order.
func (c *Catalogue) Groups() []Group { return c.groups }

// Params lists the parameters in working order.
func (c *Catalogue) Params() []Param { return c.params }

// Kind returns the fields of one kind of file.
func (c *Catalogue) Kind(name string) (Kind, bool) {
	if k := c.kind(name); k != nil {
		return *k, true
	}
	return Kind{}, false
}

// node finds the value that a concrete key or a pattern means, nil for a table
// or an unknown key.
func (c *Catalogue) node(kind, key string) *node {
	k := c.kind(kind)
	if k == nil || key == "" {
		return nil
	}
	if n := k.root.find(steps(key)); n != nil && n.field != nil {
		return n
	}
	return nil
}

// Param finds the parameter of a concrete key ("follow.walk.deadband.pan") or of
// a pattern ("follow.*.deadband.pan").
func (c *Catalogue) Param(key string) (Param, bool) {
	if n := c.node(KindTune, key); n != nil && n.param != nil && n.param.Path == n.field.Path {
		return *n.param, true
	}
	return Param{}, false
}

// Field finds the field of a concrete key, or of a pattern, in a kind of file.
func (c *Catalogue) Field(kind, key string) (Field, bool) {
	if n := c.node(kind, key); n != nil {
		return *n.field, true
	}
	return Field{}, false
}

// Expand lists the concrete keys of all parameters for the given follow styles
// (the names that stand for "*").
func (c *Catalogue) Expand(styles []string) []string {
	var out []string
	for _, p := range c.params {
		if !strings.Contains(p.Path, "*") {
			out = append(out, p.Path)
			continue
		}
		for _, s := range styles {
			at, rest, _ := strings.Cut(p.Path, "*")
			out = append(out, Join(strings.TrimSuffix(at, "."), s)+rest)
		}
	}
	return out
}

// Label is a parameter's name for a concrete key: "dead band, pan (walk)".
func (p Param) Label(key string) string {
	if style := p.Style(key); style != "" && style != "*" {
		return fmt.Sprintf("%s (%s)", p.Name, style)
	}
	return p.Name
}

// Style is the name that stands for "*" in a concrete key of this parameter, ""
// when the parameter belongs to no style.
func (p Param) Style(key string) string {
	path := SplitPath(key)
	for i, s := range strings.Split(p.Path, ".") {
		if s == "*" && i < len(path) {
			return path[i]
		}
	}
	return ""
}
