package diffview

import (
	"fmt"
	"html/template"
	"io"
	"sync"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/preset/review"
)

// reviewBody is a review as a page: what to do first, each act with a box to tick
// on paper, then what changed, tune by tune.
const reviewBody = parts + `{{define "body"}}<p class="lead">{{.Counts.Words}}</p>
<dl>{{range .Facts}}<dt>{{index . 0}}</dt><dd>{{line (index . 1)}}</dd>{{end}}</dl>
<section aria-label="Findings"><h2>Findings</h2>
{{if .Open}}<ol class="findings">{{range .Open}}{{template "finding" .}}{{end}}</ol>{{else}}<p>Nothing is open. That is what the rules see; it is no word that the rig is safe.</p>{{end}}
</section>
{{if .Done}}<section aria-label="Accepted"><h2>Accepted</h2>
<ul class="findings">{{range .Done}}{{template "finding" .}}{{end}}</ul></section>
{{end}}{{if .Changes}}<section aria-label="What changed"><h2>What changed</h2>
{{range .Changes}}<h3>{{line .Of}}</h3>
<p class="strong">{{line .Words}}</p>
{{with .Command}}<ul class="commands"><li><code>{{line .}}</code></li></ul>
{{end}}{{with .Parties}}<dl>{{range .}}<dt>{{index . 0}}</dt><dd>{{line (index . 1)}}</dd>{{end}}</dl>{{end}}
{{range .Sections}}<h4>{{line .Title}}</h4>
{{template "blocks" .Blocks}}{{end}}{{end}}</section>
{{end}}{{if .NotChecked}}<section aria-label="Not checked"><h2>Not checked</h2>
<ul>{{range .NotChecked}}<li>{{line .}}</li>{{end}}</ul></section>
{{end}}<p class="sign">Reviewed by<span class="rule"></span> on<span class="rule"></span></p>
{{end}}
{{define "finding"}}<li class="finding {{.Severity}}"><h3><span class="mark">{{.Severity}}</span> {{line .Of}}: {{line .Title}}</h3>
<p>{{line .What}}</p>
<p class="soft">{{line .Why}}</p>
{{if .Open}}<p class="act"><span class="box" role="img" aria-label="to tick"></span> {{line .Do}}</p>
{{if .Commands}}<ul class="commands">{{range .Commands}}<li><code>{{line .}}</code></li>{{end}}</ul>{{end}}{{end}}
{{with .Word}}<p class="strong">Accepted {{line .}}</p>{{end}}
<ul class="evidence soft">{{range .Facts}}<li>{{line .}}</li>{{end}}<li>id: <code>{{line .ID}}</code></li></ul></li>
{{end}}`

var reviewTemplate = sync.OnceValues(func() (*template.Template, error) {
	return page.Template(reviewBody, template.FuncMap{"class": class})
})

// findingView is a finding for the page.
type findingView struct{ review.Finding }

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
		out = append(out, evidenceWords(x))
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

type reviewView struct {
	Counts     Tally
	Facts      [][2]string
	Open, Done []findingView
	Changes    []changeView
	NotChecked []string
}

// WriteReviewHTML writes a review as one self-contained page.
func WriteReviewHTML(w io.Writer, r Review, foot page.Foot) error {
	t, err := reviewTemplate()
	if err != nil {
		return err
	}
	v := reviewView{Counts: r.Counts}
	if r.Job != "" {
		v.Facts = append(v.Facts, [2]string{"job", r.Job}, [2]string{"days", r.days()})
	}
	v.Facts = append(v.Facts, [2]string{"tunes", together(r.Subject)}, [2]string{"rules", fmt.Sprintf("%d looked at, on %s", r.Checked, r.At.Format("2006-01-02 15:04 MST"))})
	for _, f := range r.Findings {
		if f.Open() {
			v.Open = append(v.Open, findingView{f})
		} else {
			v.Done = append(v.Done, findingView{f})
		}
	}
	for i, c := range gathered(r.Changes) {
		x := changeView{Of: c.Of, Words: sentenceCase(c.words())}
		if c.Report != nil {
			if !c.Report.Same {
				lay := layOut(*c.Report, Options{page: true, more: "the command above with --all shows them"})
				x.Parties, x.Command = lay.Parties, c.Command
				x.Sections = lay.Sections
			}
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
	for _, n := range r.NotChecked {
		v.NotChecked = append(v.NotChecked, notCheckedWords(n))
	}
	return page.Write(w, t, page.Page{Title: r.title(), Foot: foot}, v)
}

// historySection shows parameters over jobs as small pictures of one size.
func historySection(ps []Plot) section {
	s := section{ID: "history", Title: "Over the jobs"}
	if len(ps) > 0 {
		s.Blocks = append(s.Blocks, block{Plots: ps, ID: "job"})
	}
	return s
}
