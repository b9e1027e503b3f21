package csvtable

import (
	"errors"
	"strings"
	"testing"
)

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		cell string
		v    float64
		rest string
		err  string
	}{
		{"142,5", 142.5, "", ""},
		{"0,125", 0.125, "", ""},
		{"2.2 oz", 2.2, "oz", ""},
		{"96.5", 96.5, "", ""},
		{"-3", -3, "", ""},
		{"\u22123,5 mm", -3.5, "mm", ""},
		{"1e3", 1000, "", ""},
		{"12e", 12, "e", ""},
		{"1,234", 0, "", "may be 1.234 or 1234"},
		{"1.234,5", 0, "", "more than one mark"},
		{"1,2,3", 0, "", "more than one mark"},
		{"1..2", 0, "", "more than one mark"},
		{"5.", 0, "", "not a number"},
		{"", 0, "", "not a number"},
		{"about 5", 0, "", "not a number"},
		{"1e999", 1, "e999", ""}, // no unit is called so
		{"NaN", 0, "", "not a number"},
	} {
		v, rest, err := Number(c.cell)
		switch {
		case c.err != "":
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%q: %v, want %q", c.cell, err, c.err)
			}
		case err != nil || v != c.v || rest != c.rest:
			t.Errorf("%q: %g %q %v, want %g %q", c.cell, v, rest, err, c.v, c.rest)
		}
	}
}

func TestReadForms(t *testing.T) {
	for name, text := range map[string]string{
		"semicolons":          "Name;Mass g\nlens;468\n",
		"commas":              "Name,Mass g\nlens,468\n",
		"tabs":                "Name\tMass g\nlens\t468\n",
		"byte order mark":     "\ufeffName;Mass g\r\nlens;468\r\n",
		"old line ends":       "Name;Mass g\rlens;468\r",
		"quotes":              "\"Name\";\"Mass g\"\n\"lens\";\"468\"\n",
		"blank rows":          "\n\nName;Mass g\n;\n\nlens;468\n;;\n",
		"cells left over":     "Name;Mass g;;\nlens;468;;\n",
		"comma inside quotes": "Name,\"Mass g\"\n\"lens\",468",
	} {
		got, err := Read([]byte(text))
		if err != nil || len(got.Header) != 2 || len(got.Rows) != 1 || got.Rows[0].Cells[0] != "lens" || got.Rows[0].Cells[1] != "468" {
			t.Errorf("%s: %+v %v", name, got, err)
		}
	}
}

func TestReadFaults(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		line int
		want string
	}{
		"empty":            {"", 0, "empty"},
		"blanks":           {" \n\t\n", 0, "empty"},
		"UTF-16":           {"\xff\xfeN\x00", 1, "UTF-16"},
		"binary":           {"Name;Mass\nlens;\x00", 2, "not text"},
		"Latin-1":          {"Name;Mass\nK\xf6rper;3\n", 2, "not UTF-8"},
		"header only":      {"Name;Mass\n", 0, "no rows"},
		"no header":        {"lens;468\nbody;3\n", 1, "not column names"},
		"doubled name":     {"Name;Mass;mass\nlens;1;2\n", 1, "twice"},
		"open quote":       {"Name;Mass\n\"lens;468\n", 2, "quote"},
		"stray quote":      {"Name;Mass\nle\"ns;468\n", 2, "quote"},
		"too many cells":   {"Name;Mass\nlens;468;9\n", 2, "3 cells, the header 2"},
		"too few cells":    {"Name;Mass;Note\nlens;468\n", 2, "2 cells, the header 3"},
		"a decimal comma":  {"Name,Mass\nlens,142,5\n", 2, "decimal comma"},
		"a cell too long":  {"Name;Mass\n" + strings.Repeat("x", MaxCell+1) + ";1\n", 2, "bytes"},
		"too many rows":    {"Name;Mass\n" + strings.Repeat("a;1\n", MaxRows+1), MaxRows + 2, "more than"},
		"too many columns": {strings.Repeat("a;", MaxColumns) + "b\n1;2\n", 1, ""},
	} {
		_, err := Read([]byte(c.text))
		var f Fault
		if !errors.As(err, &f) || f.Line != c.line || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v (line %d), want line %d and %q", name, err, f.Line, c.line, c.want)
		}
	}
}

// Whatever the bytes, a table has as many cells in each row as in its header.
func FuzzRead(f *testing.F) {
	f.Add([]byte("Name;Mass g\nlens;468\n"))
	f.Add([]byte("\xef\xbb\xbfa,\"b\nc\"\r\n1,\"2,5\"\r\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		tab, err := Read(data)
		if err != nil {
			return
		}
		for _, r := range tab.Rows {
			if len(r.Cells) != len(tab.Header) || r.Line < 1 {
				t.Fatalf("row %+v under %q", r, tab.Header)
			}
		}
	})
}
