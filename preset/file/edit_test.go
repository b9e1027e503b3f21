package file

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand"
	"slices"
	"strings"
	"testing"
	"time"

	bstoml "github.com/BurntSushi/toml"
)

// other gives a value of the same kind that is not equal to v.
func other(r *rand.Rand, v any) any {
	switch t := v.(type) {
	case int64:
		return t/2 + int64(r.Intn(100)) + 1000
	case float64:
		for {
			if f := float64(r.Intn(40000)-20000) / []float64{1, 2, 8, 100, 3, 1e9, 1e-14}[r.Intn(7)]; f != t {
				return f
			}
		}
	case bool:
		return !t
	case string:
		return t + []string{"x", "\x1b[31m", "two\nlines", "it's \"so\"", "\u202e", "日本 \\"}[r.Intn(6)]
	case time.Time:
		if t.Year() > 5000 {
			return t.AddDate(0, 0, -40)
		}
		return t.AddDate(0, 0, 40)
	case Date:
		return Date{t.Year%9000 + 1, 5, 17}
	case Clock:
		return Clock{(t.Hour + 1) % 24, 5, 6, 7000}
	case DateTime:
		return DateTime{Date{t.Year%9000 + 1, 5, 17}, t.Clock}
	case []any:
		switch r.Intn(4) {
		case 0:
			return append(slices.Clone(t), int64(7), "more")
		case 1:
			if len(t) > 0 {
				return slices.Clone(t[:r.Intn(len(t))])
			}
		case 2:
			if len(t) > 1 {
				return append([]any{int64(-3)}, t[1:]...)
			}
		}
		return append([]any{int64(77)}, t...)
	}
	panic(fmt.Sprintf("%T", v))
}

// decode is a reading of the text that owes nothing to this package.
func decode(t *testing.T, text []byte) map[string]any {
	t.Helper()
	var m map[string]any
	if _, err := bstoml.Decode(string(text), &m); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	return m
}

// editEvery sets every key of a text to another value, one at a time, and checks that no byte outside the value moves and no
// other value changes. It gives the number of edits made.
func editEvery(t *testing.T, name string, data []byte, r *rand.Rand) (edits int) {
	t.Helper()
	d, err := Parse(name, data)
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, data)
	}
	for _, key := range d.Keys() {
		old, ok := d.Get(key)
		if !ok {
			t.Fatalf("%s: %s is listed but cannot be got", name, key)
		}
		value := other(r, old)
		got, err := d.Set(key, value)
		if err != nil {
			var e *Error
			if list, isList := old.([]any); isList && errors.As(err, &e) && strings.Contains(e.What, "remarks") && len(list) > 0 {
				continue // said, and the text is untouched: Docs do not change
			}
			t.Fatalf("%s: set %s to %#v: %v\n%s", name, key, value, err, data)
		}
		edits++
		it := d.find(key)
		skip := len(data) - len(d.body())
		before, after := data[:skip+it.valOff], data[skip+it.valEnd:]
		if !bytes.HasPrefix(got.text, before) || !bytes.HasSuffix(got.text, after) || len(got.text) < len(before)+len(after) {
			t.Fatalf("%s: setting %s moved bytes outside its value:\n%s\n----\n%s", name, key, data, got.text)
		}
		want, have := normal(decode(t, data)), normal(decode(t, got.text))
		p, _ := ParsePath(key)
		if v, _ := p.in(have); !Equal(v, tree(mustOrder(t, value))) {
			t.Fatalf("%s: %s is %#v, want %#v", name, key, v, value)
		}
		if !same(with(want, p, int64(0)), with(have, p, int64(0)), false) {
			t.Fatalf("%s: setting %s changed another value:\n%s\n----\n%s", name, key, data, got.text)
		}
		if _, isList := old.([]any); !isList && !slices.Equal(d.Comments(), shifted(got.Comments(), d.Comments())) {
			t.Fatalf("%s: setting %s changed a remark:\n%s\n----\n%s", name, key, data, got.text)
		}
		if !bytes.Equal(d.text, data) {
			t.Fatalf("%s: the Doc that was edited has changed", name)
		}
	}
	return edits
}

