package file

import (
	"bytes"
	"fmt"
	"sort"
	"strings"
)

// Edit is one change to a Doc: Set the value at Key, or take Key out.
type Edit struct {
	Key    string
	Value  any // as for Literal; not used with Delete
	Delete bool
}

// Set gives the Doc with one value changed or added, and every byte outside that value where it was.
//
// A number keeps its written decimals (62.50 becomes 65.00, with more only if the value needs them), a whole number stays
// one where it can, radix, plus sign and kind of quotes stay too. An array is changed element by element and a table, given
// as a Table or a map, key by key, so that their layout and comments stay. A value that means the same as the old one
// (40 for 40.0) changes nothing.
//
// A new key goes after the last key of its table, indented like it, within the braces if the table is { }. A table that is
// missing on the way is made as its siblings are: by [header] after the last of them, in braces, or by dotted key. An
// element one past the last, part[2] of two, is added.
//
// The error is an *Error of class Usage: a malformed key, a value TOML has no form for (see Literal), a key that runs
// through a plain value, an element beyond the end. Should the changed text not decode to the old values with only this
// one changed, the edit is refused with ErrUnsafeEdit.
func (d *Doc) Set(key string, value any) (*Doc, error) {
	return d.Apply(Edit{Key: key, Value: value})
}

// Delete gives the Doc without a key, table or array element; what is left empty by it in { } or as an implied table goes
// too, but a [header] stays. With the key goes the remark behind it on its line, and the remark lines directly above it
// unless another key follows directly, of which they may speak too. With a [table] go the remark lines directly above its
// header. The remark at the top of the file always stays. A key that is not there is an *Error of class Usage.
func (d *Doc) Delete(key string) (*Doc, error) {
	return d.Apply(Edit{Key: key, Delete: true})
}

// Append adds a value at the end of the array at key. A Table becomes a new [[key]] block if that is how the array is
// written or if there is no such array yet; otherwise it is written within the brackets. Errors are those of Set.
func (d *Doc) Append(key string, value any) (*Doc, error) {
	n := 0
	if v, ok := d.Get(key); ok {
		list, ok := v.([]any)
		if !ok {
			return nil, d.refuse(key, "this is not a list", "a list to add to", "")
		}
		n = len(list)
	}
	return d.Set(fmt.Sprintf("%s[%d]", key, n), value)
}

// AddTable adds a table under a [key] header of its own, after the tables beside it; tables within it are written in
// braces. The key must not exist yet. Within an array of [[tables]] it is added to the element the key names.
func (d *Doc) AddTable(key string, t Table) (*Doc, error) {
	if _, ok := d.Get(key); ok {
		return nil, d.refuse(key, "there is such a table already", "a new name", "")
	}
	p, v, err := d.operands(key, t)
	if err != nil {
		return nil, err
	}
	x := d.index()
	up := x.root
	n := 0
	for n < len(p)-1 {
		next := up.child(p[n])
		if next == nil {
			break
		}
		up, n = next, n+1
	}
	names := keysOf(p[n:])
	if up.kind != tableItem || up.dotted || len(names) != len(p)-n {
		return d.Set(key, v) // no header can stand there
	}
	ed := &editor{doc: d, x: x}
	ed.block(up, names, false, v.(Table))
	return d.finish(ed.splices, p, v, false)
}

// Apply makes several edits, each as Set or Delete would, all or none.
func (d *Doc) Apply(edits ...Edit) (*Doc, error) {
	for _, e := range edits {
		next, err := d.apply(e)
		if err != nil {
			return nil, err
		}
		d = next
	}
	return d, nil
}

// WithOrder gives the Doc with a canonical order for what edits add: rank is asked for the path of a key or table, without
// element numbers, and a new one goes after the last of its siblings that does not rank higher. A negative rank means no
// opinion: at the end. Edits hand the order on to the Docs they give.
func (d *Doc) WithOrder(rank func(key string) int) *Doc {
	return &Doc{name: d.name, text: d.text, tree: d.tree, rank: rank}
}

func (d *Doc) refuse(key, what, want, fix string) *Error {
	e := d.Fault(key, what, want, fix)
	e.Class = Usage
	return e
}

