package library

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Found is one thing of the library that fits the words of a search.
type Found struct {
	Kind  string // "rig", "job", "part", "unit" or "gimbal"
	Name  string // alias, job, file name of a part, GIMBAL/SERIAL or gimbal
	Title string // what it is called in its file, "" where that is its name
	Path  string // its main file
	Print string // fingerprint of a rig
	Where []Hit
	named bool // every word is in its names
	files []string
}

// Hit is where words were found: a key of a file with its text, or the name of a photo.
type Hit struct {
	Path, Key, Text string
}

// findVersion changes whenever findText answers differently for the same file.
const findVersion = "1"

// maxText bounds what is kept of one file to search in, in bytes.
const maxText = 8 << 10

// hashes are the keys of texts that nobody reads.
var hashes = map[string]bool{"kind": true, "values": true, "digest": true, "revision": true, "was": true, "seen": true, "finding": true, "format": true}

// texts gives every text of a file that a person may remember, by key: what is written in it
// and the names of its follow styles. Nothing is given for a file that is no TOML: check says
// what is wrong with it.
func texts(path string, data []byte) []Hit {
	tree, err := file.Values(path, data)
	if err != nil {
		return nil
	}
	var out []Hit
	var walk func(at, last string, v any)
	walk = func(at, last string, v any) {
		switch v := v.(type) {
		case string:
			if v != "" && !hashes[last] && !isHash(v) {
				out = append(out, Hit{path, at, v})
			}
		case []any:
			for i, x := range v {
				if _, isText := x.(string); isText {
					walk(at, last, x)
				} else {
					walk(fmt.Sprintf("%s[%d]", at, i), last, x)
				}
			}
		case []map[string]any:
			for i, x := range v {
				walk(fmt.Sprintf("%s[%d]", at, i), last, x)
			}
		case map[string]any:
			for _, k := range slices.Sorted(maps.Keys(v)) {
				if at == "follow" {
					out = append(out, Hit{path, at, k})
				}
				walk(schema.Join(at, k), k, v[k])
			}
		case int64, float64:
			if n, ok := schema.Number(v); ok && last == "lens_mm" {
				out = append(out, Hit{path, at, schema.Num(n) + " mm"})
			}
		}
	}
	walk("", "", map[string]any(tree))
	return out
}

// isHash reports a fingerprint or a sum, which no word is found in.
func isHash(s string) bool {
	if len(s) == preset.FingerprintLen && preset.IsFingerprint(s) && strings.ContainsAny(s, "0123456789") && strings.ContainsFunc(s, unicode.IsLetter) {
		return true
	}
	return len(s) >= 40 && strings.Trim(s, "0123456789abcdef") == ""
}

// nameKeys are the keys that name a thing; what is found there comes first.
var nameKeys = map[string]bool{"alias": true, "name": true, "label": true, "serial": true}

// findText is what is kept of a file to search in: its names, a line break, the rest, folded.
func findText(path string, data []byte) string {
	if !strings.HasSuffix(path, ".toml") {
		return fold(base(path)) + "\n"
	}
	var names, rest []string
	size := 0
	for _, t := range texts(path, data) {
		s := fold(t.Text)
		if size += len(s); size > maxText {
			break
		}
		if nameKeys[t.Key] {
			names = append(names, s)
		} else if !slices.Contains(rest, s) {
			rest = append(rest, s)
		}
	}
	return strings.Join(names, "\x00") + "\n" + strings.Join(rest, "\x00")
}

func base(path string) string { return path[strings.LastIndexByte(path, '/')+1:] }

// fold is a text as it is searched: canonical in case and composition, on one line.
func fold(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == utf8.RuneError {
			return ' '
		}
		return r
	}, schema.CanonicalName(s))
}

// owner says to what thing a file belongs, as "KIND NAME", "" for none.
func owner(path string) string {
	dir, rest, _ := strings.Cut(path, "/")
	switch dir {
	case "rigs":
		if fp, ok := rigOf(path); ok {
			return "rig " + fp
		}
	case "jobs", "parts", "gimbals":
		if name, ok := strings.CutSuffix(rest, ".toml"); ok && !strings.Contains(name, "/") {
			return dir[:len(dir)-1] + " " + name
		}
	case "units":
		if p := strings.SplitN(rest, "/", 3); len(p) == 3 && p[2] == "unit.toml" {
			return "unit " + p[0] + "/" + p[1]
		}
	}
	return ""
}

