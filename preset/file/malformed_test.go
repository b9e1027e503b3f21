package file

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// malformed is texts that must be refused, each with the whole of what is said after the file's name.
var malformed = []struct{ name, text, want string }{
	{"no value", "pan =\n", `1:6: pan: the value is missing; expected a number, "text", true, false, a date, [a list] or { a table }; add the value or remove the key`},
	{"remark for a value", "[stiffness]\npan = # later\n", `2:7: stiffness.pan: the value is missing; expected a number, "text", true, false, a date, [a list] or { a table }; add the value or remove the key`},
	{"no equals sign", "[stiffness]\npan 41\n", "2:5: a key without = and a value; expected key = value; add = and the value, or put # before a remark"},
	{"no key", "= 41\n", "1:1: a key cannot begin with '='; expected key = value, or [table]; put the key in quotes, or # before a remark"},
	{"text without quotes", "format = 1\nby = operator\n", `2:6: by: a value cannot begin with 'o'; expected a number, "text", true, false, a date, [a list] or { a table }; add the value, or put text in double quotes`},
	{"unit behind the number", "[part]\nmass = 2.5kg\n", `2:11: part.mass: letters after a number; expected a number alone, or "text"; no unit here (it is in the key name); put text in double quotes`},
	{"decimal comma", "[horizon]\noffset_deg = 0,5\n", `2:15: horizon.offset_deg: ',' after the end of the value or header; expected the end of the line; write a decimal point, not a comma, or make it a list: [1, 2]`},
	{"no digit after the point", "a = 5.\n", "1:7: a: a decimal point without a digit after it; expected a number such as 0.5; add a 0 after the point"},
	{"no digit before the point", "a = .5\n", `1:5: a: a value cannot begin with '.'; expected a number, "text", true, false, a date, [a list] or { a table }; add the value, or put text in double quotes`},
	{"leading zero", "a = 007\n", "1:5: a: a number that begins with 0; expected a number without leading zeros, such as 7; remove the leading zeros, or put text in double quotes"},
	{"too large a whole number", "a = 9223372036854775808\n", "1:5: a: a whole number that is too large; expected one between -9223372036854775808 and 9223372036854775807; correct the number"},
	{"too large a number", "a = 1e999\n", "1:5: a: a number that is too large; expected a number up to 1.7e308; correct the number"},
	{"NaN", "[stiffness]\npan = nan\n", "2:7: stiffness.pan: nan is not a number one can set; expected a finite number; write the number, or remove the key"},
	{"infinity", "w = { pan = 6, tilt = -inf }\n", "1:23: w.tilt: -inf is not a number one can set; expected a finite number; write the number, or remove the key"},
	{"two that are not finite", "a = +inf\n[[part]]\n[[part]]\nb = [1.0, nan]\n", "1:5: a: +inf is not a number one can set; expected a finite number; write the number, or remove the key\n" +
		"F:4:11: part[1].b[1]: nan is not a number one can set; expected a finite number; write the number, or remove the key"},
	{"a key twice", "[stiffness]\npan = 41\nroll = 38\npan = 42\n", "4:1: stiffness.pan: this key is given twice, first on line 2; expected each key once; remove one of the two"},
	{"a key twice in braces", "w = { pan = 1, pan = 2 }\n", "1:16: w.pan: this key is given twice, first on line 1; expected each key once; remove one of the two"},
	{"a key twice, quoted", "pan = 1\n\"p\\u0061n\" = 2\n", "2:1: pan: this key is given twice, first on line 1; expected each key once; remove one of the two"},
	{"a table twice", "[a]\nx = 1\n\n[b]\n[a]\ny = 2\n", "5:2: a: this table is given twice, first on line 1; expected each table once; bring their keys together under one header"},
	{"a value and a table", "follow = 1\n[follow.walk]\n", "2:2: follow: this is a table here, but on line 1 it is something else; expected one meaning for each name; rename one of the two, or remove it"},
	{"a table and an array of tables", "[part]\n[[part]]\n", "2:3: part: this is a table here, but on line 1 it is something else; expected one meaning for each name; rename one of the two, or remove it"},
	{"added from outside", "[a.b]\nx = 1\n[a]\nb.y = 2\n", "4:1: a.b: this adds to a table from outside it, after line 1; expected the keys of a table together under its header; move the key there"},
	{"quote not closed", "name = \"main\nkind = \"tune\"\n", `1:13: name: a quote that is not closed on its line; expected the closing quote on the same line; add the closing quote; for several lines use """`},
	{"quote not closed at the end", "name = \"main", "1:12: name: a quote that is not closed; expected the closing quote on the same line; add the closing quote"},
	{"text of several lines not closed", "notes = \"\"\"\nsmooth\n", `2:7: a """ that is not closed; expected a closing """; add """ where the text ends`},
	{"backslash", `path = "C:\users"` + "\n", `1:13: path: a \u with something that is not a hexadecimal digit; expected \u and four hexadecimal digits; correct the digits`},
	{"escape that is none", `s = "a\qb"` + "\n", `1:7: s: a \ that stands for nothing in a text; expected \n, \t, \", \\ or \u and four digits; write \\ for a backslash, or use single quotes`},
	{"control character", "s = \"a\x1bb\"\n", `1:7: s: a control character in a text; expected plain text; write it as \u and four digits, or remove it`},
	{"header not closed", "[stiffness\npan = 1\n", "1:11: the header of the table is not closed; expected [name] alone on its line; add ]"},
	{"header of an array not closed", "[[part]\nmass_kg = 1\n", "1:7: the header of the table is not closed; expected [[name]] alone on its line; add ]]"},
	{"key behind a header", "[stiffness] pan = 1\n", "1:13: 'p' after the end of the value or header; expected the end of the line; put the next key on its own line, or # before a remark"},
	{"two keys on a line", "pan = 1 roll = 2\n", "1:9: pan: 'r' after the end of the value or header; expected the end of the line; put the next key on its own line, or # before a remark"},
	{"list not closed", "size_mm = [10, 20\nmass_kg = 1\n", "2:1: two values in a list with no comma between them; expected a comma or ]; add the comma or the closing ]"},
	{"list without a comma", "size_mm = [10 20]\n", "1:15: size_mm: two values in a list with no comma between them; expected a comma or ]; add the comma or the closing ]"},
	{"braces not closed", "w = { pan = 6, tilt = 8\n", "1:24: w: a { that is not closed; expected a closing }; add } on the same line"},
	{"conflict markers", "pan = 1\n<<<<<<< ours\nroll = 2\n", "2:1: unresolved merge markers; expected one of the two versions; remove the lines of the other and the marks, or restore the last saved revision"},
	{"JSON", "{\"pan\": 41}\n", "1:1: a key cannot begin with '{'; expected key = value, or [table]; put the key in quotes, or # before a remark"},
	{"a day that does not exist", "when = 2026-02-30\n", "1:16: when: a day that does not exist; expected year-month-day, such as 2026-03-12; correct the date"},
	{"an hour that does not exist", "at = 25:00:00\n", "1:6: at: an hour over 23; expected hours from 00 to 23; correct the time"},
	{"a zone that does not exist", "at = 2026-03-12T09:40:00+99:00\n", "1:26: at: not a time zone at the end of a date and time; expected Z, or an offset such as +02:00; correct the zone"},
	{"TOML 1.1: time without seconds", "at = 09:40\n", "1:6: at: a time without seconds (TOML 1.1 has it, our files are TOML 1.0); expected hours, minutes and seconds, such as 09:40:00; add :00"},
	{"TOML 1.1: escape e", `s = "\e[31m"` + "\n", `1:6: s: \e in a text (TOML 1.1 has it, our files are TOML 1.0); expected \u and four digits; write \u001b`},
	{"TOML 1.1: escape x in a key", `"a\x41" = 1` + "\n", `1:3: \x in a text (TOML 1.1 has it, our files are TOML 1.0); expected \u and four digits; write \u00HH for \xHH`},
	{"TOML 1.1: line break in braces", "[follow.walk]\ndeadband = { pan = 6,\n  tilt = 8 }\n", "2:22: follow.walk.deadband: a line break between the braces (TOML 1.1 has it, our files are TOML 1.0); expected { } on one line; join the lines, or use a [table] header"},
	{"TOML 1.1: comma before the brace", "w = { pan = 6, }\n", "1:14: w: a comma before the closing brace (TOML 1.1 has it, our files are TOML 1.0); expected no comma after the last key in { }; remove the comma"},
	{"columns are characters", "ä = \"日本\" x\n", "1:1: a key cannot begin with '\\u00e4'; expected key = value, or [table]; put the key in quotes, or # before a remark"},
	{"columns are characters, behind", "a = \"日本\" x\n", "1:10: a: 'x' after the end of the value or header; expected the end of the line; put the next key on its own line, or # before a remark"},
	{"after a byte-order mark", "\ufeffpan =\n", `1:6: pan: the value is missing; expected a number, "text", true, false, a date, [a list] or { a table }; add the value or remove the key`},
	{"Windows line ends", "a = 1\r\nb = \r\nc = 2\r\n", `2:5: b: the value is missing; expected a number, "text", true, false, a date, [a list] or { a table }; add the value or remove the key`},
	{"old line ends", "a = 1\rb = 2\r", "1:6: a: a carriage return alone; expected a line end as Unix or Windows writes it; save the file again with Unix line ends"},
	{"not UTF-8", "a = 1\nname = \"caf\xe9\"\n", "2:12: byte 0xe9 is not UTF-8 text; expected UTF-8 text; save the file again from the editor with encoding UTF-8"},
	{"UTF-16", "\xff\xfea\x00=\x001\x00", "1:1: the file is saved as UTF-16; expected UTF-8 text; save it again from the editor with encoding UTF-8"},
	{"binary", "\x7fELF\x02\x01\x01\x00\x00", "1:8: this is not a text file: it holds a zero byte; expected UTF-8 text; if it was a text file, restore the last saved revision"},
}

