package merge

import (
	"slices"
	"strings"
	"testing"

	"rigkeep/preset"
)

// conflictAt says whether a conflict of a file, and of one of its keys if that is given, is there.
func conflictAt(out *SetOutput, path, key string) bool {
	for _, c := range out.Conflicts {
		if c.Path == path && (key == "" || strings.Contains(c.Key, key)) {
			return true
		}
	}
	return false
}

// TestUnitLoadedOnBothSides: two people load one unit. What its controller held is a union by time
// and person, in order; two entries of one person and moment that differ are a conflict, not a loss.
func TestUnitLoadedOnBothSides(t *testing.T) {
	base, fp := library(t)
	path := preset.UnitPath("quay-large", "ql-0031")
	head := "format = 1\nkind = \"unit\"\nlabel = \"Bay 1\"\nfirmware = \"4.1\"\n"
	held := func(at, by, pan string) string {
		return "\n[[held]]\nat = 2026-03-02T" + at + "Z\nby = \"" + by + "\"\nrig = \"" + fp + "\"\ntune = \"main\"\nvalues.stiffness.pan = " + pan + "\n"
	}
	base = base.with(path, head+held("08:00:00", "A-cam operator", "30"))
	both(t, base, base.with(path, base[path]+held("11:00:00", "A-cam operator", "40")), base.with(path, base[path]+held("10:00:00", "B-cam operator", "41")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if strings.Count(got[path], "[[held]]") != 3 || !strings.Contains(got[path], "= 40") || !strings.Contains(got[path], "= 41") {
			t.Errorf("the union is\n%s", got[path])
		}
		holds(t, got)
	})
	both(t, base, base.with(path, base[path]+held("11:00:00", "A-cam operator", "40")), base.with(path, base[path]+held("11:00:00", "A-cam operator", "41")), func(t *testing.T, out *SetOutput, got mem) {
		if !conflictAt(out, path, "stiffness.pan") {
			t.Errorf("conflicts: %v\n%s", out.Conflicts, got[path])
		}
	})
	// two persons at one moment are two entries
	both(t, base, base.with(path, base[path]+held("11:00:00", "A-cam operator", "40")), base.with(path, base[path]+held("11:00:00", "B-cam operator", "41")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if strings.Count(got[path], "[[held]]") != 3 || !strings.Contains(got[path], "= 40") || !strings.Contains(got[path], "= 41") {
			t.Errorf("the union is\n%s", got[path])
		}
	})
	// a label there and what it holds here go together
	both(t, base, base.with(path, strings.Replace(base[path], "Bay 1", "Bay 2", 1)), base.with(path, base[path]+held("11:00:00", "A-cam operator", "40")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if !strings.Contains(got[path], "Bay 2") || strings.Count(got[path], "[[held]]") != 2 {
			t.Errorf("the merge is\n%s", got[path])
		}
	})
}

// TestUnitRenamedAndLoaded: a unit gets another serial on one side and is loaded on the other. The
// record goes to the new serial with all that it held, and nothing stays under the old one.
func TestUnitRenamedAndLoaded(t *testing.T) {
	base, fp := library(t)
	old, now := preset.UnitPath("quay-large", "ql-0031"), preset.UnitPath("quay-large", "ql-0131")
	head := "format = 1\nkind = \"unit\"\nlabel = \"Bay 1\"\n"
	held := "\n[[held]]\nat = 2026-03-02T11:00:00Z\nby = \"A-cam operator\"\nrig = \"" + fp + "\"\ntune = \"main\"\nvalues.stiffness.pan = 40\n"
	base = base.with(old, head)
	to := func(serial string) mem {
		m := base.with(preset.UnitPath("quay-large", serial), "format = 1\nkind = \"unit\"\nlabel = \"Bay 1\"\nwas = [\"ql-0031\"]\n")
		delete(m, old)
		return m
	}
	write := preset.UnitDir("quay-large", "ql-0031") + "/writes/20260302T110000Z.jsonl"
	both(t, base, to("ql-0131"), base.with(old, head+held, write, "{}\n"), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if _, there := got[old]; there || !strings.Contains(got[now], "was = [\"ql-0031\"]") || !strings.Contains(got[now], "stiffness.pan = 40") {
			t.Errorf("the merge is\n%s", got[now])
		}
		if got[strings.Replace(write, "ql-0031", "ql-0131", 1)] != "{}\n" || got[write] != "" {
			t.Error("what was written over a link did not follow its unit")
		}
		holds(t, got)
	})
	// to two serials: nothing is lost
	both(t, base, to("ql-0131"), to("ql-0231"), func(t *testing.T, out *SetOutput, got mem) {
		if got[now] == "" || got[preset.UnitPath("quay-large", "ql-0231")] == "" {
			t.Error("a record is gone")
		}
	})
}

