package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview"
	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/review"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func reviewVerb() command {
	return command{
		name: "review", args: "JOB | RIG[/TUNE]", short: "check a job or rig before the shoot",
		long: "Checks the pinned tunes of a job, or one rig as it is now. Findings are sorted by importance, each with what to do; --why adds reasons and evidence. " +
			"Lists changes since --since (default: the rig's last job) and what could not be checked.\n\n" +
			"--accept records in the job that a finding is accepted, with a reason and an end date (default: the job's last day; two weeks if the job is over). If the finding changes, or after that day, it returns.\n\n" +
			"Exit 1 if anything must be fixed. --rules lists the checks, --explain RULE explains one.",
		example: "rigkeep review pilot-station\nrigkeep review a-cam-prime --since 2026-01-15\nrigkeep review pilot-station --only proof --html review.html\nrigkeep review pilot-station --accept proof-missing:a-cam-prime -m \"Tested handheld this morning, no oscillation\" --until 2026-03-06\nrigkeep review --explain onset-near",
		flags: append(boolFlags("quiet", "only the exit code", "rules", "list the rules", "why", "reason, evidence and id of each finding"),
			&cli.StringFlag{Name: "job", Usage: "check the rig for this `JOB`"},
			&cli.StringFlag{Name: "since", Usage: "say what changed since this `JOB|DATE|REVISION`"},
			&cli.StringSliceFlag{Name: "only", Usage: "only findings of this `FAMILY|RULE|ID`; repeatable"},
			&cli.StringFlag{Name: "html", Usage: "write a page to this `FILE`"},
			&cli.StringSliceFlag{Name: "accept", Usage: "accept the finding with this `ID`; repeatable"},
			messageFlag(),
			&cli.StringFlag{Name: "until", Usage: "accepted until this `DATE`"},
			&cli.StringFlag{Name: "explain", Usage: "say what a `RULE` looks for"}),
		pages: true, reads: true, changes: true, noLib: true, maxArgs: 1, argKind: []string{"rigjob"}, run: runReview,
	}
}

func runReview(k *invocation) error {
	if id := k.c.String("explain"); id != "" {
		return reviewRun{k}.explainRule(id)
	}
	if k.c.Bool("rules") {
		return reviewRun{k}.listRules()
	}
	if len(k.args) == 0 {
		return usage("review needs a job or a rig").hinted("for example: rigkeep review JOB; the jobs: rigkeep job list")
	}
	if err := k.open(); err != nil {
		return err
	}
	pick, err := reviewRun{k}.pickRules()
	if err != nil {
		return err
	}
	q, of, err := reviewRun{k}.reviewOf(k.args[0])
	if err != nil {
		return err
	}
	if learnt, ok := schema.FindReviewRule("stiffness-above"); ok {
		q.Learn = pick.rule(learnt)
	}
	snap, err := k.lib.Review(q)
	if err != nil {
		return err
	}
	res := review.Some(*snap, pick.rule)
	res.Findings = slices.DeleteFunc(res.Findings, func(f review.Finding) bool { return !pick.finding(f) })
	if ids := k.c.StringSlice("accept"); len(ids) > 0 {
		accept := func(k *invocation) error { return reviewRun{k}.accept(*snap, res, ids) }
		if k.json() {
			return k.recorded("review", accept)
		}
		return accept(k)
	}
	for _, f := range []string{"message", "until"} {
		if k.c.IsSet(f) {
			return usage("--%s goes with --accept", f)
		}
	}
	r := diffview.Review{Format: 1, Of: of, At: k.Now(), Result: res, Counts: diffview.Tallied(res), Subject: []string{}, Only: pick, Changes: []diffview.Since{}}
	if snap.Job != nil {
		j := snap.Job
		r.Job, r.Name, r.From, r.To = j.Slug, j.Name, schema.SayDate(j.From), schema.SayDate(j.To)
	}
	for i := range snap.Subjects {
		r.Subject = append(r.Subject, snap.Subjects[i].Name)
	}
	if !k.c.Bool("quiet") || k.c.String("html") != "" {
		if err := (reviewRun{k}).reviewChanges(&r, snap, len(q.Rigs) > 0); err != nil {
			return err
		}
	}
	if err := (reviewRun{k}).renderReview(r, snap); err != nil {
		return err
	}
	if r.Counts.Fix > 0 {
		return errFindings
	}
	return nil
}

