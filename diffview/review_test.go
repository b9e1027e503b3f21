package diffview

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
	"rigkeep/preset"
	"rigkeep/preset/review"
	"rigkeep/schema"
)

func sampleReview(text string) Review {
	at := time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)
	f := review.Finding{ID: "proof-old:" + text, Rule: "proof-old", Family: "proof", Severity: schema.Check, Of: text, Title: "Proof is old", What: text, Why: text, Do: text, Commands: []string{"rigkeep prove " + text},
		Evidence: []review.Evidence{{Text: text, File: text, Line: 7, Revision: text, Who: text, When: at}, {Text: text, File: text, Line: 9, Revision: text, Who: text, When: at}}, Seen: text}
	act, ok := f, f
	act.Severity = schema.Fix
	ok.Accepted = &review.Acceptance{By: text, Why: text, Until: "2026-03-03"}
	lapsed := f
	lapsed.Severity, lapsed.Accepted = schema.Note, &review.Acceptance{Why: text, Until: "2026-03-01", Lapsed: "it was accepted until 2026-03-01"}
	a, b := demoSides()
	rep := Compare(cat, a, b)
	res := review.Result{Findings: []review.Finding{act, f, lapsed, ok}, NotChecked: []review.NotChecked{{Rule: "follow-drift", Of: []string{text, "b", "c", "d", "e"}, Why: text}}, Checked: 32}
	return Review{Format: 1, Of: "2026-03-02-" + text, Job: "2026-03-02-" + text, Name: text, From: "2026-03-02", To: "2026-03-03", At: at, Subject: []string{text, "b-cam"}, Counts: Tallied(res), Result: res,
		Changes: []Since{{Of: text, Since: text, Command: "rigkeep compare " + text, Report: &rep}, {Of: "b-cam", Note: text}}}
}

func TestReviewText(t *testing.T) {
	var b bytes.Buffer
	if err := WriteReviewText(&b, sampleReview("a-cam"), Style{Width: 80}, true); err != nil {
		t.Fatal(err)
	}
	s := b.String()
	for _, want := range []string{"1 to fix, 1 to check, 1 to note, 1 accepted\n", "\nFIX  a-cam: Proof is old\n", "\nCHECK  a-cam", "\nNOTE  a-cam", "\nAccepted\n", "\n(check)  a-cam", "until 2026-03-03 by a-cam: a-cam\n",
		"acceptance ended: it", "a-cam (a-cam:7, a-cam, 2026-03-02, a-cam)\n", "  id     proof-old:a-cam\n", "rigkeep prove a-cam\n", "follow-drift (a-cam, b, c and 2 more): a-cam\n", "  b-cam, a-cam\n", "since a-cam: "} {
		if !strings.Contains(s, want) {
			t.Errorf("lacks %q:\n%s", want, s)
		}
	}
	// what is accepted comes last and asks for nothing
	if _, done, _ := strings.Cut(s, "\nAccepted\n"); strings.Contains(strings.SplitN(done, "What changed", 2)[0], "  do ") {
		t.Error("an accepted finding asks for an act")
	}
	for _, w := range []int{24, 40, 200} {
		b.Reset()
		if err := WriteReviewText(&b, sampleReview("a-cam"), Style{Width: w}, true); err != nil {
			t.Fatal(err)
		}
		for _, l := range strings.Split(b.String(), "\n") {
			if sheet.Width(l) > w {
				t.Errorf("at %d columns: %q", w, l)
			}
		}
	}
}

func TestReviewJSON(t *testing.T) {
	var b bytes.Buffer
	if err := safe.WriteJSON(&b, sampleReview("a-cam")); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Format   int
		Findings []struct {
			ID, Severity string
			Accepted     *struct{ Until string }
		}
		Counts  map[string]int
		Changes []struct{ Of string }
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Format != 1 || len(got.Findings) != 4 || got.Findings[0].Severity != "fix" || got.Findings[3].Accepted == nil || got.Counts["accepted"] != 1 || len(got.Changes) != 2 {
		t.Errorf("%+v", got)
	}
}

// Nothing from outside gets through any writer of a review as markup or control.
func TestHostileReview(t *testing.T) {
	r := sampleReview("x" + hostile)
	r.Changes[0].History = []Plot{{Title: hostile, XLabel: hostile, YLabel: hostile, About: hostile, Series: []Series{{Name: hostile, X: []float64{0, 1}, Y: []float64{1, 2}}}, Ticks: []PlotTick{{0, hostile, hostile}, {1, "b", ""}}}}
	for name, f := range map[string]func(io.Writer) error{
		"text":   func(w io.Writer) error { return WriteReviewText(w, r, Style{Width: 80}, true) },
		"narrow": func(w io.Writer) error { return WriteReviewText(w, r, Style{Width: 24}, true) },
		"html":   func(w io.Writer) error { return WriteReviewHTML(w, r, demoFoot) },
		"json":   func(w io.Writer) error { return safe.WriteJSON(w, r) },
	} {
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		s := b.String()
		if strings.ContainsAny(s, "\x1b\r\u202e\u009b") {
			t.Errorf("%s lets a control through", name)
		}
		if name == "html" && (strings.Count(s, "<script") > 1 || strings.Count(s, "</style>") > 3 || strings.Contains(s, "ZgotmplZ")) {
			t.Errorf("html lets markup through")
		}
	}
}

