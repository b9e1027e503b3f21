package diffview

import (
	"fmt"
	"io"
	"strings"
	"time"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
	"rigkeep/preset/review"
	"rigkeep/schema"
)

// Review is a review before a shoot, ready to be written.
type Review struct {
	Format  int       `json:"format"`
	Of      string    `json:"of"`            // the job's slug or the rig
	Job     string    `json:"job,omitempty"` // in whose light it was made
	Name    string    `json:"name,omitempty"`
	From    string    `json:"from,omitempty"` // first and last day of the job
	To      string    `json:"to,omitempty"`
	At      time.Time `json:"at"`
	Subject []string  `json:"subjects"` // the tunes that were looked at
	// Only are the families, rules and findings that were asked for; none is all.
	Only []string `json:"only,omitempty"`
	// Goes is what goes out, Unfit what does not fit its gimbal, Place where the page stands
	// and Href the page of a rig, "" for none; for a page.
	Goes   []GoesOut               `json:"-"`
	Unfit  []Unfit                 `json:"-"`
	Place  Place                   `json:"-"`
	Href   func(rig string) string `json:"-"`
	Counts Tally                   `json:"counts"`
	review.Result
	// Changes is what changed of each tune since the job, date or revision named,
	// else since the last job that had it.
	Changes []Since `json:"changes"`
}

// Tally counts findings; those accepted are in no other number.
type Tally struct {
	Fix      int `json:"fix"`
	Check    int `json:"check"`
	Note     int `json:"note"`
	Accepted int `json:"accepted"`
}

// Summary says what was found on one line.
func (r Review) Summary() string {
	if words := r.Counts.Words(); words != "" {
		return words
	}
	return r.noFindings()
}

// noFindings says in how many rules nothing was found: those that could not be tested
// somewhere do not count.
func (r Review) noFindings() string {
	untested := map[string]bool{}
	for _, n := range r.NotChecked {
		untested[n.Rule] = true
	}
	return fmt.Sprintf("no findings in %d of %s", r.Checked-len(untested), schema.Count(r.Checked, "rule", "rules"))
}

// Since is what changed of one tune.
type Since struct {
	Of      string  `json:"of"`
	Since   string  `json:"since,omitempty"`   // "" for the first time
	Note    string  `json:"note,omitempty"`    // why there is nothing to compare with
	Command string  `json:"command,omitempty"` // that shows it at length
	Report  *Report `json:"report,omitempty"`
	// History is each parameter over the jobs that had the tune; for a page and for JSON.
	History []Plot `json:"history,omitempty"`
}

// Tallied counts the findings of a result.
func Tallied(r review.Result) Tally {
	return Tally{r.Count(schema.Fix), r.Count(schema.Check), r.Count(schema.Note), r.Accepted()}
}

// Words says the tally on one line, "" of no finding.
func (t Tally) Words() string {
	var out []string
	for _, c := range []struct {
		n    int
		what string
	}{{t.Fix, "to fix"}, {t.Check, "to check"}, {t.Note, "to note"}, {t.Accepted, "accepted"}} {
		if c.n > 0 {
			out = append(out, fmt.Sprintf("%d %s", c.n, c.what))
		}
	}
	return strings.Join(out, ", ")
}

// title names the review.
func (r Review) title() string {
	what := r.Of
	if r.Job == r.Of && r.Name != "" {
		what = r.Name
	}
	if len(r.Only) > 0 {
		return "Partial review: " + what
	}
	return "Review: " + what
}

// days says when the job is.
func (r Review) days() string {
	if r.From == r.To {
		return r.From
	}
	return r.From + " to " + r.To
}

// severityTone is how a severity is painted; its word says it as well.
func severityTone(s schema.Severity) tone {
	switch s {
	case schema.Fix:
		return worse
	case schema.Check:
		return look
	}
	return plainTone
}