// reviewOf finds out what the person named: a job, or a rig.
func (k reviewRun) reviewOf(name string) (q library.ReviewRequest, of string, err error) {
	q.Now = k.Now()
	job := k.c.String("job")
	slug, jerr := "", error(&store.Error{Kind: store.ErrNotFound, Msg: "no job"})
	if s, ok := strings.CutPrefix(name, "job:"); ok {
		if slug, err = k.lib.Jobs().Named(s); err != nil {
			return q, "", err
		}
		jerr = nil
	} else if job == "" {
		if slug, jerr = k.lib.Jobs().Find(name); jerr != nil && !isNotFound(jerr) {
			return q, "", jerr
		}
	}
	if jerr == nil {
		if rr, ok := k.lib.Names().Named(name); ok {
			return q, "", usage("%q names a job and a rig", name).hinted("say which: rigkeep review job:%s, or the rig by its fingerprint: rigkeep review %s", name, rr.Fingerprint)
		}
		if job != "" {
			return q, "", usage("--job goes with a rig; %s is a job", name)
		}
		q.Job = slug
		return q, slug, nil
	}
	rr, ref, rerr := k.rigNamed(name)
	if rerr != nil {
		if slug, err := k.lib.Jobs().Named(name); err == nil && job == "" {
			q.Job = slug
			return q, slug, nil
		}
		if isNotFound(rerr) && job == "" {
			return q, "", fail(exitNotFound, "no job or rig %q in this library", name).hinted("list them with: rigkeep job list, rigkeep rig list")
		}
		return q, "", rerr
	}
	q.Rigs = []string{name}
	if job != "" {
		q.Job, err = k.lib.Jobs().Named(job)
		return q, name, err
	}
	// the one open job that has it and is not over; with none or several, none
	switch s, oerr := k.lib.Jobs().Open(rr, ref.Tune, k.notOver); {
	case oerr == nil:
		q.Job = s
	case !isNotFound(oerr):
		k.say("note: reviewed by itself: %v", oerr)
	}
	return q, name, nil
}

func (k *invocation) rigNamed(name string) (library.RigRef, library.Ref, error) {
	ref, err := library.ParseRef(name)
	if err != nil {
		return library.RigRef{}, ref, err
	}
	rr, err := k.lib.Names().Find(ref.Rig)
	return rr, ref, err
}

// notOver reports whether a job has a day left.
func (k reviewRun) notOver(j preset.Job) bool { return !review.Over(j, k.Now()) }

// picked is what --only leaves.
type picked []string

func (p picked) rule(r schema.ReviewRule) bool {
	if len(p) == 0 {
		return true
	}
	return slices.ContainsFunc(p, func(s string) bool {
		id, _, _ := strings.Cut(s, ":")
		return s == r.Family || id == r.ID
	})
}

func (p picked) finding(f review.Finding) bool {
	return len(p) == 0 || slices.ContainsFunc(p, func(s string) bool { return s == f.Family || s == f.Rule || s == f.ID })
}

func (k reviewRun) pickRules() (picked, error) {
	p := picked(k.c.StringSlice("only"))
	for _, s := range p {
		id, _, _ := strings.Cut(s, ":")
		if _, ok := schema.FindReviewRule(id); !ok && !isFamily(s) {
			f := usage("--only %s: unknown family or rule", s)
			if sug := schema.Suggest(id, ruleNames()); sug != "" {
				return nil, f.hinted("%s", sug)
			}
			return nil, f.hinted("list them with: rigkeep review --rules")
		}
	}
	return p, nil
}

func isFamily(s string) bool {
	return slices.ContainsFunc(schema.ReviewFamilies(), func(f schema.ReviewFamily) bool { return f.Name == s })
}

func ruleNames() []string {
	var out []string
	for _, f := range schema.ReviewFamilies() {
		out = append(out, f.Name)
		for _, r := range f.Rules {
			out = append(out, r.ID)
		}
	}
	return out
}

