package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"html"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rigkeep/diffview/page/pagetest"
	"rigkeep/examples/synthetic"
)

var demoMorning = time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)

// harbour is the demo's library, and a way to run commands in it: with the exit code that is
// wanted, and what they print.
func harbour(t *testing.T) (dir string, run func(want int, args ...string) string) {
	t.Helper()
	top := t.TempDir()
	dir = demoIn(t, top)
	return dir, runIn(t, top, dir, demoMorning)
}

// otherHarbour is what spoiledHarbour copies.
var otherHarbour begun

// spoiledHarbour is harbour with something for a review to say.
func spoiledHarbour(t *testing.T) (dir string, run func(want int, args ...string) string) {
	t.Helper()
	top := t.TempDir()
	err := otherHarbour.copyTo(top, func(made string) error {
		dir := demoIn(t, made)
		spoil(t, dir, runIn(t, made, dir, demoMorning))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	dir = filepath.Join(top, "harbour", "library")
	return dir, runIn(t, top, dir, demoMorning.Add(20*time.Minute)) // behind all that spoil ran
}

// runIn runs commands in a folder, a minute apart.
func runIn(t *testing.T, home, dir string, clock time.Time) func(want int, args ...string) string {
	return func(want int, args ...string) string {
		t.Helper()
		clock = clock.Add(time.Minute)
		var out, errs bytes.Buffer
		e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Dir: dir, Now: func() time.Time { return clock }, Getenv: func(k string) string {
			return map[string]string{"RIGKEEP_AUTHOR": "Stabiliser technician <technician@example.org>", "NO_COLOR": "1", "HOME": home, "PATH": os.Getenv("PATH")}[k]
		}}
		if code := Main(append([]string{"rigkeep"}, args...), e); code != want {
			t.Fatalf("rigkeep %s: exit %d, want %d\n%s%s", strings.Join(args, " "), code, want, out.String(), errs.String())
		}
		return out.String()
	}
}

// spoil gives a review of night-pilotage something to say on two gimbals, in words
// that a page must not obey.
func spoil(t *testing.T, dir string, run func(int, ...string) string) {
	t.Helper()
	job := filepath.Join(dir, "jobs", "2026-03-02-night-pilotage.toml")
	text, err := os.ReadFile(job)
	if err != nil {
		t.Fatal(err)
	}
	more := "\n[tolerance]\ndrift_pct = 20\ndelay_s = 0.2\n\n[sway]\npan_deg = 6\ntilt_deg = 2\n\n[[shot]]\nname = \"<script>alert(1)</script> up the ladder & over\"\nkind = \"chase\"\nstyle = \"chase\"\ntilt_up_deg = 50\ntilt_down_deg = 30\n"
	if err := os.WriteFile(job, append(text, more...), 0o644); err != nil {
		t.Fatal(err)
	}
	run(0, "save", "job:night-pilotage", "-m", "Tolerances")
	run(0, "prove", "b-cam-85", "--unit", "SK-0412", "--place", "stand", "--effort", "pan=1,roll=0.5,tilt=-5.5", "--onset", "tilt=17", "--note", "<b>late</b> on whips")
	run(0, "set", "b-cam-85", "stiffness.tilt=16", "filters.sensing=80", "follow.chase.deadband.pan=5", "follow.chase.lag.pan=1.2", "follow.sweep.lag.pan=1.4", "limits.tilt.up_deg=30", "limits.tilt.down_deg=130", "horizon.offset_deg=0.5")
	run(0, "save", "b-cam-85", "-m", "Wind <i>on</i> the quay", "--job", "night-pilotage", "--unit", "Small B")
	run(0, "review", "night-pilotage", "--accept", "horizon-offset:b-cam-85", "-m", "The jib leans & that is how it is rigged")
	run(0, "set", "b-cam-85", "stiffness.pan=33")
}

// Pages as the commands write them, on a phone, at a desk, on paper, light and dark.
func TestPages(t *testing.T) {
	t.Parallel()
	pagetest.Open(t) // one browser for all of them
	dir, run := spoiledHarbour(t)
	for _, p := range []struct {
		name   string
		want   int // exit code
		args   []string
		has    []string
		before []string // a command to run first
		file   string   // where the page is, if not on standard output
	}{
		{"review of a job", 1, []string{"review", "night-pilotage", "--html", "-"}, []string{"proof-missing", "Accepted until 2026-03-03", `<span class="box"`, "Values by job", "Follow response", "&lt;script&gt;", "<h3>b-cam-85</h3>"}, nil, ""},
		{"review with nothing to say", 0, []string{"review", "night-pilotage", "--only", "payload-over", "--html", "-"}, []string{"Nothing is open"}, nil, ""},
		{"compare", 1, []string{"compare", "b-cam-85@pilot-station", "b-cam-85", "--all", "--html", "-"}, []string{"Stiffness", "Values by job", "Sensitivity", "stiffness, tilt", "Follow response, pan (sweep)", "before, angle, °"}, nil, ""},
		{"gyro log", 0, []string{"diagnose", "--log", "../desk/b-cam-shake.csv", "--rig", "b-cam-85", "--html", "-"}, []string{"tilt: chatter at 24.3", "onset 18", "Time strip", "Try in this order"}, nil, ""},
		{"cards of two rigs", 0, []string{"card", "a-cam-prime", "b-cam-85", "--html", "-"}, []string{"Cards of 2 rigs", "Rigs on this card", `href="#rig2"`, "QR code of: rigkeep show a-cam-prime", "QR code of: rigkeep show b-cam-85", "Marks"}, nil, ""},
		{"card", 1, []string{"handover", "read", "../b-cam.zip", "--card", "../card.html"}, []string{"b-cam-85", "<svg"}, []string{"handover", "write", "b-cam-85", "../b-cam.zip", "--saved"}, "../card.html"},
	} {
		t.Run(p.name, func(t *testing.T) {
			if p.before != nil {
				run(0, p.before...)
			}
			html := run(p.want, p.args...)
			if p.file != "" {
				text, err := os.ReadFile(filepath.Join(dir, p.file))
				if err != nil {
					t.Fatal(err)
				}
				html = string(text)
			}
			for _, w := range p.has {
				if !strings.Contains(html, w) {
					t.Errorf("the page lacks %q", w)
				}
			}
			if strings.Count(html, "<script") > 1 || strings.Contains(html, "<i>on</i>") {
				t.Error("text from outside is markup on the page")
			}
			pagetest.Check(t, strings.ReplaceAll(p.name, " ", "-"), []byte(html))
		})
	}
}

// sitePages makes the pages of a library as a folder and reads them.
func sitePages(t *testing.T, dir string, run func(int, ...string) string) (out string, all map[string]string) {
	t.Helper()
	out = filepath.Join(filepath.Dir(dir), "site")
	run(0, "pages", out)
	es, err := os.ReadDir(out)
	if err != nil {
		t.Fatal(err)
	}
	all = map[string]string{}
	for _, e := range es {
		text, err := os.ReadFile(filepath.Join(out, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		all[e.Name()] = string(text)
	}
	return out, all
}

// zipped packs a folder, unpacks the file elsewhere and gives that folder.
func zipped(t *testing.T, dir string) string {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	if err := w.AddFS(os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "unpacked")
	if err := os.CopyFS(out, r); err != nil {
		t.Fatal(err)
	}
	return out
}

var (
	hrefs = regexp.MustCompile(`(?:href|"href"|src)="([^"]*)"`)
	ids   = regexp.MustCompile(` id="([^"]*)"`)
	found = regexp.MustCompile(`(?s)<script type="application/json" id="data">(.*?)</script>`)
)

// Every link of every page leads to a page of the folder and to a place on it, also those
// that the search gives. The pages replace an earlier run and nothing else.
func TestSiteLinks(t *testing.T) {
	t.Parallel()
	dir, run := spoiledHarbour(t)
	site, all := sitePages(t, dir, run)
	places := map[string]map[string]bool{}
	for name, text := range all {
		places[name] = map[string]bool{"": true}
		for _, m := range ids.FindAllStringSubmatch(text, -1) {
			places[name][m[1]] = true
		}
	}
	links := 0
	check := func(from, to string) {
		links++
		if strings.HasPrefix(to, "data:image/jpeg;base64,") {
			return
		}
		file, place, _ := strings.Cut(to, "#")
		if file == "" {
			file = from
		}
		if places[file] == nil || !places[file][place] {
			t.Errorf("%s: %q leads nowhere", from, to)
		}
	}
	for name, text := range all {
		for _, m := range hrefs.FindAllStringSubmatch(text, -1) {
			check(name, html.UnescapeString(m[1]))
		}
		if m := found.FindStringSubmatch(text); m != nil {
			var data struct{ Find [][4]string }
			if err := json.Unmarshal([]byte(m[1]), &data); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, e := range data.Find {
				check(name, e[1])
			}
		}
	}
	if links < 60 || len(all) < 18 {
		t.Errorf("%d links on %d pages", links, len(all))
	}
	for _, kind := range []string{"index.html", "rig-b-cam-85.html", "card-b-cam-85.html", "compare-b-cam-85.html", "job-2026-03-02-night-pilotage.html", "start-b-cam-18.html"} {
		if all[kind] == "" {
			t.Errorf("there is no page %s", kind)
		}
	}
	other := filepath.Join(filepath.Dir(dir), "other")
	if err := os.MkdirAll(other, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(other, "tax.txt"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	run(4, "pages", other)
	run(0, "pages", site)
	if at := strings.TrimSpace(run(0, "open", "job:night-pilotage", "--print")); !strings.HasSuffix(at, "/.git/rigkeep/pages/job-2026-03-02-night-pilotage.html") {
		t.Errorf("open prints %q", at)
	} else if _, err := os.Stat(at); err != nil {
		t.Error(err)
	}
	run(3, "open", "nobody", "--print")
}

// The pages of a library in a real browser, out of a zip: text from outside, both schemes, all
// widths. What they share lies there once.
func TestSite(t *testing.T) {
	t.Parallel()
	dir, run := spoiledHarbour(t)
	site, all := sitePages(t, dir, run)
	site = zipped(t, site)
	for _, name := range []string{"index.html", "rig-b-cam-85.html", "job-2026-03-02-night-pilotage.html", "compare-b-cam-85.html", "card-b-cam-85.html", "start-b-cam-18.html"} {
		if strings.Contains(all[name], "<i>on</i>") || strings.Contains(all[name], "<script>") || strings.Contains(all[name], ":root") {
			t.Errorf("%s: text from outside is markup on the page, or a script or style sheet that lies beside it", name)
		}
		pagetest.CheckFile(t, filepath.Join(site, name))
	}
}

// What the script of the pages adds: of a review of more than six rigs the findings of those that
// one types, and on a rig's page what differs between two revisions. A review draws the rigs
// that do not fit.
func TestPageScript(t *testing.T) {
	top := t.TempDir()
	dir := filepath.Join(top, "many")
	if err := synthetic.Build(dir, synthetic.Options{Tunes: 50, Commits: 150, Jobs: 10, Seed: 1}); err != nil {
		t.Fatal(err)
	}
	run := func(want int, args ...string) {
		t.Helper()
		var out bytes.Buffer
		e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Dir: dir, Now: func() time.Time { return time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC) }, Getenv: func(string) string { return "" }}
		if code := Main(append([]string{"rigkeep"}, args...), e); code != want {
			t.Fatalf("rigkeep %v: exit %d, want %d\n%s", args, code, want, out.String())
		}
	}
	file := filepath.Join(top, "review.html")
	run(1, "review", "job-0000", "--html", file)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`id="unfit-`, "does not fit", ">Side, front to the right<", ">Front<", " over, back</p>"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the review lacks %q", want)
		}
	}
	pagetest.Check(t, "review-of-many", text)
	site := filepath.Join(top, "site")
	run(0, "pages", site)

	ctx, done := pagetest.Phone(t)
	defer done()
	ask := func(file, script string) string {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.Navigate("file://"+file)); err != nil {
			t.Fatal(err)
		}
		said, err := chromedp.Run(ctx, chromedp.Evaluate[string](script))
		if err != nil {
			t.Fatal(err)
		}
		return said
	}
	const typed = `(() => {
  const field = document.querySelector("#narrow input"), seen = () => [...document.querySelectorAll(".f")].filter(e => !e.hidden).length;
  const all = seen();
  field.value = "RIG-00039"; field.dispatchEvent(new Event("input"));
  const other = [...document.querySelectorAll(".f:not([hidden]) .which li:not([hidden]) bdi")].filter(e => e.textContent !== "rig-00039").length;
  const some = seen();
  field.value = ""; field.dispatchEvent(new Event("input"));
  return [some > 0 && some < all, other === 0, seen() === all].join(" ");
})()`
	if got := ask(file, typed); got != "true true true" {
		t.Errorf("the findings of one rig: %s", got)
	}
	job, err := filepath.Glob(filepath.Join(site, "job-*0000.html"))
	if err != nil || len(job) != 1 {
		t.Fatal(job, err)
	}
	if got := ask(job[0], typed); got != "true true true" {
		t.Errorf("on the page of a job, the findings of one rig: %s", got)
	}
	const compared = `(() => {
  const last = document.querySelectorAll("input[name=from]"); last[last.length - 1].checked = true;
  document.getElementById("pick").click();
  const t = document.getElementById("differs");
  return [!t.hidden, t.querySelectorAll("tbody tr").length > 0, t.textContent.includes("→")].join(" ");
})()`
	if got := ask(filepath.Join(site, "rig-rig-00000.html"), compared); got != "true true true" {
		t.Errorf("two revisions compared: %s", got)
	}
}

