// Package csvtable reads the tables that people export from a spreadsheet: a header, then
// rows of text and numbers. It says where a cell stands, and never guesses between two
// readings of a number.
package csvtable

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"rigkeep/schema"
)

// Bounds of a table; far above what a person types.
const (
	MaxRows    = 5000
	MaxColumns = 200
	MaxCell    = 4000 // bytes
)

// Fault is one thing wrong with a table, with its place.
type Fault struct {
	Line   int    // counted from 1; 0 for the whole file
	Column string // by its header; "" for the whole row
	What   string
	Fix    string
}

func (f Fault) Error() string {
	s := f.What
	if f.Column != "" {
		s = f.Column + ": " + s
	}
	if f.Line > 0 {
		s = fmt.Sprintf("line %d: %s", f.Line, s)
	}
	if f.Fix != "" {
		s += "; " + f.Fix
	}
	return s
}

// Row is one line of a table below its header, its cells trimmed.
type Row struct {
	Line  int
	Cells []string // as many as the header has
}

// Table is a header and its rows.
type Table struct {
	Header []string
	Rows   []Row
	Comma  rune // what stands between two cells
}

// Read takes a table apart. Rows without any text are left out.
//
// Errors: Fault for an empty file, text that is not UTF-8, no header, a header with a name
// twice, a row with more or fewer cells than the header, a broken quote, and more than the bounds.
func Read(data []byte) (*Table, error) {
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		return nil, Fault{1, "", "the file is UTF-16 text", "save it as UTF-8 CSV"}
	case bytes.IndexByte(data, 0) >= 0:
		return nil, Fault{lineOf(data, bytes.IndexByte(data, 0)), "", "the file is not text", "export the sheet as UTF-8 CSV"}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(data) {
		return nil, Fault{lineOf(data, firstInvalid(data)), "", "the text is not UTF-8", "save it as UTF-8 CSV"}
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, Fault{0, "", "the file is empty", "export the sheet with its header"}
	}
	data = bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))
	data = bytes.ReplaceAll(data, []byte("\r"), []byte("\n"))
	t := &Table{Comma: separator(data)}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comma, r.FieldsPerRecord, r.TrimLeadingSpace = t.Comma, -1, t.Comma != '\t'
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			return nil, Fault{pe.StartLine, "", "a quote is not closed, or stands inside a cell", "put a cell with quotes in quotes, and double those inside"}
		}
		if err != nil {
			return nil, Fault{0, "", err.Error(), ""}
		}
		line, _ := r.FieldPos(0)
		any := false
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
			any = any || cells[i] != ""
			if len(cells[i]) > MaxCell {
				return nil, Fault{line, "", fmt.Sprintf("a cell has %d bytes", len(cells[i])), fmt.Sprintf("at most %d", MaxCell)}
			}
		}
		if !any {
			continue
		}
		if t.Header == nil {
			if err := t.head(line, cells); err != nil {
				return nil, err
			}
			continue
		}
		for len(cells) > len(t.Header) && cells[len(cells)-1] == "" {
			cells = cells[:len(cells)-1]
		}
		if len(cells) != len(t.Header) {
			fix := "give a row one cell for each name of the header"
			if len(cells) > len(t.Header) && t.Comma == ',' {
				fix = "a decimal comma in a table with commas between its cells has to be a point, or stand in quotes"
			}
			return nil, Fault{line, "", fmt.Sprintf("the row has %s, the header %d", schema.Count(len(cells), "cell", "cells"), len(t.Header)), fix}
		}
		if len(t.Rows) == MaxRows {
			return nil, Fault{line, "", fmt.Sprintf("the table has more than %d rows", MaxRows), "take it in by parts"}
		}
		t.Rows = append(t.Rows, Row{line, cells})
	}
	if len(t.Rows) == 0 {
		return nil, Fault{0, "", "the table has a header and no rows", ""}
	}
	return t, nil
}

func (t *Table) head(line int, cells []string) error {
	for len(cells) > 0 && cells[len(cells)-1] == "" {
		cells = cells[:len(cells)-1]
	}
	if len(cells) > MaxColumns {
		return Fault{line, "", fmt.Sprintf("the header has %d names", len(cells)), fmt.Sprintf("at most %d", MaxColumns)}
	}
	seen := map[string]bool{}
	numbers := 0
	for _, c := range cells {
		if _, _, err := Number(c); err == nil {
			numbers++
		}
		low := strings.ToLower(c)
		if c != "" && seen[low] {
			return Fault{line, c, "the header has this name twice", "give each column a name of its own"}
		}
		seen[low] = true
	}
	if numbers > 0 {
		return Fault{line, "", "the first row has numbers, not column names", "put the names of the columns above"}
	}
	t.Header = cells
	return nil
}

// separator is what stands between the cells of the first line that has any: the one of
// tab, semicolon and comma that stands there most often outside quotes.
func separator(data []byte) rune {
	for _, line := range bytes.Split(data, []byte("\n")) {
		count := map[rune]int{}
		quoted := false
		for _, c := range string(line) {
			if c == '"' {
				quoted = !quoted
			} else if !quoted {
				count[c]++
			}
		}
		best := ','
		for _, c := range []rune{'\t', ';', ','} {
			if count[c] > count[best] {
				best = c
			}
		}
		if count[best] > 0 {
			return best
		}
		if len(bytes.TrimSpace(line)) > 0 {
			break
		}
	}
	return ','
}

func lineOf(data []byte, at int) int { return 1 + bytes.Count(data[:at], []byte("\n")) }

func firstInvalid(data []byte) int {
	for i := 0; i < len(data); {
		r, n := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && n <= 1 {
			return i
		}
		i += n
	}
	return len(data)
}

// Number reads a decimal number at the start of a cell and gives what follows, its unit. A
// decimal comma is taken where it cannot be a thousands sign: "142,5" and "0,125", not "1,234".
//
// Errors: one that says why there is no number.
func Number(cell string) (v float64, rest string, err error) {
	s := strings.TrimSpace(strings.ReplaceAll(cell, "\u2212", "-"))
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	}
	start := i
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.' || s[i] == ',') {
		i++
	}
	text, rest := s[:i], strings.TrimSpace(s[i:])
	digits := strings.TrimRight(s[start:i], ".,")
	if strings.Trim(digits, ".,") == "" {
		return 0, "", errors.New(strconv.Quote(clip(cell)) + " is not a number")
	}
	whole, after, comma := strings.Cut(digits, ",")
	switch {
	case text != s[:start]+digits:
		return 0, "", errors.New(strconv.Quote(clip(cell)) + " is not a number")
	case strings.Count(digits, ".") > 1 || strings.Count(digits, ",") > 1 || comma && strings.Contains(digits, "."):
		return 0, "", errors.New(strconv.Quote(clip(cell)) + " has more than one mark; write decimals with a point and no thousands sign")
	case comma && len(after) == 3 && strings.Trim(whole, "0") != "":
		return 0, "", fmt.Errorf("%q may be %s.%s or %s%s; write it with a point, or without a comma", clip(cell), whole, after, whole, after)
	}
	if r := rest; strings.HasPrefix(r, "e") || strings.HasPrefix(r, "E") {
		if _, err := strconv.ParseFloat(text+r, 64); err == nil && len(r) > 1 {
			text, rest = text+r, ""
		}
	}
	v, err = strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, "", errors.New(strconv.Quote(clip(cell)) + " is not a number that can be used")
	}
	return v, rest, nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
