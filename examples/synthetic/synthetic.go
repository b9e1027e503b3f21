// Package synthetic makes large invented libraries for benchmarks and storms:
// a seeded shop of rigs with proved tunes and a history of saves, as a stream
// for git fast-import. The same options give the same bytes and so the same ids.
package synthetic

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"time"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/schema"
)

// Options say how large a library is.
type Options struct {
	Tunes   int // one rig each
	Commits int // at least one; the first brings the rigs in, the rest change tunes
	Jobs    int
	Seed    uint64
}

// people are roles, not persons.
var people = []string{"A-cam operator <a-cam@example.org>", "B-cam operator <b-cam@example.org>", "Stabiliser technician <technician@example.org>"}

// Start is the moment of the first commit.
var Start = time.Date(2020, 1, 6, 8, 0, 0, 0, time.UTC)

type tune struct {
	fp, alias, rigText string
	gimbal             int
	mass               float64
	v                  map[string]float64
	proved             bool
	day                int
}

var gimbals = []string{"quay-large", "skiff-small"}

// make one rig with a tune near where the physics puts it.
func newTune(rnd *rand.Rand, i int) *tune {
	g := rnd.IntN(2)
	mass := 0.6 + rnd.Float64()*1.4
	if g == 0 {
		mass = 1.2 + rnd.Float64()*4
	}
	body := math.Round(mass*0.6*1000) / 1000
	lens := math.Round(mass*0.4*1000) / 1000
	x := 20 + rnd.IntN(60)
	t := &tune{alias: fmt.Sprintf("rig-%05d", i), gimbal: g, mass: body + lens, v: map[string]float64{}, proved: rnd.IntN(4) > 0, day: rnd.IntN(1800)}
	t.rigText = fmt.Sprintf(`format = 1
kind = "rig"
alias = %q
gimbal = %q

[[part]]
slot = "body"
name = "Body %d"
shape = "box"
mass_kg = %s
size_mm = [80, 110, 90]
place_mm = [-20, 0, 0]

[[part]]
slot = "lens"
name = "Lens %d"
shape = "cylinder"
mass_kg = %s
diameter_mm = 76
length_mm = %d
axis = "x"
place_mm = [%d, 0, 2]
`, t.alias, gimbals[g], i, schema.Num(body), i%400, schema.Num(lens), 60+rnd.IntN(60), x)
	r := preset.Rig{Gimbal: gimbals[g], Parts: []preset.Part{
		{Slot: "body", Name: fmt.Sprintf("Body %d", i), Mass: body, Place: [3]float64{-0.02, 0, 0}},
		{Slot: "lens", Name: fmt.Sprintf("Lens %d", i%400), Mass: lens, Place: [3]float64{float64(x) / 1000, 0, 0.002}},
	}}
	t.fp = r.Fingerprint()
	scale := math.Pow(t.mass/2, 5.0/3) * math.Exp(rnd.NormFloat64()*0.12)
	for a, base := range map[string]float64{"pan": 28, "roll": 24, "tilt": 19} {
		t.v["stiffness."+a] = math.Max(3, math.Min(95, math.Round(base*scale)))
	}
	t.v["filters.sensing"], t.v["filters.drive"] = 3, 2
	if g == 1 {
		t.v["filters.sensing"], t.v["filters.drive"] = 100, 70
	}
	for k, v := range map[string]float64{"follow.walk.deadband.pan": 8, "follow.walk.deadband.tilt": 10, "follow.walk.lag.pan": 1, "follow.walk.lag.tilt": 1.5, "limits.tilt.up_deg": 45, "limits.tilt.down_deg": 60} {
		t.v[k] = v
	}
	if g == 0 {
		t.v["follow.walk.lag.pan"], t.v["follow.walk.lag.tilt"] = 40, 45
	}
	return t
}

func (t *tune) text() string {
	n := func(k string) string { return schema.Num(t.v[k]) }
	var b strings.Builder
	fmt.Fprintf(&b, "#:schema ../../../schema/tune.schema.json\nformat = 1\nkind = \"tune\"\nrig = %q\nnote = \"Invented, for measuring.\"\n\n[stiffness]\npan = %s\nroll = %s\ntilt = %s\n\n[filters]\nsensing = %s\ndrive = %s\n\n[limits.tilt]\nup_deg = %s\ndown_deg = %s\n\n[follow.walk]\ndeadband = { pan = %s, tilt = %s }\nlag = { pan = %s, tilt = %s }\n",
		t.fp, n("stiffness.pan"), n("stiffness.roll"), n("stiffness.tilt"), n("filters.sensing"), n("filters.drive"), n("limits.tilt.up_deg"), n("limits.tilt.down_deg"),
		n("follow.walk.deadband.pan"), n("follow.walk.deadband.tilt"), n("follow.walk.lag.pan"), n("follow.walk.lag.tilt"))
	if t.proved {
		unit := []string{"Q-01", "SK-0412"}[t.gimbal]
		fmt.Fprintf(&b, "\n[proof.hold]\nat = %s\nunit = %q\nplace = \"hand\"\nby = \"A-cam operator\"\nrig = %q\ndigest = %q\neffort_pct = { pan = 0.5, roll = 1, tilt = 1.5 }\nonset = { tilt = %s }\n",
			Start.AddDate(0, 0, t.day).Format(time.RFC3339), unit, t.fp, t.digest(), schema.Num(math.Min(100, math.Round(t.v["stiffness.tilt"]*1.5))))
	}
	return b.String()
}

