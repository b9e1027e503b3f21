package main

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// Twenty-two lists of parts that cannot be taken in: each is refused with its line, and the
// library stays byte for byte as it was.
func TestMalformedPartLists(t *testing.T) {
	top := t.TempDir()
	if code, _, errs := run(t, top, "init", "lib", "--name", "Desk"); code != 0 {
		t.Fatal(errs)
	}
	lib := filepath.Join(top, "lib")
	if code, _, errs := run(t, lib, "part", "new", "Lens", "--slot", "lens", "--mass", "480g"); code != 0 {
		t.Fatal(errs)
	}
	before, err := snapshot(lib)
	if err != nil {
		t.Fatal(err)
	}
	const head = "Name;Slot;Mass g;Length mm;Diameter mm\n"
	for name, c := range map[string]struct{ text, want string }{
		"empty":                    {"", "empty"},
		"blank lines":              {"\n\n \n", "empty"},
		"UTF-16":                   {"\xff\xfeN\x00a\x00", "UTF-16"},
		"a picture":                {"\x89PNG\r\n\x1a\n\x00\x00", "not text"},
		"Latin-1":                  {head + "K\xf6rper;body;5;;\n", "line 2"},
		"no rows":                  {head, "no rows"},
		"no header":                {"Lens 2;lens;5;4;3\n", "not column names"},
		"a name twice in the head": {"Name;Mass g;name\na;5;b\n", "twice"},
		"no mass":                  {"Name;Slot\na;lens\n", "no column is taken for the mass"},
		"no name":                  {"Slot;Mass g\nlens;5\n", "no column is taken for the name"},
		"no unit":                  {"Name;Mass\na;5\n", "names no unit"},
		"an open quote":            {head + "\"a;lens;5;;\n", "line 2"},
		"too many cells":           {head + "a;lens;5;4;3;2\n", "line 2"},
		"too few cells":            {head + "a;lens\n", "line 2"},
		"a mass below zero":        {head + "a;lens;-5;;\n", "line 2: Mass g"},
		"a mass in words":          {head + "b;lens;5;;\na;lens;light;;\n", "line 3: Mass g"},
		"a thousands sign":         {head + "a;lens;1,250;;\n", "may be 1.250 or 1250"},
		"a comma between cells":    {"Name,Mass g,Note\na,142,5,x\n", "decimal comma"},
		"another unit":             {head + "a;lens;5 mm;;\n", "line 2: Mass g"},
		"a part there already":     {head + "Lens;lens;5;;\n", "part lens is in the library already"},
		"a part twice":             {head + "a;lens;5;;\nA;lens;6;;\n", "stands in line 2 already"},
		"escapes in a name":        {head + "a\x1b[31m;lens;5;;\n", "control character"},
	} {
		file := filepath.Join(top, "list.csv")
		if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, errs := run(t, lib, "part", "import", file)
		if code != exitUsage || !strings.Contains(strings.ReplaceAll(errs, "\n", " "), c.want) || strings.ContainsAny(out+errs, "\x1b\x00") {
			t.Errorf("%s: exit %d\n%s%swant %q", name, code, out, errs, c.want)
		}
		if after, err := snapshot(lib); err != nil || !reflect.DeepEqual(after, before) {
			t.Fatalf("%s: the library changed (%v)", name, err)
		}
	}
}
