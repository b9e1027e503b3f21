package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/schema"
)

// lib is the open library of a call.
type lib = library.Library

// libraryDir is where to look for the library: flag, environment, working folder.
func (k *invocation) libraryDir() string {
	dir := k.c.String("library")
	if dir == "" {
		dir = k.Getenv("RIGKEEP_LIBRARY")
	}
	return k.path(dir)
}

// path makes a path of the person's absolute, against the run's folder.
func (k *invocation) path(p string) string {
	if filepath.IsAbs(p) {
		return filepath.Clean(p)
	}
	return filepath.Join(k.Dir, p)
}

func (k *invocation) open() error {
	wait, err := k.lockWait()
	if err != nil {
		return err
	}
	l, err := library.Open(k.libraryDir(), k.cat, store.Options{
		LockWait:   wait,
		OnWait:     func(what string) { k.say("waiting for %s", safe.Line(what)) },
		OnProgress: k.longWork(),
	})
	if err != nil {
		return err
	}
	for _, r := range l.Store.Recovered() {
		k.say("repaired: %s", safe.Line(r))
	}
	l.Zone, l.Now = k.Now().Location(), k.Now
	k.lib = l
	return nil
}

// lockWait is how long to wait for another process, from RIGKEEP_WAIT in seconds; 0 is as usual.
func (k *invocation) lockWait() (time.Duration, error) {
	text := k.Getenv("RIGKEEP_WAIT")
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseFloat(text, 64)
	if err != nil || !(n > 0 && n <= 3600) {
		return 0, usage("RIGKEEP_WAIT is %q", text).hinted("RIGKEEP_WAIT must be seconds, above 0 and at most 3600 (default 20)")
	}
	return time.Duration(n * float64(time.Second)), nil
}

// longWork shows on a terminal how far the store is with something long, once that has taken half
// a second, and clears the line at its end.
func (k *invocation) longWork() func(what string, done, total int) {
	var b *bar
	var begun time.Time
	return func(what string, done, total int) {
		if b == nil || b.what != what {
			b, begun = diagnoseRun{k}.bar(what, int64(total)), time.Now()
			b.on = tty(b.out)
		}
		b.size = int64(total)
		switch {
		case done >= total:
			b.done()
			b = nil
		case time.Since(begun) > 500*time.Millisecond:
			b.at(int64(done), 0)
		}
	}
}

// ctx ends on Ctrl-C, TERM and HUP where the run has the real terminal.
func (k *invocation) ctx() (context.Context, context.CancelFunc) {
	if heard := heeded(); k.Stdin == any(os.Stdin) && len(heard) > 0 {
		return signal.NotifyContext(context.Background(), heard...)
	}
	return context.WithCancel(context.Background())
}

// transferCtx is ctx for what takes away what it brought so far when it ends early.
func (k *invocation) transferCtx() (context.Context, context.CancelFunc) {
	ctx, stop := k.ctx()
	transfers.Add(1)
	return ctx, func() {
		transfers.Add(-1)
		stop()
	}
}

// clock is a moment as people here read it; the dates of WHEN are of the same zone.
func (k *invocation) clock(t time.Time) string {
	return schema.SayMoment(t, k.Now().Location())
}

// on is the day of a moment as people here read it.
func (k *invocation) on(t time.Time) string { return schema.SayDay(t, k.Now().Location()) }

// loadNow reads the tune that the first argument names, for a command that works on
// the work tree and so takes no moment.
func (k *invocation) loadNow(needTune bool, does string) (*library.Loaded, error) {
	d, err := k.lib.Names().Load(k.args[0], needTune)
	if err == nil && d.Ref.When != "" {
		return nil, usage("%s; leave @%s out", does, d.Ref.When)
	}
	return d, err
}

// who is the author: --as, the environment, then git's own settings. There is no
// made-up author: without one, it is a question.
func (k *invocation) who() (store.Person, error) {
	if k.lib != nil {
		return k.lib.Store.Identity(k.c.String("as"), k.Getenv)
	}
	return store.IdentityOutside(k.c.String("as"), k.Getenv)
}