// TestWritesOfBothSides: what was written over a link lies in a file per write; two are both kept,
// and one name with two contents is a conflict.
func TestWritesOfBothSides(t *testing.T) {
	base, _ := library(t)
	dir := preset.UnitDir("quay-large", "ql-0031") + "/writes/"
	a, b := "{\"dial\":\"pan\",\"to\":40}\n", "{\"dial\":\"pan\",\"to\":41}\n"
	both(t, base, base.with(dir+"20260302T110000Z.jsonl", a), base.with(dir+"20260302T110001Z.jsonl", b), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if got[dir+"20260302T110000Z.jsonl"] != a || got[dir+"20260302T110001Z.jsonl"] != b {
			t.Error("a write is gone")
		}
	})
	both(t, base, base.with(dir+"20260302T110000Z.jsonl", a), base.with(dir+"20260302T110000Z.jsonl", b), func(t *testing.T, out *SetOutput, got mem) {
		if !conflictAt(out, dir+"20260302T110000Z.jsonl", "") {
			t.Errorf("conflicts: %v", out.Conflicts)
		}
	})
}

// TestRigBalancedOnBothSides: two records of a rig are two files. Begun in one second they are one
// file: what agrees merges, what does not is a conflict.
func TestRigBalancedOnBothSides(t *testing.T) {
	base, fp := library(t)
	at := func(second string) string { return preset.RigDir(fp) + "/balance/20260302T0930" + second + "Z.toml" }
	record := func(second, mark string) string {
		return "format = 1\nkind = \"balance\"\nrig = \"" + fp + "\"\nbegan = 2026-03-02T09:30:" + second + "Z\n\n[[mark]]\nname = \"plate\"\nat = 2026-03-02T09:31:00Z\nmm = " + mark + "\n"
	}
	both(t, base, base.with(at("00"), record("00", "12")), base.with(at("01"), record("01", "14")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if got[at("00")] != record("00", "12") || got[at("01")] != record("01", "14") {
			t.Error("a record is gone or changed")
		}
	})
	both(t, base, base.with(at("00"), record("00", "12")), base.with(at("00"), record("00", "12")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
	})
	both(t, base, base.with(at("00"), record("00", "12")), base.with(at("00"), record("00", "14")), func(t *testing.T, out *SetOutput, got mem) {
		if !conflictAt(out, at("00"), "mm") {
			t.Errorf("conflicts: %v\n%s", out.Conflicts, got[at("00")])
		}
	})
	other := record("00", "12") + "\n[[mark]]\nname = \"post\"\nat = 2026-03-02T09:32:00Z\nmm = 20\n"
	both(t, base.with(at("00"), record("00", "12")), base.with(at("00"), record("00", "14")), base.with(at("00"), other), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if !strings.Contains(got[at("00")], "mm = 14") || !strings.Contains(got[at("00")], "mm = 20") {
			t.Errorf("the merge is\n%s", got[at("00")])
		}
		holds(t, got)
	})
}

// TestPhotoOfBothSides: a photo is named after its day and its sum, so that one name is one photo.
// One name with two contents is a conflict, and neither is cut or mixed.
func TestPhotoOfBothSides(t *testing.T) {
	base, fp := library(t)
	path := preset.RigDir(fp) + "/photos/2026-03-02-0123456789.jpg"
	one, two := "\xff\xd8\xff\xe0one\x00\xff\xd9", "\xff\xd8\xff\xe0two\x00\xff\xd9"
	both(t, base, base.with(path, one), base.with(path, one), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if got[path] != one {
			t.Error("the photo is gone or changed")
		}
	})
	both(t, base, base.with(path, one), base.with(path, two), func(t *testing.T, out *SetOutput, got mem) {
		if !conflictAt(out, path, "") {
			t.Errorf("conflicts: %v", out.Conflicts)
		}
	})
	other := strings.Replace(path, "0123456789", "9876543210", 1)
	both(t, base, base.with(path, one), base.with(other, two), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if got[path] != one || got[other] != two {
			t.Error("a photo is gone")
		}
	})
}

