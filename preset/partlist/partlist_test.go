package partlist

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset"
	"rigkeep/preset/csvtable"
)

func shelf(t *testing.T) *csvtable.Table {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "shelf.csv"))
	if err != nil {
		t.Fatal(err)
	}
	tab, err := csvtable.Read(data)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

// The shelf of the day script: a list with a decimal comma in line 9, ounces in line 12, no
// balance point in line 14, and in line 15 the part of line 4 again.
func TestShelf(t *testing.T) {
	tab := shelf(t)
	cols := Guess(tab.Header)
	var got []string
	for _, c := range cols {
		got = append(got, string(c.Field)+":"+c.Unit)
	}
	if want := "name: slot: mass:g length:mm width:mm height:mm diameter:mm balance:mm quantity: owner: note:"; strings.Join(got, " ") != want {
		t.Fatalf("guessed %s\nwant    %s", strings.Join(got, " "), want)
	}
	_, faults := Read(tab, cols, nil)
	if len(faults) != 1 || faults[0].Error() != "line 15: Name: 85 mm Tarn stands in line 4 already, with 702 g there and 705 g here; take one of the two out, or leave it out with --skip 4 or --skip 15" {
		t.Fatalf("faults: %v", faults)
	}
	rows, faults := Read(tab, cols, []int{4})
	if faults != nil || len(rows) != 13 {
		t.Fatalf("%d rows, %v", len(rows), faults)
	}
	part := func(line int) Row {
		return rows[slices.IndexFunc(rows, func(r Row) bool { return r.Line == line })]
	}
	if r := part(9); math.Abs(r.Part.Mass-0.1425) > 1e-12 || !slices.Contains(r.Said, "Weight [g]: 142,5 read as 142.5") {
		t.Errorf("line 9: %g kg, %q", r.Part.Mass, r.Said)
	}
	// 1 oz is 28.349523125 g: NIST SP 811, App. B (from memory)
	if r := part(12); math.Abs(r.Part.Mass-2.2*0.028349523125) > 1e-12 || !slices.Contains(r.Said, "Weight [g]: 2.2 oz read as 62 g") {
		t.Errorf("line 12: %g kg, %q", r.Part.Mass, r.Said)
	}
	if r := part(14); r.Part.CG != nil || !strings.Contains(r.Part.Note, "diameter 32 mm") || len(r.Said) != 2 {
		t.Errorf("line 14: %+v, %q", r.Part, r.Said)
	}
	if r := part(15); r.Part.Mass != 0.705 || *r.Part.CG != [3]float64{0.044, 0, 0} || r.Part.Shape != "cylinder" {
		t.Errorf("line 15: %+v", r.Part)
	}
	if r := part(2); *r.Part.CG != [3]float64{0.012, 0, 0.044} || len(r.Part.Mounts) != 3 || r.Part.Mounts[0].At.Sub([3]float64{0.061, 0, 0.044}).Len() > 1e-12 {
		t.Errorf("line 2: %v %+v", r.Part.CG, r.Part.Mounts)
	}
	if r := part(7); *r.Part.CG != [3]float64{0, 0, 0.037} {
		t.Errorf("line 7: %v", r.Part.CG)
	}
}

// A number without any unit is asked for.
func TestUnitIsNeeded(t *testing.T) {
	tab, err := csvtable.Read([]byte("Name;Weight;Length\na;5 g;\nb;6;\n"))
	if err != nil {
		t.Fatal(err)
	}
	_, faults := Read(tab, Guess(tab.Header), nil)
	if len(faults) != 1 || faults[0].Column != "Weight" || faults[0].Fix != `write it there, or say: --map "Weight=mass:g"` {
		t.Errorf("%v", faults)
	}
}

func TestMap(t *testing.T) {
	cols := Guess([]string{"Thing", "how heavy", "Weight (kg)"})
	for how, want := range map[string]string{
		"Thing":                  "not COLUMN=FIELD",
		"=mass":                  "not COLUMN=FIELD",
		"colour=mass":            "unknown column",
		"4=mass":                 "unknown column",
		"Thing=colour":           "unknown field",
		"how heavy=mass:mm":      "not a unit of mass",
		"Thing=name":             "",
		"2=mass:oz":              "",
		"Weight (kg)=-":          "",
		"Weight (kg)=owner":      "",
		"Weight (kg)=quantity:g": "not a unit of quantity",
	} {
		err := Map(slices.Clone(cols), how)
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v, want %q", how, err, want)
		}
	}
	_ = Map(cols, "2=mass:oz")
	if cols[1] != (Column{"how heavy", Mass, "oz"}) || cols[2].Field != Skip {
		t.Errorf("%+v", cols)
	}
}

