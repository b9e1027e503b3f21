package diffview

import (
	"bytes"
	"errors"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// read parses the texts that differ, so that their values are compared even
// where the caller gave only bytes, and their comments and layout too.
func (c *comparison) read() {
	c.docsA, c.docsB = copied(c.a.Docs), copied(c.b.Docs)
	for _, p := range pairs(c.a.Texts, c.b.Texts, textKind) {
		if p.inA && p.inB && bytes.Equal(p.docA, p.docB) {
			continue
		}
		t := textPair{pair: p}
		if p.inA {
			t.a, t.err = file.Parse(p.before, p.docA)
		}
		if p.inB && t.err == nil {
			t.b, t.err = file.Parse(p.after, p.docB)
		}
		c.texted = append(c.texted, t)
		if t.err != nil {
			continue
		}
		// the two go together or not at all, or one would look new
		_, hasA := c.docsA[p.before]
		_, hasB := c.docsB[p.after]
		if hasA || hasB {
			continue
		}
		if t.a != nil {
			c.docsA[p.before] = t.a.Tree()
		}
		if t.b != nil {
			c.docsB[p.after] = t.b.Tree()
		}
	}
}

func copied(m map[string]schema.Tree) map[string]schema.Tree {
	out := map[string]schema.Tree{}
	for k, v := range m {
		out[k] = v
	}
	return out
}

// textPair is two texts that differ, parsed; a side that is absent is nil.
type textPair struct {
	pair pair[[]byte]
	a, b *file.Doc
	err  error // why one of them could not be read
}

// texts says what differs in the files beyond their values. A file on one side
// only is said here when no other section speaks of it.
func (c *comparison) texts() {
	for _, p := range c.texted {
		t := Text{Path: p.pair.path(), Op: p.pair.op()}
		if t.Op == Changed && p.pair.before != p.pair.after {
			t.Was = p.pair.before
		}
		switch {
		case p.err != nil:
			t.Summary = "the text differs and is unreadable: " + firstFault(p.err)
		case t.Op != Changed:
			if c.told(p.pair) {
				continue
			}
			t.Summary = "the file was " + string(t.Op)
		default:
			comments, layout := file.Layout(p.a, p.b)
			if comments {
				t.Comments = commentChange(p.a.Comments(), p.b.Comments())
			}
			same := file.SameValues(p.a, p.b)
			t.Layout = layout && same
			switch {
			case comments && !same:
				t.Summary = "comments differ"
			case !same:
				if c.told(p.pair) {
					continue
				}
				t.Summary = "the text differs"
			case comments && layout:
				t.Summary = "only comments and layout differ, no value does"
			case comments:
				t.Summary = "same values; comments differ"
			case bytes.Equal(unixLines(p.pair.docA), unixLines(p.pair.docB)):
				t.Summary = "only the line ends differ, no value does"
			default:
				t.Summary = "same values; only order, spacing or number format differ"
			}
		}
		c.r.Texts = append(c.r.Texts, t)
	}
}

// firstFault is a parser's first complaint, on one line.
func firstFault(err error) string {
	var es file.Errors
	if errors.As(err, &es) && len(es) > 0 {
		err = es[0]
	}
	s, _, _ := strings.Cut(err.Error(), "\n")
	return s
}

func textKind(path string, text []byte) string {
	if p, ok := preset.Locate(path); ok {
		return p.Kind
	}
	return kindLine(text)
}

// kindLine reads the kind line of a file that lies outside a library.
func kindLine(text []byte) string {
	for line := range bytes.Lines(text) {
		if rest, ok := bytes.CutPrefix(bytes.TrimSpace(line), []byte("kind")); ok {
			if v, ok := bytes.CutPrefix(bytes.TrimSpace(rest), []byte("=")); ok {
				v, _, _ = bytes.Cut(v, []byte("#"))
				return strings.Trim(string(bytes.TrimSpace(v)), `"'`)
			}
		}
	}
	return ""
}

// told reports whether another section says how the values of a file differ.
func (c *comparison) told(p pair[[]byte]) bool {
	for _, d := range c.r.Documents {
		if d.Path == p.path() {
			return true
		}
	}
	text := p.docB
	if !p.inB {
		text = p.docA
	}
	switch textKind(p.path(), text) {
	case schema.KindTune:
		return c.noTune || c.r.Tune != nil || c.r.Other != nil || c.r.Proof != nil
	case schema.KindRig:
		return c.r.Build != nil
	}
	return false
}

// commentChange lists the comments that only one side has, removed ones first.
func commentChange(a, b []file.Comment) []Comment {
	bare := func(c file.Comment) Comment { return Comment{Key: c.Key, Text: c.Text} }
	left := map[Comment]int{}
	for _, c := range b {
		left[bare(c)]++
	}
	var out []Comment
	for _, c := range a {
		if x := bare(c); left[x] > 0 {
			left[x]--
		} else {
			x.Op = Removed
			out = append(out, x)
		}
	}
	for _, c := range b {
		if x := bare(c); left[x] > 0 {
			left[x]--
			x.Op = Added
			out = append(out, x)
		}
	}
	return out
}

func unixLines(text []byte) []byte { return bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n")) }
