package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"

	"rigkeep/diffview"
	"rigkeep/diffview/card"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/library"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func sha256Text(data []byte) string { return fmt.Sprintf("%x", sha256.Sum256(data)) }

// taking is a handover with what it would do here.
type taking struct {
	p       *handover.Package
	sig     signature
	a       *handover.Acceptance // nil without a library
	old     *handover.Old        // it is all here already
	refusal error                // why it cannot be taken in, where that is no fault of the file
	reports []diffview.Report
}

// take reads a handover and works out what accepting it would do.
func (k bundleRun) take(name string) (*taking, error) {
	p, err := k.readHandover(name)
	if err != nil {
		return nil, err
	}
	t := &taking{p: p}
	if t.sig, err = k.signatureOf(p); err != nil || k.lib == nil {
		return t, err
	}
	var choices *merge.Choices
	ours, theirs, values := k.c.StringSlice("ours"), k.c.StringSlice("theirs"), k.c.StringSlice("set")
	if len(ours)+len(theirs)+len(values) > 0 {
		if choices, err = k.lib.Merging().Choices(ours, theirs, values); err != nil {
			return nil, err
		}
	}
	t.a, err = handover.Accept(k.lib, p, handover.Options{On: k.c.String("on"), Alias: k.c.String("alias"), Jobs: k.c.Bool("jobs"), Choices: choices})
	if errors.As(err, &t.old) {
		return t, nil
	}
	if err != nil {
		t.refusal = err
		return t, nil
	}
	if t.a.Plan != nil {
		t.reports, err = compareRun(k).reports(t.a.Plan)
	}
	return t, err
}

type jsonHistory struct {
	Revision string `json:"revision"` // in the bundle
	From     string `json:"from"`     // the sender's own
	When     string `json:"when"`
	By       string `json:"by"`
	Why      string `json:"why"`
}

// jsonTakenUnit is a unit of a handover.
type jsonTakenUnit struct {
	Gimbal   string     `json:"gimbal"`
	Serial   string     `json:"serial"`
	Label    string     `json:"label,omitempty"`
	Firmware string     `json:"firmware,omitempty"`
	Trouble  string     `json:"trouble,omitempty"`
	Held     []jsonHeld `json:"held"` // oldest first; one without a rig is of something that was not handed over
}

type jsonTaking struct {
	Format      int                   `json:"format"`
	Manifest    handover.Manifest     `json:"manifest"`
	Digest      string                `json:"digest"`
	Bytes       int                   `json:"bytes"`
	Signature   signature             `json:"signature"`
	History     []jsonHistory         `json:"history"` // newest first
	Jobs        []string              `json:"jobs"`
	Photos      int                   `json:"photos"`            // that would come in, or came
	Units       []jsonTakenUnit       `json:"units"`             // that the handover speaks of
	UnitChanges []handover.UnitChange `json:"unit_changes"`      // what comes of them here
	Known       string                `json:"known,omitempty"`   // why there is nothing to take in
	Refused     string                `json:"refused,omitempty"` // why it cannot be taken in here
	Changes     []diffview.Report     `json:"changes"`
	Conversions []handover.Conversion `json:"conversions"`
	Conflicts   []merge.Conflict      `json:"conflicts"`
	Notes       []merge.Note          `json:"notes"`
	Revision    string                `json:"accepted,omitempty"` // the revision it became
}

func (k bundleRun) jsonOf(t *taking) jsonTaking {
	j := jsonTaking{Format: 1, Manifest: t.p.Manifest, Digest: t.p.Digest, Bytes: t.p.Size, Signature: t.sig, History: []jsonHistory{}, Jobs: []string{},
		Changes: []diffview.Report{}, Conversions: []handover.Conversion{}, Conflicts: []merge.Conflict{}, Notes: []merge.Note{}, Units: []jsonTakenUnit{}, UnitChanges: []handover.UnitChange{}}
	for _, u := range t.p.Units {
		x := jsonTakenUnit{u.Gimbal, u.Serial, u.Label, u.Firmware, u.Trouble, []jsonHeld{}}
		for _, h := range u.Held {
			x.Held = append(x.Held, jsonHeld{h.At, h.By, h.Memory, h.Rig, t.alias(h.Rig), h.Tune, h.Revision, h.Digest, h.Values})
		}
		j.Units = append(j.Units, x)
	}
	commits := t.p.History.Commits()
	for _, c := range slices.Backward(commits) {
		j.History = append(j.History, jsonHistory{string(c.ID), c.Trailer(handover.Trailer), c.When.UTC().Format("2006-01-02T15:04:05Z"), c.Author.Name, c.Subject})
	}
	for _, x := range t.p.Jobs {
		j.Jobs = append(j.Jobs, x.Slug)
	}
	if t.old != nil {
		j.Known = t.old.Error()
	}
	if t.refusal != nil {
		j.Refused = t.refusal.Error()
	}
	if t.a != nil {
		j.Changes = append(j.Changes, t.reports...)
		j.Photos = t.a.Photos
		j.UnitChanges = append(j.UnitChanges, t.a.Units...)
		j.Conversions, j.Conflicts, j.Notes = append(j.Conversions, t.a.Conversions...), append(j.Conflicts, t.a.Conflicts...), append(j.Notes, t.a.Notes...)
	}
	return j
}