func (t *tune) digest() string {
	values := map[string]any{}
	for k, v := range t.v {
		values[k] = v
	}
	return preset.Tune{Values: values}.GroupDigest(preset.GroupHold)
}

// Stream writes the library as a git fast-import stream for refs/heads/main.
func Stream(w io.Writer, o Options) error {
	if o.Tunes < 1 || o.Commits < 1 {
		return errors.New("synthetic: at least one tune and one commit are wanted")
	}
	rnd := rand.New(rand.NewPCG(o.Seed, 0x5eed))
	out := bufio.NewWriterSize(w, 1<<20)
	mark := 0
	commit := func(subject string, files map[string]string, order []string, job string) {
		mark++
		when := Start.Add(time.Duration(mark) * 617 * time.Second)
		who := people[rnd.IntN(len(people))]
		msg := subject + "\n"
		if job != "" {
			msg += "\nJob: " + job + "\n"
		}
		fmt.Fprintf(out, "commit refs/heads/main\nmark :%d\nauthor %s %d +0000\ncommitter %s %d +0000\ndata %d\n%s\n", mark, who, when.Unix(), who, when.Unix(), len(msg), msg)
		if mark > 1 {
			fmt.Fprintf(out, "from :%d\n", mark-1)
		}
		for _, p := range order {
			fmt.Fprintf(out, "M 100644 inline %s\ndata %d\n%s\n", p, len(files[p]), files[p])
		}
	}
	files, order := map[string]string{}, []string{}
	put := func(p, text string) { files[p] = text; order = append(order, p) }
	put(preset.LibraryPath, "format = 1\nkind = \"library\"\nname = \"Synthetic\"\n")
	put(".gitattributes", "* text=auto eol=lf\n")
	for _, g := range gimbals {
		text, ok := examples.Gimbal(g)
		if !ok {
			return errors.New("synthetic: no sheet " + g)
		}
		put(preset.GimbalPath(g), string(text))
	}
	tunes := make([]*tune, o.Tunes)
	for i := range tunes {
		tunes[i] = newTune(rnd, i)
		put(preset.RigPath(tunes[i].fp), tunes[i].rigText)
		put(preset.TunePath(tunes[i].fp, preset.MainTune), tunes[i].text())
	}
	jobs := make([]string, o.Jobs)
	for i := range jobs {
		day := Start.AddDate(0, 0, 7*i)
		jobs[i] = fmt.Sprintf("%s-job-%04d", day.Format("2006-01-02"), i)
		text := fmt.Sprintf("format = 1\nkind = \"job\"\nname = \"Job %d\"\nfrom = %s\nto = %s\nstate = \"open\"\n\n[lens]\nwidest_mm = 18\nlongest_mm = 85\nsensor_mm = [24.9, 18.7]\n\n[tolerance]\ndrift_pct = 20\n", i, day.Format("2006-01-02"), day.AddDate(0, 0, 2).Format("2006-01-02"))
		for k := range min(20, len(tunes)) {
			text += fmt.Sprintf("\n[[pin]]\nrig = %q\ntune = \"main\"\n", tunes[(i*37+k*13)%len(tunes)].fp)
		}
		put(preset.JobPath(jobs[i]), text)
	}
	commit("Create library", files, order, "")
	keys := []string{"pan", "roll", "tilt"}
	for i := 1; i < o.Commits; i++ {
		// a few rigs are worked on much more often than the rest
		t := tunes[int(float64(len(tunes))*math.Pow(rnd.Float64(), 3))]
		k := "stiffness." + keys[rnd.IntN(3)]
		d := float64(1 + rnd.IntN(3))
		if rnd.IntN(2) == 0 || t.v[k]+d > 95 {
			d = -d
		}
		t.v[k] = math.Max(3, t.v[k]+d)
		job := ""
		if len(jobs) > 0 && rnd.IntN(3) == 0 {
			job = jobs[rnd.IntN(len(jobs))]
		}
		p := preset.TunePath(t.fp, preset.MainTune)
		commit(fmt.Sprintf("%s %+g after trial %d", k, d, i), map[string]string{p: t.text()}, []string{p}, job)
	}
	return out.Flush()
}

// Build makes the library in dir, which must be new or empty, with the machine's
// git: objects packed, work tree checked out.
func Build(dir string, o Options) error {
	git := func(in io.Reader, args ...string) error {
		c := exec.Command("git", append([]string{"-C", dir, "-c", "core.autocrlf=false", "-c", "gc.auto=0"}, args...)...)
		c.Stdin = in
		var errs bytes.Buffer
		c.Stderr = &errs
		c.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1")
		if err := c.Run(); err != nil {
			return fmt.Errorf("git %s: %w\n%s", strings.Join(args, " "), err, errs.String())
		}
		return nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := git(nil, "init", "-q", "-b", "main", "."); err != nil {
		return err
	}
	r, w := io.Pipe()
	go func() { w.CloseWithError(Stream(w, o)) }()
	if err := git(r, "fast-import", "--quiet", "--force"); err != nil {
		return err
	}
	if err := git(nil, "config", "core.autocrlf", "false"); err != nil {
		return err
	}
	return git(nil, "reset", "-q", "--hard", "main")
}
