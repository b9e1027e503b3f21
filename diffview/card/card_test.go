package card

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rsc.io/qr"

	"rigkeep/diffview/page"
	"rigkeep/diffview/page/pagetest"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

var cat = schema.Default()

func doc(t testing.TB, path string) *file.Doc {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "examples", path))
	if err != nil {
		t.Fatal(err)
	}
	d, err := file.Parse(path, text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// demo is a rig of the examples with a tune that has everything.
func demo(t testing.TB) Card {
	t.Helper()
	sheet, ps := cat.Sheet("quay-large", doc(t, "gimbals/quay-large.toml").Tree())
	if sheet == nil {
		t.Fatal(ps)
	}
	r := preset.RigIn(doc(t, "demo/files/a-cam-prime.toml"))
	r.ID = r.Fingerprint()
	tune := preset.Tune{Rig: r.ID, Note: "Cable tie on the monitor arm; see the packing list.", Values: map[string]any{
		"stiffness.pan": 29.0, "stiffness.roll": 25.0, "stiffness.tilt": 26.0, "filters.sensing": 3.0, "filters.drive": 2.0,
		"limits.tilt.up_deg": 45.0, "limits.tilt.down_deg": 60.0,
		"follow.walk.deadband.pan": 12.0, "follow.walk.deadband.tilt": 15.0, "follow.walk.lag.pan": 40.0, "follow.walk.lag.tilt": 45.0,
	}}
	p, err := preset.Proof{At: time.Date(2026, 3, 2, 11, 0, 0, 0, time.UTC), Unit: "Q-01", Place: "hand", By: "A-cam operator", Minutes: 15, Note: "Smooth on the stairs.",
		Effort: map[schema.Axis]float64{schema.Pan: 0.5, schema.Roll: 1, schema.Tilt: -2.5}, Onset: map[schema.Axis]float64{schema.Pan: 58, schema.Tilt: 49}, OnsetHz: map[schema.Axis]float64{schema.Tilt: 22}}.Complete(r, sheet, tune, preset.GroupHold)
	if err != nil {
		t.Fatal(err)
	}
	tune.Proof = &p
	when := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	return Card{
		Sender: "A-cam operator <a-cam@example.org>", Note: "Runs warm on long takes.\nPan motor was serviced in January.", Revision: strings.Repeat("0123456789", 4), When: when, Tool: "rigkeep 1.0",
		Rigs: []Rig{{Rig: r, Sheet: sheet, Tunes: []Tune{{Name: "main", Tune: tune, Since: "jobs", Changes: []Change{
			{when, "Stabiliser technician", "Tilt a step up for wind on the quay", "2026-03-02-night-pilotage", strings.Repeat("1bfb12d4d1", 4), []string{"stiffness.tilt 24 → 26 (+2, 2 fine steps stiffer)"}},
			{when.AddDate(0, -1, 0), "A-cam operator", "Walk style for the gangway", "2026-01-15-pilot-station", strings.Repeat("d5402de76c", 4), nil},
		}}}, Jobs: []preset.Job{{Name: "Pilot station", Shots: []preset.Shot{{Name: "along the gangway", Kind: "walk", Style: "walk", LensMM: 35}, {Name: "not for this rig", Style: "sweep", Rig: "b-cam-85"}, {Name: "nobody chose", Kind: "chase"}}}}}},
		Files: []page.File{{Path: "rigs/hx/hxdk37xyrz/main.toml", SHA256: strings.Repeat("ab", 32)}},
	}
}

func write(t testing.TB, c Card) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, cat, c); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestCard is looked at in a real browser, as a phone, a desk and a printer show it.
func TestCard(t *testing.T) {
	t.Parallel()
	c := demo(t)
	html := write(t, c)
	if !bytes.Equal(html, write(t, c)) {
		t.Error("the same card gives other bytes")
	}
	for _, want := range []string{c.Rigs[0].Rig.ID, "stiffness, pan", "29 of 0 to 100, larger is stiffer", "Motor torque per degree of pointing error on pan<", "tilt limit up", "45°", "handheld", "It proves nothing on another unit", "jobs", "2 fine steps stiffer", "Runs warm", "50 mm", "QR code of: rigkeep show a-cam-prime"} {
		if !strings.Contains(string(html), want) {
			t.Errorf("the card lacks %q", want)
		}
	}
	if pdf := pagetest.Check(t, "card", html); pdf != nil && bytes.Count(pdf, []byte("/Type /Page\n")) != 1 {
		t.Errorf("the card prints on %d pages, not on one", bytes.Count(pdf, []byte("/Type /Page\n")))
	}
}

