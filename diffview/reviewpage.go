package diffview

import (
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/preset/review"
	"rigkeep/schema"
)

// reviewBody is a review as a page: how many must be fixed, what goes out, each finding
// once with the rigs it is about, then what changed, tune by tune, folded.
const reviewBody = parts + findingsBody + `{{define "body"}}{{with .Partial}}<p class="answer"><span class="st look"><i aria-hidden="true">!</i>{{line .}}</span></p>
{{end}}<p class="answer">{{line .Answer}}</p>
{{template "filter" .}}{{template "goes" .Goes}}
{{with .Facts}}{{template "cells" .}}{{end}}
{{template "findings" .}}
{{end}}`

// findingsBody is what the pages of a review and of a job share.
const findingsBody = `{{define "filter"}}{{if .Counts}}<fieldset class="filter"><legend class="hush">Show findings</legend><label><input type="radio" name="k" id="k-all" checked><b>{{.All}}</b> all</label>{{range .Counts}}<label><input type="radio" name="k" id="k-{{.V}}"><span class="sign {{.V}}" aria-hidden="true">{{.V.Sign}}</span><b>{{.N}}</b> {{.Word}}</label>{{end}}</fieldset>
{{end}}{{end}}
{{define "goes"}}{{with .}}{{template "goes-rows" first .}}{{with rest .}}<details><summary>{{len .}} more</summary><div class="in">{{template "goes-rows" .}}</div></details>{{end}}{{end}}{{end}}
{{define "goes-rows"}}<div class="panel flush" style="margin-top:14px"><table class="matrix goes"><caption class="hush">Goes out</caption><thead><tr><th scope="col">Goes out</th><th scope="col">Unit</th><th scope="col" class="r wide-only">Pan</th><th scope="col" class="r wide-only">Tilt</th><th scope="col" class="r wide-only">Roll</th><th scope="col">State</th></tr></thead><tbody>
{{range .}}<tr><th scope="row">{{if .Href}}<a href="{{.Href}}"><bdi>{{line .Name}}</bdi></a>{{else}}<bdi>{{line .Name}}</bdi>{{end}}</th><td>{{line .Unit}}</td>{{range .Values}}<td class="r wide-only"><b>{{line .}}</b></td>{{end}}<td>{{if .State.Word}}{{template "state" .State}}{{end}}</td></tr>
{{end}}</tbody></table></div>
{{end}}
{{define "findings"}}<section aria-labelledby="findings"><div class="head"><h2 id="findings">Review</h2><span class="soft small">{{line .Rules}}</span></div>
{{if .Rigs}}<style>{{range $i, $r := .Rigs}}body:has(#r-{{$i}}:checked) .f:not([data-k~=r{{$i}}]) { display: none; }
{{end}}</style><fieldset class="filter"><legend class="hush">Show findings of</legend><label><input type="radio" name="r" id="r-all" checked>all rigs</label>{{range $i, $r := .Rigs}}<label><input type="radio" name="r" id="r-{{$i}}"><bdi>{{line $r}}</bdi></label>{{end}}</fieldset>
{{end}}{{if .Many}}<form class="find" id="narrow" hidden><input type="search" aria-label="Show findings of a rig" placeholder="Show findings of a rig"></form><p class="small soft" id="narrowed" role="status"></p>
{{end}}{{if .Open}}{{range .Open}}{{template "finding" .}}{{end}}{{else}}<p>Nothing is open. The rules see no more; that does not make the rig safe.</p>{{end}}
{{if .Done}}<details><summary>{{.Accepted}}</summary><div class="in">{{range .Done}}{{template "finding" .}}{{end}}</div></details>
{{end}}{{if .NotChecked}}<details><summary>{{.Unchecked}}</summary><ul class="in plain">{{range .NotChecked}}<li>{{line .}}</li>{{end}}</ul></details>
{{end}}</section>
{{range .Unfit}}<section aria-labelledby="{{.ID}}"><div class="head"><h2 id="{{.ID}}">{{if .Href}}<a href="{{.Href}}"><bdi>{{name .Name}}</bdi></a>{{else}}<bdi>{{name .Name}}</bdi>{{end}}</h2>{{template "state" .State}}</div>
{{range .Over}}<p class="over">✗ {{line .}}</p>{{end}}
{{template "views" .Views}}</section>
{{end}}{{if .Changes}}<section aria-labelledby="changed"><div class="head"><h2 id="changed">What changed</h2></div>
{{range .Changes}}<h3>{{line .Of}}</h3>
<p>{{line .Words}}</p>
{{with .Command}}{{template "command" .}}{{end}}{{if .Sections}}<details><summary>What changed, in full</summary><div class="in">{{with .Parties}}<dl>{{range .}}<dt class="soft">{{index . 0}}</dt><dd>{{line (index . 1)}}</dd>{{end}}</dl>{{end}}
{{range .Sections}}<h4>{{line .Title}}</h4>
{{template "blocks" .Blocks}}{{end}}</div></details>
{{end}}{{end}}</section>
{{end}}{{end}}`

