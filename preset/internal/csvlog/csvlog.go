// Package csvlog reads logs of numbers: comma, semicolon or tab between columns,
// with or without a header, comments, a preamble, a byte order mark, quotes or
// decimal commas. It streams: one line at a time, one row of numbers out.
//
// It does not use encoding/csv for the data, since a stray quote in a damaged
// log would swallow all lines after it; a line that has quotes is given to it alone.
package csvlog

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Error is a log that cannot be read, with the line it is about.
type Error struct {
	Line int    // 1-based; 0 if it is about the whole file
	What string // what is wrong
	Do   string // what to do
}

func (e *Error) Error() string {
	s := e.What
	if e.Line > 0 {
		s = fmt.Sprintf("line %d: %s", e.Line, s)
	}
	if e.Do != "" {
		s += "; " + e.Do
	}
	return s
}

const (
	sniffBytes = 1 << 16
	sniffLines = 50
	maxLine    = 1 << 16
)

// Reader gives the rows of a log.
type Reader struct {
	Header    []string // trimmed; nil if the log has none
	Columns   int      // in the first row of numbers
	Delimiter byte
	Line      int    // of the row last read, 1-based
	Bytes     int64  // read so far
	BadText   string // the first cell that was neither a number nor empty
	BadLine   int

	in     *bufio.Reader
	fields [][]byte
	want   []int
}

// Open finds the form of the log and stops before the first row of numbers.
// Errors are *Error, or the reader's own.
func Open(r io.Reader) (*Reader, error) {
	l := &Reader{in: bufio.NewReaderSize(r, sniffBytes)}
	head, err := l.in.Peek(sniffBytes)
	if err != nil && !errors.Is(err, io.EOF) && len(head) == 0 {
		return nil, err
	}
	whole := err != nil // shorter than the look
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		l.skip(3)
		head = head[3:]
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		return nil, &Error{1, "the file is UTF-16 text", "save it as UTF-8 or plain CSV"}
	}
	if len(bytes.TrimSpace(head)) == 0 {
		return nil, &Error{0, "the file is empty", "expected lines of numbers, with or without a header"}
	}
	if bytes.IndexByte(head, 0) >= 0 {
		return nil, &Error{0, "the file is not text", "expected a CSV file; export the log as CSV first"}
	}
	lines := bytes.SplitAfter(head, []byte("\n"))
	if !whole && len(lines) > 1 {
		lines = lines[:len(lines)-1] // the last is cut by the look's end
	}
	if len(lines[0]) >= maxLine {
		return nil, &Error{1, "the line is longer than 65,535 bytes", "expected one row of numbers to a line"}
	}
	first, ok := l.form(lines)
	if !ok {
		return nil, &Error{0, "no row of numbers found in the first lines", "expected columns of numbers between commas, semicolons or tabs"}
	}
	l.header(lines[:first])
	n := 0
	for _, line := range lines[:first] {
		n += len(line)
	}
	l.skip(n)
	l.Line = first
	return l, nil
}

func (l *Reader) skip(n int) {
	k, _ := l.in.Discard(n)
	l.Bytes += int64(k)
}

// form chooses the delimiter under which most lines are rows of numbers, and
// among equals the one with more columns; it returns the first such line.
func (l *Reader) form(lines [][]byte) (first int, ok bool) {
	bestRows := 0
	for _, d := range []byte{',', ';', '\t'} {
		type seen struct{ rows, first int }
		byCols, total := map[int]seen{}, 0
		for i, line := range lines {
			n, numeric := l.numeric(line, d)
			if !numeric {
				continue
			}
			s, known := byCols[n]
			if !known {
				s.first = i
			}
			s.rows++
			byCols[n] = s
			if total++; total == sniffLines {
				break
			}
		}
		for n, s := range byCols {
			// one column only if nothing else: any two look like one with a decimal comma
			single, was := n == 1, l.Columns == 1
			if bestRows == 0 || was && !single || single == was && (s.rows > bestRows || s.rows == bestRows && n > l.Columns) {
				bestRows, first = s.rows, s.first
				l.Delimiter, l.Columns = d, n
			}
		}
	}
	return first, bestRows > 0
}

