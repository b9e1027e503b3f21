package file

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

// TestEdits shows what edits make of a text, the whole of it.
func TestEdits(t *testing.T) {
	set := func(key string, v any) []Edit { return []Edit{{Key: key, Value: v}} }
	del := func(key string) []Edit { return []Edit{{Key: key, Delete: true}} }
	for _, c := range []struct {
		name, before string
		edits        []Edit
		after        string
	}{
		{"decimals stay", "a = 62.50 # x\n", set("a", 65), "a = 65.00 # x\n"},
		{"more decimals if they are needed", "a = 62.50\n", set("a", 65.125), "a = 65.125\n"},
		{"a whole number stays one", "a = 41\n", set("a", 43.0), "a = 43\n"},
		{"unless it cannot", "a = 41\n", set("a", 43.5), "a = 43.5\n"},
		{"plus sign", "a = +0.5\n", set("a", 0.75), "a = +0.75\n"},
		{"plus sign goes", "a = +0.5\n", set("a", -0.75), "a = -0.75\n"},
		{"hexadecimal", "a = 0x1F\n", set("a", 250), "a = 0xFA\n"},
		{"exponent", "a = 1E6\n", set("a", 2.5e7), "a = 2.5E7\n"},
		{"underscores go", "a = 1_000.50\n", set("a", 2000), "a = 2000.00\n"},
		{"exact beyond 2^53", "a = 1.0\n", set("a", int64(9007199254740993)), "a = 9007199254740993\n"},
		{"too large for a whole number to be exact", "a = 41\n", set("a", 1e16), "a = 1e16\n"},
		{"very small", "a = 0.10\n", set("a", 1e-9), "a = 1e-9\n"},
		{"same value, other spelling", "a = 0x10 # sixteen\n", set("a", 16.0), "a = 0x10 # sixteen\n"},
		{"single quotes stay", "a = 'x\\y'\n", set("a", `c:\z`), "a = 'c:\\z'\n"},
		{"single quotes go", "a = 'x'\n", set("a", "it's"), "a = \"it's\"\n"},
		{"three quotes stay", "a = \"\"\"\none\n\"\"\"\n", set("a", "say \"\"\"no\"\"\"\ntwo\\\n"), "a = \"\"\"\nsay \\\"\\\"\"no\\\"\\\"\"\ntwo\\\\\n\"\"\"\n"},
		{"hidden characters are seen", "a = ''\n", set("a", "\x1b[31m\u202e\u0085\x7f"), `a = "\u001B[31m\u202E\u0085\u007F"` + "\n"},
		{"another kind of value", "a = 1 # x\n", set("a", "one"), "a = \"one\" # x\n"},
		{"as written", "a = 1.0\n", set("a", Raw("0x0A")), "a = 0x0A\n"},

		{"new key after the last", "[s]\n  pan = 1 # x\n\n[f]\n", set("s.roll", 2), "[s]\n  pan = 1 # x\n  roll = 2\n\n[f]\n"},
		{"no last line break", "[s]\npan = 1", set("s.roll", 2), "[s]\npan = 1\nroll = 2"},
		{"Windows line ends", "[s]\r\npan = 1\r\n", set("s.roll", 2), "[s]\r\npan = 1\r\nroll = 2\r\n"},
		{"table without keys", "\t[s] # x\n\n[f]\n", set("s.pan", 1), "\t[s] # x\n\tpan = 1\n\n[f]\n"},
		{"first key of a file", "[s]\npan = 1\n", set("format", 1), "format = 1\n\n[s]\npan = 1\n"},
		{"first key, below the line for editors", "#:schema x.json\n[s]\n", set("format", 1), "#:schema x.json\nformat = 1\n[s]\n"},
		{"first key, below a remark that stands apart", "# mine\n\n[s]\n", set("format", 1), "# mine\nformat = 1\n\n[s]\n"},
		{"empty file", "", set("format", 1), "format = 1\n"},
		{"empty file, table", "", set("s.pan", 1), "[s]\npan = 1\n"},
		{"byte-order mark", "\ufeffa = 1\n", set("b", 2), "\ufeffa = 1\nb = 2\n"},
		{"quoted key", "a = 1\n", set(`"b c"."d.e"`, 2), "a = 1\n\n[\"b c\"]\n\"d.e\" = 2\n"},
		{"in braces", "w = { pan = 6, tilt = 8 } # x\n", set("w.roll", 7), "w = { pan = 6, tilt = 8, roll = 7 } # x\n"},
		{"in empty braces", "w = {}\n", set("w.roll.a", 7), "w = { roll = { a = 7 } }\n"},
		{"in braces, dotted", "w = { a.b = 1 }\n", set("w.a.c", 2), "w = { a.b = 1, a.c = 2 }\n"},
		{"dotted", "limits.tilt.up = 4\nlimits . tilt . down = 5\n\n[s]\n", set("limits.tilt.max", 6),
			"limits.tilt.up = 4\nlimits . tilt . down = 5\nlimits . tilt . max = 6\n\n[s]\n"},
		{"a header for a table only implied", "# top\n\n# tilt\n[limits.tilt]\nup = 1\n", set("limits.max", 6),
			"# top\n\n[limits]\nmax = 6\n\n# tilt\n[limits.tilt]\nup = 1\n"},
		{"a new table after those beside it", "[l.a]\nx = 1\n# about x\n\n# about z\n[z]\n", set("l.b.y", 2),
			"[l.a]\nx = 1\n# about x\n\n[l.b]\ny = 2\n\n# about z\n[z]\n"},
		{"a new table as its siblings are", "[f.walk]\nw = { pan = 1 }\n", set("f.run.w.pan", 2), "[f.walk]\nw = { pan = 1 }\n\n[f.run]\nw = { pan = 2 }\n"},
		{"a new table in braces, as beside it", "[f.walk]\nw = { pan = 1 }\n", set("f.walk.s.pan", 2), "[f.walk]\nw = { pan = 1 }\ns = { pan = 2 }\n"},
		{"a whole table", "[f.walk]\nw = { pan = 1 }\n", set("f.walk.s", Table{{"tilt", 2}, {"pan", 1.5}}), "[f.walk]\nw = { pan = 1 }\ns = { tilt = 2, pan = 1.5 }\n"},
		{"a table made equal", "[s]\npan = 1.0 # p\nroll = 2 # r\n", set("s", Table{{"tilt", 3}, {"pan", 5}}), "[s]\npan = 5.0 # p\ntilt = 3\n"},
		{"a first [[table]]", "a = 1\n", set("part[0].mass_kg", 1.5), "a = 1\n\n[[part]]\nmass_kg = 1.5\n"},
		{"another [[table]]", "[[part]]\nm = 1\n[part.size]\nx = 1\n\n[z]\n", set("part[1].m", 2), "[[part]]\nm = 1\n[part.size]\nx = 1\n\n[[part]]\nm = 2\n\n[z]\n"},
		{"in the first of two", "[[part]]\nm = 1\n\n[[part]]\nm = 2\n", set("part[0].size.x", 3), "[[part]]\nm = 1\n\n[part.size]\nx = 3\n\n[[part]]\nm = 2\n"},
		{"a list of one line", "a = [1.0, 2.0] # x\n", set("a", []float64{1, 2.5, 3}), "a = [1.0, 2.5, 3.0] # x\n"},
		{"a shorter list", "a = [1, 2, 3]\n", set("a", []int{1}), "a = [1]\n"},
		{"a list of several lines", "a = [\n  1, # one\n  2  # two\n]\n", set("a", []int{1, 3, 4}), "a = [\n  1, # one\n  3,  # two\n  4\n]\n"},
		{"a list of several lines with a last comma", "a = [\n  1, # one\n  2, # two\n]\n", set("a[2]", 4), "a = [\n  1, # one\n  2, # two\n  4,\n]\n"},
		{"an element", "a = [1, [2, 3]]\n", set("a[1][0]", 9), "a = [1, [9, 3]]\n"},

		{"delete a key", "[s]\n# all\npan = 1 # p\nroll = 2\n", del("s.pan"), "[s]\n# all\nroll = 2\n"},
		{"delete a key and the remark on it alone", "[s]\nroll = 2\n# pan\npan = 1 # p\n\n[z]\n", del("s.pan"), "[s]\nroll = 2\n\n[z]\n"},
		{"delete the last key of a table", "[s]\npan = 1\n", del("s.pan"), "[s]\n"},
		{"delete without a last line break", "a = 1\nb = 2", del("b"), "a = 1"},
		{"delete a table", "a = 1\n\n# s\n[s]\npan = 1\n# end of s\n\n# z\n[z]\n", del("s"), "a = 1\n\n# z\n[z]\n"},
		{"delete the last table", "a = 1\n\n# s\n[s]\npan = 1\n", del("s"), "a = 1\n"},
		{"delete tables here and there", "[a.b]\nx = 1\n\n[z]\n\n[a.c]\ny = 1\n", del("a"), "[z]\n"},
		{"delete an element", "[[p]]\nm = 1\n\n[[p]]\nm = 2\n\n[[p]]\nm = 3\n", del("p[1]"), "[[p]]\nm = 1\n\n[[p]]\nm = 3\n"},
		{"delete in braces", "w = { pan = 6, tilt = 8, roll = 1 }\n", del("w.tilt"), "w = { pan = 6, roll = 1 }\n"},
		{"delete the last in braces", "w = { pan = 6, tilt = 8 }\n", del("w.tilt"), "w = { pan = 6 }\n"},
		{"delete the only one in braces", "w = { pan = 6 }\n", del("w.pan"), "w = {}\n"},
		{"delete from a list", "a = [1, 2, 3]\n", del("a[0]"), "a = [2, 3]\n"},
		{"delete from a list with remarks", "a = [\n  1, # one\n  2, # two\n]\n", del("a[1]"), "a = [\n  1, # one\n   # two\n]\n"},
		{"delete dotted keys here and there", "x = 1\n\na.b = 1\n\na.c = 2", del("a"), "x = 1"},

		{"several, one after the other", "a = 1\n", []Edit{{Key: "s.pan", Value: 1}, {Key: "s.roll", Value: 2}, {Key: "a", Delete: true}}, "[s]\npan = 1\nroll = 2\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := Parse("F", []byte(c.before))
			if err != nil {
				t.Fatal(err)
			}
			got, err := d.Apply(c.edits...)
			if err != nil {
				t.Fatal(err)
			}
			if string(got.Text()) != c.after {
				t.Errorf("got\n%s\nwant\n%s", got.Text(), c.after)
			}
		})
	}
}