// TestHarmless puts markup, script, escapes and reversed text into every text there is.
func TestHarmless(t *testing.T) {
	t.Parallel()
	c := demo(t)
	const evil = `"'><script>alert(1)</script><img src=x onerror=alert(2)>` + "\x1b[2J\u202e{{.}}</style></title>"
	c.Sender, c.Note, c.Tool = evil, evil, "rigkeep "+evil
	r := &c.Rigs[0]
	sheet := *r.Sheet
	sheet.Name, sheet.Slug = evil, evil
	sheet.Units = []schema.Unit{{Serial: evil, Label: evil, Firmware: evil}}
	sheet.BalancePoints = []string{"tilt, " + evil}
	dials := map[string]schema.Dial{}
	for k, d := range sheet.Dials {
		d.Unit = evil
		dials[k] = d
	}
	sheet.Dials = dials
	r.Sheet = &sheet
	r.Rig.Alias, r.Rig.Note = evil, evil
	r.Rig.Parts[0].Name, r.Rig.Parts[1].Slot = evil, evil
	tn := &r.Tunes[0]
	tn.Name, tn.Tune.Note, tn.Since = evil, evil, evil
	p := *tn.Tune.Proof
	p.Unit, p.By, p.Firmware, p.Note, p.Ended = evil, evil, evil, evil, evil
	tn.Tune.Proof = &p
	tn.Changes[0].Who, tn.Changes[0].Why, tn.Changes[0].Job, tn.Changes[0].Words = evil, evil, evil, []string{evil}
	c.Files[0].Path = evil
	html := string(write(t, c))
	for _, bad := range []string{"<script>a", "<img", "onerror=alert(2)>", "\x1b", "\u202e"} {
		if strings.Contains(html, bad) {
			t.Errorf("the card holds %q", bad)
		}
	}
	if n := strings.Count(html, "</style>"); n != 2 {
		t.Errorf("%d ends of style", n)
	}
	pagetest.Check(t, "harmless", []byte(html))
}

// TestEmpty: a rig without proof, dial maps, changes or sizes is said so and drawn as far as it goes.
func TestEmpty(t *testing.T) {
	c := demo(t)
	r := &c.Rigs[0]
	r.Tunes[0].Tune.Proof, r.Tunes[0].Changes = nil, nil
	r.Rig.Parts = []preset.Part{{Slot: "body", Name: "a body", Mass: 1.2}, {Slot: "lens", Name: "a lens", Shape: "point", Mass: 0.3}, {Slot: "ball", Name: "a ball", Shape: "sphere", Diameter: 0.05, Mass: 0.1, Place: [3]float64{0.1, 0.02, 0}}}
	html := string(write(t, c))
	for _, want := range []string{"not proved", "No earlier revision", "stroke-dasharray=\"4 3\""} {
		if !strings.Contains(html, want) {
			t.Errorf("the card lacks %q", want)
		}
	}
	r.Rig.Parts = nil
	if err := Write(&bytes.Buffer{}, cat, c); err == nil {
		t.Error("a build without parts was shown")
	}
}