var reviewTemplate = sync.OnceValues(func() (*template.Template, error) { return page.Template(reviewBody+draw.Source(), funcs) })

// FindingsTemplates are for a page that shows a review among other things: the
// templates "filter", "goes" and "findings" of a Findings, with the functions they need. They
// use those of package draw.
func FindingsTemplates() (source string, f template.FuncMap) { return parts + findingsBody, funcs }

// severityWords are what a person is told of a finding's weight.
var severityWords = map[schema.Severity]struct {
	v          page.Verdict
	word, many string
}{schema.Fix: {page.Bad, "FIX", "must fix"}, schema.Check: {page.Look, "CHECK", "check"}, schema.Note: {page.Note, "NOTE", "note"}}

// Answer says on one line what a review asks for, "" of nothing.
func (t Tally) Answer() string {
	switch {
	case t.Fix > 0 && t.Check > 0:
		return fmt.Sprintf("%d must fix, %d to check", t.Fix, t.Check)
	case t.Fix > 0:
		return fmt.Sprintf("%d must fix", t.Fix)
	case t.Check > 0:
		return fmt.Sprintf("%d to check", t.Check)
	case t.Note > 0:
		return "Nothing to fix. " + schema.Count(t.Note, "note", "notes")
	}
	return ""
}

// Partial says of which rules a review is where it is not of all, "" for a whole one.
func (r Review) Partial() string {
	if len(r.Only) == 0 {
		return ""
	}
	all := 0
	for _, f := range schema.ReviewFamilies() {
		all += len(f.Rules)
	}
	return fmt.Sprintf("Partial review: %s rules, %d of %d", strings.Join(r.Only, ", "), r.Checked, all)
}

// Findings is a review laid out for a page.
type Findings struct {
	Partial, Answer string
	All             int
	Counts          []findingCount
	Rules           string
	Rigs            []string // that findings may be picked by; none where there are many
	Many            bool     // findings may be picked by typing the name of a rig
	Open, Done      []page.Finding
	Changes         []changeView
	NotChecked      []string
	Goes            []GoesOut
	Unfit           []Unfit
	Facts           []page.Fact
}

type findingCount struct {
	V    page.Verdict
	N    int
	Word string
}

// Accepted is the heading of what stands by somebody's word.
func (f Findings) Accepted() string {
	return schema.Count(len(f.Done), "accepted finding", "accepted findings")
}

// Unchecked is the heading of what could not be checked.
func (f Findings) Unchecked() string {
	return schema.Count(len(f.NotChecked), "point not checked", "points not checked")
}

// GoesOut is one tune that goes out on a job.
type GoesOut struct {
	Name, Href, Unit string
	Values           [3]string // stiffness of pan, tilt, roll
	State            page.State
}

// shownGoes is how many tunes that go out stand before a fold.
const shownGoes = 6

func firstGoes(gs []GoesOut) []GoesOut { return gs[:min(len(gs), shownGoes)] }
func restGoes(gs []GoesOut) []GoesOut  { return gs[min(len(gs), shownGoes):] }

// Unfit is a rig that does not fit its gimbal, with its drawing.
type Unfit struct {
	ID, Name, Href string
	Over           []string
	Views          []draw.View
}