func TestEditsRefused(t *testing.T) {
	const text = "a = 1\n\n[s]\npan = 1\nlist = [\n 1, # one\n 2\n]\n[[part]]\nm = 1\ndeep = [[\n 1, # one\n 2], 3]\n"
	d, err := Parse("F", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		edit Edit
		want string
	}{
		{Edit{Key: "a", Value: math.NaN()}, "F:1:5: a: NaN is not a number one can set; expected a finite number"},
		{Edit{Key: "s.pan", Value: math.Inf(-1)}, "F:4:7: s.pan: -Inf is not a number one can set; expected a finite number"},
		{Edit{Key: "s", Value: 3}, "F:3:2: s: this is a table, and a single value was given for it; expected the key of a value in it; set the keys in it one by one, or delete it first"},
		{Edit{Key: "part", Value: []any{}}, "F:9:3: part: this is a table, and"},
		{Edit{Key: "a.b", Value: 3}, "F:1:1: a.b: a has nothing within it that could be called that; expected a key or element that fits"},
		{Edit{Key: "s.list[4]", Value: 3}, "F:5:1: s.list[4]: there are only 2 of these; expected a number up to 2"},
		{Edit{Key: "part[1]", Value: 3}, "F:9:3: part[1]: a single value was given for a table; expected a table"},
		{Edit{Key: "none[1].m", Value: 3}, "F:1:1: none[1].m: there are none of these yet; expected the number 0"},
		{Edit{Key: "s.list", Value: "x"}, "F:5:8: s.list: there are remarks within the old value, which would be lost; expected a value of the same kind; edit the file by hand"},
		{Edit{Key: "part[0].deep", Value: []any{"x", 3}}, "F:11:8: part[0].deep: there are remarks within the old value, which would be lost"},
		{Edit{Key: "b", Value: struct{}{}}, "a value of type struct {} has no form in TOML"},
		{Edit{Key: "b", Value: nil}, "F:1:1: b: no value; expected"},
		{Edit{Key: "b", Value: "\xff"}, "the text is not UTF-8"},
		{Edit{Key: "b", Value: Table{{"x", 1}, {"x", 2}}}, "key x is given twice"},
		{Edit{Key: "b", Value: Table{{"x", []any{Table{{"y", math.NaN()}}}}}}, "b.x.y: NaN"},
		{Edit{Key: "b", Value: time.Date(-5, 1, 1, 0, 0, 0, 0, time.UTC)}, "year -5 cannot be written"},
		{Edit{Key: "b", Value: Date{2026, 2, 30}}, "no day 2026-02-30"},
		{Edit{Key: "b", Value: Clock{24, 0, 0, 0}}, "not a time of day"},
		{Edit{Key: "b", Value: Raw("1\nc = 2")}, "this is more than one value"},
		{Edit{Key: "b", Value: Raw("1 # x")}, "this is more than one value"},
		{Edit{Key: "b", Value: Raw("nan")}, "nan is not a number one can set"},
		{Edit{Key: "b", Value: Raw("")}, "the value is missing"},
		{Edit{Key: "b", Value: uint64(math.MaxUint64)}, "a whole number that is too large"},
		{Edit{Key: "b", Delete: true}, "F:1:1: b: unknown key; expected a key of this file"},
		{Edit{Key: "b..c", Value: 1}, "b..c: '.' cannot stand in a key here; expected keys joined by dots"},
		{Edit{Key: "", Value: 1}, "an empty key"},
		{Edit{Key: "b.", Value: 1}, "the key ends with a dot"},
		{Edit{Key: "b[x]", Value: 1}, "the number in brackets is not a whole number from 0"},
		{Edit{Key: `b."c`, Value: 1}, "a quote in the key is not closed"},
	} {
		got, err := d.Apply(c.edit)
		var e *Error
		if got != nil || !errors.As(err, &e) || e.Class != Usage || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: got %v\nwant %s", c.edit, err, c.want)
		}
	}
	if _, err := d.Apply(Edit{Key: "a", Value: 2}, Edit{Key: "b", Delete: true}); err == nil {
		t.Error("the second of two edits had to fail, and both with it")
	}
	if string(d.Text()) != text {
		t.Error("the text has changed")
	}
}