// accept writes the word of whoever runs this into the job.
func (k reviewRun) accept(snap review.Snapshot, res review.Result, ids []string) error {
	if snap.Job == nil {
		rr, ref, err := k.rigNamed(k.args[0])
		if err != nil {
			return err
		}
		if _, err := k.lib.Jobs().Open(rr, ref.Tune, k.notOver); err != nil {
			return fmt.Errorf("an acceptance is kept in a job: %w", err)
		}
		return usage("an acceptance is kept in a job").hinted("name it with --job")
	}
	j := *snap.Job
	why := strings.TrimSpace(k.c.String("message"))
	if why == "" {
		return usage("reason missing: add -m REASON")
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	asked, err := k.day("until", time.Time{})
	if err != nil {
		return err
	}
	until, err := review.AcceptedUntil(j, asked, k.Now())
	if err != nil {
		return usage("--until %v", err)
	}
	var as []preset.Accepted
	var body []string
	for _, id := range ids {
		i := slices.IndexFunc(res.Findings, func(f review.Finding) bool { return f.ID == id })
		if i < 0 {
			var have []string
			for _, f := range res.Findings {
				have = append(have, f.ID)
			}
			f := fail(exitNotFound, "no finding %q in this review", id)
			if s := schema.Suggest(id, have); s != "" {
				return f.hinted("%s", s)
			}
			return f.hinted("its findings: %s", firstOf(strings.Join(have, ", "), "none"))
		}
		f := res.Findings[i]
		as = append(as, preset.Accepted{Finding: id, Why: why, By: who.Name, Seen: f.Seen, Until: until})
		body = append(body, f.ID+": "+f.What)
	}
	plan, err := k.lib.Plans().Accept(j.Slug, as)
	if err != nil {
		return err
	}
	subject := fmt.Sprintf("Accept %s until %s: %s", strings.Join(ids, ", "), schema.SayDate(until), why)
	if k.dryRun() {
		k.recordResult("", subject, strings.Join(body, "\n"), plan.Paths()...)
		k.printf("would save as one revision:\n\n%s\n\n%s\n", safe.Line(subject), safe.Text(strings.Join(body, "\n")))
		return nil
	}
	return k.commit(plan, subject, strings.Join(body, "\n"), nil)
}

// reviewChanges adds what changed of each tune since --since, else since the last
// job that had it.
func (k reviewRun) reviewChanges(r *diffview.Review, snap *review.Snapshot, now bool) error {
	since := k.c.String("since")
	if since != "" {
		if err := k.lib.Names().IsMoment(since); err != nil {
			return err
		}
	}
	behave := k.c.String("html") != "" || k.json() // a program is told what a page shows
	for i := range snap.Subjects {
		x := &snap.Subjects[i]
		if x.Tune == nil {
			continue
		}
		rr, ref, err := k.rigNamed(x.Ref)
		if err != nil {
			continue // it is a finding already
		}
		c := diffview.Since{Of: x.Name, Since: since}
		before := since
		pins, err := k.lib.Jobs().Of(rr, ref.Tune)
		if err != nil {
			return err
		}
		if before == "" {
			before = lastJob(pins, snap.Job, k.Now())
			c.Since = before
		}
		after := x.Ref
		if !now && snap.Job != nil && !x.Open {
			after += "@" + snap.Job.Slug
		}
		if before == "" {
			c.Note = "not on any earlier job"
		} else if err := k.compareSince(&c, snap, x.Ref+"@"+before, after, behave); err != nil {
			return err
		}
		if behave {
			c.History = k.overJobs(rr, pins, x.Sheet, *x.Tune, snap.Job)
		}
		r.Changes = append(r.Changes, c)
	}
	return nil
}

// compareSince fills in the comparison of two references.
func (k reviewRun) compareSince(c *diffview.Since, snap *review.Snapshot, before, after string, behave bool) error {
	a, err := k.lib.Names().Load(before, true)
	if isNotFound(err) {
		c.Note = "nothing to compare with: " + err.Error()
		return nil
	}
	if err != nil {
		return err
	}
	b, err := k.lib.Names().Load(after, true)
	if err != nil {
		c.Note = "cannot be compared: " + err.Error()
		return nil
	}
	sa, sb := compareRun(k).side(a), compareRun(k).side(b)
	rep := diffview.Compare(k.cat, sa, sb)
	if behave {
		rep.Behaviour = diffview.Behave(k.cat, sa, sb, diffview.Conditions{Job: snap.Job})
	}
	c.Report = &rep
	c.Command = "rigkeep compare " + before + " " + after
	return nil
}

// lastJob is the newest job with the rig that began before this one (before now,
// without one).
func lastJob(pins []library.JobPin, j *preset.Job, now time.Time) string {
	slug := ""
	for _, p := range pins { // oldest first
		switch {
		case j != nil && (p.Job.Slug == j.Slug || !p.Job.From.Before(j.From)):
		case j == nil && p.Job.From.After(now):
		default:
			slug = p.Job.Slug
		}
	}
	return slug
}

// overJobs pictures the parameters of a tune over the jobs that had it, up to the
// job under review, and as reviewed.
func (k reviewRun) overJobs(rr library.RigRef, pins []library.JobPin, sheet *schema.Sheet, now preset.Tune, j *preset.Job) []diffview.Plot {
	var ms []diffview.Moment
	for _, p := range pins {
		if j != nil && (p.Job.Slug == j.Slug || p.Job.From.After(j.From)) {
			continue
		}
		if t := k.lib.Jobs().PinnedTune(p, rr); t != nil {
			ms = append(ms, diffview.Moment{Name: p.Job.Slug, Short: schema.SayDate(p.Job.From), Tune: *t})
		}
	}
	last := diffview.Moment{Name: "now", Short: "now", Tune: now}
	if j != nil {
		last.Name, last.Short = j.Slug, schema.SayDate(j.From)
	}
	return diffview.OverJobs(k.cat, sheet, append(ms, last))
}

func (k reviewRun) renderReview(r diffview.Review, snap *review.Snapshot) error {
	if k.c.String("html") != "" {
		r.Unfit = unfit(snap, r.Href, k.units().drawn())
	}
	if done, err := k.htmlPage(func(w io.Writer) error { return diffview.WriteReviewHTML(w, r, k.reviewFoot(snap)) }); done || err != nil {
		if done && k.c.String("html") != "-" {
			k.say("%s", r.Summary())
		}
		return err
	}
	switch {
	case k.c.Bool("quiet"):
		return nil
	case k.json():
		return k.encode(r)
	}
	var text strings.Builder
	if err := diffview.WriteReviewText(&text, r, diffview.Style{Colour: k.paint.on, Width: k.wide}, k.c.Bool("why")); err != nil {
		return err
	}
	k.write(text.String())
	return nil
}

// reviewFoot is by which a page on paper is traced: the library's revision.
func (k reviewRun) reviewFoot(snap *review.Snapshot) page.Foot {
	f := page.Foot{Made: snap.Now, Version: version()}
	if head, err := k.lib.Store.Head(); err == nil && head != "" {
		f.Commits = append(f.Commits, string(head))
	}
	return f
}

// listRules lists what a review looks for.
func (k reviewRun) listRules() error {
	fs := schema.ReviewFamilies()
	if k.json() {
		return k.encode(struct {
			Format   int                   `json:"format"`
			Families []schema.ReviewFamily `json:"families"`
		}{1, fs})
	}
	for i, f := range fs {
		if i > 0 {
			k.printf("\n")
		}
		k.printf("%s\n%s", k.paint.bold(f.Title+" ("+f.Name+")"), wrap(f.About, "  ", k.wide))
		t := table{}
		for _, r := range f.Rules {
			t.add(r.ID, r.Severity.String(), r.Title)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	k.say("Try: rigkeep review --explain proof-old")
	return nil
}

// explainRule says what one rule looks for; the id of a finding names its rule.
func (k reviewRun) explainRule(id string) error {
	id, _, _ = strings.Cut(id, ":")
	r, ok := schema.FindReviewRule(id)
	if !ok {
		f := fail(exitNotFound, "unknown rule %q", id)
		if s := schema.Suggest(id, ruleNames()); s != "" {
			return f.hinted("%s", s)
		}
		return f.hinted("list them with: rigkeep review --rules")
	}
	if k.json() {
		return k.encode(struct {
			Format int               `json:"format"`
			Rule   schema.ReviewRule `json:"rule"`
		}{1, r})
	}
	k.printf("%s  %s (%s, %s)\n", k.paint.bold(r.ID), r.Title, r.Family, r.Severity)
	p := func(title, text string) {
		if text != "" {
			k.printf("\n%s\n%s", k.paint.bold(title), wrap(text, "  ", k.wide))
		}
	}
	p("When", r.About)
	if l := r.Limit; l != nil {
		p("Threshold", fmt.Sprintf("%s %s (%s)", schema.Num(l.Value), l.Unit, l.Source))
	}
	p("Why it matters", r.Why)
	p("What to do", r.Do)
	p("Commands", strings.Join(r.Commands, "\n"))
	return nil
}