func (d *Doc) operands(key string, value any) (Path, any, error) {
	p, err := ParsePath(key)
	if err != nil {
		return nil, nil, err
	}
	v, bad := ordered(value, 0)
	if bad != nil {
		return nil, nil, d.refuse(strings.TrimSuffix(key+"."+bad.Key, "."), bad.What, bad.Want, bad.Fix)
	}
	return p, v, nil
}

func (d *Doc) apply(e Edit) (*Doc, error) {
	if e.Delete {
		return d.delete(e.Key)
	}
	p, v, err := d.operands(e.Key, e.Value)
	if err != nil {
		return nil, err
	}
	if old, ok := p.in(d.tree); ok && Equal(old, tree(v)) {
		return d, nil
	}
	ed := &editor{doc: d, x: d.index()}
	it := ed.x.find(p)
	if it == nil {
		if err := ed.insert(p, v); err != nil {
			return nil, err
		}
		return d.finish(ed.splices, p, v, false)
	}
	switch t := v.(type) {
	case Table:
		if it.kind == tableItem || it.kind == inlineItem {
			return d.setTable(p, it, t)
		}
	case []any:
		if it.kind == arrayItem && ed.setArray(it, t) {
			return d.finish(ed.splices, p, v, false)
		}
	}
	if it.kind == tableItem || it.kind == tablesItem {
		return nil, d.refuse(e.Key, "this is a table, and a single value was given for it", "the key of a value in it",
			"set the keys in it one by one, or delete it first")
	}
	if ed.remarks(it.valOff, it.valEnd) {
		return nil, d.refuse(e.Key, "there are remarks within the old value, which would be lost", "a value of the same kind",
			"edit the file by hand")
	}
	ed.put(it.valOff, it.valEnd, like(ed.src(it.valOff, it.valEnd), v))
	return d.finish(ed.splices, p, v, false)
}

// setTable makes a table equal to t, key by key.
func (d *Doc) setTable(p Path, it *item, t Table) (*Doc, error) {
	var edits []Edit
	keep := map[string]bool{}
	for _, f := range t {
		keep[f.Key] = true
		edits = append(edits, Edit{Key: p.plus(Key(f.Key)).String(), Value: f.Value})
	}
	for _, k := range it.kids {
		if !keep[k.step.Key] {
			edits = append(edits, Edit{Key: p.plus(k.step).String(), Delete: true})
		}
	}
	return d.Apply(edits...)
}

// finish makes the new Doc and lets it through only if nothing but the value at p differs.
func (d *Doc) finish(splices []splice, p Path, v any, deleted bool) (*Doc, error) {
	unsafe := func(cause error) error {
		e := d.refuse(p.String(), "this change cannot be made without touching more of the file", "a change of this one key",
			"edit the file by hand")
		e.Cause = cause
		return e
	}
	text, err := d.splice(splices)
	if err != nil {
		return nil, unsafe(err)
	}
	next, err := Parse(d.name, text)
	if err != nil {
		return nil, unsafe(fmt.Errorf("%w: %w", ErrUnsafeEdit, err))
	}
	next.rank = d.rank
	if deleted {
		for want := d.tree; ; p = p[:len(p)-1] {
			want, _ = without(want, p).(map[string]any)
			if same(want, next.tree, false) {
				return next, nil
			}
			// What it leaves empty may have gone with it.
			if len(p) == 1 || !empty(want, p[:len(p)-1]) {
				return nil, unsafe(ErrUnsafeEdit)
			}
		}
	}
	got, ok := p.in(next.tree)
	if !ok || !Equal(got, tree(v)) || !same(with(d.tree, p, got), next.tree, false) {
		return nil, unsafe(ErrUnsafeEdit)
	}
	return next, nil
}

// with is a copy of a tree with one value in it set; tables on the way are made. It gives nil where the path does not fit.
func with(v any, p Path, value any) any {
	if len(p) == 0 {
		return value
	}
	s, rest := p[0], p[1:]
	if s.Index < 0 {
		t, ok := v.(map[string]any)
		if !ok && v != nil {
			return nil
		}
		out := make(map[string]any, len(t)+1)
		for k, e := range t {
			out[k] = e
		}
		out[s.Key] = with(t[s.Key], rest, value)
		return out
	}
	list, ok := v.([]any)
	if !ok && v != nil || s.Index > len(list) {
		return nil
	}
	out := append([]any(nil), list...)
	if s.Index == len(list) {
		return append(out, with(nil, rest, value))
	}
	out[s.Index] = with(out[s.Index], rest, value)
	return out
}

