package schema

import (
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"
	"unicode/utf8"
)

// Validate checks a decoded document of the given kind against the catalogue:
// format, kind, unknown keys (with the nearest known one), types, ranges,
// required keys, and the rules that span keys. A sheet adds the dial ranges to
// the check of a tune or a bench log; nil leaves them out. Problems come in key
// order; a document with very many gets the first and a count.
func (c *Catalogue) Validate(kind string, doc Tree, sheet *Sheet) []Problem {
	ps, _ := c.validate(kind, doc, sheet)
	return ps
}

// validate is Validate, with the sheet that a gimbal's document was read as, if it was.
func (c *Catalogue) validate(kind string, doc Tree, sheet *Sheet) (_ []Problem, read *Sheet) {
	k := c.kind(kind)
	if k == nil {
		return []Problem{{Key: "kind", What: "unknown file kind " + shown(kind), Want: "one of " + strings.Join(Kinds, ", "), Fix: "choose one"}}, nil
	}
	if ps := checkHead(kind, doc); ps != nil {
		return ps, nil
	}
	w := walk{kind: k, sheet: sheet}
	w.table(k.root, "", doc)
	switch kind {
	case KindGimbal:
		// a sheet's rules read it as a whole, so its keys must be right first
		if len(w.ps) == 0 && len(w.unknownKeys) == 0 {
			read, w.ps = c.sheet(Flatten(doc))
		}
	case KindRig:
		w.ps = append(w.ps, checkParts(Flatten(doc))...)
	case KindPart:
		w.ps = append(w.ps, checkPart(Flatten(doc), "")...)
	case KindBench:
		w.ps = append(w.ps, c.checkBench(Flatten(doc), sheet)...)
	case KindBalance:
		w.ps = append(w.ps, checkBalance(Flatten(doc), sheet)...)
	case KindJob:
		w.ps = append(w.ps, checkJob(Flatten(doc))...)
	}
	return w.result(), read
}

// CheckValue checks one value for one key of a tune, as set does.
func (c *Catalogue) CheckValue(key string, v any, sheet *Sheet) []Problem {
	w := walk{kind: c.kind(KindTune), sheet: sheet}
	n, at := w.kind.root, ""
	path := steps(key)
	for i, s := range path {
		next := n.next(s)
		switch {
		case next == nil || next.field != nil && i < len(path)-1:
			w.unknownKeys = append(w.unknownKeys, stray{n, at, s.name, v})
			return w.result()
		case next.name == "*" && !isStyle(s.name):
			return []Problem{badStyle(at, s.name)}
		case next.field != nil:
			w.value(next, at, s.name, v)
			return w.result()
		}
		n, at = next, Join(at, s.name)
	}
	return []Problem{{Key: key, What: "this is a table, not a value", Want: "one of its keys: " + some(n.names()), Fix: "name the key in full"}}
}

// maxProblems bounds what one document can make us say; maxGuesses bounds the
// search for nearest keys.
const (
	maxProblems = 100
	maxGuesses  = 20
)

// walk goes through a document beside the tree of its kind.
type walk struct {
	kind        *Kind
	sheet       *Sheet
	ps          []Problem
	unknownKeys []stray
}

// stray is an unknown key; the nearest known one is looked for at the end.
type stray struct {
	in       *node
	at, name string
	v        any
}

func (w *walk) add(p Problem) { w.ps = append(w.ps, p) }

// table checks the keys of one table; at is its concrete path. Paths are joined
// only where they are needed, since most values are right.
func (w *walk) table(n *node, at string, m map[string]any) {
	for name, v := range m {
		k := n.kids[name]
		if k == nil && n.star != nil {
			if k = n.star; !isStyle(name) {
				w.add(badStyle(at, name))
				continue
			}
		}
		switch {
		case k == nil:
			w.unknownKeys = append(w.unknownKeys, stray{n, at, name, v})
		case k.field != nil:
			w.value(k, at, name, v)
		case k.list:
			w.list(k, Join(at, name), v)
		default:
			key := Join(at, name)
			if t, ok := v.(map[string]any); ok {
				w.table(k, key, t)
			} else {
				w.add(Problem{Key: key, What: "the value is " + shown(v), Want: "a table with " + some(k.names()), Fix: "write [" + key + "] and its keys below"})
			}
		}
	}
	for _, k := range n.needs {
		if _, ok := m[k.name]; !ok {
			w.missing(k, Join(at, k.name))
		}
	}
}

