package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview"
	"rigkeep/diffview/card"
	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func handoverVerb() command {
	signers := &cli.StringFlag{Name: "signers", Usage: "whose keys to trust: a `FILE` in OpenSSH's allowed_signers form; else the keys that you pinned with rigkeep trust add"}
	on := &cli.StringFlag{Name: "on", Usage: "convert the tunes to this `GIMBAL` through the SI conversions of both sheets"}
	alias := &cli.StringFlag{Name: "alias", Usage: "call the rig `NAME` here"}
	return command{
		name: "handover", short: "pack rigs for another operator, or unpack them",
		subs: []command{
			{
				name: "write", args: "RIG[/TUNE]… FILE", short: "one file with rigs, tunes and their history",
				long: "Packs the saved state of the rigs and their tunes into one zip file: a page for any phone (card.html), the files, their history (git bundle) and checksums. The record of a unit that a tune is pinned to, names or is on goes along as far as it concerns these rigs. Other rigs, the library name and crew names are left out; authors, times and messages in the history are kept. " +
					"--sign signs it with your SSH key so the receiver can verify the sender. The same revision always gives the same file.",
				example: "rigkeep handover write a-cam-prime a-cam.zip --sign ~/.ssh/id_ed25519\nrigkeep handover write a-cam-prime/main b-cam-85 prep.zip --note \"Pan motor was serviced\"",
				flags: append(boolFlags("saved", "ignore unsaved edits", "force", "replace FILE if it is there"),
					&cli.StringFlag{Name: "sign", Usage: "sign with this `KEY`: a private SSH key file, or a .pub file whose key an ssh-agent holds"},
					&cli.StringFlag{Name: "note", Usage: "a `NOTE` for the receiver"}),
				reads: true, changes: true, minArgs: 2, maxArgs: -1, argKind: []string{"rigs"}, run: runHandoverWrite,
			},
			{
				name: "read", args: "FILE", short: "check a handover file and preview its changes",
				long: "Checks the whole of a handover and says what is in it, whose signature it carries and, where there is a library, what accepting it would change. Nothing is written. --card writes the page again from the checked contents, which is safer to open than the page that came along. " +
					"Exit 1 when it is not signed or its signer is not trusted, 5 when it is damaged.",
				example: "rigkeep handover read a-cam.zip\nrigkeep handover read a-cam.zip --card card.html\nrigkeep handover read a-cam.zip --on skiff-small",
				flags: append(boolFlags("all", "all that it holds, and smaller changes"), signers, on, alias,
					&cli.StringFlag{Name: "card", Usage: "write the card, made anew, to this `FILE`"}),
				reads: true, noLib: true, minArgs: 1, maxArgs: 1, argKind: []string{"file"}, run: runHandoverRead,
			},
			{
				name: "accept", args: "FILE", short: "accept a handover into the library",
				long: "Checks the file, then merges it by key as one revision, with its history. Accepting is not a test: their proof is marked as theirs, and your own is kept. A handover older than your library is refused. " +
					"It must be signed by a key that you pinned for its sender (rigkeep trust add), or that --signers names; what " + handover.SignersPath + " of the library says is a proposal. --unsigned and --trust-unknown take one in that is not. With --on the tunes are converted to another gimbal, each number shown.",
				example: "rigkeep handover accept a-cam.zip\nrigkeep handover accept a-cam.zip --unsigned --dry-run\nrigkeep handover accept a-cam.zip --theirs stiffness.pan -m \"As the A-cam operator left it\"",
				flags: append(boolFlags("unsigned", "accept an unsigned file", "trust-unknown", "accept although the signer is not trusted (an unknown, expired or somebody else's key)", "jobs", "accept the jobs that pin the tunes too"),
					signers, on, alias, messageFlag(),
					&cli.StringSliceFlag{Name: "ours", Usage: "keep our value: `KEY`, FILE:KEY, FILE or all"},
					&cli.StringSliceFlag{Name: "theirs", Usage: "take their value: `KEY`, FILE:KEY, FILE or all"},
					&cli.StringSliceFlag{Name: "set", Usage: "use another value: `KEY=VALUE`"}),
				reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"file"}, run: runHandoverAccept,
			},
		},
	}
}