// alias is what the handover calls a rig.
func (t *taking) alias(fp string) string {
	for _, r := range t.p.Rigs {
		if fp == r.ID || slices.Contains(r.Was, fp) {
			return r.Alias
		}
	}
	return ""
}

func runHandoverRead(k *invocation) error {
	// a library is needed only to say what would change in it
	if err := k.open(); err != nil && (!isNotFound(err) || k.c.String("library") != "") {
		return err
	}
	t, err := bundleRun{k}.take(k.args[0])
	if err != nil {
		return err
	}
	if out := k.c.String("card"); out != "" {
		html, err := bundleRun{k}.cardOf(&t.p.Contents, bundleRun{k}.historyOf(t.p))
		if err != nil {
			return err
		}
		if err := k.writeOut(out, html); err != nil {
			return err
		}
		k.say("wrote %s, made anew from the checked contents", safe.Line(out))
	}
	if k.json() {
		if err := k.encode((bundleRun{k}).jsonOf(t)); err != nil {
			return err
		}
	} else if err := (bundleRun{k}).printTaking(t); err != nil {
		return err
	}
	if !t.sig.good() {
		return errFindings
	}
	return nil
}

// historyOf gives the last revisions of the handover's own history, for a card without a library.
func (k bundleRun) historyOf(p *handover.Package) func(handover.Rig, handover.Tune) ([]card.Change, string) {
	return func(r handover.Rig, t handover.Tune) ([]card.Change, string) {
		side := func(c store.Commit) (diffview.Side, bool) {
			files, err := p.History.Files(c.ID)
			if err != nil {
				return diffview.Side{}, false
			}
			for _, fp := range append([]string{r.ID}, r.Was...) {
				for _, f := range files {
					if f.Path != preset.TunePath(fp, t.Name) {
						continue
					}
					x := compareRun(k).tuneOf(f.Path, p.History.Contents(f.Blob))
					rig := r.Rig
					return diffview.Side{Label: r.Alias, Rig: &rig, Sheet: r.Sheet, Tune: x, Texts: map[string][]byte{"tune": p.History.Contents(f.Blob)}}, x != nil
				}
			}
			return diffview.Side{}, false
		}
		var out []card.Change
		commits := p.History.Commits()
		for i := len(commits) - 1; i > 0 && len(out) < lastJobs; i-- {
			b, ok1 := side(commits[i])
			a, ok2 := side(commits[i-1])
			if !ok1 || !ok2 || string(a.Texts["tune"]) == string(b.Texts["tune"]) {
				continue
			}
			a.Texts, b.Texts = nil, nil
			c := commits[i]
			out = append(out, card.Change{When: c.When, Who: c.Author.Name, Why: c.Subject, Job: c.Job(), Revision: c.Trailer(handover.Trailer), Words: reportWords(diffview.Compare(k.cat, a, b), k.Now().Location())})
		}
		return out, "revisions"
	}
}

func (k bundleRun) printTaking(t *taking) error {
	p := t.p
	k.printf("%s\n", k.paint.bold("handover from "+safe.Line(p.Sender.String())))
	k.printf("  as of %s, revision %s, made by %s\n", k.clock(p.Time), p.Revision.Short(), safe.Line(p.Manifest.Tool))
	text, hint := t.sig.words(p, k.Now().Location())
	colour := k.paint.bad
	if t.sig.good() {
		colour = k.paint.good
	}
	for _, line := range strings.Split(strings.TrimRight(wrap(safe.Line(text), "  ", k.wide), "\n"), "\n") {
		k.printf("%s\n", colour(line))
	}
	// a key stands on a line of its own, to be copied
	if words, line, ok := strings.Cut(hint, "\n"); hint != "" {
		k.write(wrap(safe.Line(words), "    ", k.wide))
		if ok {
			k.printf("    %s\n", safe.Line(line))
		}
	}
	if p.Note != "" {
		k.printf("\n%s", wrap(safe.Text(p.Note), "  ", k.wide))
	}
	if k.c.Bool("all") {
		k.printContents(t)
	} else {
		k.printShort(t)
	}
	if k.lib == nil {
		k.say("no library here; add --library DIR to preview the changes")
		return nil
	}
	k.printf("\n%s\n", k.paint.bold("What accepting would change"))
	if k.c.Bool("all") {
		return k.printEffect(t)
	}
	var effect bytes.Buffer
	out := k.Stdout
	k.Stdout = &effect
	err := k.printEffect(t)
	k.Stdout = out
	k.brief(effect.String(), 4, " All of it: --all")
	return err
}