// rigOf is the fingerprint of the rig in whose folder a file lies.
func rigOf(path string) (fp string, ok bool) {
	rest, ok := strings.CutPrefix(path, "rigs/")
	if !ok || len(rest) <= 3+preset.FingerprintLen || rest[2] != '/' || rest[3+preset.FingerprintLen] != '/' {
		return "", false
	}
	return rest[3 : 3+preset.FingerprintLen], true
}

// hasWord reports whether a folded text has a folded word: anywhere in it for three letters
// or more, at the beginning of a word for fewer, and a number only where no digit adjoins it.
func hasWord(text, word string) bool {
	number := strings.Trim(word, "0123456789") == ""
	short := utf8.RuneCountInString(word) < 3
	for from := 0; ; {
		i := strings.Index(text[from:], word)
		if i < 0 {
			return false
		}
		i += from
		before, _ := utf8.DecodeLastRuneInString(text[:i])
		after, _ := utf8.DecodeRuneInString(text[i+len(word):])
		switch {
		case number && (isDigit(before) || isDigit(after)):
		case !number && short && (unicode.IsLetter(before) || unicode.IsDigit(before)) && i > 0:
		default:
			return true
		}
		from = i + len(word)
	}
}

// HasWords reports whether a text has all words of another, as Search finds them.
func HasWords(text, words string) bool {
	text = fold(text)
	for _, w := range strings.Fields(fold(words)) {
		if !hasWord(text, w) {
			return false
		}
	}
	return true
}

func isDigit(r rune) bool { return r >= '0' && r <= '9' }

// Search finds what has all words, in any order and any case: rigs with their tunes, sessions,
// records and photos; jobs; parts; units; gimbals. A word may also stand in a job that has the
// rig, or in a rig that the job has, as long as one is in the thing itself. Work tree and last
// revision count alike: what is searched is what lies there now. Names first, then by name.
// At most shown of them are given, all where shown is negative.
//
// What is searched is kept beside the library and brought forward by what changed.
//
// Errors: store.ErrBadPath for no word; those of the store.
func (l WordSearch) Search(words []string, shown int) ([]Found, error) {
	texts, err := l.FindTexts()
	if err != nil {
		return nil, err
	}
	out, _, err := l.SearchIn(texts, l.aliases, words, shown)
	return out, err
}

// FindTexts is what a search looks in.
type FindTexts []store.Summary

// FindTexts gathers what a search looks in, as it lies there now.
func (l WordSearch) FindTexts() (FindTexts, error) {
	list, err := l.Store.Work().Summaries(store.SummaryOptions{Name: "find", Version: findVersion, Match: func(p string) bool { return owner(p) != "" }, Extract: findText})
	return list, err
}

// aliases are the names of all rigs by fingerprint.
func (l WordSearch) aliases() (map[string]string, error) {
	rigs, err := l.Names().Rigs()
	out := make(map[string]string, len(rigs))
	for _, r := range rigs {
		out[r.Fingerprint] = r.Alias
	}
	return out, err
}

// SearchIn is Search in texts that were gathered before: at most shown of
// them, the first in order, and how many there are; shown below 0 is all. aliases is asked where so many rigs
// fit that reading their names one by one would take longer.
func (l WordSearch) SearchIn(list FindTexts, aliases func() (map[string]string, error), words []string, shown int) (out []Found, n int, err error) {
	var want []string
	for _, w := range words {
		for _, f := range strings.Fields(fold(w)) {
			if !slices.Contains(want, f) {
				want = append(want, f)
			}
		}
	}
	if len(want) == 0 || len(want) > 32 {
		return nil, 0, &store.Error{Kind: store.ErrBadPath, Msg: schema.Count(len(want), "word", "words") + " to find", Hint: "Give one to 32 words"}
	}
	all := uint32(1)<<len(want) - 1
	things, order, some := matches(list, want)
	if some != all {
		return nil, 0, nil // a word that stands nowhere
	}
	if len(want) > 1 {
		l.linkPins(things, order)
	}
	var alias map[string]string
	if len(order) > manyFound {
		if alias, err = aliases(); err != nil {
			return nil, 0, err
		}
	}
	for _, id := range order {
		t := things[id]
		files := t.files
		has := t.has
		for _, other := range t.links {
			if o := things[other]; has|o.has != has {
				has |= o.has
				files = append(slices.Clip(files), o.files...)
			}
		}
		if has != all {
			continue
		}
		kind, name, _ := strings.Cut(id, " ")
		f := l.found(kind, name, alias, t.named == all)
		f.files = files
		out = append(out, f)
	}
	n = len(out)
	out = best(out, shown)
	for i := range out {
		l.where(&out[i], want)
	}
	return out, n, nil
}

// thing is a rig, a job or the like that words were found in.
type thing struct {
	has, named uint32   // words found, by bit
	files      []string // with a hit
	links      []string // things whose words count as well
}

