package preset_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// way is one way in of a door.
type way = func(c *schema.Catalogue, path string, text []byte) (any, error)

// door is that of one kind, with a text that it takes.
type door struct {
	kind, path, good         string
	line, at                 string // a line of the good text that is a number, and its key as a path
	strict, quick, unchecked way    // nil for a way that the kind does not have
	called, says             func(v any) string
}

func (d door) ways() map[string]way {
	ways := map[string]way{"strict": d.strict}
	if d.quick != nil {
		ways["quick"] = d.quick
	}
	if d.unchecked != nil {
		ways["unchecked"] = d.unchecked
	}
	return ways
}

// The texts are of a rig with this fingerprint, and each says this word in a key that its kind has.
const doorPrint, doorWord = "0qygem5g0z", "pier"

// doors has the good text of each kind, and where it lies. Source: the key tables of the catalogue.
var doors = []door{
	{kind: schema.KindRig, path: preset.RigPath(doorPrint), at: "part[0].mass_g", line: "mass_g = 900",
		good: "format = 1\nkind = \"rig\"\nalias = \"pier\"\ngimbal = \"quay-large\"\n\n[[part]]\nname = \"Body\"\nslot = \"body\"\nmass_g = 900\nplace_mm = [0, 0, 40]\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			v, _, err := preset.ReadRig(c, path, text)
			return v, err
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickRig(c, path, text)
		},
		unchecked: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.UncheckedRig(path, text)
		},
		called: func(v any) string { return v.(preset.Rig).ID }, says: func(v any) string { return v.(preset.Rig).Alias }},
	{kind: schema.KindTune, path: preset.TunePath(doorPrint, "main"), at: "stiffness.pan", line: "pan = 41",
		good: "format = 1\nkind = \"tune\"\nrig = \"" + doorPrint + "\"\nnote = \"pier\"\n\n[stiffness]\npan = 41\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			v, _, err := preset.ReadTune(c, path, text, nil)
			return v, err
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickTune(c, path, text, nil)
		},
		unchecked: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.UncheckedTune(c, path, text)
		},
		says: func(v any) string { return v.(preset.Tune).Note }},
	{kind: schema.KindJob, path: preset.JobPath("2026-01-10-pier"), at: "lens.widest_mm", line: "widest_mm = 24",
		good: "format = 1\nkind = \"job\"\nname = \"pier\"\nstate = \"open\"\nfrom = 2026-01-10\n\n[lens]\nwidest_mm = 24\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			v, _, err := preset.ReadJob(c, path, text)
			return v, err
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickJob(c, path, text)
		},
		unchecked: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.UncheckedJob(path, text)
		},
		called: func(v any) string { return v.(preset.Job).Slug }, says: func(v any) string { return v.(preset.Job).Name }},
	{kind: schema.KindGimbal, path: preset.GimbalPath("pier-large"), at: "payload.max_kg", line: "max_kg = 4",
		good: "format = 1\nkind = \"gimbal\"\nname = \"pier\"\n\n[payload]\nmax_kg = 4\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.ReadSheet(c, path, text)
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickSheet(c, path, text)
		},
		called: func(v any) string { return v.(*schema.Sheet).Slug }, says: func(v any) string { return v.(*schema.Sheet).Name }},
	{kind: schema.KindUnit, path: preset.UnitPath("pier-large", "PL-0412"), at: "memories", line: "memories = 3",
		good: "format = 1\nkind = \"unit\"\nlabel = \"pier\"\nmemories = 3\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.ReadUnit(c, path, text)
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickUnit(c, path, text)
		},
		called: func(v any) string { return v.(schema.Unit).Serial }, says: func(v any) string { return v.(schema.Unit).Label }},
	{kind: schema.KindPart, path: preset.PartPath("clip"), at: "mass_g", line: "mass_g = 60",
		good: "format = 1\nkind = \"part\"\nname = \"pier\"\nmass_g = 60\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.ReadPart(c, path, text)
		},
		called: func(v any) string { return v.(preset.ShopPart).File }, says: func(v any) string { return v.(preset.ShopPart).Name }},
	{kind: schema.KindBench, path: preset.RigDir(doorPrint) + "/bench/20260110T100000Z.toml", at: "mass_kg", line: "mass_kg = 2.5",
		good: "format = 1\nkind = \"bench\"\nrig = \"" + doorPrint + "\"\ntune = \"main\"\nbegan = 2026-01-10T10:00:00Z\nnote = \"pier\"\nmass_kg = 2.5\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			v, _, err := preset.ReadBench(c, path, text)
			return v, err
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickBench(c, path, text)
		},
		says: func(v any) string { return v.(preset.BenchLog).Note }},
	{kind: schema.KindBalance, path: preset.RigDir(doorPrint) + "/balance/20260110T100000Z.toml", at: "mass_kg", line: "mass_kg = 2.5",
		good: "format = 1\nkind = \"balance\"\nrig = \"" + doorPrint + "\"\nbegan = 2026-01-10T10:00:00Z\nnote = \"pier\"\nmass_kg = 2.5\n",
		strict: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			v, _, err := preset.ReadBalance(c, path, text)
			return v, err
		},
		quick: func(c *schema.Catalogue, path string, text []byte) (any, error) {
			return preset.QuickBalance(c, path, text)
		},
		says: func(v any) string { return v.(preset.BalanceRecord).Note }},
}