func tool() string { return "rigkeep " + version() }

// wantedRigs reads RIG and RIG/TUNE names.
func (k bundleRun) wantedRigs(names []string) ([]handover.Wanted, error) {
	var out []handover.Wanted
	for _, name := range names {
		ref, err := library.ParseRef(name)
		if err != nil {
			return nil, err
		}
		if ref.When != "" {
			return nil, usage("a handover always contains the current state: remove @%s", ref.When)
		}
		rr, err := k.lib.Names().Find(ref.Rig)
		if err != nil {
			return nil, err
		}
		one := strings.Contains(name, "/")
		i := slices.IndexFunc(out, func(w handover.Wanted) bool { return w.Rig.Fingerprint == rr.Fingerprint })
		switch {
		case i < 0 && one:
			out = append(out, handover.Wanted{Rig: rr, Tunes: []string{ref.Tune}})
		case i < 0:
			out = append(out, handover.Wanted{Rig: rr})
		case one && len(out[i].Tunes) > 0:
			if !slices.Contains(out[i].Tunes, ref.Tune) {
				out[i].Tunes = append(out[i].Tunes, ref.Tune)
			}
		default:
			return nil, usage("%s is named twice", name).hinted("name each rig once: RIG for all its tunes, RIG/TUNE for some")
		}
	}
	return out, nil
}