func TestRowFaults(t *testing.T) {
	const head = "Name;Slot;Mass g;Length mm;Width mm;Height mm;Diameter mm;Bore mm;Qty\n"
	for name, c := range map[string]struct{ row, want string }{
		"no name":             {";lens;5;;;;;;", "line 2: Name: the part has no name"},
		"no mass":             {"a;lens;;;;;;;", "line 2: Mass g: the part has no mass"},
		"mass below zero":     {"a;lens;-5;;;;;;", "line 2: Mass g: a mass of -5"},
		"mass of nothing":     {"a;lens;0;;;;;;", "a mass of 0"},
		"mass of a ton":       {"a;lens;1000 kg;;;;;;", "a mass of 1000 kg"},
		"mass in words":       {"a;lens;light;;;;;;", `"light" is not a number`},
		"mass in a length":    {"a;lens;5 mm;;;;;;", `"5 mm" has no unit of a mass`},
		"a thousands sign":    {"a;lens;1,250;;;;;;", "may be 1.250 or 1250"},
		"length of nothing":   {"a;lens;5;0;;;;;", "a length of 0"},
		"length of a mile":    {"a;lens;5;1600 m;;;;;", "a length of 1600 m"},
		"width below zero":    {"a;lens;5;1;-2;3;;;", "a width of -2"},
		"a bore too wide":     {"a;lens;5;50;;;20;30;", "line 2: Bore mm: the bore is not smaller"},
		"round and square":    {"a;lens;5;50;20;;20;;", "a diameter and a width"},
		"half a part":         {"a;lens;5;;;;;;1.5", `"1.5" is not a count`},
		"a count with a unit": {"a;lens;5;;;;;;3 g", `"3 g" is not a count`},
		"a name of marks":     {"***;lens;5;;;;;;", `"***" cannot name a part`},
		"a reserved name":     {"con;lens;5;;;;;;", `"con" cannot name a part`},
		"two lines in a cell": {"\"a\nb\";lens;5;;;;;;", "control character"},
		"a slot of marks":     {"a;///;5;;;;;;", `"///" cannot be a slot`},
	} {
		tab, err := csvtable.Read([]byte(head + c.row + "\n"))
		if err != nil {
			t.Fatal(name, err)
		}
		rows, faults := Read(tab, Guess(tab.Header), nil)
		if len(rows) > 0 || len(faults) == 0 || !strings.Contains(faults[0].Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, faults, c.want)
		}
	}
}

// What is written is read again as it was.
func TestThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var parts []preset.ShopPart
		for i := range rapid.IntRange(1, 6).Draw(t, "parts") {
			mm := func(what string, lo int) float64 {
				return float64(rapid.IntRange(lo, 20000).Draw(t, what)) / 1e4
			}
			p := preset.ShopPart{Quantity: rapid.IntRange(-1, 9).Draw(t, "quantity"), Owner: rapid.SampledFrom([]string{"", "desk", `a "b", c`}).Draw(t, "owner")}
			p.Name = rapid.SampledFrom([]string{"=lens ", "Körper ", "+a, b ", "x"}).Draw(t, "name") + fmt.Sprint(i)
			p.Mass = float64(rapid.IntRange(1, 100000).Draw(t, "mass")) / 1e4
			p.Slot = rapid.SampledFrom([]string{"", "lens", "body", "monitor"}).Draw(t, "slot")
			p.Note = rapid.SampledFrom([]string{"", "@home", "with cable"}).Draw(t, "note")
			if rapid.Bool().Draw(t, "placed") {
				p.CG = &[3]float64{mm("x", -20000), mm("y", -20000), mm("z", -20000)}
			}
			switch rapid.IntRange(0, 3).Draw(t, "shape") {
			case 1:
				p.Shape, p.Size = "box", [3]float64{mm("l", 1), mm("w", 1), mm("h", 1)}
			case 2:
				p.Shape, p.Diameter, p.Length = "cylinder", mm("d", 1), mm("l", 1)
			case 3:
				p.Shape, p.Diameter, p.Length, p.Bore = "tube", 1.5, mm("l", 1), 0.7
			}
			parts = append(parts, p)
		}
		tab, err := csvtable.Read([]byte(Write(parts)))
		if err != nil {
			t.Fatal(err)
		}
		rows, faults := Read(tab, Guess(tab.Header), nil)
		if faults != nil || len(rows) != len(parts) {
			t.Fatalf("%d rows of %d, %v", len(rows), len(parts), faults)
		}
		for i, r := range rows {
			want, got := parts[i], r.Part
			near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
			same := got.Name == want.Name && got.Slot == want.Slot && got.Note == want.Note && got.Owner == want.Owner && got.Quantity == want.Quantity &&
				got.Shape == want.Shape && near(got.Mass, want.Mass) && near(got.Diameter, want.Diameter) && near(got.Length, want.Length) && near(got.Bore, want.Bore) && (got.CG == nil) == (want.CG == nil)
			for j := range 3 {
				same = same && near(got.Size[j], want.Size[j]) && (got.CG == nil || near(got.CG[j], want.CG[j]))
			}
			if !same {
				t.Fatalf("wrote %+v\nread  %+v", want, got)
			}
		}
	})
}

// No table makes Read panic, and what it takes has a name and a mass.
func FuzzRead(f *testing.F) {
	f.Add("Name;Mass [g];Length mm\nlens;468;74\n")
	f.Add("part,weight kg,balance mm\nbody,\"1,5\",12\n")
	f.Fuzz(func(t *testing.T, text string) {
		tab, err := csvtable.Read([]byte(text))
		if err != nil {
			return
		}
		rows, faults := Read(tab, Guess(tab.Header), nil)
		for _, r := range rows {
			if r.Part.Name == "" || !(r.Part.Mass > 0) || !preset.IsName(r.Part.File) {
				t.Fatalf("%+v (%v)", r, faults)
			}
		}
	})
}