// WriteReviewText writes a review for a terminal, wrapped to the style's width: each finding on one
// line with what to type below it, equal ones of several rigs as one. With why each has its reason,
// its evidence and its id.
func WriteReviewText(w io.Writer, r Review, s Style, why bool) error {
	p := newPrinter(s)
	head := r.Of
	switch {
	case r.Job != "" && r.Of == r.Job && r.Name != "":
		head = r.Name + ", " + r.days()
	case r.Job != "":
		head += " for job " + r.Job + ", " + r.days()
	}
	if s := r.Partial(); s != "" {
		p.hang(look, "", safe.Line(s))
	}
	p.hang(strong, "", safe.Line(head+": "+r.Summary()))
	open, accepted := split(r.Findings)
	if why {
		p.hang(dim, "", fmt.Sprintf("%s, %s", schema.Count(len(r.Subject), "tune", "tunes"), schema.Count(r.Checked, "rule", "rules")))
		for _, f := range open {
			p.line("")
			p.finding(f, r.At.Location())
		}
		for i, f := range accepted {
			if i == 0 {
				p.line("")
				p.hang(strong, "", "Accepted")
			}
			p.line("")
			p.finding(f, r.At.Location())
		}
		p.changes(r.Changes)
		if len(r.NotChecked) > 0 {
			p.line("")
			p.hang(strong, "", "Not checked")
			for _, n := range r.NotChecked {
				p.para("  ", safe.Line(notCheckedWords(n)), dim)
			}
		}
	} else {
		p.line("")
		most, left := reviewLines+max(len(r.Subject)-1, 0), equalFindings(open)
		for len(left) > 0 { // what must be fixed is always shown; the rest where there is room
			if left[0][0].Severity != schema.Fix && strings.Count(p.b.String(), "\n")+3 > most-reviewFoot {
				break
			}
			p.short(left[0])
			left = left[1:]
		}
		if n := len(left); n > 0 {
			p.para("", schema.Count(n, "more finding", "more findings")+": --why", dim)
		}
		p.foot(r, len(accepted))
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

// A review's screen is 24 lines for one rig, one more for each further one, of which the foot takes six.
const (
	reviewLines = 24
	reviewFoot  = 6
)

func split(fs []review.Finding) (open, accepted []review.Finding) {
	for _, f := range fs {
		if f.Open() {
			open = append(open, f)
		} else {
			accepted = append(accepted, f)
		}
	}
	return open, accepted
}

// equalFindings brings findings of one rule and one wording together, in the order of the first.
func equalFindings(fs []review.Finding) [][]review.Finding {
	at := map[string]int{}
	var out [][]review.Finding
	for _, f := range fs {
		key := f.Rule + "\x00" + f.Title
		if i, ok := at[key]; ok {
			out[i] = append(out[i], f)
			continue
		}
		at[key] = len(out)
		out = append(out, []review.Finding{f})
	}
	return out
}

// shownRigs is how many rigs of one finding a screen names.
const shownRigs = 4

// short writes findings that are one: what, on which rigs, and a command for the first.
func (p *printer) short(fs []review.Finding) {
	f := fs[0]
	label := fmt.Sprintf("%-6s ", strings.ToUpper(f.Severity.String()))
	names, last := []string{}, ""
	for _, x := range fs {
		if x.Of != last {
			names, last = append(names, x.Of), x.Of
		}
	}
	of := strings.Join(names, ", ")
	if len(names) > shownRigs {
		of = fmt.Sprintf("%s and %d more", strings.Join(names[:shownRigs-1], ", "), len(names)-shownRigs+1)
	}
	p.hang(severityTone(f.Severity), label, safe.Line(of+": "+f.Title))
	if len(fs) == 1 && f.What != "" {
		p.line(p.s.paint(dim, "       "+clipped(safe.Line(f.What), p.s.Width-7)))
	}
	for _, c := range f.Commands {
		p.line("  " + p.s.paint(strong, "Try: "+safe.Line(c)))
		break // the others are in the reasons
	}
}

// foot says what goes out unchanged, what was checked, and how to see more.
func (p *printer) foot(r Review, accepted int) {
	if len(r.Findings) > 0 {
		p.line("")
	}
	if accepted > 0 {
		p.hang(dim, "Accepted   ", schema.Count(accepted, "finding", "findings"))
	}
	var changed []string
	for _, c := range gathered(r.Changes) {
		if c.Report == nil || !c.Report.Same {
			changed = append(changed, c.Of+", "+c.words())
		}
	}
	if len(changed) > 2 {
		changed = append(changed[:2], fmt.Sprintf("%d more", len(changed)-2))
	}
	for i, c := range changed {
		name := "Changes    "
		if i > 0 {
			name = strings.Repeat(" ", len(name))
		}
		p.line(p.s.paint(dim, name) + clipped(safe.Line(c), p.s.Width-len(name)))
	}
	checked := fmt.Sprintf("%s, %s", schema.Count(r.Checked, "rule", "rules"), schema.Count(len(r.Subject), "tune", "tunes"))
	if n := len(r.NotChecked); n > 0 {
		checked += fmt.Sprintf("; %s not checked", schema.Count(n, "point", "points"))
	}
	p.hang(dim, "Checked    ", checked)
	p.hang(plainTone, "", "Reasons, evidence and what was not checked: --why")
	p.hang(plainTone, "", "These rules cannot tell you that a rig is safe.")
}

func newPrinter(s Style) *printer {
	if s.Width <= 0 {
		s.Width = usualWidth
	}
	s.Width = max(s.Width, minWidth)
	return &printer{s: s}
}

// notCheckedWords names the rule, what it could not be tested on, and why.
func notCheckedWords(n review.NotChecked) string {
	s := n.Rule
	switch {
	case len(n.Of) > 4:
		s += fmt.Sprintf(" (%s and %d more)", strings.Join(n.Of[:3], ", "), len(n.Of)-3)
	case len(n.Of) > 0:
		s += " (" + strings.Join(n.Of, ", ") + ")"
	}
	return s + ": " + n.Why
}

func (p *printer) finding(f review.Finding, zone *time.Location) {
	label := strings.ToUpper(f.Severity.String()) + "  "
	tn := severityTone(f.Severity)
	if !f.Open() {
		label, tn = "("+f.Severity.String()+")  ", dim
	}
	p.hang(tn, label, safe.Line(f.Of+": "+f.Title))
	p.para("  ", safe.Line(f.What), plainTone)
	p.label("why", f.Why, dim)
	if f.Open() {
		p.label("do", f.Do, plainTone)
		for _, c := range f.Commands {
			p.label("", c, strong)
		}
	}
	for i, e := range f.Evidence {
		name := ""
		if i == 0 {
			name = "from"
		}
		p.label(name, evidenceWords(e, zone), dim)
	}
	if a := f.Accepted; a != nil {
		p.label("accept", acceptedWords(*a), plainTone)
	}
	p.label("id", f.ID, dim)
}

// label writes a paragraph behind a short label in a column of its own.
func (p *printer) label(name, s string, t tone) {
	const col = 9
	margin := "  " + name + strings.Repeat(" ", max(col-2-len(name), 1))
	for i, l := range sheet.WrapCut(safe.Line(s), max(p.s.Width-col, 12)) {
		if i == 1 {
			margin = strings.Repeat(" ", col)
		}
		p.line(p.s.paint(dim, margin) + p.s.paint(t, l))
	}
}

// evidenceWords says a fact with where it is from, and its day in a zone.
func evidenceWords(e review.Evidence, zone *time.Location) string {
	var at []string
	if e.File != "" {
		f := e.File
		if e.Line > 0 {
			f += fmt.Sprintf(":%d", e.Line)
		}
		at = append(at, f)
	}
	if e.Revision != "" {
		at = append(at, short(e.Revision))
	}
	if !e.When.IsZero() {
		at = append(at, schema.SayDay(e.When, zone))
	}
	if e.Who != "" {
		at = append(at, e.Who)
	}
	if at == nil {
		return e.Text
	}
	return e.Text + " (" + strings.Join(at, ", ") + ")"
}

func acceptedWords(a review.Acceptance) string {
	s := "until " + a.Until
	if a.By != "" {
		s += " by " + a.By
	}
	s += ": " + a.Why
	if a.Lapsed != "" {
		s += " – acceptance ended: " + a.Lapsed
	}
	return s
}

func (p *printer) changes(cs []Since) {
	if len(cs) == 0 {
		return
	}
	p.line("")
	p.hang(strong, "", "What changed")
	for _, c := range gathered(cs) {
		p.para("  ", safe.Line(c.Of+", "+c.words()), plainTone)
		if c.Report != nil && !c.Report.Same && c.Command != "" {
			p.para("      ", safe.Line(c.Command), strong)
		}
	}
}

// gathered brings together the tunes of which nothing but the same word is to be said: of
// twenty that no job had before, one line tells as much as twenty.
func gathered(cs []Since) []Since {
	at := map[string]int{}
	var out []Since
	for _, c := range cs {
		if c.Report != nil && !c.Report.Same || len(c.History) > 0 {
			out = append(out, c)
			continue
		}
		i, known := at[c.words()]
		if !known {
			at[c.words()] = len(out)
			out = append(out, c)
			continue
		}
		out[i].Of += "; " + c.Of
	}
	return out
}

// words says what changed on one line.
func (c Since) words() string {
	switch {
	case c.Report == nil:
		return c.Note
	case c.Since == "":
		return Stat(*c.Report)
	}
	return "since " + c.Since + ": " + Stat(*c.Report)
}

// clipped shortens a line to a width.
func clipped(s string, width int) string { return sheet.Cut(s, max(width, 8)) }