// without is a copy of a tree with one value taken out.
func without(v any, p Path) any {
	s, rest := p[0], p[1:]
	switch t := v.(type) {
	case map[string]any:
		out := make(map[string]any, len(t))
		for k, e := range t {
			if k != s.Key {
				out[k] = e
			} else if len(rest) > 0 {
				out[k] = without(e, rest)
			}
		}
		return out
	case []any:
		if s.Index < 0 || s.Index >= len(t) {
			return v
		}
		if len(rest) == 0 {
			return append(append([]any{}, t[:s.Index]...), t[s.Index+1:]...)
		}
		out := append([]any{}, t...)
		out[s.Index] = without(out[s.Index], rest)
		return out
	}
	return v
}

func empty(v any, p Path) bool {
	v, _ = p.in(v)
	switch t := v.(type) {
	case map[string]any:
		return len(t) == 0
	case []any:
		return len(t) == 0
	}
	return false
}

// splice is new text for a range of the body.
type splice struct {
	span
	text string
}

func (d *Doc) splice(splices []splice) ([]byte, error) {
	sort.SliceStable(splices, func(i, j int) bool { return splices[i].off < splices[j].off })
	body := d.body()
	out := make([]byte, 0, len(d.text)+64)
	out = append(out, d.text[:len(d.text)-len(body)]...)
	at := 0
	for _, s := range splices {
		if s.off < at {
			return nil, fmt.Errorf("%w: it changes one place twice", ErrUnsafeEdit)
		}
		out = append(append(out, body[at:s.off]...), s.text...)
		at = s.end
	}
	return append(out, body[at:]...), nil
}

// editor works out the splices of one edit.
type editor struct {
	doc     *Doc
	x       *index
	splices []splice

	lead  []string // remark lines to go above a new key line
	trail string   // and the remark behind it
}

func (ed *editor) put(off, end int, text string) {
	ed.splices = append(ed.splices, splice{span{off, end}, text})
}

func (ed *editor) src(off, end int) string { return string(ed.x.body[off:end]) }

// remarks says whether a comment begins within a range.
func (ed *editor) remarks(off, end int) bool {
	i := sort.Search(len(ed.x.comments), func(i int) bool { return ed.x.comments[i].off >= off })
	return i < len(ed.x.comments) && ed.x.comments[i].off < end
}

// lineBreak is the line break in use at a place.
func (ed *editor) lineBreak(at int) string {
	body := ed.x.body
	i := bytes.IndexByte(body[at:], '\n')
	if i >= 0 {
		i += at
	} else if i = bytes.LastIndexByte(body[:at], '\n'); i < 0 {
		return "\n"
	}
	if i > 0 && body[i-1] == '\r' {
		return "\r\n"
	}
	return "\n"
}

// indent is the blank space that a line begins with.
func (ed *editor) indent(line int) string {
	end := line
	for end < len(ed.x.body) && (ed.x.body[end] == ' ' || ed.x.body[end] == '\t') {
		end++
	}
	return ed.src(line, end)
}

// insert adds a key, element or table that is not there yet.
func (ed *editor) insert(p Path, v any) error {
	up, n := ed.x.root, 0
	for up.child(p[n]) != nil {
		up, n = up.child(p[n]), n+1
	}
	rest := p[n:]
	noFit := func(what, want string) error { return ed.doc.refuse(p.String(), what, want, "") }
	for i, s := range rest {
		switch {
		case i == 0 && s.Index >= 0 && (up.kind == arrayItem || up.kind == tablesItem):
			if s.Index > len(up.kids) {
				return noFit(fmt.Sprintf("there are only %d of these", len(up.kids)), fmt.Sprintf("a number up to %d", len(up.kids)))
			}
		case i == 0 && s.Index < 0 && (up.kind == tableItem || up.kind == inlineItem):
		case i == 0:
			return noFit(fmt.Sprintf("%s has nothing within it that could be called that", p[:n]), "a key or element that fits")
		case s.Index > 0:
			return noFit("there are none of these yet", "the number 0")
		}
	}
	switch up.kind {
	case arrayItem:
		ed.appendElements(up, []any{nest(rest[1:], v)})
	case tablesItem:
		t, ok := nest(rest[1:], v).(Table)
		if !ok {
			return noFit("a single value was given for a table", "a table")
		}
		ed.element(up, t)
	case inlineItem:
		ed.member(up, keyText(rest[0].Key), nest(rest[1:], v))
	default:
		ed.intoTable(up, rest, v)
	}
	return nil
}

