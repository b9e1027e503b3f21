package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/repo/handover"
	"rigkeep/repo/library"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/schema"
)

func syncVerb() command {
	return command{
		name: "sync", args: "[REMOTE]", short: "sync with a git server or shared folder",
		long: "Fetches from REMOTE, merges and sends. REMOTE is a folder with a bare git repository (shared disk or USB stick; --make begins one, and git is not needed), a git://, https:// or ssh:// address, or a remote name. The first one is remembered.\n\n" +
			"Changes are merged key by key. If both sides changed the same key, nothing changes on either side, the conflicts are listed and the exit code is 4. Settle each with --ours KEY, --theirs KEY or --set KEY=VALUE (KEY: a key, FILE:KEY, FILE or all). " +
			"If a merge mixes values that act together (two parameters of one axis, or build and stiffness), the proof ends and you are told.\n\n" +
			"Unsaved edits are never overwritten. If the server does not answer, the exit code is 6 and nothing is lost.\n\n" +
			"A password for https comes from the address or from git's credential helpers, a token from RIGKEEP_TOKEN (with RIGKEEP_USER). The token is sent only when a server asks for it, and only to one that RIGKEEP_TOKEN_HOST names or that you confirmed. ssh uses the agent, RIGKEEP_SSH_KEY or the usual key files, and refuses servers that are not in known_hosts.",
		example: "rigkeep sync /mnt/share/tunes.git\nrigkeep sync\nrigkeep sync --theirs a-cam-long/main:stiffness.pan --set stiffness.roll=39\nrigkeep sync --dry-run --json",
		flags: []cli.Flag{
			&cli.BoolFlag{Name: "make", Usage: "make the shared folder first, if it is missing or empty"},
			&cli.StringSliceFlag{Name: "ours", Usage: "keep our value: `KEY`, FILE:KEY, FILE or all"},
			&cli.StringSliceFlag{Name: "theirs", Usage: "take their value: `KEY`, FILE:KEY, FILE or all"},
			&cli.StringSliceFlag{Name: "set", Usage: "use another value: `KEY=VALUE`"},
		},
		reads: true, changes: true, maxArgs: 1, argKind: []string{"remote"}, run: runSync,
	}
}

func runSync(k *invocation) error {
	name := ""
	if len(k.args) > 0 {
		name = syncRun{k}.remoteAddress(k.args[0])
	}
	if k.c.Bool("make") {
		switch {
		case name == "" || !transport.IsFolder(name):
			return usage("--make needs a folder").hinted("for example: rigkeep sync /mnt/share/tunes.git --make")
		case k.dryRun():
			return usage("--make and --dry-run exclude each other")
		}
		if err := store.MakeShared(transport.Folder(name)); err != nil {
			return err
		}
		k.say("made %s to share; another person begins with\nTry: rigkeep init DIR --from %s", transport.Folder(name), transport.Folder(name))
	}
	ref, err := k.lib.Remotes().Find(name)
	if err != nil {
		return err
	}
	if name == "" && transport.IsFolder(ref.Address) && !filepath.IsAbs(transport.Folder(ref.Address)) {
		ref.Address = filepath.Join(k.lib.Store.Root(), transport.Folder(ref.Address))
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	ctx, stop := k.transferCtx()
	defer stop()
	show := syncRun{k}.progress()
	r, err := transport.Dial(ref.Address, syncRun{k}.transportOptions(show, ref))
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }()
	out, err := k.lib.Remotes().Run(ctx, r, library.SyncOptions{
		Remote: ref, Who: who, Now: k.Now, DryRun: k.dryRun(),
		Choices: func() (*merge.Choices, error) {
			return k.lib.Merging().Choices(k.c.StringSlice("ours"), k.c.StringSlice("theirs"), k.c.StringSlice("set"))
		},
		Message: func(m *library.Merged) (string, string) {
			return "Merge what came from " + firstOf(ref.Name, r.Shown()), strings.Join(m.Words(), "\n")
		},
	})
	show.end()
	if err != nil {
		return err
	}
	if !k.dryRun() {
		if err := k.lib.Remotes().Remember(ctx, ref); err != nil {
			return err
		}
	}
	a := syncAnswerOf(out, r.Shown(), k.dryRun())
	if slices.Contains(a.Changed, handover.SignersPath) && !k.dryRun() {
		pins, _, err := trustRun{k}.pins()
		if err != nil {
			return err
		}
		all, _, err := handover.Proposals(k.lib.Store, pins, k.Now())
		if err != nil {
			return err
		}
		a.Proposed = proposalsOf(all)
	}
	if k.json() {
		if err := k.encode(a); err != nil {
			return err
		}
	} else {
		syncRun{k}.printSynced(out, r.Shown())
		trustRun{k}.sayProposed(a.Proposed)
	}
	if out.Conflict() {
		return &failure{code: exitConflict}
	}
	return nil
}