// Every door takes a good text and calls the value as its path does. What is no TOML is refused
// with its line, whichever way it goes in.
func TestDoors(t *testing.T) {
	cat := schema.Default()
	for _, d := range doors {
		place, ok := preset.Locate(d.path)
		if !ok || place.Kind != d.kind {
			t.Fatalf("%s is the place of %+v", d.path, place)
		}
		name := place.Name
		if d.kind == schema.KindRig {
			name = place.Rig
		}
		for way, read := range d.ways() {
			v, err := read(cat, d.path, []byte(d.good))
			if err != nil || d.says(v) != doorWord {
				t.Fatalf("%s, %s: %+v, %v", d.kind, way, v, err)
			}
			if d.called != nil {
				elsewhere, _ := read(cat, "of a friend.toml", []byte(d.good))
				if d.called(v) != name || d.called(elsewhere) != "" {
					t.Errorf("%s, %s: is called %q, by its path %q; from elsewhere %q", d.kind, way, d.called(v), name, d.called(elsewhere))
				}
			}
			_, err = read(cat, d.path, []byte("format = 1\nkind = \n"))
			if es := file.List(err); len(es) != 1 || es[0].Line != 2 {
				t.Errorf("%s, %s: no TOML: %v", d.kind, way, err)
			}
		}
	}
}

// A key that there is none of, a value of a wrong type and a newer format are refused: the strict
// way with line and column, the quick way with the key, and the unchecked way not at all.
func TestDoorsRefuse(t *testing.T) {
	cat := schema.Default()
	for _, d := range doors {
		key, _, _ := strings.Cut(d.line, " =")
		for _, bad := range []struct{ what, old, new, at, marked string }{
			{"no such key", d.line, d.line + "\nodd_key = 1", strings.TrimSuffix(d.at, key) + "odd_key", "odd_key = 1"},
			{"a wrong type", d.line, key + " = \"much\"", d.at, "\"much\""},
			{"a newer format", "format = 1", "format = 99", "format", "format = 99"},
		} {
			text := strings.Replace(d.good, bad.old, bad.new, 1)
			before, _, _ := strings.Cut(text, bad.marked)
			line := 1 + strings.Count(before, "\n")
			_, err := d.strict(cat, d.path, []byte(text))
			es := file.List(err)
			if len(es) != 1 || es[0].File != d.path || es[0].Line != line || es[0].Col == 0 || es[0].Key != bad.at || es[0].Class != file.Damaged {
				t.Errorf("%s, strict, %s in line %d: %v", d.kind, bad.what, line, err)
			}
			if d.quick != nil {
				_, err := d.quick(cat, d.path, []byte(text))
				var p schema.Problem
				if !errors.As(err, &p) || p.Key != bad.at {
					t.Errorf("%s, quick, %s: %v", d.kind, bad.what, err)
				}
			}
			if d.unchecked != nil {
				v, err := d.unchecked(cat, d.path, []byte(text))
				if err != nil || d.says(v) != doorWord {
					t.Errorf("%s, unchecked, %s: %+v, %v", d.kind, bad.what, v, err)
				}
			}
		}
	}
}

// A build sheet that is TOML and no more is named all the same by the quick door, as lists do.
func TestQuickRigNamesAFaultyOne(t *testing.T) {
	r, err := preset.QuickRig(schema.Default(), preset.RigPath(doorPrint), []byte("format = 1\nkind = \"rig\"\nalias = \"pier\"\ngimbal = \"quay-large\"\nmass = 3\n"))
	if err == nil || r.Alias != "pier" || r.Gimbal != "quay-large" || r.Parts != nil {
		t.Errorf("%+v, %v", r, err)
	}
}

// A tune is held to the dials of the sheet where one is given, the strict and the quick way.
func TestTuneAgainstItsSheet(t *testing.T) {
	cat := schema.Default()
	sheet, err := preset.ReadSheet(cat, "", []byte("format = 1\nkind = \"gimbal\"\nname = \"pier\"\n\n[payload]\nmax_kg = 4\n\n[dial.stiffness.pan]\nmin = 0\nmax = 40\ncoarse = 5\nfine = 1\nup = \"stiffer\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	text := []byte("format = 1\nkind = \"tune\"\nrig = \"" + doorPrint + "\"\n\n[stiffness]\npan = 41\n")
	if _, err := preset.QuickTune(cat, "", text, nil); err != nil {
		t.Error(err)
	}
	if _, err := preset.QuickTune(cat, "", text, sheet); err == nil {
		t.Error("quick: 41 on a dial of 40 was taken")
	}
	if _, _, err := preset.ReadTune(cat, "", text, sheet); len(file.List(err)) != 1 || file.List(err)[0].Line != 6 {
		t.Errorf("strict: %v", err)
	}
}

// Read takes only what has a place in a library, and says so of all else.
func TestReadHasToHaveAPlace(t *testing.T) {
	cat := schema.Default()
	for _, d := range doors {
		if _, err := preset.Read(cat, d.path, []byte(d.good), nil); err != nil {
			t.Errorf("%s: %v", d.kind, err)
		}
		if _, err := preset.Read(cat, "notes/"+d.kind+".toml", []byte(d.good), nil); len(file.List(err)) != 1 || file.List(err)[0].Class != file.Usage {
			t.Errorf("%s: %v", d.kind, err)
		}
	}
}

// sameDoors holds the ways in together for any text: of every kind, the strict and the quick way
// take the same texts and make the same of them.
func sameDoors(t *testing.T, cat *schema.Catalogue, text []byte) {
	t.Helper()
	for _, d := range doors {
		if d.quick == nil {
			continue
		}
		a, aerr := d.strict(cat, "", text)
		b, berr := d.quick(cat, "", text)
		if (aerr == nil) != (berr == nil) {
			t.Errorf("%s: %v the strict way, %v the quick way", d.kind, aerr, berr)
		} else if aerr == nil && !reflect.DeepEqual(a, b) {
			t.Errorf("%s:\n%+v the strict way,\n%+v the quick way", d.kind, a, b)
		}
	}
}