// printContents is all that a handover holds.
func (k bundleRun) printContents(t *taking) {
	p := t.p
	for _, r := range p.Rigs {
		for _, x := range r.Tunes {
			k.printf("\n")
			d := &library.Loaded{Ref: library.Ref{Rig: r.Alias, Tune: x.Name}, Rig: r.Rig, Sheet: r.Sheet, Tune: &x.Tune}
			showRun(k).printValues(d)
			showRun(k).printProof(d, x.Tune.Stale(r.Rig, r.Sheet, ""))
		}
	}
	commits := p.History.Commits()
	k.printf("\n%s\n", k.paint.bold("History, "+schema.Count(len(commits), "revision", "revisions")))
	h := table{}
	for i, c := range slices.Backward(commits) {
		if i < len(commits)-5 {
			h.add(fmt.Sprintf("… and %d before", i+1), "", "")
			break
		}
		h.add(k.clock(c.When), c.Author.Name, c.Subject)
	}
	k.write(h.render(k.paint, "  ", k.wide))
	for _, j := range p.Jobs {
		k.printf("  job %s: %s\n", safe.Line(j.Slug), safe.Line(j.Name))
	}
	if len(p.Units) > 0 {
		k.printf("\n%s\n", k.paint.bold("Units"))
		u := table{}
		for _, x := range p.Units {
			var holds []string
			for _, h := range x.Memory() {
				holds = append(holds, "holds "+heldWords(h, t.alias(h.Rig), k.Now().Location()))
			}
			name := x.Serial
			if x.Label != "" {
				name += " (" + x.Label + ")"
			}
			words := []string{firstOf(strings.Join(holds, "; "), "no record of what it holds")}
			if x.Firmware != "" {
				words = append(words, "firmware "+x.Firmware)
			}
			if x.Trouble != "" {
				words = append(words, "trouble: "+x.Trouble)
			}
			u.add(safe.Line(name), safe.Line(strings.Join(words, ". ")))
		}
		k.write(u.render(k.paint, "  ", k.wide))
	}
}

// printShort is what the next person looks at first: the values, how far they are proved, and what comes with them.
func (k bundleRun) printShort(t *taking) {
	p := t.p
	for _, r := range p.Rigs {
		for _, x := range r.Tunes {
			k.printf("\n")
			showRun(k).shortTune(&library.Loaded{Ref: library.Ref{Rig: r.Alias, Tune: x.Name}, Rig: r.Rig, Sheet: r.Sheet, Tune: &x.Tune})
		}
	}
	commits := p.History.Commits()
	with := []string{schema.Count(len(commits), "revision", "revisions")}
	if n := len(p.Jobs); n > 0 {
		with = append(with, schema.Count(n, "job", "jobs"))
	}
	k.write(wrap("With "+schema.List(with)+", the last of "+k.clock(commits[len(commits)-1].When)+": "+safe.Line(commits[len(commits)-1].Subject), "", k.wide))
	var names []string
	for _, x := range p.Units {
		name := x.Serial
		if x.Label != "" {
			name += " (" + x.Label + ")"
		}
		if x.Trouble != "" {
			name += ", trouble: " + x.Trouble
		}
		names = append(names, name)
	}
	if names != nil {
		k.write(wrap(safe.Line("Units: "+strings.Join(names, "; ")), "", k.wide))
	}
}

// brief prints the first n lines of a text that are not empty, and how to see the others.
func (k bundleRun) brief(text string, n int, more string) {
	lines := slices.DeleteFunc(strings.Split(text, "\n"), func(l string) bool { return strings.TrimSpace(l) == "" })
	k.write(strings.Join(lines[:min(n, len(lines))], "\n") + "\n")
	if left := len(lines) - n; left > 0 {
		k.printf("… and %s.%s\n", schema.Count(left, "more line", "more lines"), more)
	}
}