// list checks an array of tables.
func (w *walk) list(n *node, key string, v any) {
	count := 0
	switch l := v.(type) {
	case []any:
		count = len(l)
		for i, e := range l {
			t, ok := e.(map[string]any)
			if !ok {
				w.add(Problem{Key: key, What: "the list holds " + shown(e), Want: "tables with " + some(n.names()), Fix: "write a [[" + key + "]] table for each"})
				return
			}
			w.table(n, fmt.Sprintf("%s[%d]", key, i), t)
		}
	case []map[string]any:
		count = len(l)
		for i, t := range l {
			w.table(n, fmt.Sprintf("%s[%d]", key, i), t)
		}
	default:
		w.add(Problem{Key: key, What: "the value is " + shown(v), Want: "a list of tables with " + some(n.names()), Fix: "write a [[" + key + "]] table for each"})
		return
	}
	if t := n.section; count < t.Min {
		w.missing(n, key)
	} else if t.Max > 0 && count > t.Max {
		w.add(Problem{Key: key, What: fmt.Sprintf("there are %d of them", count), Want: fmt.Sprintf("at most %d", t.Max), Fix: "put small ones together, or remove some"})
	}
}

// value checks one value, on its dial too where a sheet is given.
func (w *walk) value(n *node, at, name string, v any) {
	if what, want, fix := n.field.fault(v); what != "" {
		w.add(Problem{Key: Join(at, name), What: what, Want: want, Fix: fix})
		return
	}
	if w.sheet == nil || n.param == nil {
		return
	}
	if x, ok := Number(v); ok {
		if p := w.sheet.fault(*n.param, x); p != nil {
			p.Key = Join(at, name)
			w.add(*p)
		}
	}
}

// missing reports what must be there: a value, or the values that a table needs.
func (w *walk) missing(n *node, key string) {
	switch {
	case n.field != nil:
		w.add(Problem{Key: key, What: "the key is missing", Want: n.field.want(), Fix: "add it: " + n.field.Doc})
	case n.list:
		w.add(Problem{Key: key, What: "no [[" + key + "]] table", Want: fmt.Sprintf("at least %d", n.section.Min), Fix: "add one: " + n.section.Doc})
	default:
		for _, k := range n.needs {
			w.missing(k, Join(key, k.name))
		}
	}
}

// result sorts the problems, looks for the keys that unknownKeys may have meant, and
// cuts what is too much to read.
func (w *walk) result() []Problem {
	if len(w.ps)+len(w.unknownKeys) == 0 {
		return nil
	}
	sort.Slice(w.unknownKeys, func(i, j int) bool {
		a, b := w.unknownKeys[i], w.unknownKeys[j]
		return a.at < b.at || a.at == b.at && a.name < b.name
	})
	for i, s := range w.unknownKeys {
		w.add(w.unknown(s, i < maxGuesses))
	}
	sort.SliceStable(w.ps, func(i, j int) bool { return w.ps[i].Key < w.ps[j].Key })
	if more := len(w.ps) - maxProblems; more > 0 {
		rest := w.ps[maxProblems:]
		w.ps = append(w.ps[:maxProblems:maxProblems], Problem{
			What: fmt.Sprintf("and %d more problems", more), Fix: "fix these first", Warning: len(Errors(rest)) == 0})
	}
	return w.ps
}

// unknown words an unknown key: a slip in the name, or a right name in the wrong place.
func (w *walk) unknown(s stray, guess bool) Problem {
	key := Join(s.at, s.name)
	p := Problem{Key: key, What: "unknown key", Want: "a key of a " + strings.ToLower(w.kind.Title), Fix: "remove it, or put it in a comment or in note"}
	switch s.v.(type) {
	case map[string]any, []map[string]any:
		p.What = "unknown table"
	}
	if names := s.in.names(); len(names) > 0 && len(names) <= 8 {
		p.Want = "one of " + some(names)
	}
	if !guess {
		return p
	}
	if n := w.kind.root.find(steps(s.name)); n != nil && s.at == "" && strings.Contains(s.name, ".") {
		p.Fix = "did you mean " + s.name + "? Leave out the quotes"
		return p
	}
	var near []string
	for _, n := range Nearest(s.name, s.in.names()) {
		near = append(near, Join(s.at, n))
	}
	if near == nil {
		for _, f := range w.kind.Fields {
			if f.Path == s.name || strings.HasSuffix(f.Path, "."+s.name) {
				near = append(near, f.Path)
			}
		}
		if len(near) > 3 {
			near = nil
		}
	}
	if near == nil {
		near = Nearest(indexes().ReplaceAllString(key, "[]"), w.kind.keys())
	}
	if near != nil {
		p.Fix = "did you mean " + Either(near) + "?"
	}
	return p
}