func mustOrder(t *testing.T, v any) any {
	t.Helper()
	o, err := ordered(v, 0)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// shifted gives comments with the lines of others, since an edit to a text of several lines moves the lines below it.
func shifted(cs, lines []Comment) []Comment {
	for i := range min(len(cs), len(lines)) {
		cs[i].Line = lines[i].Line
	}
	return cs
}

func TestSetMovesNothingElse(t *testing.T) {
	edits := editEvery(t, "tune", []byte(tune), rand.New(rand.NewSource(1)))
	edits += editEvery(t, "tune without last line break", []byte(strings.TrimSuffix(tune, "\n")), rand.New(rand.NewSource(1)))
	edits += editEvery(t, "tune with CRLF", []byte(strings.ReplaceAll(tune, "\n", "\r\n")), rand.New(rand.NewSource(1)))
	for seed := int64(0); seed < storm(150); seed++ {
		edits += editEvery(t, fmt.Sprintf("seed %d", seed), genText(seed), rand.New(rand.NewSource(seed)))
	}
	if edits < 1500 {
		t.Errorf("only %d edits", edits)
	}
	t.Logf("%d edits", edits)
}

// Source of the texts: toml-test v2.2.0, valid for TOML 1.0.
func TestSetOnCorpus(t *testing.T) {
	edits := 0
	for name, data := range corpus(t, "valid") {
		if _, err := Parse(name, data); err == nil {
			edits += editEvery(t, name, data, rand.New(rand.NewSource(1)))
		}
	}
	if edits < 500 {
		t.Errorf("only %d edits", edits)
	}
	t.Logf("%d edits", edits)
}

// soundDocs is the tune, generated texts from a first seed on, and those of toml-test that we take, by name.
func soundDocs(t *testing.T, first int64) map[string]*Doc {
	t.Helper()
	docs := map[string]*Doc{}
	must := func(name string, data []byte) {
		d, err := Parse(name, data)
		if err != nil {
			t.Fatalf("%v\n%s", err, data)
		}
		docs[name] = d
	}
	must("tune", []byte(tune))
	for seed := first; seed < first+storm(80); seed++ {
		must(fmt.Sprintf("seed %d", seed), genText(seed))
	}
	for name, data := range corpus(t, "valid") {
		if d, err := Parse(name, data); err == nil { // those refused: see TestCorpusValid
			docs[name] = d
		}
	}
	return docs
}

// oneInsertion says whether long is short with bytes added in one place.
func oneInsertion(short, long []byte) bool {
	n := 0
	for n < len(short) && n < len(long) && short[n] == long[n] {
		n++
	}
	return len(long) >= len(short) && bytes.HasSuffix(long, short[n:])
}

// TestInsertAndDelete adds a key to every table there is, and takes it out again: the text must be as before, to the byte.
func TestInsertAndDelete(t *testing.T) {
	docs := soundDocs(t, 0)
	n := 0
	for name, d := range docs {
		data := d.Text()
		for _, table := range append([]string{""}, d.Tables()...) {
			key := strings.TrimPrefix(table+".new key", ".")
			key = strings.Replace(key, "new key", `"new key"`, 1)
			got, err := d.Set(key, "x # y")
			if err != nil {
				t.Fatalf("%s: %s: %v\n%s", name, key, err, data)
			}
			if !oneInsertion(data, got.text) && !excused(d.find(table), d) {
				t.Fatalf("%s: adding %s moved other bytes:\n%s\n----\n%s", name, key, data, got.text)
			}
			if !slices.Equal(remarkWords(d), remarkWords(got)) {
				t.Fatalf("%s: adding %s changed remarks:\n%s\n----\n%s", name, key, data, got.text)
			}
			back, err := got.Delete(key)
			if err != nil {
				t.Fatalf("%s: delete %s: %v\n%s", name, key, err, got.text)
			}
			if !bytes.Equal(back.text, data) && !excused(d.find(table), d) {
				t.Fatalf("%s: adding and deleting %s leaves\n%q, was\n%q", name, key, back.text, data)
			}
			n++
		}
	}
	t.Logf("%d keys", n)
}

func remarkWords(d *Doc) []string {
	var out []string
	for _, c := range d.Comments() {
		out = append(out, c.Text)
	}
	return out
}

// excused are the tables in which a key that is added and deleted leaves something: a header where there was none, no blank
// line at the top of the file where there was one, {} for { }.
func excused(it *item, d *Doc) bool {
	if it == nil {
		return blankLine(d.body(), 0)
	}
	return it.kind == tableItem && it.header == nil && !it.dotted || it.kind == inlineItem && len(it.kids) == 0
}

// subsequence says whether short is long with things taken out.
func subsequence[T comparable](short, long []T) bool {
	for _, v := range long {
		if len(short) > 0 && short[0] == v {
			short = short[1:]
		}
	}
	return len(short) == 0
}

// TestDeleteTakesOnlyItsKey deletes every key, table and element of many texts, one at a time.
func TestDeleteTakesOnlyItsKey(t *testing.T) {
	docs := soundDocs(t, 1000)
	n := 0
	for name, d := range docs {
		data := d.Text()
		var all []Path
		d.index().root.walk(nil, func(p Path, _ *item) { all = append(all, p) })
		for _, p := range all {
			got, err := d.Delete(p.String())
			if err != nil {
				t.Fatalf("%s: delete %s: %v\n%s", name, p, err, data)
			}
			n++
			if _, still := p.in(got.tree); still && p[len(p)-1].Index < 0 {
				t.Fatalf("%s: %s is still there", name, p)
			}
			if !subsequence(got.text, data) {
				t.Fatalf("%s: deleting %s did more than take bytes out:\n%s\n----\n%s", name, p, data, got.text)
			}
			if bytes.HasSuffix(data, []byte("\n")) != bytes.HasSuffix(got.text, []byte("\n")) && len(got.body()) > 0 {
				t.Fatalf("%s: deleting %s changed the end of the file:\n%q\n----\n%q", name, p, data, got.text)
			}
			// Every other value is spelled as it was.
			var was, is []string
			for _, k := range d.Keys() {
				if kp, _ := ParsePath(k); !p.leadsTo(kp) {
					lit, _ := d.Literal(k)
					was = append(was, lit)
				}
			}
			for _, k := range got.Keys() {
				lit, _ := got.Literal(k)
				is = append(is, lit)
			}
			if p[len(p)-1].Index < 0 && !slices.Equal(was, is) {
				t.Fatalf("%s: deleting %s changed other values:\n%s\n----\n%s", name, p, data, got.text)
			}
			// Remarks on other keys stay.
			var others []string
			for _, c := range d.Comments() {
				if kp, err := ParsePath(c.Key); c.Key == "" || err == nil && !p.leadsTo(kp) && !kp.leadsTo(p) {
					others = append(others, c.Text)
				}
			}
			if !subsequence(others, remarkWords(got)) {
				t.Fatalf("%s: deleting %s took remarks on other keys:\n%s\n----\n%s", name, p, data, got.text)
			}
		}
	}
	t.Logf("%d deletions", n)
}

// leadsTo says whether q is p or below it.
func (p Path) leadsTo(q Path) bool { return len(p) <= len(q) && slices.Equal(p, q[:len(p)]) }

// TestGraftEverything builds each text anew in an empty one, key by key and table by table, from the text itself.
func TestGraftEverything(t *testing.T) {
	docs := soundDocs(t, 2000)
	for name, src := range docs {
		data := src.Text()
		d, err := Parse(name, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range src.index().root.kids {
			key := Path{k.step}.String()
			if d, err = d.Graft(key, src, key); err != nil {
				t.Fatalf("%s: %s: %v\n%s", name, key, err, data)
			}
		}
		if !same(src.tree, d.tree, false) {
			t.Fatalf("%s: grafted\n%s\n----\n%s", name, data, d.text)
		}
		for _, k := range src.Keys() {
			was, _ := src.Literal(k)
			if is, _ := d.Literal(k); is != was {
				t.Errorf("%s: %s was written %s, is %s", name, k, was, is)
			}
		}
	}
}