func TestMalformed(t *testing.T) {
	for _, c := range malformed {
		t.Run(c.name, func(t *testing.T) {
			d, err := Parse("F", []byte(c.text))
			if err == nil || d != nil {
				t.Fatalf("taken: %q", c.text)
			}
			if got, want := err.Error(), "F:"+c.want; got != want {
				t.Errorf("got  %s\nwant %s", got, want)
			}
			for _, e := range List(err) {
				if e.Class != Damaged {
					t.Errorf("class %v", e.Class)
				}
			}
		})
	}
	if len(malformed) < 40 {
		t.Errorf("only %d texts", len(malformed))
	}
}

// TestHostile is texts within the size limit that take one parser or the other minutes or all memory when it is let at them.
func TestHostile(t *testing.T) {
	repeat := strings.Repeat
	many := func(form string) string {
		var b strings.Builder
		for i := 0; b.Len() < MaxBytes-100; i++ {
			fmt.Fprintf(&b, form, i)
		}
		return b.String()
	}
	for name, c := range map[string]struct{ text, want string }{
		"keys":              {many("k%d=1\n"), "more than"},
		"tables":            {many("[k%d]\n"), "more than"},
		"elements":          {many("[[k]]\n#%d\n"), "more than"},
		"long key":          {repeat("a.", 20_000) + "a=1\n", "deep"},
		"long header":       {"[" + repeat("a.", 20_000) + "a]\n", "deep"},
		"lists":             {"a=" + repeat("[", 9000) + repeat("]", 9000) + "\n", "deep"},
		"very deep lists":   {"a=" + repeat("[", MaxBytes/2-2), "deep"},
		"very deep braces":  {"a=" + repeat("{a=", MaxBytes/4), "deep"},
		"values in a list":  {"a=[" + repeat("1,", MaxBytes/2-10) + "]\n", "more than"},
		"keys in braces":    {"a={" + many("k%d=1,") + "z=1}", "more than"},
		"just over":         {repeat("#", MaxBytes+1), "too large (1.01 MiB); expected at most 1 MiB"},
		"fifty mebibytes":   {repeat("a", 50<<20), "too large (50 MiB); expected at most 1 MiB"},
		"long line":         {"a = 1 " + repeat("x", MaxBytes-10), "after the end"},
		"many digits":       {"a = " + repeat("9", MaxBytes-10), "too large"},
		"long text, no end": {"a = \"" + repeat("x", MaxBytes-10), "not closed"},
	} {
		_, err := Parse("F", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
		if err != nil && len(err.Error()) > 600 {
			t.Errorf("%s: an error of %d bytes", name, len(err.Error()))
		}
	}
	// As large as may be, and sound.
	for name, text := range map[string]string{
		"remarks":   repeat("#\n", MaxBytes/2),
		"blanks":    repeat("\n", MaxBytes),
		"one text":  "a = \"" + repeat("x", MaxBytes-10) + "\"",
		"most keys": func() string { s := many("key_%d = 1.50 # x\n"); return s[:strings.Index(s, "key_9999 ")] }(),
		"deepest":   repeat("a.", MaxDepth-1) + "a = 1",
	} {
		d, err := Parse("F", []byte(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if c, l := Layout(d, d); c || l || len(d.Keys()) != len(d.Tree()) {
			t.Errorf("%s: differs from itself", name)
		}
	}
}

func TestReadRefuses(t *testing.T) {
	dir := t.TempDir()
	big := filepath.Join(dir, "big.toml")
	f, err := os.Create(big)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(50 << 20); err != nil {
		t.Fatal(err)
	}
	f.Close()
	closed := filepath.Join(dir, "closed.toml")
	if err := os.WriteFile(closed, nil, 0); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path  string
		class Class
		want  string
	}{
		{dir, Damaged, "this is a directory; expected a TOML file"},
		{"/dev/null", Damaged, "this is a device; expected a TOML file"},
		{big, Damaged, "too large (50 MiB); expected at most 1 MiB"},
		{filepath.Join(dir, "none.toml"), Missing, "file not found"},
		{filepath.Join(big, "below"), Damaged, "cannot read the file"},
		{closed, Damaged, "no permission to read this file"},
	} {
		if c.path == closed && os.Geteuid() == 0 {
			continue // root reads all
		}
		_, err := Load(c.path, "name")
		var e *Error
		if !errors.As(err, &e) || e.Class != c.class || e.File != "name" || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.path, err)
		}
	}
	ok := filepath.Join(dir, "main.toml")
	if err := os.WriteFile(ok, []byte(tune), 0o644); err != nil {
		t.Fatal(err)
	}
	if d, err := Load(ok, ""); err != nil || d.Name() != ok || string(d.Text()) != tune {
		t.Errorf("%v, %v", d, err)
	}
	if _, err := ReadFrom(strings.NewReader(strings.Repeat("#", MaxBytes+1)), "-"); err == nil || !strings.Contains(err.Error(), "too large") {
		t.Errorf("too long a stream: %v", err)
	}
	if data, err := ReadFrom(strings.NewReader(strings.Repeat("#", MaxBytes)), "-"); err != nil || len(data) != MaxBytes {
		t.Errorf("%d bytes, %v", len(data), err)
	}
}
