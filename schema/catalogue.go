package schema

import (
	"fmt"
	"sort"
	"strings"
)

// Catalogue holds every kind of file and every parameter. It is a value to be
// read; With makes a changed copy.
type Catalogue struct {
	groups []Group
	params []Param
	kinds  map[string]Kind
	fields map[string]finder // by kind
	byPath finder            // parameters
}

// finder finds the entry of a concrete key: literal paths at once, patterns by trying.
type finder struct {
	literal  map[string]int
	patterns []pattern
}

type pattern struct {
	segs []string
	at   int
}

func newFinder(paths []string) finder {
	f := finder{literal: map[string]int{}}
	for i, p := range paths {
		if strings.ContainsAny(p, "*[") {
			f.patterns = append(f.patterns, pattern{SplitPath(p), i})
		}
		f.literal[p] = i
	}
	return f
}

func (f finder) find(key string) (int, bool) {
	if i, ok := f.literal[key]; ok {
		return i, true
	}
	path := SplitPath(key)
	for _, p := range f.patterns {
		if _, ok := matchPath(p.segs, path); ok {
			return p.at, true
		}
	}
	return 0, false
}

// Format is the newest file format this program reads and the one it writes.
const Format = 1

// Kind names, in the order of their folders.
const (
	KindLibrary = "library"
	KindGimbal  = "gimbal"
	KindRig     = "rig"
	KindTune    = "tune"
	KindBench   = "bench"
	KindJob     = "job"
)

// Kinds lists the kinds of file.
var Kinds = []string{KindLibrary, KindGimbal, KindRig, KindTune, KindBench, KindJob}

var builtin = build(groups, params())

// Default is the catalogue that ships with Rigkeep.
func Default() *Catalogue { return builtin }

// With returns a copy with one more parameter; its group is added if new.
// Everything that reads the catalogue knows the parameter with no other change.
func (c *Catalogue) With(p Param) *Catalogue {
	gs := append([]Group(nil), c.groups...)
	found := false
	for _, g := range gs {
		found = found || g.Name == p.Group
	}
	if !found {
		gs = append(gs, Group{Name: p.Group, Title: p.Group})
	}
	return build(gs, append(append([]Param(nil), c.params...), p))
}

func build(gs []Group, ps []Param) *Catalogue {
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].Order < ps[j].Order })
	c := &Catalogue{groups: gs, params: ps, kinds: map[string]Kind{}}
	c.fields = map[string]finder{}
	for _, k := range kinds(ps) {
		c.kinds[k.Name] = k
		paths := make([]string, len(k.Fields))
		for i, f := range k.Fields {
			paths[i] = f.Path
		}
		c.fields[k.Name] = newFinder(paths)
	}
	paths := make([]string, len(ps))
	for i, p := range ps {
		paths[i] = p.Path
	}
	c.byPath = newFinder(paths)
	return c
}

// Groups lists the groups in working order.
func (c *Catalogue) Groups() []Group { return c.groups }

// Params lists the parameters in working order.
func (c *Catalogue) Params() []Param { return c.params }

// Kind returns the fields of one kind of file.
func (c *Catalogue) Kind(name string) (Kind, bool) { k, ok := c.kinds[name]; return k, ok }

// Param finds the parameter of a concrete key ("follow.walk.window.pan") or of
// a pattern ("follow.*.window.pan").
func (c *Catalogue) Param(key string) (Param, bool) {
	if i, ok := c.byPath.find(key); ok {
		return c.params[i], true
	}
	return Param{}, false
}

// Field finds the field of a concrete key in a kind of file.
func (c *Catalogue) Field(kind, key string) (Field, bool) {
	if i, ok := c.fields[kind].find(key); ok {
		return c.kinds[kind].Fields[i], true
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
			out = append(out, strings.Replace(p.Path, "*", s, 1))
		}
	}
	return out
}

// Label is a parameter's name for a concrete key: "window, pan (walk)".
func (p Param) Label(key string) string {
	if stars, ok := matchPath(SplitPath(p.Path), SplitPath(key)); ok && len(stars) > 0 && stars[0] != "*" {
		return fmt.Sprintf("%s (%s)", p.Name, stars[0])
	}
	return p.Name
}