// numeric reports whether every cell is a number or a gap, and at least one, and
// the first, is a number.
func (l *Reader) numeric(line []byte, d byte) (cols int, ok bool) {
	if comment(line) {
		return 0, false
	}
	l.split(line, d)
	for i, f := range l.fields {
		v, good := number(f)
		if !good || i == 0 && math.IsNaN(v) {
			return 0, false
		}
	}
	return len(l.fields), true
}

// header takes the nearest line above the numbers that has as many columns, be it
// a comment, since some programs write the header as one.
func (l *Reader) header(above [][]byte) {
	for i := len(above) - 1; i >= 0; i-- {
		line := bytes.TrimSpace(above[i])
		if comment(line) {
			line = bytes.TrimLeft(line, "#%/! ")
		}
		if len(line) == 0 {
			continue
		}
		l.split(line, l.Delimiter)
		if len(l.fields) != l.Columns {
			continue
		}
		for _, f := range l.fields {
			l.Header = append(l.Header, clean(string(f)))
		}
		return
	}
}

// clean makes a header name printable and short.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	if s = strings.TrimSpace(s); utf8.RuneCountInString(s) > 60 {
		s = string([]rune(s)[:60])
	}
	return s
}

// Name is what to call a column, counted from zero.
func (l *Reader) Name(i int) string {
	if i < len(l.Header) && l.Header[i] != "" {
		return l.Header[i]
	}
	return "#" + strconv.Itoa(i+1)
}

// Use names the columns, counted from zero, that Next is to give.
func (l *Reader) Use(columns []int) { l.want = columns }

// Next reads the wanted columns of the next row into row: NaN for a cell that is
// empty, missing or no number. It skips blank and comment lines. io.EOF is the
// end; other errors are *Error or the reader's own.
func (l *Reader) Next(row []float64) error {
	for {
		line, err := l.in.ReadSlice('\n')
		l.Bytes += int64(len(line))
		if len(line) > 0 {
			l.Line++
		}
		if err != nil && (err != io.EOF || len(line) == 0) {
			if errors.Is(err, bufio.ErrBufferFull) {
				return &Error{l.Line, "the line is longer than 65,535 bytes", "expected one row of numbers to a line"}
			}
			return err
		}
		if comment(line) || len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		l.split(line, l.Delimiter)
		for i, c := range l.want {
			row[i] = math.NaN()
			if c >= len(l.fields) {
				continue
			}
			v, ok := number(l.fields[c])
			if !ok && l.BadText == "" {
				l.BadText, l.BadLine = clean(string(l.fields[c])), l.Line
			}
			row[i] = v
		}
		return nil
	}
}

func comment(line []byte) bool {
	line = bytes.TrimLeft(line, " \t")
	return len(line) > 0 && (line[0] == '#' || line[0] == '%' || line[0] == '!' || bytes.HasPrefix(line, []byte("//")))
}

// split cuts a line into l.fields, trimmed.
func (l *Reader) split(line []byte, d byte) {
	l.fields = l.fields[:0]
	if bytes.IndexByte(line, '"') >= 0 {
		r := csv.NewReader(bytes.NewReader(line))
		r.Comma, r.LazyQuotes = rune(d), true
		cells, _ := r.Read()
		for _, c := range cells {
			l.fields = append(l.fields, bytes.TrimSpace([]byte(c)))
		}
		return
	}
	for {
		i := bytes.IndexByte(line, d)
		if i < 0 {
			l.fields = append(l.fields, bytes.TrimSpace(line))
			return
		}
		l.fields = append(l.fields, bytes.TrimSpace(line[:i]))
		line = line[i+1:]
	}
}

// number reads a cell: NaN for a gap, not ok for other text. A comma is a decimal
// comma, unless a point stands there too.
func number(f []byte) (v float64, ok bool) {
	if len(f) == 0 {
		return math.NaN(), true
	}
	if c := f[0] | 0x20; c >= 'a' && c <= 'z' || len(f) == 1 && f[0] == '-' {
		switch strings.ToLower(string(f)) {
		case "nan", "na", "n/a", "null", "none", "-", "inf", "infinity":
			return math.NaN(), true
		}
		return math.NaN(), false
	}
	if bytes.IndexByte(f, ',') >= 0 && bytes.IndexByte(f, '.') < 0 {
		f = bytes.Replace(f, []byte(","), []byte("."), 1)
	}
	v, err := strconv.ParseFloat(string(f), 64)
	if err != nil || math.IsInf(v, 0) {
		return math.NaN(), false
	}
	return v, true
}