func runHandoverWrite(k *invocation) error {
	names, out := k.args[:len(k.args)-1], k.args[len(k.args)-1]
	wanted, err := bundleRun{k}.wantedRigs(names)
	if err != nil {
		return err
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	var paths []string
	for _, w := range wanted {
		paths = append(paths, preset.RigDir(w.Rig.Fingerprint)+"/", preset.GimbalPath(w.Rig.Gimbal))
	}
	if dirty := k.unsaved(paths...); len(dirty) > 0 && !k.c.Bool("saved") {
		var list []string
		for _, c := range dirty {
			list = append(list, c.Path)
		}
		return fail(exitConflict, "unsaved edits: %s", strings.Join(list, ", ")).
			hinted("save them: rigkeep save %s -m WHY; or hand over what is saved: --saved", strings.Join(names, " "))
	}
	c, err := handover.Gather(k.lib, wanted)
	if err != nil {
		return err
	}
	c.Sender, c.Note = handover.Sender{Name: who.Name, Email: who.Email}, store.PlainText(strings.TrimSpace(k.c.String("note")))
	html, err := bundleRun{k}.cardOf(c, func(r handover.Rig, t handover.Tune) ([]card.Change, string) {
		return bundleRun{k}.lastChanges(c, r, t)
	})
	if err != nil {
		return err
	}
	signer, done, err := bundleRun{k}.signer()
	if err != nil {
		return err
	}
	defer done()
	data, m, err := handover.Seal(c, html, tool(), signer)
	if err != nil {
		return err
	}
	if !k.dryRun() {
		switch {
		case out == "-":
			_, err = k.Stdout.Write(data)
		case k.c.Bool("force"):
			err = replaceFile(k.path(out), data)
		default:
			err = createFile(k.path(out), data)
		}
		if err != nil {
			return err
		}
	}
	if out == "-" && !k.dryRun() {
		return nil
	}
	return bundleRun{k}.printSummary(out, len(data), c, m, signer != nil)
}

func (k bundleRun) printSummary(out string, size int, c *handover.Contents, m handover.Manifest, signed bool) error {
	if k.json() {
		return k.encode(struct {
			Format   int               `json:"format"`
			File     string            `json:"file"`
			Bytes    int               `json:"bytes"`
			Signed   bool              `json:"signed"`
			Manifest handover.Manifest `json:"manifest"`
		}{1, out, size, signed, m})
	}
	verb := "wrote"
	if k.dryRun() {
		verb = "would write"
	}
	k.printf("%s %s, %s\n", verb, safe.Line(out), bytesText(size))
	for _, r := range c.Rigs {
		with := ""
		if n := len(r.Photos); n > 0 {
			with = "; " + schema.Count(n, "photo", "photos")
		}
		k.printf("  %s (%s): %s%s\n", safe.Line(r.Alias), r.ID, strings.Join(tuneNames(r), ", "), with)
	}
	for _, u := range c.Units {
		k.printf("  unit %s of %s: its record, as far as it concerns these rigs\n", safe.Line(u.Serial), u.Gimbal)
	}
	k.printf("  %s, the last of %s\n", schema.Count(len(c.History.Commits()), "revision", "revisions"), k.clock(c.Time))
	if !signed {
		k.say("%s", k.paint.warn("Not signed. The receiver cannot verify the sender. Add --sign KEY"))
	}
	return nil
}

func tuneNames(r handover.Rig) []string {
	var out []string
	for _, t := range r.Tunes {
		out = append(out, t.Name)
	}
	return out
}

func bytesText(n int) string {
	switch {
	case n < 10_000:
		return fmt.Sprintf("%d bytes", n)
	case n >= 10_000_000:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.1f kB", float64(n)/1000)
}

// signer is the key of --sign, nil without one.
func (k bundleRun) signer() (handover.SigningKey, func(), error) {
	name := k.c.String("sign")
	if name == "" {
		return nil, func() {}, nil
	}
	return handover.Signer(k.path(name), k.Getenv("SSH_AUTH_SOCK"))
}

// cardOf makes the page of a handover's contents.
func (k bundleRun) cardOf(c *handover.Contents, changes func(handover.Rig, handover.Tune) ([]card.Change, string)) ([]byte, error) {
	v := card.Card{Sender: c.Sender.String(), Note: c.Note, Revision: string(c.Revision), When: c.Time, Tool: tool()}
	for _, r := range c.Rigs {
		x := card.Rig{Rig: r.Rig, Sheet: r.Sheet, Logs: r.Logs, Jobs: c.Jobs}
		for _, t := range r.Tunes {
			y := card.Tune{Name: t.Name, Tune: t.Tune}
			y.Changes, y.Since = changes(r, t)
			x.Tunes = append(x.Tunes, y)
		}
		v.Rigs = append(v.Rigs, x)
	}
	for _, p := range c.Paths() {
		v.Files = append(v.Files, page.File{Path: p, SHA256: sha256Text(c.Files[p])})
	}
	var b bytes.Buffer
	err := card.Write(&b, k.cat, v)
	return b.Bytes(), err
}

// moment is a tune as it was at a revision.
type moment struct {
	side diffview.Side
	card.Change
}

// lastJobs is how many jobs, or else revisions, a card looks back.
const lastJobs = 3

// lastChanges says what changed in a tune over the last three jobs that pin it, or over the last
// three revisions where there are not two such jobs.
func (k bundleRun) lastChanges(c *handover.Contents, r handover.Rig, t handover.Tune) ([]card.Change, string) {
	name := r.ID + "/" + t.Name
	at := func(when, job string) (moment, bool) {
		d, err := k.lib.Names().Load(name+"@"+when, true)
		if err != nil || d.Commit == nil {
			return moment{}, false
		}
		m := moment{side: compareRun(k).side(d)}
		m.When, m.Who, m.Why, m.Revision, m.Job = d.Commit.When, d.Commit.Author.Name, d.Commit.Subject, string(d.Commit.ID), firstOf(job, d.Commit.Job())
		return m, true
	}
	rr := library.RigRef{Fingerprint: r.ID, Alias: r.Alias, Gimbal: r.Gimbal, Was: r.Was}
	hist, err := k.lib.Past().History(rr, t.Name, lastJobs+1)
	if err != nil || len(hist) == 0 {
		return nil, ""
	}
	jobs := slices.Clone(c.Jobs)
	slices.SortStableFunc(jobs, func(a, b preset.Job) int { return b.From.Compare(a.From) })
	var moments []moment
	for _, j := range jobs {
		rev, err := k.lib.Jobs().Pinned(j.Slug, rr, t.Name)
		if err != nil || len(moments) > lastJobs {
			continue
		}
		if m, ok := at(string(rev), j.Slug); ok {
			moments = append(moments, m)
		}
	}
	since := "jobs"
	if len(moments) < 2 {
		moments, since = nil, "revisions"
		for _, h := range hist {
			if m, ok := at(string(h.ID), ""); ok {
				moments = append(moments, m)
			}
		}
	} else if now, ok := at(string(hist[0].ID), ""); ok && now.Revision != moments[0].Revision {
		moments = append([]moment{now}, moments...)
	}
	var out []card.Change
	for i := 0; i < len(moments) && i < lastJobs+1; i++ {
		m := moments[i].Change
		if i+1 < len(moments) {
			m.Words = reportWords(diffview.Compare(k.cat, moments[i+1].side, moments[i].side), k.Now().Location())
		} else if since == "jobs" || len(hist) > lastJobs {
			break // what it is to be compared with lies further back than we look
		} else {
			m.Words = []string{"the first revision of this tune"}
		}
		out = append(out, m)
	}
	return out, since
}

func reportWords(r diffview.Report, zone *time.Location) []string {
	var out []string
	for _, line := range strings.Split(diffview.InWords(r, zone), "\n") {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

// readHandover reads a file, no more of it than a handover can have, and checks it whole.
func (k bundleRun) readHandover(name string) (*handover.Package, error) {
	// what a hostile file could make us hold at once stays well below 200 MB
	debug.SetMemoryLimit(128 << 20)
	in := k.Stdin
	if name != "-" {
		st, err := os.Stat(k.path(name))
		if err == nil && !st.Mode().IsRegular() {
			return nil, fail(exitUsage, "%s is not a file", name)
		}
		f, err := os.Open(k.path(name))
		if os.IsNotExist(err) {
			return nil, fail(exitNotFound, "file not found: %s", name)
		}
		if err != nil {
			return nil, outError(name, err)
		}
		defer f.Close()
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, handover.MaxSize+1))
	if err != nil {
		return nil, &failure{code: exitNetwork, text: "reading " + name + " failed: " + rootCause(err), err: err}
	}
	return handover.Open(data, k.cat)
}

// signature is who signed, for JSON and for words.
type signature struct {
	TrustLevel string   `json:"standing"` // trusted, unsigned, unknown key, proposed, other person, expired, …
	Key        string   `json:"key,omitempty"`
	Type       string   `json:"type,omitempty"`
	Principals []string `json:"principals"`
	List       string   `json:"list,omitempty"` // the file of --signers; else the keys pinned here were asked
	Line       int      `json:"line,omitempty"`
	Proposed   string   `json:"proposed_revision,omitempty"` // that named the key in trust/allowed_signers
	ProposedBy string   `json:"proposed_by,omitempty"`
	VouchedBy  string   `json:"vouched_by,omitempty"` // the pinned key that signed that revision

	public   string
	bound    string // the key that the sender's name signed with before
	pinned   time.Time
	proposal *handover.Proposal
}

// signatureOf judges a handover's signature: by the list of --signers, else by the keys that are
// pinned here for this library.
func (k bundleRun) signatureOf(p *handover.Package) (signature, error) {
	s := signature{Principals: []string{}}
	if p.Signed {
		s.Key, s.Type, s.public = p.Key.Print, p.Key.Type, p.Key.Public()
	}
	if name := k.c.String("signers"); name != "" {
		data, err := os.ReadFile(k.path(name))
		if os.IsNotExist(err) {
			return s, fail(exitNotFound, "file not found: %s", name)
		}
		if err != nil {
			return s, err
		}
		t, err := handover.ParseTrusted(name, data, time.Local)
		if err != nil {
			return s, err
		}
		v := p.TrustLevel(t, k.Now())
		s.TrustLevel, s.List, s.Line = string(v.TrustLevel), name, v.Line
		s.Principals = append(s.Principals, v.Principals...)
		return s, nil
	}
	if k.lib == nil {
		s.TrustLevel = string(p.TrustLevel(nil, k.Now()).TrustLevel)
		return s, nil
	}
	pins, _, err := trustRun(k).pins()
	if err != nil {
		return s, err
	}
	v, pin := pins.Judge(p, k.Now())
	s.TrustLevel, s.bound = string(v.TrustLevel), pins.Bound(p.Sender.Email)
	s.Principals = append(s.Principals, v.Principals...)
	if pin != nil {
		s.Proposed, s.ProposedBy, s.pinned = pin.Revision, pin.By, pin.Added
		return s, nil
	}
	if !p.Signed {
		return s, nil
	}
	all, _, err := handover.Proposals(k.lib.Store, pins, k.Now())
	for i, x := range all {
		if x.Key.Print == p.Key.Print {
			s.TrustLevel, s.proposal = string(handover.Proposed), &all[i]
			s.Principals = append(s.Principals, x.Principals...)
			s.Proposed, s.ProposedBy, s.VouchedBy = string(x.Revision), x.By.Name, x.Vouched
			break
		}
	}
	return s, err
}

func (s signature) good() bool { return s.TrustLevel == string(handover.Good) }

// words say who signed, loudly where it is not to be trusted; days are in zone.
func (s signature) words(p *handover.Package, zone *time.Location) (text, hint string) {
	names := strings.Join(s.Principals, ", ")
	at := "pinned here"
	if s.List != "" {
		at = fmt.Sprintf("%s:%d", s.List, s.Line)
	}
	switch s.TrustLevel {
	case string(handover.Good):
		if s.List == "" {
			at = "pinned here on " + schema.SayDay(s.pinned, zone)
			if s.Proposed != "" {
				at += ", proposed by revision " + store.Rev(s.Proposed).Short() + " of " + s.ProposedBy
			}
		}
		return fmt.Sprintf("signed by %s, trusted as %s (%s)", s.Key, names, at), ""
	case string(handover.Unsigned):
		return "NOT SIGNED: anyone could have made this file", "ask the sender for a signed one: rigkeep handover write --sign KEY"
	case string(handover.Proposed):
		return fmt.Sprintf("SIGNED BY A KEY THAT IS NOT PINNED HERE: %s, which %s names for %s (%s)", s.Key, handover.SignersPath, names, s.proposal.Origin(zone)),
			"if " + names + " confirms the key by another way, pin it with:\nrigkeep trust add " + s.Key
	case string(handover.Rebound):
		return fmt.Sprintf("SIGNED BY ANOTHER KEY THAN BEFORE: %s signed with %s here; this is %s", p.Sender, s.bound, s.Key),
			"ask the sender; if the key is a new one, pin it with:\nrigkeep trust add " + s.Key
	case "unknown key":
		return fmt.Sprintf("SIGNED BY AN UNKNOWN KEY: it says it is from %s; %s is not pinned here", p.Sender, s.Key),
			fmt.Sprintf("if the sender confirms the key by another way, pin it with:\nrigkeep trust add '%s %s'", p.Sender.Email, s.public)
	case "other person":
		return fmt.Sprintf("SIGNED BY SOMEBODY ELSE: it says it is from %s; the key is that of %s (%s)", p.Sender, names, at), "ask both of them"
	case "expired", "not yet valid":
		return fmt.Sprintf("SIGNED BY A KEY THAT IS NOT VALID NOW (%s): %s of %s (%s)", s.TrustLevel, s.Key, names, at), "ask the sender for one signed with a key that is"
	}
	return fmt.Sprintf("SIGNED BY A KEY THAT IS TRUSTED FOR OTHER THINGS ONLY (%s): %s of %s (%s)", s.TrustLevel, s.Key, names, at), "the list's namespaces must name " + handover.Namespace
}