// State is how it stands.
func (u Unfit) State() page.State { return page.State{V: page.Bad, Word: "does not fit"} }

// mostRigs is how many rigs can be picked by a button.
const mostRigs = 6

// ForPage lays a review out.
func (r Review) ForPage() Findings {
	href := r.Href
	if href == nil {
		href = func(string) string { return "" }
	}
	v := Findings{Partial: r.Partial(), Answer: r.Counts.Answer(), Goes: r.Goes, Unfit: r.Unfit}
	if r.Counts.Fix+r.Counts.Check+r.Counts.Note == 0 {
		v.Answer = sentenceCase(r.noFindings())
		if v.Partial != "" {
			v.Answer += ". The others were not run."
		}
	}
	v.Rules = fmt.Sprintf("%s run, %s", schema.Count(r.Checked, "rule", "rules"), schema.Count(len(r.Subject), "tune", "tunes"))
	for _, s := range []schema.Severity{schema.Fix, schema.Check, schema.Note} {
		n := map[schema.Severity]int{schema.Fix: r.Counts.Fix, schema.Check: r.Counts.Check, schema.Note: r.Counts.Note}[s]
		v.All += n
		if w := severityWords[s]; n > 0 {
			v.Counts = append(v.Counts, findingCount{w.v, n, w.many})
		}
	}
	rigs := map[string]int{}
	if len(r.Subject) > 1 && len(r.Subject) <= mostRigs {
		for i, s := range r.Subject {
			rigs[s] = i
		}
		v.Rigs = r.Subject
	}
	v.Many = len(r.Subject) > mostRigs
	v.Open = r.together(true, rigs, href)
	v.Done = r.together(false, rigs, href)
	for i := range v.Done {
		v.Done[i].ID = "accepted-" + v.Done[i].ID
	}
	for _, n := range r.NotChecked {
		v.NotChecked = append(v.NotChecked, notCheckedWords(n))
	}
	v.changes(r)
	return v
}

// shownThings is how many rigs a finding names before a fold.
const shownThings = 5

// together brings equal findings together: one with a list of what they are about.
func (r Review) together(open bool, rigs map[string]int, href func(string) string) []page.Finding {
	at := map[string]int{}
	var groups [][]findingView
	for _, f := range r.Findings {
		if f.Open() != open {
			continue
		}
		k := f.Rule + "\x00" + f.Title + "\x00" + f.Severity.String()
		i, ok := at[k]
		if !ok {
			i = len(groups)
			at[k] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], findingView{f, r.At.Location()})
	}
	ids := map[string]int{}
	var out []page.Finding
	for _, g := range groups {
		f := g[0]
		w := severityWords[f.Severity]
		x := page.Finding{ID: f.Rule, V: w.v, Word: w.word, Title: f.Title, Of: f.Of, What: f.What, Accepted: f.Word()}
		if ids[f.Rule]++; ids[f.Rule] > 1 {
			x.ID += fmt.Sprintf("-%d", ids[f.Rule])
		}
		if open {
			x.Do = f.Do
		}
		if len(g) == 1 {
			x.Href = href(f.Of)
			if open {
				x.Commands = f.Commands
			}
		} else {
			x.Of = schema.Count(len(g), "tune", "tunes")
			same := true
			for _, e := range g {
				same = same && e.What == f.What
			}
			if !same {
				x.What = f.Why
			}
			for i, e := range g {
				t := page.Thing{Link: page.Link{Text: e.Of, Href: href(e.Of)}}
				if !same {
					t.Note = e.What
				}
				if open && len(e.Commands) > 0 {
					t.Command = e.Commands[0]
				}
				if i < shownThings {
					x.Things = append(x.Things, t)
				} else {
					x.More = append(x.More, t)
				}
			}
		}
		if x.What != f.Why && f.Why != "" {
			x.Evidence = append(x.Evidence, f.Why)
		}
		seen := map[string]bool{}
		for _, e := range g {
			if i, ok := rigs[e.Of]; ok {
				x.Keys = append(x.Keys, fmt.Sprintf("r%d", i))
			}
			if len(g) > 1 && len(e.Evidence) > 0 && len(x.Evidence) < 40 {
				x.Evidence = append(x.Evidence, e.Of+": "+strings.Join(e.Facts(), " "))
			} else if len(g) == 1 {
				x.Evidence = append(x.Evidence, e.Facts()...)
			}
			seen[e.ID] = true
		}
		x.Evidence = append(x.Evidence, "id: "+f.ID)
		if open && r.Job != "" {
			x.Accept = "rigkeep review " + r.Job + " --accept " + f.ID + " -m REASON"
		}
		out = append(out, x)
	}
	return out
}