var indexes = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\[\d+\]`) })

// some lists names, the first eight of many.
func some(names []string) string {
	if len(names) > 8 {
		return strings.Join(names[:8], ", ") + " and others"
	}
	return strings.Join(names, ", ")
}

// KnownKeys lists the key patterns of a kind.
func (c *Catalogue) KnownKeys(kind string) []string {
	if k := c.kind(kind); k != nil {
		return k.keys()
	}
	return nil
}

func (k *Kind) keys() []string {
	out := make([]string, len(k.Fields))
	for i, f := range k.Fields {
		out[i] = f.Path
	}
	return out
}

// badStyle reports a name that may not stand for "*": of a follow style, or of a mount.
func badStyle(at, name string) Problem {
	of := "style"
	if strings.HasSuffix(at, "mount") {
		of = "mount"
	}
	return Problem{Key: Join(at, name), What: "the " + of + " name is " + shown(name), Want: "a short name of lower-case letters, digits, dash and underscore", Fix: renameTo(name)}
}

func checkHead(kind string, doc Tree) []Problem {
	v, ok := doc["format"]
	if !ok {
		return []Problem{{Key: "format", What: "the key is missing", Want: fmt.Sprintf("format = %d as the first line", Format), Fix: "add format = 1 if this is a Rigkeep file"}}
	}
	n, ok := v.(int64)
	if !ok || n < 1 {
		return []Problem{{Key: "format", What: "format is " + shown(v), Want: fmt.Sprintf("a whole number, %d today", Format), Fix: "correct it"}}
	}
	if n > Format {
		return []Problem{{Key: "format", What: fmt.Sprintf("format %d is newer than this Rigkeep supports (%d)", n, Format), Want: fmt.Sprintf("format %d or less", Format), Fix: "update Rigkeep; nothing was changed"}}
	}
	if s, _ := doc["kind"].(string); s != kind {
		what := "kind is " + shown(doc["kind"])
		if doc["kind"] == nil {
			what = "the key is missing"
		}
		return []Problem{{Key: "kind", What: what, Want: "kind = \"" + kind + "\" for a file in this place", Fix: "correct it, or move the file to where its kind belongs"}}
	}
	return nil
}

const (
	maxText     = 4096 // characters of a text that says nothing else
	maxItems    = 1000 // items of a list that says nothing else
	maxItemText = 400  // characters of a text in a list
)

// fault tests type and range of one value; what is "" when there is none.
func (f *Field) fault(v any) (what, want, fix string) {
	wrong := func() (string, string, string) { return "the value is " + shown(v), f.want(), "correct it" }
	switch f.Type {
	case String:
		s, ok := v.(string)
		if !ok {
			return wrong()
		}
		if limit := f.most(maxText); utf8.RuneCountInString(s) > limit {
			return fmt.Sprintf("the text has %d characters", utf8.RuneCountInString(s)), fmt.Sprintf("at most %d", limit), "shorten it"
		}
		if f.Required && strings.TrimSpace(s) == "" {
			return "the text is empty", f.want(), "fill it in"
		}
		if len(f.Enum) > 0 && !slices.Contains(f.Enum, s) {
			return f.notOne(s)
		}
		if !f.matches(s) {
			what, want, fix := wrong()
			if f.Pattern == slugPattern && misspelt(s) != "" {
				fix = renameTo(s)
			}
			return what, want, fix
		}
	case Float, Int:
		if _, isFloat := v.(float64); f.Type == Int && isFloat {
			return wrong()
		}
		n, ok := Number(v)
		if !ok {
			return wrong()
		}
		if !f.inRange(n) {
			return "the value " + Num(n) + " is out of range", f.want(), "correct it"
		}
	case Bool:
		if _, ok := v.(bool); !ok {
			return wrong()
		}
	case Date:
		// a program that builds a document has no local date; midnight UTC stands for one
		t, form := Moment(v)
		if form != Day && !(form == Instant && t.Equal(t.UTC().Truncate(24*time.Hour))) {
			return wrong()
		}
	case Time:
		if _, form := Moment(v); form != LocalTime && form != Instant {
			return wrong()
		}
	case Floats, Strings:
		l, ok := v.([]any)
		if !ok || f.Len > 0 && len(l) != f.Len {
			return wrong()
		}
		if limit := f.most(maxItems); len(l) > limit {
			return fmt.Sprintf("the list has %d items", len(l)), fmt.Sprintf("at most %d", limit), "shorten it"
		}
		for _, e := range l {
			if what, want, fix := f.item(e); what != "" {
				return what, want, fix
			}
		}
	}
	return "", "", ""
}

// item tests one item of a list.
func (f *Field) item(e any) (what, want, fix string) {
	if f.Type == Floats {
		n, ok := Number(e)
		if !ok {
			return "the list holds " + shown(e), f.want(), "correct it"
		}
		if !f.inRange(n) {
			return "the value " + Num(n) + " is out of range", f.want(), "correct it"
		}
		return "", "", ""
	}
	s, ok := e.(string)
	if !ok {
		return "the list holds " + shown(e), f.want(), "correct it"
	}
	if utf8.RuneCountInString(s) > maxItemText {
		return "a text of the list is too long", fmt.Sprintf("at most %d characters each", maxItemText), "shorten it"
	}
	if len(f.Enum) > 0 && !slices.Contains(f.Enum, s) {
		return f.notOne(s)
	}
	if !f.matches(s) {
		return "the list holds " + shown(s), f.want(), "correct it"
	}
	return "", "", ""
}

func (f *Field) notOne(s string) (what, want, fix string) {
	fix = "choose one"
	if n := Nearest(s, f.Enum); len(n) > 0 {
		fix = "did you mean \"" + n[0] + "\"?"
	}
	return "the value is " + shown(s), f.want(), fix
}

func (f *Field) most(usual int) int {
	if f.MaxLen > 0 {
		return f.MaxLen
	}
	return usual
}

var patterns sync.Map // pattern text to *regexp.Regexp

func compiled(pattern string) *regexp.Regexp {
	if r, ok := patterns.Load(pattern); ok {
		return r.(*regexp.Regexp)
	}
	r := regexp.MustCompile("^(?:" + pattern + ")$")
	patterns.Store(pattern, r)
	return r
}

func (f *Field) inRange(n float64) bool {
	return (f.Min == nil || n >= *f.Min) && (f.Max == nil || n <= *f.Max) && (f.Above == nil || n > *f.Above)
}

// want says in words what a field takes.
func (f *Field) want() string {
	s := f.Type.String()
	switch {
	case f.Type == Strings && len(f.Enum) > 0:
		s = "a list of " + strings.Join(f.Enum, ", ")
	case len(f.Enum) == 1:
		return quote(f.Enum[0])
	case len(f.Enum) > 1:
		return "one of " + strings.Join(f.Enum, ", ")
	case f.Pattern == slugPattern:
		s = nameWanted
	case f.Pattern == fingerprintPattern:
		s = "a fingerprint of ten characters"
	case f.Pattern != "":
		s = "text of the form " + f.Pattern
	case f.Type == Floats && f.Len > 0:
		s = fmt.Sprintf("a list of %d numbers", f.Len)
	}
	if f.Type == Strings && f.Pattern != "" {
		s = "a list, each item " + s
	}
	if r := f.Range(); r != "" {
		s += ", " + r
	}
	return s
}

// Range says in words which numbers a field takes, with its unit: "0 to 180 °",
// "above 0 kg", or the unit alone; "" when there is nothing to say.
func (f Field) Range() string {
	// a bound that only keeps numbers computable is not worth saying
	lo, hi := f.Min, f.Max
	if lo != nil && *lo == -far {
		lo = nil
	}
	if hi != nil && *hi == far {
		hi = nil
	}
	s := ""
	switch {
	case lo != nil && hi != nil && *lo == *hi:
		s = Num(*lo)
	case lo != nil && hi != nil:
		s = Num(*lo) + " to " + Num(*hi)
	case f.Above != nil && hi != nil:
		s = "above " + Num(*f.Above) + " up to " + Num(*hi)
	case lo != nil:
		s = Num(*lo) + " or more"
	case f.Above != nil:
		s = "above " + Num(*f.Above)
	case hi != nil:
		s = "up to " + Num(*hi)
	case f.Unit != "":
		return "in " + f.Unit
	}
	if s != "" && f.Unit != "" {
		s += " " + f.Unit
	}
	return s
}