func TestAppendAndAddTable(t *testing.T) {
	d, err := Parse("F", []byte("l = [1]\ni = [{ m = 1 }]\n\n[f.walk]\nw = 1\n\n[[part]]\nm = 1\n\n[z]\n"))
	if err != nil {
		t.Fatal(err)
	}
	step := func(next *Doc, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		d = next
	}
	step(d.Append("l", 2))
	step(d.Append("i", Table{{"m", 2.5}}))
	step(d.Append("part", Table{{"m", 2}, {"size_mm", []int{1, 2}}}))
	step(d.Append("note", "x"))
	step(d.Append("shot", Table{{"n", 1}}))
	step(d.AddTable("f.run", Table{{"w", Table{{"pan", 1}}}}))
	step(d.AddTable("part[0].size", Table{{"x", 1}}))
	want := "l = [1, 2]\ni = [{ m = 1 }, { m = 2.5 }]\nnote = [\"x\"]\n\n[f.walk]\nw = 1\n\n[f.run]\nw = { pan = 1 }\n\n[[part]]\nm = 1\n\n" +
		"[part.size]\nx = 1\n\n[[part]]\nm = 2\nsize_mm = [1, 2]\n\n[z]\n\n[[shot]]\nn = 1\n"
	if string(d.Text()) != want {
		t.Errorf("got\n%s\nwant\n%s", d.Text(), want)
	}
	for key, want := range map[string]string{"f.run": "there is such a table already", "l": "there is such a table already"} {
		if _, err := d.AddTable(key, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", key, err)
		}
	}
	if _, err := d.Append("z", 1); err == nil || !strings.Contains(err.Error(), "this is not a list") {
		t.Errorf("append to a table: %v", err)
	}
}