// printEffect says what a handover would change, or why it would not.
func (k bundleRun) printEffect(t *taking) error {
	switch {
	case t.old != nil:
		k.write(wrap("nothing: "+safe.Line(t.old.Error()), "  ", k.wide))
		return nil
	case t.refusal != nil:
		k.write(wrap("cannot be accepted: "+safe.Line(t.refusal.Error()), "  ", k.wide))
		return nil
	}
	k.printConversions(t.a.Conversions)
	if len(t.a.Conflicts) > 0 {
		syncRun(k).printClashes(clashes(t.a.Conflicts), "settle these conflicts first", "rigkeep handover accept "+shellWord(safe.Line(k.args[0])))
		return nil
	}
	var b, added strings.Builder
	for _, r := range t.reports {
		// a file that is new as a whole is only named: its contents are in the handover
		r.Documents = slices.DeleteFunc(slices.Clone(r.Documents), func(d diffview.Document) bool {
			if d.Op == diffview.Added {
				fmt.Fprintf(&added, "  + %s\n", safe.Line(d.Path))
			}
			return d.Op == diffview.Added
		})
		if r.Build == nil && len(r.Tune) == 0 && r.Proof == nil && len(r.Other) == 0 && len(r.Documents) == 0 {
			continue
		}
		if err := diffview.WriteText(&b, r, diffview.Options{All: k.c.Bool("all"), Zone: k.Now().Location()}, diffview.Style{Colour: k.paint.on, Width: k.wide}); err != nil {
			return err
		}
	}
	if len(t.reports) == 0 {
		b.WriteString("  no value; only the history comes in\n")
	}
	if n := t.a.Photos; n > 0 {
		fmt.Fprintf(&added, "  + %s\n", schema.Count(n, "photo", "photos"))
	}
	for _, u := range t.a.Units {
		fmt.Fprintf(&added, "  + %s\n", safe.Line(u.Words()))
	}
	k.write(b.String() + added.String())
	for _, n := range t.a.Notes {
		k.write(wrap("note: "+safe.Line(firstOf(n.File, n.Path))+": "+safe.Line(n.Text), "  ", k.wide))
	}
	if left := t.a.JobsLeft; len(left) > 0 {
		k.write(wrap("jobs left out: "+safe.Line(strings.Join(left, ", "))+" (--jobs adds those that are not here yet)", "  ", k.wide))
	}
	return nil
}

func clashes(cs []merge.Conflict) []library.Clash {
	out := make([]library.Clash, len(cs))
	for i, c := range cs {
		out[i] = library.Clash{Conflict: c}
	}
	return out
}

// printConversions shows each number that goes from one gimbal's dial to another's.
func (k bundleRun) printConversions(cs []handover.Conversion) {
	if len(cs) == 0 {
		return
	}
	title := "the same dials: numbers go over as they are"
	if slices.ContainsFunc(cs, func(c handover.Conversion) bool { return c.Unit != "" }) {
		title = "converted through SI"
	}
	k.printf("%s\n", k.paint.bold(title))
	t := table{head: true, right: map[int]bool{1: true, 2: true, 3: true, 4: true}}
	t.add("parameter", "there", "SI", "here", "set to", "")
	for _, c := range cs {
		why := ""
		if c.Toward != "" {
			why = "to a step of " + schema.Num(c.Step) + ", the " + c.Toward + " side"
		}
		if c.Unit == "" {
			t.add(c.Key, schema.Num(c.From), "", "", schema.Num(c.To), "the same dial")
			continue
		}
		t.add(c.Key, schema.Num(c.From), schema.Sig(c.SI, 4)+" "+c.Unit, schema.Sig(c.Exact, 4), schema.Num(c.To), why)
	}
	k.write(t.render(k.paint, "  ", k.wide))
	k.write(wrap("Caution: equal stiffness is not equal behaviour. This gimbal has a different inertia and nothing was proved on it: start below these numbers.", "  ", k.wide))
}

// trust refuses a handover whose sender is not to be trusted, unless that was asked for.
func (k bundleRun) trust(t *taking) error {
	if t.sig.good() {
		return nil
	}
	if p := t.sig.proposal; p != nil && !k.dryRun() && trustRun(k).canAsk() {
		pins, name, err := trustRun(k).pins()
		if err != nil {
			return err
		}
		if err := trustRun(k).askPin(*p); err == nil {
			if err := trustRun(k).pin(pins, name, *p); err != nil {
				return err
			}
			if t.sig, err = k.signatureOf(t.p); err != nil || t.sig.good() {
				return err
			}
		} else if !errors.Is(err, errNotPinned) {
			return err
		}
	}
	text, hint := t.sig.words(t.p, k.Now().Location())
	unsigned := t.sig.TrustLevel == string(handover.Unsigned)
	flag := "trust-unknown"
	if unsigned {
		flag = "unsigned"
	}
	if k.c.Bool(flag) {
		k.say("%s", k.paint.bad(strings.TrimRight(wrap(safe.Line(text), "", k.wide), "\n")))
		return nil
	}
	return fail(exitDamaged, "%s; nothing accepted", text).hinted("%s\nto take it in all the same: --%s", hint, flag)
}