// remoteAddress makes a folder that a person names absolute; the name of a remote and other
// addresses stay as they are.
func (k syncRun) remoteAddress(arg string) string {
	if !transport.IsFolder(arg) || strings.HasPrefix(arg, "file:") {
		return arg
	}
	if k.lib != nil && !strings.ContainsAny(arg, `/\`) {
		for _, n := range k.lib.Store.Settings("remote") {
			if n == arg {
				return arg
			}
		}
	}
	return k.path(arg)
}

func (k syncRun) transportOptions(show *progressLine, ref library.RemoteRef) transport.Options {
	return transport.Options{
		Confirm: func(origin string) bool { show.end(); return k.mayToken(origin) },
		Dir:     k.root(), Proxy: ref.Proxy,
		Getenv: k.Getenv, Ask: tty(k.Stdin) && !k.c.Bool("no-input"), Tell: show.tell,
		Remark: func(line string) {
			show.end()
			k.say("%s: %s", safe.Line(firstOf(ref.Name, transport.Shown(ref.Address))), safe.Line(line))
		},
	}
}

// root is the open library's folder, "" without one.
func (k syncRun) root() string {
	if k.lib == nil {
		return ""
	}
	return k.lib.Store.Root()
}

// progressLine tells on a terminal how far something long is.
type progressLine struct {
	k    *invocation
	on   bool
	last time.Time
	wide int
}

func (k syncRun) progress() *progressLine {
	return &progressLine{k: k.invocation, on: tty(k.Stderr), last: time.Now().Add(500 * time.Millisecond)}
}

func (p *progressLine) tell(what string, done, total int64) {
	if !p.on || time.Since(p.last) < 150*time.Millisecond {
		return
	}
	p.last = time.Now()
	text := fmt.Sprintf("%s %.1f MB", what, float64(done)/1e6)
	if what != "receiving" {
		text = what + " " + schema.Count(int(done), "object", "objects")
		if total > 0 {
			text = fmt.Sprintf("%s %d of %d objects", what, done, total)
		}
	}
	fmt.Fprintf(p.k.Stderr, "\r%-*s", p.wide, text)
	p.wide = max(p.wide, len(text))
}

// end clears the line.
func (p *progressLine) end() {
	if p.wide > 0 {
		fmt.Fprintf(p.k.Stderr, "\r%s\r", strings.Repeat(" ", p.wide))
		p.wide = 0
	}
}

// syncAnswer is the documented JSON shape of sync.
type syncAnswer struct {
	Format    int             `json:"format"`
	Remote    string          `json:"remote"` // its name, "" for an address used once
	Address   string          `json:"address"`
	DryRun    bool            `json:"dry_run"`
	Before    string          `json:"before"`
	After     string          `json:"after"`
	Came      []syncRevision  `json:"came"`
	Went      []syncRevision  `json:"went"`
	Sent      bool            `json:"sent"`
	Changed   []string        `json:"changed"` // files of this library
	Merge     *syncMerge      `json:"merge,omitempty"`
	Conflicts []library.Clash `json:"conflicts"`
	Proposed  []trustProposal `json:"proposed,omitempty"` // keys that trust/allowed_signers names since, and nobody here pinned
}

type syncRevision struct {
	Revision string    `json:"revision"`
	Who      string    `json:"who"`
	When     time.Time `json:"when"`
	Subject  string    `json:"subject"`
}

type syncMerge struct {
	Revision string           `json:"revision,omitempty"`
	Bases    []store.Rev      `json:"bases"`
	Files    []string         `json:"files"`
	Taken    []merge.Accepted `json:"taken"`
	Notes    []merge.Note     `json:"notes"`
}

func syncAnswerOf(s *library.Synced, address string, dry bool) syncAnswer {
	a := syncAnswer{Format: 1, Remote: s.Remote.Name, Address: address, DryRun: dry, Before: string(s.Before), After: string(s.After),
		Came: syncRevisions(s.Came), Went: syncRevisions(s.Went), Sent: s.Sent, Changed: []string{}, Conflicts: []library.Clash{}}
	for _, c := range s.Changed {
		a.Changed = append(a.Changed, c.Path)
	}
	if m := s.Merged; m != nil {
		a.Merge = &syncMerge{Revision: string(s.Revision), Bases: m.Bases, Files: m.Paths(), Taken: append([]merge.Accepted{}, m.Taken...), Notes: append([]merge.Note{}, m.Notes...)}
		a.Conflicts = append(a.Conflicts, m.Clashes...)
	}
	return a
}

func syncRevisions(cs []store.Commit) []syncRevision {
	out := []syncRevision{}
	for _, c := range cs {
		out = append(out, syncRevision{string(c.ID), c.Author.String(), c.When, c.Subject})
	}
	return out
}

func (k syncRun) printSynced(s *library.Synced, address string) {
	name := safe.Line(address)
	if s.Remote.Name != "" {
		name = safe.Line(s.Remote.Name) + ", " + name
	}
	if s.Conflict() {
		k.printClashes(s.Merged.Clashes, "nothing changed, nothing sent", "rigkeep sync")
		return
	}
	dry := ""
	if k.dryRun() {
		dry = "would be "
	}
	k.printRevisions(s.Came, dry+"received from "+name)
	if m := s.Merged; m != nil {
		k.printf("%s\n", k.paint.bold(fmt.Sprintf("%smerged by key, %s", dry, schema.Count(len(m.Files), "file", "files"))))
		for _, l := range m.Words() {
			k.write(wrap(safe.Line(l), "  ", k.wide))
		}
		if s.Revision != "" {
			k.printf("  saved as %s\n", s.Revision.Short())
		}
	}
	k.printRevisions(s.Went, dry+"sent to "+name)
	switch {
	case len(s.Came)+len(s.Went) == 0:
		k.printf("already in sync with %s\n", name)
	case len(s.Changed) > 0 && !k.dryRun():
		k.printf("%s here\n", schema.Count(len(s.Changed), "changed file", "changed files"))
	}
}

// syncShown is how many revisions are listed one by one.
const syncShown = 10

func (k syncRun) printRevisions(cs []store.Commit, what string) {
	if len(cs) == 0 {
		return
	}
	k.printf("%s\n", k.paint.bold(fmt.Sprintf("%s %s", schema.Count(len(cs), "revision", "revisions"), what)))
	var t table
	for i, c := range cs {
		if i == syncShown {
			t.add("…", "", "", fmt.Sprintf("and %d more", len(cs)-i))
			break
		}
		t.add(c.ID.Short(), historyRun(k).stamp(c.When, c.OddTime), c.Author.Name, c.Subject)
	}
	k.write(t.render(k.paint, "  ", k.wide))
}

// printClashes shows conflicts; undone says what was not done for them, command how to settle them.
func (k syncRun) printClashes(cs []library.Clash, undone, command string) {
	k.printf("%s\n", k.paint.bold(schema.Count(len(cs), "conflict", "conflicts")+"; "+undone))
	for _, c := range cs {
		head := k.paint.bold(safe.Line(firstOf(c.File, c.Path)))
		if c.Key != "" {
			head += " " + k.paint.bold(safe.Line(c.Key))
		}
		k.printf("\n%s\n", head)
		about := c.Why
		if c.Name != "" {
			about = c.Name + ": " + about
		}
		if c.Step > 0 {
			about += fmt.Sprintf(" (step %s%s)", schema.Num(c.Step), unitWord(c.Unit))
		} else if c.Unit != "" {
			about += " (" + c.Unit + ")"
		}
		k.write(wrap(safe.Line(about), "  ", k.wide))
		var t table
		t.add("before", clashValue(c.Base, c.Key), "", "")
		for _, s := range []struct {
			side  string
			value any
			by    *library.By
		}{{"ours", c.Ours, c.OursBy}, {"theirs", c.Theirs, c.TheirsBy}} {
			who, when := "", ""
			if s.by != nil {
				who, _, _ = strings.Cut(s.by.Who, " <")
				when = k.clock(s.by.When)
			}
			t.add(s.side, clashValue(s.value, c.Key), when, who)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	first := firstOf(cs[0].File, cs[0].Path)
	if cs[0].Key != "" {
		first += ":" + cs[0].Key
	}
	k.printf("\n")
	k.say("Try: %s --theirs %s", command, shellWord(safe.Line(first)))
}

func unitWord(u string) string {
	if u == "" {
		return ""
	}
	return " " + u
}

// clashValue is a value in the conflicts' table; of a whole file only whether it is there.
func clashValue(v any, key string) string {
	if v == nil {
		return "none"
	}
	if key == "" {
		return "a file of " + schema.Count(strings.Count(fmt.Sprint(v), "\n"), "line", "lines")
	}
	if n, ok := schema.Number(v); ok {
		return schema.Num(n)
	}
	s := fmt.Sprint(v)
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60]) + "…"
	}
	return safe.Line(s)
}

// shellWord quotes a word for a shell where that is needed.
func shellWord(s string) string {
	if strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._/:,-") == "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