func TestOrder(t *testing.T) {
	order := []string{"format", "kind", "dials", "dials.pan", "dials.roll", "dials.tilt", "filters", "proof"}
	rank := func(key string) int {
		for i, k := range order {
			if k == key {
				return i
			}
		}
		return -1
	}
	d, err := Parse("F", []byte("format = 1\n\n[dials]\n# roll\nroll = 2\n\n[proof]\nby = \"x\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	d, err = d.WithOrder(rank).Apply(
		Edit{Key: "filters.drive", Value: 2}, Edit{Key: "dials.tilt", Value: 3}, Edit{Key: "dials.pan", Value: 1},
		Edit{Key: "kind", Value: "tune"}, Edit{Key: "own.x", Value: 1}, Edit{Key: "note", Value: "y"}, Edit{Key: "dials.own", Value: 0})
	if err != nil {
		t.Fatal(err)
	}
	want := "format = 1\nkind = \"tune\"\nnote = \"y\"\n\n[dials]\npan = 1\n# roll\nroll = 2\ntilt = 3\nown = 0\n\n[filters]\ndrive = 2\n\n[proof]\nby = \"x\"\n\n[own]\nx = 1\n"
	if string(d.Text()) != want {
		t.Errorf("got\n%s\nwant\n%s", d.Text(), want)
	}
	// Before the first table, if nothing ranks lower.
	d, err = Parse("F", []byte("# p\n[proof]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if d, err = d.WithOrder(rank).Set("filters.drive", 2); err != nil || string(d.Text()) != "[filters]\ndrive = 2\n\n# p\n[proof]\n" {
		t.Errorf("%v\n%s", err, d.Text())
	}
}

func TestGraft(t *testing.T) {
	ours := "a = 1\n\n[s]\npan = 1 # ours\n\n[f.walk]\nw = 1\n\n[z]\n"
	theirs := "a = 1\n\n[s]\npan = 2\n# of the bench\nroll = 38.50   # theirs\n\n# on the pier\n[f.run]\nw = { pan = 0x10 } # odd\n# end\n\n[[part]]\nm = 1.250\n[part.size]\nx = 1\n"
	d, err := Parse("ours", []byte(ours))
	if err != nil {
		t.Fatal(err)
	}
	src, err := Parse("theirs", []byte(theirs))
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"s.roll", "f.run", "part"} {
		if d, err = d.Graft(key, src, key); err != nil {
			t.Fatal(err)
		}
	}
	if d, err = d.Graft("part[1]", src, "part[0]"); err != nil {
		t.Fatal(err)
	}
	part := "\n[[part]]\nm = 1.250\n[part.size]\nx = 1\n"
	want := "a = 1\n\n[s]\npan = 1 # ours\n# of the bench\nroll = 38.50   # theirs\n\n[f.walk]\nw = 1\n\n# on the pier\n[f.run]\nw = { pan = 0x10 } # odd\n# end\n\n[z]\n" + part + part
	if string(d.Text()) != want {
		t.Errorf("got\n%s\nwant\n%s", d.Text(), want)
	}
	for _, c := range [][3]string{{"s.pan", "s.pan", "this key is here already"}, {"s.x", "s.x", "theirs:3:2: s.x: unknown key"}} {
		if _, err := d.Graft(c[0], src, c[1]); err == nil || !strings.Contains(err.Error(), c[2]) {
			t.Errorf("%s: %v", c[0], err)
		}
	}
}

func TestLayout(t *testing.T) {
	const base = "# head\n\n[s] # dials\npan = 41 # p\nroll = 38\n# of the bench\n\n[z]\nw = { a = 1 }\nl = [1, # one\n 2]\n# end\n"
	for _, c := range []struct {
		name, text             string
		same, comments, layout bool
	}{
		{"nothing", base, true, false, false},
		{"a value", strings.Replace(base, "41", "42", 1), false, false, true},
		{"a remark's words", strings.Replace(base, "# p", "# q", 1), true, true, false},
		{"a remark gone", strings.Replace(base, " # p", "", 1), true, true, false},
		{"a remark line gone", strings.Replace(base, "# of the bench\n", "", 1), true, true, false},
		{"a remark line new", strings.Replace(base, "roll", "# new\nroll", 1), true, true, false},
		{"a remark moved to another key", strings.Replace(strings.Replace(base, " # p", "", 1), "38", "38 # p", 1), true, true, false},
		{"a remark in a list", strings.Replace(base, "one", "first", 1), true, true, false},
		{"blanks before a remark", strings.Replace(base, " # p", "    # p", 1), true, false, true},
		{"spelling of a number", strings.Replace(base, "41", "41.0", 1), true, false, true},
		{"order", strings.Replace(base, "pan = 41 # p\nroll = 38\n", "roll = 38\npan = 41 # p\n", 1), true, false, true},
		{"a blank line", strings.Replace(base, "[z]\n", "[z]\n\n", 1), true, false, true},
		{"line ends", strings.ReplaceAll(base, "\n", "\r\n"), true, false, true},
		{"last line break", strings.TrimSuffix(base, "\n"), true, false, true},
		{"byte-order mark", "\ufeff" + base, true, false, true},
		{"braces for a header", strings.Replace(base, "w = { a = 1 }\n", "w.a = 1\n", 1), true, false, true},
		{"both", strings.Replace(strings.Replace(base, "# p", "# q", 1), "38", "0x26", 1), true, true, true},
	} {
		a, err := Parse("a", []byte(base))
		if err != nil {
			t.Fatal(err)
		}
		b, err := Parse("b", []byte(c.text))
		if err != nil {
			t.Fatal(err)
		}
		comments, layout := Layout(a, b)
		if SameValues(a, b) != c.same || comments != c.comments || layout != c.layout {
			t.Errorf("%s: same values %v, comments %v, layout %v", c.name, SameValues(a, b), comments, layout)
		}
	}
}

func TestComments(t *testing.T) {
	d, err := Parse("F", []byte("#:schema x\n# head\n\n# of a\na = 1 # behind a\n# below a\n\n[s] # behind s\n# of l\nl = [ # in l\n]\n# below l\n\n# alone\n\n[z]\n\n# end\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []Comment{{"a", ":schema x", 1, false}, {"a", "head", 2, false}, {"a", "of a", 4, false}, {"a", "behind a", 5, true}, {"", "below a", 6, false},
		{"s", "behind s", 8, true}, {"s.l", "of l", 9, false}, {"s.l", "in l", 10, true}, {"s", "below l", 12, false}, {"z", "alone", 14, false}, {"", "end", 18, false}}
	for i, c := range d.Comments() {
		if i >= len(want) || c != want[i] {
			t.Errorf("%d: %+v", i, c)
		}
	}
}

func TestWriter(t *testing.T) {
	w := NewWriter("rigs/new.toml")
	w.Directive("schema ./tune.schema.json")
	w.Comment("A tune.\nStart low.\x1b")
	w.Key("format", 1)
	w.KeyComment("kind", "tune", "not to be changed\nx = 2")
	w.Comment("of the dials")
	w.Table("stiffness")
	w.Key("pan", 41.0)
	w.Key("odd key", []any{1, "two", 3.5})
	w.Blank()
	w.Blank()
	w.Table("follow", "on the pier")
	w.Key("deadband", Table{{"tilt", 8}, {"pan", 6}})
	w.ArrayTable("part")
	w.Key("when", Date{2026, 3, 12})
	w.ArrayTable("part")
	d, err := w.Doc()
	want := "#:schema ./tune.schema.json\n# A tune.\n# Start low.\\u001B\nformat = 1\nkind = \"tune\"  # not to be changed x = 2\n\n" +
		"# of the dials\n[stiffness]\npan = 41.0\n\"odd key\" = [1, \"two\", 3.5]\n\n[follow.\"on the pier\"]\ndeadband = { tilt = 8, pan = 6 }\n\n" +
		"[[part]]\nwhen = 2026-03-12\n\n[[part]]\n"
	if err != nil || string(d.Text()) != want {
		t.Errorf("%v\n%s", err, d.Text())
	}
	w = NewWriter("F")
	w.Table("a", "b")
	w.Key("x", map[string]any{"y": math.NaN()})
	w.Key("z", math.NaN())
	if _, err := w.Doc(); err == nil || err.Error() != "F: a.b.x.y: NaN is not a number one can set; expected a finite number" {
		t.Errorf("NaN: %v", err)
	}
	w = NewWriter("F")
	w.Key("x", 1)
	w.Key("x", 2)
	if _, err := w.Doc(); err == nil || List(err)[0].Class != Usage || !strings.Contains(err.Error(), "F:2:1: x: this key is given twice") {
		t.Errorf("twice: %v", err)
	}
	w = NewWriter("F")
	w.Table()
	if _, err := w.Doc(); err == nil {
		t.Error("a table without a name was written")
	}
}

func TestDecimal(t *testing.T) {
	for v, want := range map[float64]string{0: "0.0", 62.5: "62.5", 40: "40.0", -0.1: "-0.1", 1e300: "1e300", 1e-7: "1e-7", 0.000001: "0.000001",
		1.0 / 3: "0.3333333333333333", 1e15: "1e15", 123456789012345: "123456789012345.0", math.MaxFloat64: "1.7976931348623157e308",
		math.SmallestNonzeroFloat64: "5e-324", math.Copysign(0, -1): "-0.0"} {
		got, err := Decimal(v)
		if err != nil || got != want && !(v == 0 && got == "-0.0") {
			t.Errorf("%v: %s, %v, want %s", v, got, err, want)
		}
		if back, err := ParseValue(got); err != nil || back != v {
			t.Errorf("%s reads back as %v, %v", got, back, err)
		}
	}
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if s, err := Decimal(v); err == nil {
			t.Errorf("%v gives %s", v, s)
		}
	}
}

func TestLiteral(t *testing.T) {
	n := 7
	type name string
	for _, c := range []struct {
		v    any
		want string
	}{
		{int8(-5), "-5"}, {uint16(9), "9"}, {float32(0.1), "0.1"}, {&n, "7"}, {name("x"), `"x"`}, {[]string{}, "[]"}, {[2]bool{true, false}, "[true, false]"},
		{map[string]int{"b": 1, "a c": 2}, `{ "a c" = 2, b = 1 }`}, {Table{}, "{}"}, {"\ttab\r\n\"\\", `"\ttab\r\n\"\\"`},
		{time.Date(2026, 3, 12, 9, 40, 0, 5e8, time.FixedZone("", -7*3600)), "2026-03-12T09:40:00.5-07:00"}, {Clock{9, 40, 0, 0}, "09:40:00"},
		{DateTime{Date{2026, 3, 12}, Clock{9, 40, 0, 25e7}}, "2026-03-12T09:40:00.25"}, {Raw(" 0x10 "), "0x10"}, {[]any{Raw("1.50"), nil}, ""},
	} {
		got, err := Literal(c.v)
		if got != c.want || (err != nil) != (c.want == "") {
			t.Errorf("%#v: %s, %v, want %s", c.v, got, err, c.want)
		}
	}
}

func TestFaultsHavePlaces(t *testing.T) {
	d, err := Parse("F", []byte("a = 1\n[l]\n[s.t]\nw = { \"ä\" = 'ö', b = 1 }\nd.e = 5\n[[p]]\nx = 1\n[[p]]\nx = [ 1,\n 22]\n"))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string][2]string{ // name, value
		"a": {"1:1", "1:5"}, "l": {"2:2", "2:2"}, "s": {"3:2", "3:2"}, "s.t": {"3:4", "3:4"}, "s.t.d": {"5:1", "5:1"}, "s.t.d.e": {"5:3", "5:7"},
		"p": {"6:3", "6:3"}, "p[1]": {"8:3", "8:3"}, "p[1].x": {"9:1", "9:5"}, "p[1].x[1]": {"10:2", "10:2"},
		"none": {"1:1", "1:1"}, "s.t.none": {"3:4", "3:4"}, "p[7].x": {"6:3", "6:3"}, "s.t.w.none": {"4:1", "4:1"}, "?": {"1:1", "1:1"},
	} {
		if got := d.KeyFault(key, "what", "want", "fix").Error(); got != "F:"+want[0]+": "+key+": what; expected want; fix" {
			t.Errorf("name: %s, want %s", got, want[0])
		}
		if got := d.Fault(key, "what", "", "").Error(); got != "F:"+want[1]+": "+key+": what" {
			t.Errorf("value: %s, want %s", got, want[1])
		}
	}
	var es Errors
	if es.Err() != nil {
		t.Error("no faults are no error")
	}
	es = append(es, d.Fault("a", "one", "", ""))
	if List(es.Err())[0].What != "one" {
		t.Error("one fault")
	}
	es = append(es, &Error{What: "two", Cause: ErrUnsafeEdit})
	if err := es.Err(); !errors.Is(err, ErrUnsafeEdit) || err.Error() != "F:1:5: a: one\ntwo" || len(List(err)) != 2 {
		t.Errorf("two faults: %v", err)
	}
}