// unsaved lists hand unsaved edits, at or below the given paths
// (all of the library for none).
func (k *invocation) unsaved(paths ...string) []store.Change {
	cs, err := k.lib.Changed(paths...)
	if err != nil {
		return nil // the next command that needs it says what is wrong
	}
	return cs
}

// printOtherChanges tells of edits that a save left alone. In a large library that would
// cost more than the save; check tells there.
func (k *invocation) printOtherChanges() {
	if k.lib.Small() {
		k.printUnsaved(k.unsaved())
	}
}

// printUnsaved tells of edits beside the answer.
func (k *invocation) printUnsaved(cs []store.Change) {
	if len(cs) == 0 {
		return
	}
	var names []string
	for _, c := range cs {
		names = append(names, safe.Line(c.Path)+" ("+string(c.Kind)+")")
	}
	k.say("%s", strings.TrimRight(wrap("unsaved: "+strings.Join(names, ", "), "", k.wide), "\n"))
}

// mass and length show values in the library's preferred units.
type units struct{ mass, length string }

func (k *invocation) units() units {
	u := units{"kg", "mm"}
	if k.lib == nil {
		return u
	}
	if doc, err := k.lib.Doc("", preset.LibraryPath); err == nil {
		f := schema.Flatten(doc.Tree())
		if s := f.Str("units.mass"); s != "" {
			u.mass = s
		}
		if s := f.Str("units.length"); s != "" {
			u.length = s
		}
	}
	return u
}

func (u units) kg(v float64) string { return u.show(unit.Mass, v, cmp.Or(u.mass, "kg")) }
func (u units) m(v float64) string  { return u.show(unit.Length, v, cmp.Or(u.length, "mm")) }

// show writes a value of a model, which is always finite, in a unit that library.toml may name.
func (u units) show(k unit.Kind, v float64, name string) string {
	s, err := unit.Show(k, v, name)
	if err != nil {
		return err.Error()
	}
	return s
}

// completionCandidates completes names from the library at hand; without one there are none.
func completionCandidates(e Env, kind, dir string, given []string, cur string) []candidate {
	if dir == "" {
		dir = e.Getenv("RIGKEEP_LIBRARY")
	}
	if !filepath.IsAbs(dir) {
		dir = filepath.Join(e.Dir, dir)
	}
	l, err := library.Open(dir, e.catalogue(), store.Options{})
	if err != nil {
		return nil
	}
	var out []candidate
	switch kind {
	case "rig", "rigs", "target", "side":
		out = rigCandidates(l, cur)
		if kind == "target" || kind == "side" {
			for _, kind := range []string{"gimbal", "part", "units", "job"} {
				for _, c := range completionCandidates(e, kind, dir, given, cur) {
					out = append(out, candidate{strings.TrimSuffix(kind, "s") + ":" + c.word, c.about})
				}
			}
		}
	case "job":
		jobs, _ := l.Jobs().Slugs()
		for _, j := range jobs {
			out = append(out, candidate{j, "job"})
		}
	case "rigjob":
		out = append(completionCandidates(e, "rig", dir, given, cur), completionCandidates(e, "job", dir, given, cur)...)
	case "remote":
		for _, n := range l.Store.Settings("remote") {
			out = append(out, candidate{n, transport.Shown(l.Store.Setting("remote", n, "url"))})
		}
	case "gimbal":
		gs, _ := l.Gimbals()
		for _, g := range gs {
			out = append(out, candidate{g, "gimbal sheet"})
		}
	case "part":
		parts, _ := l.Builds().PartNames()
		for _, p := range parts {
			out = append(out, candidate{p, "part"})
		}
	case "assign":
		for _, c := range setKeys(l, given) {
			out = append(out, candidate{c.word + "=", c.about})
		}
	case "setkey":
		return setKeys(l, given)
	case "units":
		us, _, _ := l.Units().All()
		for _, u := range us {
			out = append(out, candidate{u.Serial, u.Label})
		}
	case "unit":
		var s *schema.Sheet
		if len(given) > 0 {
			if d, err := l.Names().Load(given[len(given)-1], false); err == nil {
				s = d.Sheet
			}
		}
		if s != nil {
			for _, u := range s.Units {
				out = append(out, candidate{u.Serial, u.Label})
			}
		}
	case "style":
		if len(given) > 0 {
			if d, err := l.Names().Load(given[0], false); err == nil && d.Tune != nil {
				for _, s := range d.Tune.Styles() {
					out = append(out, candidate{s, "follow style"})
				}
			}
		}
	}
	return out
}