// TestPartAddedOnBothSides: the same part is one part; another mass is a conflict; what one side
// adds to it merges.
func TestPartAddedOnBothSides(t *testing.T) {
	base, _ := library(t)
	path := preset.PartPath("quay-35")
	part := func(mass, more string) string {
		return "format = 1\nkind = \"part\"\nname = \"Quay 35\"\nslot = \"lens\"\nmass_g = " + mass + "\n" + more
	}
	both(t, base, base.with(path, part("820", "")), base.with(path, part("820", "owner = \"Harbour rentals\"\n")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if !strings.Contains(got[path], "owner") {
			t.Errorf("the part is\n%s", got[path])
		}
	})
	both(t, base, base.with(path, part("820", "")), base.with(path, part("835", "")), func(t *testing.T, out *SetOutput, got mem) {
		if !conflictAt(out, path, "mass_g") {
			t.Errorf("conflicts: %v", out.Conflicts)
		}
	})
	there := base.with(path, part("820", ""))
	both(t, there, there.with(path, part("835", "")), there.with(path, part("820", "\n[mount.front]\nat_mm = [10, 0, 0]\ntakes = [\"filter\"]\n")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if !strings.Contains(got[path], "835") || !strings.Contains(got[path], "mount.front") {
			t.Errorf("the part is\n%s", got[path])
		}
		holds(t, got)
	})
}

// TestSignersOnBothSides: two proposals of keys in trust/allowed_signers are a set of lines, whichever side
// merges: what one added is there, what one took away is gone, remarks stay above what they stood above.
// One key changed on both sides is a conflict.
func TestSignersOnBothSides(t *testing.T) {
	base, _ := library(t)
	const path = preset.SignersPath
	const a, b, c = "a-cam@example.org ssh-ed25519 AAAA\n", "b-cam@example.org ssh-ed25519 BBBB\n", "c-cam@example.org namespaces=\"git\" ssh-ed25519 CCCC of the bay\n"
	until := strings.Replace(a, " ssh", " valid-before=\"20260401\" ssh", 1)
	for _, x := range []struct{ name, base, ours, theirs, want string }{
		{"both begin the file", "", a, b, a + b},
		{"both begin it with one key in common", "", a + c, b + c, a + b + c},
		{"the same on both", "", a, a, a},
		{"one added on each side", a, a + b, a + c, a + b + c},
		{"one each, remarks and blank lines", "# the house\n\n" + a, "# the house\n\n" + a + "# from the bay\n" + b, "# the house\n\n# guests\n" + c + a, "# the house\n\n# guests\n" + c + a + "# from the bay\n" + b},
		{"taken away here, another added there", a + b, b, a + b + c, b + c},
		{"both take one away", a + b + c, b + c, a + b, b},
		{"a date here, another added there", a, until, a + b, until + b},
		{"no line end, and Windows line ends", a, strings.TrimSuffix(a+b, "\n"), a + strings.TrimSuffix(c, "\n") + "\r\n", a + b + strings.TrimSuffix(c, "\n") + "\r\n"},
		{"a date here, gone there", a + b, until + b, b, ""},
		{"two dates of one key", a, until, strings.Replace(until, "0401", "0501", 1), ""},
	} {
		in := func(text string) mem {
			if text == "" {
				return base
			}
			return base.with(path, text)
		}
		results := map[string]bool{}
		both(t, in(x.base), in(x.ours), in(x.theirs), func(t *testing.T, out *SetOutput, got mem) {
			if x.want == "" {
				if !conflictAt(out, path, "") {
					t.Errorf("%s: conflicts: %v\n%s", x.name, out.Conflicts, got[path])
				}
				return
			}
			noConflicts(t, out)
			results[got[path]] = true
			if lines := func(s string) []string {
				l := strings.Split(s, "\n")
				slices.Sort(l)
				return l
			}; !slices.Equal(lines(got[path]), lines(x.want)) {
				t.Errorf("%s:\n%swant\n%s", x.name, got[path], x.want)
			}
			for i, line := range strings.Split(x.want, "\n") { // a remark stays above its key
				if strings.HasPrefix(line, "#") && i > 1 && !strings.Contains(got[path], line+"\n"+strings.Split(x.want, "\n")[i+1]) {
					t.Errorf("%s: %q is elsewhere:\n%s", x.name, line, got[path])
				}
			}
		})
		if len(results) > 1 {
			t.Errorf("%s: who merges matters: %v", x.name, results)
		}
	}
}
