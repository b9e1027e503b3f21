package diffview

import (
	"bytes"
	"strings"

	"rigkeep/preset"
	"rigkeep/schema"
)

// texts says what differs in the files beyond their values. A file on one side
// only is said here when no other section speaks of it.
func (c *comparison) texts() {
	for _, p := range pairs(c.a.Texts, c.b.Texts, textKind) {
		if p.inA && p.inB && bytes.Equal(p.docA, p.docB) {
			continue
		}
		t := Text{Path: p.path(), Op: p.op()}
		if p.inA && p.inB && p.before != p.after {
			t.Was = p.before
		}
		told, valuesDiffer := c.told(p)
		if t.Op == Changed {
			t.CommentsAdded, t.CommentsRemoved = commentChange(p.docA, p.docB)
		}
		comments := t.CommentsAdded != nil || t.CommentsRemoved != nil
		switch {
		case t.Op != Changed:
			if told && valuesDiffer {
				continue
			}
			t.Summary = "the file was " + string(t.Op)
		case !told:
			t.Summary = "the text differs"
		case valuesDiffer && !comments:
			continue
		case valuesDiffer:
			t.Summary = "comments changed too"
		default:
			t.Layout = layoutDiffers(p.docA, p.docB)
			switch {
			case comments && t.Layout:
				t.Summary = "only comments and layout differ, no value does"
			case comments:
				t.Summary = "only comments differ, no value does"
			case bytes.Equal(unixLines(p.docA), unixLines(p.docB)):
				t.Summary = "only the line ends differ, no value does"
			default:
				t.Layout = true
				t.Summary = "only the layout differs (order, spacing or spelling of values), no value does"
			}
		}
		c.r.Texts = append(c.r.Texts, t)
	}
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

// told reports whether the values of a file are compared elsewhere in the
// report, and whether they differ.
func (c *comparison) told(p pair[[]byte]) (told, differ bool) {
	for _, d := range c.r.Documents {
		if d.Path == p.path() {
			return true, true
		}
	}
	_, docA := c.a.Docs[p.before]
	_, docB := c.b.Docs[p.after]
	switch textKind(p.path(), p.docB) {
	case schema.KindTune:
		if c.a.Tune != nil || c.b.Tune != nil {
			return true, c.r.Tune != nil || c.r.Other != nil || c.r.Proof != nil
		}
	case schema.KindRig:
		if c.a.Rig != nil || c.b.Rig != nil {
			return true, c.r.Build != nil
		}
	}
	return docA && docB, false
}

// commentChange lists the comments that only one side has.
func commentChange(a, b []byte) (added, removed []string) {
	left := map[string]int{}
	ca, cb := comments(a), comments(b)
	for _, s := range ca {
		left[s]++
	}
	for _, s := range cb {
		if left[s] > 0 {
			left[s]--
		} else {
			added = append(added, s)
		}
	}
	for i := len(ca) - 1; i >= 0; i-- {
		if s := ca[i]; left[s] > 0 {
			left[s]--
			removed = append([]string{s}, removed...)
		}
	}
	return added, removed
}

// layoutDiffers reports whether two texts still differ with comments taken out.
func layoutDiffers(a, b []byte) bool { return !bytes.Equal(bare(a), bare(b)) }

func bare(text []byte) []byte {
	var out bytes.Buffer
	last := 0
	scanComments(text, func(from, to int) {
		// an empty line or the blanks before a comment belong to it
		out.Write(bytes.TrimRight(text[last:from], " \t"))
		last = to
	})
	out.Write(text[last:])
	var lines [][]byte
	for _, l := range bytes.Split(unixLines(out.Bytes()), []byte("\n")) {
		if len(bytes.TrimSpace(l)) > 0 {
			lines = append(lines, l)
		}
	}
	return bytes.Join(lines, []byte("\n"))
}

func unixLines(text []byte) []byte { return bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n")) }

func comments(text []byte) []string {
	var out []string
	scanComments(text, func(from, to int) {
		out = append(out, strings.TrimSpace(strings.TrimPrefix(string(text[from:to]), "#")))
	})
	return out
}

// scanComments finds the comments of a TOML text: from each # outside of quotes
// to the end of its line.
func scanComments(text []byte, found func(from, to int)) {
	for i := 0; i < len(text); {
		switch c := text[i]; c {
		case '#':
			j := i
			for j < len(text) && text[j] != '\n' && !(text[j] == '\r' && j+1 < len(text) && text[j+1] == '\n') {
				j++
			}
			found(i, j)
			i = j
		case '"', '\'':
			i = afterQuote(text, i)
		default:
			i++
		}
	}
}

// afterQuote is where the quoted text that begins at i ends.
func afterQuote(text []byte, i int) int {
	q := text[i]
	long := i+2 < len(text) && text[i+1] == q && text[i+2] == q
	if long {
		i += 2
	}
	for i++; i < len(text); i++ {
		switch {
		case text[i] == '\\' && q == '"':
			i++
		case text[i] == '\n' && !long:
			return i // not TOML; a comment may follow
		case text[i] == q && !long:
			return i + 1
		case text[i] == q && i+2 < len(text) && text[i+1] == q && text[i+2] == q:
			i += 3
			for n := 0; n < 2 && i < len(text) && text[i] == q; n++ {
				i++ // up to two quotes may stand before the closing three
			}
			return i
		}
	}
	return len(text)
}