// The drawing of a build stands under its name, with what is to be set.
func TestFitDrawing(t *testing.T) {
	t.Parallel()
	_, run := harbour(t)
	svg := run(0, "fit", "a-cam-prime", "--svg", "-")
	for _, want := range []string{"<svg", ">a-cam-prime</text>", ">Side, front to the right</text>", ">Front</text>", ">Body K</text>", "tilt up 45°", "clear box", "Set plate "} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing lacks %q", want)
		}
	}
}

// The command that a card's code holds shows the rig.
func TestCardCommand(t *testing.T) {
	t.Parallel()
	_, run := harbour(t)
	page := run(0, "card", "b-cam-85", "--html", "-")
	m := regexp.MustCompile(`QR code of: (rigkeep [^"]*)"`).FindStringSubmatch(page)
	if m == nil {
		t.Fatal("the card has no code")
	}
	if out := run(0, strings.Fields(m[1])[1:]...); !strings.Contains(out, "b-cam-85") {
		t.Errorf("%s prints\n%s", m[1], out)
	}
}

// A card is one sheet of paper, also with a photo and six groups of values.
func TestCardSheet(t *testing.T) {
	t.Parallel()
	_, run := spoiledHarbour(t)
	picture := filepath.Join(t.TempDir(), "side.jpg")
	f, err := os.Create(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := jpeg.Encode(f, image.NewGray(image.Rect(0, 0, 1600, 1200)), nil); err != nil {
		t.Fatal(err)
	}
	run(0, "photo", "add", "b-cam-85", picture)
	for _, rig := range []string{"a-cam-prime", "b-cam-85"} {
		pdf := pagetest.Check(t, "sheet-"+rig, []byte(run(0, "card", rig, "--html", "-")))
		if n := bytes.Count(pdf, []byte("/Type /Page\n")); n != 1 {
			t.Errorf("the card of %s takes %d sheets", rig, n)
		}
	}
}

// Two runs at once, each with a goroutine for each rig, make the same pages. The library is
// small, for the race detector.
func TestPagesAtOnce(t *testing.T) {
	t.Parallel()
	dir := demoLibrary(t)
	mustRun(t, dir, "job", "open", "Pilot cutter", "--from", "2026-03-04", "--slug", "cutter")
	mustRun(t, dir, "job", "add", "cutter", "b-cam-85")
	outs := [2]string{filepath.Join(t.TempDir(), "one"), filepath.Join(t.TempDir(), "two")}
	codes := make(chan int)
	for _, out := range outs {
		go func() {
			code, _, _ := run(t, dir, "pages", out)
			codes <- code
		}()
	}
	if a, b := <-codes, <-codes; a != exitOK || b != exitOK {
		t.Fatalf("exit %d and %d", a, b)
	}
	one, err := snapshot(outs[0])
	if err != nil {
		t.Fatal(err)
	}
	two, err := snapshot(outs[1])
	if err != nil {
		t.Fatal(err)
	}
	if len(one) < 8 {
		t.Errorf("%d pages", len(one))
	}
	for _, d := range differing(one, two) {
		t.Error(d)
	}
}

// What each page must answer on the first screen of a phone.
func TestFirstScreens(t *testing.T) {
	t.Parallel()
	dir, run := harbour(t)
	site, _ := sitePages(t, dir, run)
	on := func(name string) string { return filepath.Join(site, name) }
	alone := func(code int, args ...string) []byte { return []byte(run(code, append(args, "--html", "-")...)) }
	partial, whole := alone(0, "review", "night-pilotage", "--only", "library"), alone(1, "review", "night-pilotage")
	gyro := alone(0, "diagnose", "--log", "../desk/b-cam-shake.csv", "--rig", "b-cam-85")
	label := alone(0, "label", "b-cam-85")
	pagetest.Answers(t, []pagetest.Answer{
		{Name: "library: what is proved", File: on("index.html"), Text: "of 4 rigs proved."},
		{Name: "library: what goes out next", File: on("index.html"), Text: "Night pilotage starts"},
		{Name: "library: a rig of the list", File: on("index.html"), Text: "a-cam-prime"},
		{Name: "rig: the values", File: on("rig-a-cam-prime.html"), Text: "29"},
		{Name: "rig: are they proved", File: on("rig-a-cam-prime.html"), Text: "not proved"},
		{Name: "rig: what next", File: on("rig-a-cam-prime.html"), Text: "Test it handheld, then record the proof."},
		{Name: "job: can it go out", File: on("job-2026-03-02-night-pilotage.html"), Text: "must fix"},
		{Name: "job: on which unit", File: on("job-2026-03-02-night-pilotage.html"), Text: "QL-0044"},
		{Name: "job: what first", File: on("job-2026-03-02-night-pilotage.html"), Text: "FIX"},
		{Name: "compare: what changed", File: on("compare-a-cam-prime.html"), Text: "a-cam-prime: what changed"},
		{Name: "compare: which values", File: on("compare-a-cam-prime.html"), Text: "was 24, ▲ 2 fine steps stiffer"},
		{Name: "card: what to key in", File: on("card-a-cam-prime.html"), Text: "29"},
		{Name: "card: is it proved", File: on("card-a-cam-prime.html"), Text: "not proved"},
		{Name: "card: on which unit", File: on("card-a-cam-prime.html"), Text: "Goes out on QL-0044"},
		{Name: "start: where", File: on("start-b-cam-18.html"), Text: "Start at these values"},
		{Name: "start: how far it may go", File: on("start-b-cam-18.html"), Text: "expected"},
		{Name: "start: the caution", File: on("start-b-cam-18.html"), Text: "keep a hand at the motor switch"},
		{Name: "review: how much is to be done", HTML: whole, Text: "must fix"},
		{Name: "review: what first", HTML: whole, Text: "FIX"},
		{Name: "gyro log: which axis, which frequency", HTML: gyro, Text: "tilt: chatter at 24.3"},
		{Name: "gyro log: what first", HTML: gyro, Text: "First: Power off"},
		{Name: "label: whose case", HTML: label, Text: "b-cam-85"},
		{Name: "label: how to see its values", HTML: label, Text: "rigkeep show b-cam-85"},
		{Name: "review of some rules", HTML: partial, Text: "Partial review: library rules"},
	})
}
