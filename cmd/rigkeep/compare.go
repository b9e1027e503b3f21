package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview"
	"rigkeep/diffview/page"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/follow"
	"rigkeep/preset/unit"
	"rigkeep/schema"
)

func compareVerb() command {
	return command{
		name: "compare", args: "A B", short: "compare two tunes, rigs, jobs or files",
		long: "Compares any two of: RIG, RIG/TUNE, RIG@WHEN, job:NAME, gimbal:NAME, part:NAME (each also @WHEN), unit:UNIT (what the unit holds by its record), or a file (no library needed). Changes of the build come first. Minor changes are only counted; --all shows them. " +
			"With one name: saved against unsaved. Exit 1 if anything differs.",
		example: "rigkeep compare a-cam-prime@~1 a-cam-prime\nrigkeep compare a-cam-prime@pilot-station a-cam-prime@night-pilotage --html changes.html\nrigkeep compare a-cam-prime b-cam-85 --patch\nrigkeep compare a-cam-prime\nrigkeep compare a-cam-prime --units",
		flags: append(boolFlags("all", "show smaller changes too", "patch", "print a unified diff (for git apply or patch)", "markdown", "as Markdown", "stat", "one line", "quiet", "only the exit code", "units", "one tune beside what each unit holds of it"),
			&cli.StringFlag{Name: "html", Usage: "write a page to this `FILE`"},
			&cli.StringFlag{Name: "for", Usage: "use the lenses and moves of this `JOB`"},
			&cli.StringFlag{Name: "move", Usage: "use this `MOVE`: \"turn 90deg in 2s\""},
			&cli.StringFlag{Name: "lens", Usage: "use this `LENS`: 50mm"}, &cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"}),
		pages: true, reads: true, noLib: true, minArgs: 1, maxArgs: 2, argKind: []string{"side"}, run: runCompare,
	}
}

// isFile reports whether a name means a file on disk rather than a rig.
func (k compareRun) isFile(name string) bool {
	if name == "-" {
		return true
	}
	fi, err := os.Stat(k.path(name))
	return err == nil && !fi.IsDir() && (strings.HasSuffix(name, ".toml") || strings.ContainsAny(name, `/\`))
}

// sideOf loads one side of a comparison.
func (k compareRun) sideOf(name string) (diffview.Side, error) {
	if s, ok := strings.CutPrefix(name, "job:"); ok {
		return k.jobSide(s)
	}
	if part, ok := strings.CutPrefix(name, "part:"); ok {
		part, when, _ := strings.Cut(part, "@")
		if when == "" {
			var err error
			if part, err = k.lib.Builds().FindPart(part); err != nil {
				return diffview.Side{}, err
			}
		}
		return k.docSide(name, preset.PartPath(schema.CanonicalName(part)), when)
	}
	if slug, ok := strings.CutPrefix(name, "gimbal:"); ok {
		slug, when, _ := strings.Cut(slug, "@")
		if when == "" || !preset.IsName(slug) {
			if _, err := k.lib.Sheet("", slug); err != nil {
				return diffview.Side{}, err
			}
		}
		return k.docSide(name, preset.GimbalPath(slug), when)
	}
	if strings.HasSuffix(name, ".toml") || strings.HasPrefix(name, "/") || strings.HasPrefix(name, ".") { // no rig is called so
		if fi, err := os.Stat(k.path(name)); err == nil && fi.IsDir() {
			return diffview.Side{}, usage("%s is a folder, not a file", name)
		}
		return diffview.Side{}, fail(exitNotFound, "file not found: %s", name)
	}
	d, err := k.lib.Names().Load(name, false)
	if err != nil {
		if slug, jerr := k.lib.Jobs().Named(name); jerr == nil && isNotFound(err) {
			return k.jobSide(slug)
		}
		return diffview.Side{}, err
	}
	return k.side(d), nil
}

func (k compareRun) jobSide(name string) (diffview.Side, error) {
	slug, when, _ := strings.Cut(name, "@")
	slug, err := k.lib.Jobs().Named(slug)
	if err != nil {
		return diffview.Side{}, err
	}
	return k.docSide("job:"+name, preset.JobPath(slug), when)
}

// docSide is one file of the library that is not a tune and no build, now or then.
func (k compareRun) docSide(label, path, when string) (diffview.Side, error) {
	s := diffview.Side{Label: label, Docs: map[string]schema.Tree{}, Texts: map[string][]byte{}}
	var data []byte
	var err error
	if when == "" {
		data, err = k.lib.Store.Work().Read(path)
	} else {
		rev, rerr := k.lib.Names().At(path, when)
		if rerr != nil {
			return s, rerr
		}
		if c, err := k.lib.Store.Revisions().Commit(rev); err == nil {
			s.Meta = meta(c)
		}
		data, err = k.lib.Store.Revisions().ReadAt(rev, path)
	}
	if err != nil {
		return s, err
	}
	doc, err := k.lib.Parse(path, data, nil)
	if err != nil {
		return s, err
	}
	s.Docs[path], s.Texts[path] = doc.Tree(), data
	return s, nil
}

// onDisk is what a file on disk is, for the side that it makes.
type onDisk struct{ name, kind string }

// fileSide reads a file on disk: a tune, a build sheet, or any other kind. A tune
// brings the build that the library has for it.
func (k compareRun) fileSide(name string) (diffview.Side, onDisk, error) {
	shown, data, err := k.readInput(name)
	at := onDisk{name: shown}
	if err != nil {
		return diffview.Side{}, at, err
	}
	s := diffview.Side{Label: shown, Docs: map[string]schema.Tree{}, Texts: map[string][]byte{shown: data}}
	tree, err := file.Values(shown, data)
	if err != nil {
		return s, at, err
	}
	at.kind, _ = tree["kind"].(string)
	if _, ok := k.cat.Kind(at.kind); !ok {
		at.kind = schema.KindTune // the message then says what kind should say
	}
	doc, err := preset.ReadAs(k.cat, shown, at.kind, data, nil)
	if err != nil {
		return s, at, err
	}
	switch at.kind {
	case schema.KindTune:
		t := preset.TuneIn(k.cat, doc)
		s.Tune = &t
		if k.lib == nil {
			break
		}
		d, err := k.lib.Names().Load(t.Rig, false)
		if err != nil {
			break // its rig is not in this library
		}
		s.Rig, s.Sheet = &d.Rig, d.Sheet
		s.Texts[preset.RigPath(d.Rig.ID)] = d.Texts[preset.RigPath(d.Rig.ID)]
		if err := preset.Check(k.cat, at.kind, doc, s.Sheet); err != nil {
			return s, at, err
		}
	case schema.KindRig:
		r := preset.RigIn(doc)
		r.ID = r.Fingerprint()
		s.Rig = &r
		if k.lib != nil {
			s.Sheet, _ = k.lib.Sheet("", r.Gimbal)
		}
	default:
		s.Docs[shown] = doc.Tree()
	}
	return s, at, nil
}

// sides loads both sides of a comparison. Beside a file on disk, the other side
// is narrowed to what the file can be held against, and the file takes the place
// of the one it stands for.
func (k compareRun) sides(nameA, nameB string) (a, b diffview.Side, err error) {
	if strings.HasPrefix(nameA, "unit:") || strings.HasPrefix(nameB, "unit:") {
		return unitRun(k).unitSides(nameA, nameB)
	}
	var atA, atB onDisk
	if k.isFile(nameA) {
		a, atA, err = k.fileSide(nameA)
	} else {
		a, err = k.sideOf(nameA)
	}
	if err != nil {
		return a, b, err
	}
	if k.isFile(nameB) {
		b, atB, err = k.fileSide(nameB)
	} else {
		b, err = k.sideOf(nameB)
	}
	if err != nil {
		return a, b, err
	}
	beside(&b, a, atA)
	beside(&a, b, atB)
	standFor(a, b, atA)
	standFor(b, a, atB)
	return a, b, nil
}

// beside leaves out of a side what the file on the other side says nothing about.
func beside(s *diffview.Side, other diffview.Side, at onDisk) {
	drop := func(kind string) {
		for path := range s.Texts {
			if p, ok := preset.Locate(path); ok && p.Kind == kind {
				delete(s.Texts, path)
			}
		}
	}
	switch {
	case at.kind == schema.KindRig && s.Rig != nil:
		s.Tune = nil
		drop(schema.KindTune)
	case at.kind == schema.KindTune && other.Rig == nil && s.Tune != nil:
		s.Rig = nil
		drop(schema.KindRig)
	}
}

// standFor gives the text of a file on disk the path of the one text of its kind
// on the other side.
func standFor(s, other diffview.Side, at onDisk) {
	text, ok := s.Texts[at.name]
	if !ok || at.kind == "" {
		return
	}
	var fits []string
	for path := range other.Texts {
		p, ours := preset.Locate(path)
		if _, both := s.Texts[path]; !both && (!ours || p.Kind == at.kind) {
			fits = append(fits, path)
		}
	}
	if len(fits) == 1 {
		delete(s.Texts, at.name)
		s.Texts[fits[0]] = text
	}
}

func runCompare(k *invocation) error {
	names := k.args
	if k.c.Bool("units") {
		if len(names) > 1 {
			return usage("--units goes with one tune").hinted("Try: rigkeep compare %s --units", names[0])
		}
		if err := k.open(); err != nil {
			return err
		}
		return unitRun{k}.compareUnits()
	}
	if len(names) == 1 {
		if strings.Contains(names[0], "@") {
			return usage("name two things to compare").hinted("for example: rigkeep compare %s %s", names[0], strings.SplitN(names[0], "@", 2)[0])
		}
		if (compareRun{k}).isFile(names[0]) {
			return usage("name two things to compare").hinted("for example: rigkeep compare %s RIG", names[0])
		}
		names = []string{names[0] + "@HEAD", names[0]}
	}
	if err := k.open(); err != nil && !((compareRun{k}).isFile(names[0]) && (compareRun{k}).isFile(names[1])) {
		return err
	}
	a, b, err := compareRun{k}.sides(names[0], names[1])
	if err != nil {
		return err
	}
	r := diffview.Compare(k.cat, a, b)
	c, err := compareRun{k}.circumstances(a, b)
	if err != nil {
		return err
	}
	r.Behaviour = diffview.Behave(k.cat, a, b, c)
	o := diffview.Options{All: k.c.Bool("all"), Zone: k.Now().Location()}
	if k.c.String("html") != "" || k.json() {
		r.History = compareRun{k}.compareHistory(names[1], b)
	}
	if err := (compareRun{k}).renderCompare(r, o); err != nil {
		return err
	}
	if !r.Same {
		return errFindings
	}
	return nil
}

// circumstances are the move and lens that behaviour is computed for: from the
// flags, else from the job of either side, else stated defaults.
func (k compareRun) circumstances(a, b diffview.Side) (diffview.Conditions, error) {
	var c diffview.Conditions
	for _, slug := range []string{k.c.String("for"), b.Meta.Job, a.Meta.Job} {
		if slug == "" {
			continue
		}
		if k.lib == nil {
			return c, k.open() // says that there is no library
		}
		full, err := k.lib.Jobs().Named(slug)
		if err == nil {
			var j preset.Job
			if j, err = k.lib.Jobs().Read("", full); err == nil {
				c.Job = &j
				break
			}
		}
		if slug == k.c.String("for") {
			return c, err
		}
	}
	if s := k.c.String("move"); s != "" {
		if _, err := follow.ParseMove(s); err != nil {
			return c, usage("--move: %v", err)
		}
		c.Move = s
	}
	lens, err := k.measure("lens", unit.Length, "mm")
	if err != nil {
		return c, err
	}
	c.LensMM = round(lens * 1000)
	c.SensorMM, err = k.sensor()
	return c, err
}

// compareHistory pictures the parameters of the second side over the jobs that had
// its tune; there are none where it is not a tune of the library.
func (k compareRun) compareHistory(name string, b diffview.Side) []diffview.Plot {
	if k.lib == nil || b.Tune == nil || b.Rig == nil {
		return nil
	}
	rr, ref, err := k.rigNamed(name)
	if err != nil {
		return nil
	}
	pins, err := k.lib.Jobs().Of(rr, ref.Tune)
	if err != nil {
		return nil
	}
	return reviewRun(k).overJobs(rr, pins, b.Sheet, *b.Tune, nil)
}

func (k compareRun) renderCompare(r diffview.Report, o diffview.Options) error {
	if done, err := k.htmlPage(func(w io.Writer) error { return diffview.WriteHTML(w, r, o, k.foot(r)) }); done || err != nil {
		return err
	}
	switch {
	case k.c.Bool("quiet"):
		return nil
	case k.json():
		return k.encode(r)
	case k.c.Bool("patch"):
		var patch bytes.Buffer
		if err := diffview.WritePatch(&patch, r); err != nil {
			return err
		}
		k.verbatim(patch.Bytes())
		return nil
	case k.c.Bool("markdown"):
		return diffview.WriteMarkdown(k.Stdout, r, o)
	case k.c.Bool("stat"):
		k.printf("%s\n", diffview.Stat(r))
		return nil
	}
	var text strings.Builder
	if err := diffview.WriteText(&text, r, o, diffview.Style{Colour: k.paint.on, Width: k.wide}); err != nil {
		return err
	}
	k.write(text.String())
	return nil
}

// htmlPage writes the page that --html asks for. done is true when that is all the
// answer there is to be.
func (k *invocation) htmlPage(write func(io.Writer) error) (done bool, err error) {
	f := k.c.String("html")
	if f == "" {
		return false, nil
	}
	var out bytes.Buffer
	if err := write(&out); err != nil {
		return false, err
	}
	if err := k.writeOut(f, out.Bytes()); err != nil {
		return false, err
	}
	if f == "-" {
		return true, nil
	}
	k.say("wrote %s", f)
	return !k.json(), nil
}

// foot is what a page says of its making, so that paper can be traced.
func (k *invocation) foot(r diffview.Report) page.Foot {
	f := page.Foot{Made: k.Now(), Version: version()}
	for _, rev := range []string{r.Before.Revision, r.After.Revision} {
		if rev != "" {
			f.Commits = append(f.Commits, rev)
		}
	}
	return f
}

// writeOut writes an answer to a file of the person's choice: whole or not at
// all, and "-" is standard output.
func (k *invocation) writeOut(name string, data []byte) error {
	if name == "-" {
		_, err := k.Stdout.Write(data)
		return err
	}
	return replaceFile(k.path(name), data)
}

// replaceFile writes beside and renames, so that a failed command leaves no
// half file and does not touch the old one. A link is followed; a device or pipe
// is written into, since a file in its place would be the end of it.
func replaceFile(path string, data []byte) error {
	if at, err := filepath.EvalSymlinks(path); err == nil {
		path = at
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return usage("%s is a folder", path).hinted("name a file in it")
	} else if err == nil && !info.Mode().IsRegular() {
		return writeInto(path, data)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".rigkeep-*")
	if err != nil {
		return outError(path, err)
	}
	defer os.Remove(f.Name())
	_, err = f.Write(data)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	return outError(path, err)
}

// writeInto writes to what is there and no file.
func writeInto(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return outError(path, err)
	}
	_, err = f.Write(data)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return outError(path, err)
}

func isThere(path string) error {
	return fail(exitConflict, "%s already exists", path).hinted("nothing overwritten. Choose another name")
}

// createFile writes a new file and never replaces one.
func createFile(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return isThere(path)
	}
	if err != nil {
		return outError(path, err)
	}
	_, err = f.Write(data)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		os.Remove(path)
	}
	return outError(path, err)
}

func outError(path string, err error) error {
	if err == nil {
		return nil
	}
	return &failure{code: exitNetwork, text: "writing " + path + " failed: " + rootCause(err), hint: "check that the folder is there and can be written", err: err}
}

func rootCause(err error) string {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	var le *os.LinkError
	if errors.As(err, &le) {
		return le.Err.Error()
	}
	return err.Error()
}