// nest wraps a value in the tables and arrays of a path.
func nest(p Path, v any) any {
	for i := len(p) - 1; i >= 0; i-- {
		if p[i].Index >= 0 {
			v = []any{v}
		} else {
			v = Table{{p[i].Key, v}}
		}
	}
	return v
}

// keysOf is the keys a path begins with, up to the first element number.
func keysOf(p Path) []string {
	var names []string
	for _, s := range p {
		if s.Index >= 0 {
			break
		}
		names = append(names, s.Key)
	}
	return names
}

// member adds a key within braces.
func (ed *editor) member(braces *item, key string, v any) {
	line := key + " = " + text(v)
	end := -1
	braces.walk(nil, func(_ Path, it *item) {
		if it.member.end > end && within(it, braces) {
			end = it.member.end
		}
	})
	if end < 0 {
		ed.put(braces.valOff, braces.valEnd, "{ "+line+" }")
		return
	}
	ed.put(end, end, ", "+line)
}

// intoTable adds to a table that is not in braces itself.
func (ed *editor) intoTable(up *item, rest Path, v any) {
	if up.dotted {
		names := []string{}
		braces := up
		for braces.kind == tableItem && braces.dotted {
			names = append([]string{keyText(braces.step.Key)}, names...)
			braces = braces.parent
		}
		if up.kv != nil { // within braces
			ed.member(braces, strings.Join(names, ".")+"."+keyText(rest[0].Key), nest(rest[1:], v))
			return
		}
		s := up.lastKV
		ed.keyLine(s, ed.src(s.off, s.parts[up.prefix].off)+dotted(rest), nest(rest[len(keysOf(rest)):], v))
		return
	}
	names := keysOf(rest)
	head := names[:len(names)-1]
	tail := rest[len(head):]
	if len(names) < len(rest) { // an array is to be made
		if t, ok := nest(rest[len(names)+1:], v).(Table); ok {
			ed.block(up, names, true, t)
			return
		}
	}
	if len(head) > 0 {
		switch form := ed.form(up, rest); form {
		case inlineItem:
			head, tail = nil, rest
		case scalarItem: // dotted keys
			ed.firstOrAfter(up, dotted(rest[:len(names)]), nest(rest[len(names):], v))
			return
		default:
			head = head[:ed.headerDepth(up, rest, len(head))]
			tail = rest[len(head):]
		}
	}
	if len(head) == 0 && (up.header != nil || up.parent == nil) {
		ed.firstOrAfter(up, keyText(tail[0].Key), nest(tail[1:], v))
		return
	}
	ed.block(up, head, false, Table{{tail[0].Key, nest(tail[1:], v)}})
}

func dotted(p Path) string {
	var parts []string
	for _, k := range keysOf(p) {
		parts = append(parts, keyText(k))
	}
	return strings.Join(parts, ".")
}

// form says how a table that is missing below up is to be written: as its siblings are. tableItem is by header, inlineItem in
// braces, scalarItem by dotted keys.
func (ed *editor) form(up *item, rest Path) itemKind {
	form := tableItem
	for _, k := range up.kids {
		switch {
		case k.kind == tablesItem, k.kind == tableItem && !k.dotted:
			return tableItem
		case k.kind == inlineItem && form == tableItem:
			form = inlineItem
		case k.dotted:
			form = scalarItem
		}
	}
	if form == scalarItem && up.header == nil && up.parent != nil {
		return tableItem
	}
	return form
}