// rigCandidates are the rigs that a word begun may mean, with their tunes and revisions where it goes on to one.
func rigCandidates(l *library.Library, cur string) (out []candidate) {
	rigs, _ := l.Names().Rigs()
	for _, r := range rigs {
		about := "rig " + r.Fingerprint + " on " + r.Gimbal
		if name, _, ok := strings.Cut(cur, "/"); ok && (name == r.Alias || name == r.Fingerprint) {
			tunes, _ := l.Tunes(r.Fingerprint)
			for _, t := range tunes {
				out = append(out, candidate{name + "/" + t, "tune of " + r.Alias})
			}
		}
		if name, _, ok := strings.Cut(cur, "@"); ok {
			if base, _, _ := strings.Cut(name, "/"); base == r.Alias {
				jobs, _ := l.Jobs().Slugs()
				for _, j := range jobs {
					out = append(out, candidate{name + "@" + j, "as pinned to the job"})
				}
				for i := 1; i <= 3; i++ {
					out = append(out, candidate{fmt.Sprintf("%s@~%d", name, i), "revisions back"})
				}
			}
		}
		if r.Alias != "" {
			out = append(out, candidate{r.Alias, about})
		}
		if cur != "" && strings.HasPrefix(r.Fingerprint, cur) {
			out = append(out, candidate{r.Fingerprint, r.Alias})
		}
	}
	return out
}

// setKeys lists the keys that can be set on the rig already named.
func setKeys(l *library.Library, given []string) []candidate {
	styles := []string{}
	if len(given) > 0 {
		if d, err := l.Names().Load(given[0], false); err == nil && d.Tune != nil {
			styles = d.Tune.Styles()
		}
	}
	if len(styles) == 0 {
		styles = []string{"walk"}
	}
	var out []candidate
	for _, k := range l.Cat.Expand(styles) {
		p, _ := l.Cat.Param(k)
		out = append(out, candidate{k, p.Doc})
	}
	return out
}

// readInput reads a file named by a person, "-" for standard input, with the
// strict size limit of the library's own files.
func (k *invocation) readInput(name string) (string, []byte, error) {
	if name == "-" {
		data, err := readStream(k.Stdin)
		return "standard input", data, err
	}
	data, err := readFile(k.path(name), name)
	return name, data, err
}

// confirm asks a yes-or-no question where there is somebody to ask.
func (k *invocation) confirm(question string) error {
	if k.c.Bool("yes") {
		return nil
	}
	if k.c.Bool("no-input") || !tty(k.Stdin) {
		return usage("%s", question).hinted("nothing changed. Add --yes to confirm")
	}
	fmt.Fprint(k.Stderr, k.fold(k.Stderr, question+" [y/N]"), " ")
	var answer string
	if _, err := fmt.Fscanln(k.Stdin, &answer); err != nil || !contains([]string{"y", "yes"}, strings.ToLower(answer)) {
		return usage("cancelled; nothing changed")
	}
	return nil
}

func isNotFound(err error) bool { return errors.Is(err, store.ErrNotFound) }

// put writes an edited file into the work tree, and says in a word that it did, or with
// --dry-run would.
func (k *invocation) put(e library.Edited) (verb string, err error) {
	if k.dryRun() {
		return "would write", nil
	}
	ctx, stop := k.ctx()
	defer stop()
	return "wrote", k.lib.Edits().Write(ctx, e)
}
