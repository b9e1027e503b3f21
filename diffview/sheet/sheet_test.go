package sheet

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestText(t *testing.T) {
	rows := func() [][]string {
		return [][]string{{"rig", "kg", "note"}, {"a-cam", "2.31", "a long note that does not fit beside the others"}, {"b", "10.5", ""}}
	}
	for _, c := range []struct {
		name  string
		t     Table
		width int
		want  string
	}{
		{"last wraps", Table{Head: true, Right: map[int]bool{1: true}, Rows: rows()}, 40,
			"rig      kg  note\na-cam  2.31  a long note that does not\n             fit beside the others\nb      10.5\n"},
		{"last below", Table{Head: true, Right: map[int]bool{1: true}, Rows: rows()}, 30,
			"rig      kg\n    note\na-cam  2.31\n    a long note that does not\n    fit beside the others\nb      10.5\n"},
		{"cuts", Table{How: Cuts, Head: true, Right: map[int]bool{1: true}, First: 3, Rows: rows()}, 20,
			"rig    kg  note\na-cam\n     2.31  a long n…\nb    10.5\n"},
		{"all wrap", Table{How: AllWrap, Head: true, Right: map[int]bool{1: true}, Rows: rows()}, 40,
			"rig      kg  note\na-cam  2.31  a long note that does not\n             fit beside the others\nb      10.5\n"},
		{"stacked", Table{How: AllWrap, Head: true, Rows: rows()}, 24,
			"a-cam\n    kg: 2.31\n    note: a long note\n    that does not fit\n    beside the others\nb\n    kg: 10.5\n"},
		{"extra below", Table{How: AllWrap, Head: true, Extra: map[int]bool{2: true}, Rows: rows()}, 20,
			"rig    kg\na-cam  2.31\n    note a long note\n    that does not\n    fit beside the\n    others\nb      10.5\n"},
	} {
		if got := c.t.Text("", c.width); got != c.want {
			t.Errorf("%s:\n%q, want\n%q", c.name, got, c.want)
		}
	}
}

func TestWrap(t *testing.T) {
	if got := strings.Join(Wrap("effort 26 % of torque", 9), "|"); got != "effort|26 % of|torque" {
		t.Error(got)
	}
	if got := strings.Join(Wrap("see /a/very/long/path now", 8), "|"); got != "see|/a/very/long/path|now" {
		t.Error(got)
	}
	if got := strings.Join(WrapCut("abcdefghij kl", 4), "|"); got != "abcd|efgh|ij|kl" {
		t.Error(got)
	}
}

// No line is wider than the screen where columns may give way, and no word is lost where they wrap.
func TestTableLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.StringMatching(`([a-z0-9äß]{1,9}( |$)){0,6}`)
		n := rapid.IntRange(1, 5).Draw(t, "columns")
		x := Table{How: rapid.SampledFrom([]How{Cuts, AllWrap}).Draw(t, "how"), First: 12, Head: rapid.Bool().Draw(t, "head")}
		for range rapid.IntRange(1, 5).Draw(t, "rows") {
			var r []string
			for range n {
				r = append(r, strings.TrimSpace(cell.Draw(t, "cell")))
			}
			x.Rows = append(x.Rows, r)
		}
		width := rapid.IntRange(24, 100).Draw(t, "width")
		got := x.Text("  ", width)
		for _, l := range strings.Split(got, "\n") {
			if Width(l) > width && !(x.How == Cuts && strings.TrimSpace(l) != "" && len(strings.Fields(l)) > 0 && strings.TrimSpace(l) == x.first(l)) {
				t.Fatalf("%d columns at %d: %q", Width(l), width, l)
			}
		}
		if x.How == AllWrap {
			for i, r := range x.Rows {
				if x.Head && i == 0 {
					continue
				}
				for _, w := range strings.Fields(strings.Join(r, " ")) {
					if Width(w) < 8 && !strings.Contains(got, w) {
						t.Fatalf("%q is missing from\n%s", w, got)
					}
				}
			}
		}
	})
}

// first is the name of a row that has a line of its own, as it stands.
func (t *Table) first(line string) string {
	for _, r := range t.Rows {
		if len(r) > 0 && r[0] == strings.TrimSpace(line) {
			return r[0]
		}
	}
	return "\x00"
}

// What is said of a column goes with it where an empty one before it is dropped; the heading alone keeps none.
func TestDropEmpty(t *testing.T) {
	x := Table{Head: true, Right: map[int]bool{2: true}, Whole: map[int]bool{3: true}, Rows: [][]string{
		{"rig", "lens", "kg", "note"}, {"a-cam", "", "2.31", "new"}, {"b-cam", ""}}}
	if kept := x.DropEmpty(); !slices.Equal(kept, []int{0, 2, 3}) {
		t.Errorf("kept %v", kept)
	}
	if got, want := x.Text("", 40), "rig      kg  note\na-cam  2.31  new\nb-cam\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if !x.Right[1] || x.Right[2] || !x.Whole[2] {
		t.Error("right, whole:", x.Right, x.Whole)
	}
	full := Table{Head: true, Rows: [][]string{{"rig", "kg"}}}
	if kept := full.DropEmpty(); len(kept) != 2 || len(full.Rows[0]) != 2 {
		t.Error("a heading alone lost columns:", full.Rows)
	}
}