// matches looks for words in texts: the things that have some, in the order found, and which words stand anywhere.
func matches(list FindTexts, want []string) (things map[string]*thing, order []string, some uint32) {
	things = map[string]*thing{}
	get := func(id string) *thing {
		t := things[id]
		if t == nil {
			t = &thing{}
			things[id] = t
			order = append(order, id)
		}
		return t
	}
	for i := range list {
		e := &list[i]
		if e.Unsaved == store.Deleted {
			continue
		}
		names, rest, _ := strings.Cut(e.Value, "\n")
		var has, named uint32
		for i, w := range want {
			if hasWord(names, w) {
				named |= 1 << i
			} else if hasWord(rest, w) {
				has |= 1 << i
			}
		}
		has |= named
		if has == 0 {
			continue
		}
		some |= has
		t := get(owner(e.Path))
		t.has |= has
		t.named |= named
		t.files = append(t.files, e.Path)
	}
	return things, order, some
}

// linkPins has the words of a job count for the rigs that it pins, and theirs for it.
func (l WordSearch) linkPins(things map[string]*thing, order []string) {
	for _, id := range order {
		name, ok := strings.CutPrefix(id, "job ")
		if !ok {
			continue
		}
		j, err := l.Jobs().Read("", name)
		if err != nil {
			continue
		}
		for _, p := range j.Pins {
			if rig := "rig " + p.Rig; things[rig] != nil {
				things[id].links = append(things[id].links, rig)
				things[rig].links = append(things[rig].links, id)
			}
		}
	}
}

// best sorts what was found, and keeps as many as are shown; all where shown is below 0.
func best(out []Found, shown int) []Found {
	if shown < 0 || shown >= len(out) {
		slices.SortStableFunc(out, before)
		return out
	}
	top := make([]Found, 0, shown+1) // to sort all for the few that are shown takes longer than to find them
	for _, f := range out {
		if len(top) == shown && before(f, top[shown-1]) >= 0 {
			continue
		}
		i, _ := slices.BinarySearchFunc(top, f, func(a, b Found) int { return cmp.Or(before(a, b), -1) })
		top = slices.Insert(top, i, f)[:min(len(top)+1, shown)]
	}
	return top
}

// foundRank is the order in which things that were found are listed.
var foundRank = map[string]int{"rig": 0, "job": 1, "part": 2, "unit": 3, "gimbal": 4}

// before compares two things that were found: those whose name has all words first.
func before(a, b Found) int {
	switch {
	case a.named != b.named && a.named:
		return -1
	case a.named != b.named:
		return 1
	}
	return cmp.Or(foundRank[a.Kind]-foundRank[b.Kind], schema.CompareNatural(a.Name, b.Name))
}

// manyFound is from how many hits on the names of all rigs are read at once.
const manyFound = 200

// found is a thing in which the words stand.
func (l WordSearch) found(kind, name string, alias map[string]string, named bool) Found {
	f := Found{Kind: kind, Name: name, named: named}
	switch kind {
	case "rig":
		f.Print, f.Path = name, preset.RigPath(name)
		if a := alias[name]; a != "" {
			f.Name = a
		} else if r, ok := l.Names().workRef(name); ok && r.Alias != "" {
			f.Name = r.Alias
		}
	case "unit":
		f.Path = "units/" + name + "/unit.toml"
	default:
		f.Path = kind + "s/" + name + ".toml"
	}
	return f
}

// where reads again where the words stand, to be shown.
func (l WordSearch) where(f *Found, want []string) {
	for _, path := range f.files {
		if !strings.HasSuffix(path, ".toml") {
			f.Where = append(f.Where, Hit{path, "", base(path)})
			continue
		}
		data, err := l.Store.Work().Read(path)
		if err != nil {
			continue
		}
		for _, t := range texts(path, data) {
			if path == f.Path && f.Title == "" && (t.Key == "name" || t.Key == "label") && t.Text != f.Name {
				f.Title = t.Text
			}
			s := fold(t.Text)
			if slices.ContainsFunc(want, func(w string) bool { return hasWord(s, w) }) && !slices.ContainsFunc(f.Where, func(p Hit) bool { return p.Text == t.Text }) {
				f.Where = append(f.Where, t)
			}
		}
	}
}

// LastChanged is when the newest revision that changed a file was made; ok is false where
// none did.
func (l Past) LastChanged(path string) (at time.Time, ok bool) {
	revs, err := l.Store.History().Of(path, 1)
	if err != nil || len(revs) == 0 {
		return at, false
	}
	return revs[0].When, true
}
