package file

import (
	"bytes"
	"fmt"
	"strings"
)

// Writer writes a new file in canonical form: Unix line ends, one blank line before a header, key = value with single
// blanks, tables within a table in braces. Keys stand in the order they are given. The first fault stops it; Doc reports it.
type Writer struct {
	buf  bytes.Buffer
	name string
	at   Path // of the table written to, for errors
	err  error
}

// NewWriter begins a file; the name is for errors.
func NewWriter(name string) *Writer { return &Writer{name: name} }

// Directive writes a line for editors, such as #:schema ./tune.schema.json. It belongs at the top of the file.
func (w *Writer) Directive(text string) { w.buf.WriteString("#:" + visible(text) + "\n") }

// Blank writes a blank line, unless there is one already or the file is still empty.
func (w *Writer) Blank() {
	if b := w.buf.Bytes(); len(b) > 0 && !bytes.HasSuffix(b, []byte("\n\n")) {
		w.buf.WriteByte('\n')
	}
}

// Key writes key = value; the value is any that Literal takes.
func (w *Writer) Key(key string, value any) { w.KeyComment(key, value, "") }

// KeyComment is Key with a remark behind it.
func (w *Writer) KeyComment(key string, value any, comment string) {
	if w.err != nil {
		return
	}
	v, err := ordered(value, 0)
	if err != nil {
		err.File, err.Key = w.name, strings.TrimSuffix(w.at.plus(Key(key)).String()+"."+err.Key, ".")
		w.err = err
		return
	}
	w.buf.WriteString(keyText(key) + " = " + text(v))
	if comment != "" {
		w.buf.WriteString("  # " + visible(strings.ReplaceAll(comment, "\n", " ")))
	}
	w.buf.WriteByte('\n')
}

// Table begins a table: Table("limits", "tilt") is [limits.tilt]. The keys that follow are in it.
func (w *Writer) Table(keys ...string) { w.header("[", keys, "]") }

// ArrayTable begins the next element of an array of tables: [[part]].
func (w *Writer) ArrayTable(keys ...string) { w.header("[[", keys, "]]") }

func (w *Writer) header(open string, keys []string, close string) {
	if len(keys) == 0 && w.err == nil {
		w.err = &Error{Class: Usage, File: w.name, What: "a table without a name", Want: "one key or more"}
	}
	// Remark lines written since the last blank line stand above the header.
	if b := w.buf.Bytes(); len(b) > 0 {
		at := len(b)
		for at > 0 {
			prev := bytes.LastIndexByte(b[:at-1], '\n') + 1
			if b[prev] != '#' || bytes.HasPrefix(b[prev:], []byte("#:")) {
				break
			}
			at = prev
		}
		if at > 0 && !bytes.HasSuffix(b[:at], []byte("\n\n")) {
			rest := append([]byte("\n"), b[at:]...)
			w.buf.Truncate(at)
			w.buf.Write(rest)
		}
	}
	w.at = pathOf(keys)
	w.buf.WriteString(open + dotted(w.at) + close + "\n")
}

// Doc gives what was written, read back, or the first fault: an *Error of class Usage for a value that cannot be written, and
// what Parse says if keys or tables were given twice.
func (w *Writer) Doc() (*Doc, error) {
	if w.err != nil {
		return nil, w.err
	}
	d, err := Parse(w.name, w.buf.Bytes())
	if err != nil {
		for _, e := range List(err) {
			e.Class = Usage
		}
		return nil, err
	}
	return d, nil
}

// visible is text for a comment, all of it.
func visible(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		if r != '\t' && hidden(r) {
			fmt.Fprintf(&b, `\u%04X`, r)
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}