// TestSafetyNet tries what finish is for: splices that a fault in the editor might come up with.
func TestSafetyNet(t *testing.T) {
	d, err := Parse("F", []byte("a = 1\nb = 2\n"))
	if err != nil {
		t.Fatal(err)
	}
	p := Path{Key("a")}
	for name, c := range map[string]struct {
		splices []splice
		deleted bool
	}{
		"no TOML":                {[]splice{{span{4, 5}, "="}}, false},
		"another value":          {[]splice{{span{4, 5}, "9"}}, false},
		"another key too":        {[]splice{{span{4, 5}, "3"}, {span{10, 11}, "3"}}, false},
		"another key's spelling": {[]splice{{span{4, 5}, "3"}, {span{10, 11}, "2.0"}}, false},
		"a key more":             {[]splice{{span{4, 5}, "3\nc = 1"}}, false},
		"a key less":             {[]splice{{span{4, 5}, "3"}, {span{6, 12}, ""}}, false},
		"one place twice":        {[]splice{{span{4, 5}, "3"}, {span{4, 6}, "3"}}, false},
		"not deleted":            {nil, true},
		"both deleted":           {[]splice{{span{0, 12}, ""}}, true},
	} {
		got, err := d.finish(c.splices, p, int64(3), c.deleted)
		var e *Error
		if got != nil || !errors.Is(err, ErrUnsafeEdit) || !errors.As(err, &e) || e.Class != Usage || e.Key != "a" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := d.finish([]splice{{span{4, 5}, "3.0"}}, p, int64(3), false); err != nil {
		t.Errorf("a good one: %v", err)
	}
	if _, err := d.finish([]splice{{span{0, 6}, ""}}, p, nil, true); err != nil {
		t.Errorf("a good deletion: %v", err)
	}
}

func TestEqual(t *testing.T) {
	utc := time.Date(2026, 3, 12, 9, 40, 0, 0, time.UTC)
	for _, c := range []struct {
		a, b any
		want bool
	}{
		{int64(40), 40.0, true}, {40.0, int64(40), true}, {int64(40), 40.5, false}, {int64(1), "1", false}, {true, "true", false},
		{int64(9007199254740993), 9007199254740992.0, false}, {int64(math.MaxInt64), float64(1 << 63), false}, {int64(math.MinInt64), -float64(1 << 63), true},
		{utc, utc.In(time.FixedZone("", 3600)), true}, {utc, utc.Add(1), false}, {Date{2026, 3, 12}, Date{2026, 3, 12}, true}, {Date{2026, 3, 12}, utc, false},
		{[]any{int64(1)}, []any{1.0}, true}, {[]any{int64(1)}, []any{}, false}, {[]any{int64(1)}, []any{int64(2)}, false}, {[]any{}, map[string]any{}, false},
		{map[string]any{"a": int64(1)}, map[string]any{"a": 1.0}, true}, {map[string]any{"a": int64(1)}, map[string]any{"b": int64(1)}, false},
		{map[string]any{"a": int64(1)}, map[string]any{"a": int64(1), "b": nil}, false},
	} {
		if Equal(c.a, c.b) != c.want || Equal(c.b, c.a) != c.want {
			t.Errorf("%v and %v: %v", c.a, c.b, !c.want)
		}
	}
}

func TestParsePath(t *testing.T) {
	for s, want := range map[string]string{
		"a": "a", "a.b-c_2": "a.b-c_2", "part[0].mass_kg": "part[0].mass_kg", "l[1][22]": "l[1][22]", `"a".'b'`: "a.b", `'b c'."d.e"`: `"b c"."d.e"`,
		`"\u0041\t\""`: `"A\t\""`, `""`: `""`, `"\U0001F3A5"`: `"🎥"`,
		"": "-", ".a": "-", "a.": "-", "a..b": "-", "a b": "-", "a[": "-", "a[]": "-", "a[01]": "-", "a[+1]": "-", "a[-1]": "-", "[0]": "-", "a[0]b": "-",
		"a[99999999999999999999]": "-", `"a`: "-", `"a\q"`: "-", `"\ud800"`: "-", `"\u00"`: "-", "ä": "-", "\xff": "-", "'a\nb'": "-",
	} {
		p, err := ParsePath(s)
		got := p.String()
		if err != nil {
			got = "-"
			if e := List(err); len(e) != 1 || e[0].Class != Usage {
				t.Errorf("%q: %v", s, err)
			}
		}
		if got != want {
			t.Errorf("%q: %s, want %s", s, got, want)
		}
	}
	if got := Join("follow", "wide shot", "part", 3, "x"); got != `follow."wide shot".part[3].x` {
		t.Error(got)
	}
}