func runHandoverAccept(k *invocation) error {
	t, err := bundleRun{k}.take(k.args[0])
	if err != nil {
		return err
	}
	if err := (bundleRun{k}).trust(t); err != nil {
		return err
	}
	if err := (bundleRun{k}).refused(t); err != nil {
		return err
	}
	var names []string
	for _, r := range t.p.Rigs {
		names = append(names, r.Alias)
	}
	subject := k.why("Accept a handover of " + strings.Join(names, ", ") + " from " + t.p.Sender.Name)
	if k.dryRun() {
		if k.json() {
			return k.encode(bundleRun{k}.jsonOf(t))
		}
		k.printf("would accept as one revision: %s\n", safe.Line(subject))
		return bundleRun{k}.printEffect(t)
	}
	if !k.json() {
		bundleRun{k}.printConversions(t.a.Conversions)
	}
	body := words(t.reports)
	rev, err := k.record(t.a.Plan, subject, body, t.trailers())
	if err != nil {
		return err
	}
	trustRun{k}.bind(t)
	if k.json() {
		j := bundleRun{k}.jsonOf(t)
		j.Revision = string(rev)
		return k.encode(j)
	}
	bundleRun{k}.brief(k.fold(k.Stdout, safe.Text(body)), 5, "\nTry: rigkeep git show "+rev.Short())
	k.write(wrap(fmt.Sprintf("saved as %s: %s", rev.Short(), safe.Line(subject)), "", k.wide))
	bundleRun{k}.printBeside(t)
	k.say("Not proved here: balance it, start low, test it handheld.\nTry: rigkeep prove %s", safe.Line(names[0]))
	return nil
}

// refused says why a handover is not taken in: it is here already, does not fit here, or clashes.
func (k bundleRun) refused(t *taking) error {
	switch {
	case t.old != nil && t.old.Same:
		return fail(exitFindings, "%s", t.old.Error())
	case t.old != nil:
		return fail(exitDamaged, "%s", t.old.Error()).hinted("Try: rigkeep history %s", t.p.Rigs[0].Alias)
	case t.refusal != nil:
		return t.refusal
	case len(t.a.Conflicts) == 0:
		return nil
	case k.json():
		if err := k.encode(k.jsonOf(t)); err != nil {
			return err
		}
	default:
		k.printConversions(t.a.Conversions)
		syncRun(k).printClashes(clashes(t.a.Conflicts), "nothing changed", "rigkeep handover accept "+shellWord(safe.Line(k.args[0])))
	}
	return &failure{code: exitConflict}
}

// trailers say in the revision where it came from, and who signed it.
func (t *taking) trailers() []store.Trailer {
	signed := t.sig.Key
	if signed == "" {
		signed = "no"
	} else if !t.sig.good() {
		signed += " (" + t.sig.TrustLevel + ")"
	}
	out := []store.Trailer{{Key: library.HandoverTrailer, Value: t.p.Digest}, {Key: "Handover-From", Value: t.p.Sender.String()}, {Key: library.SignedTrailer, Value: signed}}
	if t.sig.good() && t.sig.Proposed != "" {
		out = append(out, store.Trailer{Key: library.ProposedTrailer, Value: store.Rev(t.sig.Proposed).Short() + " of " + t.sig.ProposedBy})
	}
	return out
}

// printBeside says what came in beside the tunes, and what stayed out.
func (k bundleRun) printBeside(t *taking) {
	if n := t.a.Photos; n > 0 {
		k.printf("%s accepted\n", schema.Count(n, "photo", "photos"))
	}
	for _, u := range t.a.Units {
		k.printf("%s\n", safe.Line(u.Words()))
	}
	for _, n := range t.a.Notes {
		k.write(wrap("note: "+safe.Line(firstOf(n.File, n.Path))+": "+safe.Line(n.Text), "  ", k.wide))
	}
	if left := t.a.JobsLeft; len(left) > 0 {
		k.say("jobs that stayed out: %s", safe.Line(strings.Join(left, ", ")))
	}
}