// findingView is a finding for the page.
type findingView struct {
	review.Finding
	zone *time.Location // of the days that it names
}

func (f findingView) Word() string {
	if f.Accepted == nil {
		return ""
	}
	return acceptedWords(*f.Accepted)
}

// Facts are the evidence in words; where one is from the same revision as the one
// before, that is not said again.
func (f findingView) Facts() []string {
	var out []string
	var last review.Evidence
	for _, e := range f.Evidence {
		x := e
		if last.File != "" && e.File == last.File && e.Revision == last.Revision && e.Who == last.Who && e.When.Equal(last.When) {
			x.File, x.Revision, x.Who, x.When = "", "", "", time.Time{}
			if e.Line > 0 {
				x.Text += fmt.Sprintf(" (line %d)", e.Line)
			}
		}
		out = append(out, evidenceWords(x, f.zone))
		last = e
	}
	return out
}

// changeView is what changed of one tune, for the page.
type changeView struct {
	Of, Words, Command string
	Parties            [][2]string
	Sections           []section
}

// WriteReviewHTML writes a review as one self-contained page.
//
// Errors: those of w; a picture that cannot be drawn.
func WriteReviewHTML(w io.Writer, r Review, foot page.Foot) error {
	t, err := reviewTemplate()
	if err != nil {
		return err
	}
	v := r.ForPage()
	sub := ""
	if r.Job != "" {
		sub = r.days()
		if r.Of != r.Job {
			sub = "for job " + r.Job + ", " + sub
		}
	}
	v.Facts = []page.Fact{{Term: "Tunes", Text: together(clipList(r.Subject, 8))}, {Term: "Rules", Text: fmt.Sprintf("%d run", r.Checked)}, {Term: "Reviewed", Text: schema.SayMoment(r.At, nil)}, {Term: "Reviewed by", Text: " "}}
	return page.Write(w, t, page.Page{Title: r.title(), Name: r.title(), Sub: sub, Library: r.Place.Library, Path: r.Place.Under("Review"), Foot: foot}, v)
}

// clipList keeps the first n of a list and says how many more there are.
func clipList(list []string, n int) []string {
	if len(list) <= n {
		return list
	}
	return append(append([]string(nil), list[:n]...), fmt.Sprintf("and %d more", len(list)-n))
}

// changes lays out what changed of each tune.
func (v *Findings) changes(r Review) {
	for i, c := range gathered(r.Changes) {
		x := changeView{Of: c.Of, Words: sentenceCase(c.words())}
		if c.Report != nil && !c.Report.Same {
			lay := layOut(*c.Report, Options{page: true, more: "add --all"})
			x.Parties, x.Command = lay.Parties, c.Command
			x.Sections = lay.Sections
		}
		if s := historySection(c.History); len(s.Blocks) > 0 {
			x.Sections = append(x.Sections, s)
		}
		// ids are unique on the page, not only in the report
		for _, s := range x.Sections {
			for k := range s.Blocks {
				if s.Blocks[k].ID != "" {
					s.Blocks[k].ID = fmt.Sprintf("t%d-%s", i+1, s.Blocks[k].ID)
				}
			}
		}
		v.Changes = append(v.Changes, x)
	}
}

// historySection shows parameters over jobs as small pictures of one size.
func historySection(ps []Plot) section {
	s := section{ID: "history", Title: "Values by job"}
	if len(ps) > 0 {
		s.Blocks = append(s.Blocks, block{Plots: ps, ID: "job"})
	}
	return s
}