// TestCode draws the code that the library computes, square for square, and has zbarimg, where
// it is installed, read the card as a browser draws it.
func TestCode(t *testing.T) {
	t.Parallel()
	const text = "rigkeep hxdk37xyrz@0123456789012345678901234567890123456789"
	c, err := encode(text)
	if err != nil {
		t.Fatal(err)
	}
	q, err := qr.Encode(text, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	black := map[[2]int]bool{}
	for _, run := range strings.Split(strings.TrimSuffix(c.Path, "z"), "z") {
		var x, y, n int
		if _, err := sscan(run, &x, &y, &n); err != nil {
			t.Fatal(run, err)
		}
		for i := range n {
			black[[2]int{x + i, y}] = true
		}
	}
	for y := range c.Size {
		for x := range c.Size {
			if black[[2]int{x, y}] != q.Black(x-quiet, y-quiet) {
				t.Fatalf("square %d, %d", x, y)
			}
		}
	}
	zbar, err := exec.LookPath("zbarimg")
	if err != nil {
		t.Log("zbarimg is not installed: the code is held against the library only")
		return
	}
	browser := pagetest.Browser(t)
	shown := demo(t)
	want := "rigkeep show " + shown.Rigs[0].Rig.Alias
	dir := t.TempDir()
	html, png := filepath.Join(dir, "card.html"), filepath.Join(dir, "card.png")
	if err := os.WriteFile(html, write(t, shown), 0o666); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(browser, "--headless", "--no-sandbox", "--disable-gpu", "--window-size=390,9000", "--screenshot="+png, "file://"+html).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	out, err := exec.Command(zbar, "-q", "--raw", png).Output()
	if err != nil || strings.TrimSpace(string(out)) != want {
		t.Errorf("zbarimg reads %q, %v", out, err)
	}
}

func sscan(run string, x, y, n *int) (int, error) {
	return fmt.Sscanf(run, "M%d %dh%dv1h-", x, y, n)
}

// The card says which style a shot has, of this rig's shots and of those that name one.
func TestShotsOnTheCard(t *testing.T) {
	var b bytes.Buffer
	if err := Write(&b, cat, demo(t)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Shots and their follow styles", "along the gangway", "35\u00a0mm", "Pilot station"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not on the card", want)
		}
	}
	for _, not := range []string{"not for this rig", "nobody chose"} {
		if strings.Contains(b.String(), not) {
			t.Errorf("%q is on the card", not)
		}
	}
}

// TestOnsetOfAnEarlierBuild says of a number that it was seen with another build, and shows SI only
// where the dial does not.
func TestOnsetOfAnEarlierBuild(t *testing.T) {
	const earlier = "at the proof, with an earlier build"
	c := demo(t)
	if s := string(write(t, c)); strings.Contains(s, earlier) {
		t.Error("the build of the proof is taken for an earlier one")
	}
	c.Rigs[0].Tunes[0].Tune.Proof.Rig = "0qygem5g0z"
	if s := string(write(t, c)); strings.Count(s, earlier) != 2 {
		t.Errorf("onsets of an earlier build pass for this one's: %d", strings.Count(s, earlier))
	}
	if s := string(write(t, c)); strings.Contains(s, "in SI") {
		t.Error("SI has a column though the sheet has no maps")
	}
	sheet, ps := cat.Sheet("skiff-small", doc(t, "gimbals/skiff-small.toml").Tree())
	if sheet == nil {
		t.Fatal(ps)
	}
	c.Rigs[0].Sheet = sheet
	s := string(write(t, c))
	if strings.Contains(s, "in SI") || !strings.Contains(s, "29\u00a0Nm/rad of 2 to 240, larger is stiffer") {
		t.Error("SI is said again where the dial shows it")
	}
	if !strings.Contains(s, "data-label=\"onset\">58\u00a0Nm/rad<") {
		t.Error("an onset has no unit")
	}
}

// The code for a terminal holds the same modules as the one on paper, with the quiet zone of
// four (ISO/IEC 18004).
func TestTextCode(t *testing.T) {
	const text = "HTTP://192.168.1.5:4680/P/0123456789"
	got, err := TextCode(text)
	if err != nil {
		t.Fatal(err)
	}
	want, err := qr.Encode(text, qr.L)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
	if want.Size != 25 || len(lines) != 17 { // version 2, on a screen of 24 lines
		t.Errorf("%d modules, %d lines", want.Size, len(lines))
	}
	for i, l := range lines {
		l = strings.TrimSuffix(strings.TrimPrefix(l, "\x1b[30;107m"), "\x1b[0m")
		for x, r := range []rune(l) {
			up, down := r == '█' || r == '▀', r == '█' || r == '▄'
			if up != want.Black(x-4, 2*i-4) || down != want.Black(x-4, 2*i-3) {
				t.Fatalf("line %d, column %d: %q", i, x, r)
			}
		}
	}
}