func TestReviewPage(t *testing.T) {
	page := func(r Review) string {
		var b bytes.Buffer
		if err := WriteReviewHTML(&b, r, demoFoot); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	s := page(sampleReview("a-cam"))
	// a box for each open finding, none for the accepted one
	if n := strings.Count(s, `<span class="box"`); n != 3 {
		t.Errorf("%d boxes, want 3", n)
	}
	for _, want := range []string{`<h1 dir="auto">Review: a-cam</h1>`, `<article class="f bad" id="proof-old"`, "1 must fix, 1 to check", `id="k-bad"`, "Accepted until 2026-03-03 by a-cam", "(line 9)", "Reviewed by", "<h4>Stiffness</h4>", "revision <code>3f2a1b9c0d"} {
		if !strings.Contains(s, want) {
			t.Errorf("lacks %q", want)
		}
	}
	if s != page(sampleReview("a-cam")) {
		t.Error("the same review gives other bytes")
	}
	empty := page(Review{Of: "a-cam", At: time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)})
	if !strings.Contains(empty, "Nothing is open") || strings.Contains(empty, `<span class="box"`) {
		t.Error("a review with nothing to say does not say so")
	}
}

func TestOverJobs(t *testing.T) {
	at := func(name string, p, q float64, chase bool) Moment {
		m := Moment{Name: name, Short: name, Tune: preset.Tune{Values: map[string]any{"stiffness.pan": p, "stiffness.tilt": q, "filters.drive": 2.0}}}
		if chase {
			m.Tune.Values["follow.chase.deadband.pan"] = p
		}
		return m
	}
	ms := []Moment{at("quay", 40, 13, false), at("tug", 42, 13, true), at("night", 41, 13, true)}
	ms[2].Tune.Proof = &preset.Proof{Onset: map[schema.Axis]float64{schema.Pan: 60}}
	ps := OverJobs(cat, nil, ms)
	var keys []string
	for _, p := range ps {
		keys = append(keys, p.Key)
	}
	if want := []string{"history.stiffness.pan", "history.follow.chase.deadband.pan"}; !slices.Equal(keys, want) {
		t.Fatalf("%v, want %v: what does not change is left out", keys, want)
	}
	p := ps[0]
	if !slices.Equal(p.Series[0].Y, []float64{40, 42, 41}) || len(p.Ticks) != 3 || p.Ticks[1].Name != "tug" || len(p.Marks) != 1 || p.Marks[0].Y != 60 || p.About != "From 40 to 41." {
		t.Errorf("%+v", p)
	}
	if q := ps[1]; !slices.Equal(q.Series[0].X, []float64{1, 2}) {
		t.Errorf("a style that one job lacks: %+v", q.Series)
	}
	if OverJobs(cat, nil, ms[:1]) != nil || OverJobs(cat, nil, nil) != nil {
		t.Error("one moment is no history")
	}
}

// Twenty tunes of which the same is to be said take one line, and one that has more to say its own.
func TestGathered(t *testing.T) {
	same := Report{Same: true}
	changed := Compare(cat, Side{Label: "x", Sheet: sheetSI(), Tune: tuneOf(map[string]any{"stiffness.pan": 40.0})}, Side{Label: "x", Sheet: sheetSI(), Tune: tuneOf(map[string]any{"stiffness.pan": 50.0})})
	r := Review{Of: "night", Changes: []Since{{Of: "a", Note: "not on any earlier job"}, {Of: "b", Since: "tug", Report: &same}, {Of: "c", Since: "tug", Report: &changed},
		{Of: "d", Note: "not on any earlier job"}, {Of: "e", Since: "tug", Report: &same}, {Of: "f", Since: "day", Report: &same}, {Of: "g", Since: "tug", Report: &changed}}}
	var text, page bytes.Buffer
	if err := WriteReviewText(&text, r, Style{Width: 80}, true); err != nil {
		t.Fatal(err)
	}
	if err := WriteReviewHTML(&page, r, demoFoot); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"  a; d, not on any earlier job\n", "  b; e, since tug: identical\n", "  f, since day: identical\n", "  c, since tug: ", "  g, since tug: "} {
		if strings.Count(text.String(), want) != 1 {
			t.Errorf("not once %q in\n%s", want, text.String())
		}
	}
	for _, want := range []string{"<h3>a; d</h3>", "<h3>b; e</h3>", "<h3>c</h3>", "<h3>g</h3>"} {
		if strings.Count(page.String(), want) != 1 {
			t.Errorf("not once %q on the page", want)
		}
	}
	if r.Changes[0].Of != "a" {
		t.Error("the review itself was changed")
	}
}
