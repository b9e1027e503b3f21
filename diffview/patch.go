package diffview

import (
	"bytes"
	"fmt"
	"io"
	"path"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"
	fdiff "github.com/go-git/go-git/v5/plumbing/format/diff"
	"github.com/go-git/go-git/v5/utils/diff"
	"github.com/sergi/go-diff/diffmatchpatch"
)

// contextLines is what git and diff -u show around a change.
const contextLines = 3

// WritePatch writes a unified diff of the two sides' texts that git apply and
// GNU patch take: applied to the first side's files it gives the second's. A file
// of a rig whose folder changed with its fingerprint is renamed; one of another
// rig, which is there already, is patched where it lies on the first side.
//
// The bytes are those of the files, comments and line ends included. They are
// not made safe for a terminal, since that would break the patch.
func WritePatch(w io.Writer, r Report) error {
	var b bytes.Buffer
	for _, p := range pairs(r.a.Texts, r.b.Texts, textKind) {
		if p.inA && p.inB && !(r.a.Rig != nil && r.b.Rig != nil && moved(*r.a.Rig, *r.b.Rig)) {
			p.after = p.before
		}
		if p.inA && p.inB && p.before == p.after && bytes.Equal(p.docA, p.docB) {
			continue
		}
		writeHeader(&b, p)
		enc := fdiff.NewUnifiedEncoder(&b, contextLines)
		if err := enc.Encode(hunks{chunksOf(string(p.docA), string(p.docB))}); err != nil {
			return fmt.Errorf("the patch of %s: %w", p.path(), err)
		}
	}
	_, err := w.Write(b.Bytes())
	return err
}

// writeHeader writes the lines before the hunks as git does. We do it rather
// than the encoder since that neither quotes paths nor leaves out the file lines
// of an empty file, which git apply refuses.
func writeHeader(b *bytes.Buffer, p pair[[]byte]) {
	inside := func(name string) string {
		return strings.TrimLeft(path.Clean("/"+strings.ReplaceAll(name, "\\", "/")), "/")
	}
	before, after := inside(p.before), inside(p.after)
	if !p.inA {
		before = after
	}
	if !p.inB {
		after = before
	}
	from, to := quotePath("a/"+before), quotePath("b/"+after)
	fmt.Fprintf(b, "diff --git %s %s\n", from, to)
	ha, hb := plumbing.ComputeHash(plumbing.BlobObject, p.docA), plumbing.ComputeHash(plumbing.BlobObject, p.docB)
	empty := false
	switch {
	case !p.inA:
		fmt.Fprintf(b, "new file mode 100644\nindex %s..%s\n", plumbing.ZeroHash, hb)
		from, empty = "/dev/null", len(p.docB) == 0
	case !p.inB:
		fmt.Fprintf(b, "deleted file mode 100644\nindex %s..%s\n", ha, plumbing.ZeroHash)
		to, empty = "/dev/null", len(p.docA) == 0
	case before != after:
		fmt.Fprintf(b, "rename from %s\nrename to %s\n", quotePath(before), quotePath(after))
		if ha == hb {
			return
		}
		fmt.Fprintf(b, "index %s..%s 100644\n", ha, hb)
	default:
		fmt.Fprintf(b, "index %s..%s 100644\n", ha, hb)
	}
	if empty {
		return
	}
	fmt.Fprintf(b, "--- %s\n+++ %s\n", from, to)
}

// quotePath quotes a path as git does where it has bytes that could be taken
// for something else; blanks too, at which GNU patch would cut it.
func quotePath(p string) string {
	plain := true
	for i := 0; i < len(p); i++ {
		plain = plain && p[i] > 0x20 && p[i] < 0x7f && p[i] != '"' && p[i] != '\\'
	}
	if plain {
		return p
	}
	var b strings.Builder
	b.WriteByte('"')
	for i := 0; i < len(p); i++ {
		switch c := p[i]; {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c < 0x20 || c >= 0x7f:
			fmt.Fprintf(&b, `\%03o`, c)
		default:
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// hunks is the part of a patch that the encoder writes: one file without header.
type hunks struct{ chunks []fdiff.Chunk }

func (h hunks) Message() string                { return "" }
func (h hunks) FilePatches() []fdiff.FilePatch { return []fdiff.FilePatch{h} }
func (h hunks) IsBinary() bool                 { return false }
func (h hunks) Files() (from, to fdiff.File)   { return nil, nil }
func (h hunks) Chunks() []fdiff.Chunk          { return h.chunks }

type chunk struct {
	text string
	op   fdiff.Operation
}

func (c chunk) Content() string       { return c.text }
func (c chunk) Type() fdiff.Operation { return c.op }

// maxLines bounds what is compared line by line, whose time grows with the
// square of what differs; a longer file is replaced whole. No file of a library
// comes near.
const maxLines = 8000

func chunksOf(a, b string) []fdiff.Chunk {
	if strings.Count(a, "\n")+strings.Count(b, "\n") > maxLines {
		return []fdiff.Chunk{chunk{a, fdiff.Delete}, chunk{b, fdiff.Add}}
	}
	ops := map[diffmatchpatch.Operation]fdiff.Operation{diffmatchpatch.DiffEqual: fdiff.Equal, diffmatchpatch.DiffDelete: fdiff.Delete, diffmatchpatch.DiffInsert: fdiff.Add}
	var out []fdiff.Chunk
	for _, d := range diff.Do(a, b) {
		if d.Text != "" {
			out = append(out, chunk{d.Text, ops[d.Type]})
		}
	}
	return out
}
