package pages

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/schema"
)

// Library is the page of a library.
type Library struct {
	Site   Site
	Sub    string // "4 rigs, 2 gimbals, 4 units, 4 jobs"
	Answer string // what is proved, what goes out next
	Next   page.Link
	Rigs   []RigRow
	Part   int         // which page of the rigs this is, from 1
	Parts  []page.Link // the pages of the rigs where there are several
	Counts []Count
	Units  []UnitRow
	Jobs   []JobRow
	Today  time.Time
	Twice  []string // units and parts that two jobs want on one day
	Index  []Entry  // what the search of the page's script finds
	Find   Find     // the search of a live page
}

// Find is a search by words, and what it found.
type Find struct {
	Words string
	Said  string // "3 found."
	Found []Entry
}

// Count is how many rigs stand in one way.
type Count struct {
	V    page.Verdict
	N    int
	Word string
}

// RigRow is one rig in a list.
type RigRow struct {
	Name, Href, Line string
	State            page.State
	Unit, Changed    string
	Job              page.Link
	Why              string // why it was changed last
}

// UnitRow is one unit.
type UnitRow struct {
	Serial, Label string
	Holds         page.Link
	State         page.State
	Gimbal, Note  string
}

// JobRow is one job.
type JobRow struct {
	Name, Href string
	From, To   time.Time
	Open       bool
	Rigs       int
	State      page.State
	Units      []string // units that go out, by the name in Units
}

// Days says when a job is.
func (j JobRow) Days() string { return schema.SayDates(j.From, j.To) }

// Entry is what the search finds: a name, the page, what it is, and words.
type Entry [4]string

// Name, Href and Words of what was found.
func (e Entry) Name() string  { return e[0] }
func (e Entry) Href() string  { return e[1] }
func (e Entry) Words() string { return e[3] }

const libraryBody = `{{define "body"}}{{if .Answer}}<p class="answer">{{line .Answer}}{{if .Next.Href}} <a href="{{.Next.Href}}">{{line .Next.Text}}</a>{{end}}</p>{{end}}
{{if .Counts}}<fieldset class="filter"><legend class="hush">Show rigs by proof</legend><label><input type="radio" name="k" id="k-all" checked><b>{{len .Rigs}}</b> {{if .Parts}}here{{else}}all{{end}}</label>{{range .Counts}}<label><input type="radio" name="k" id="k-{{.V}}"><span class="sign {{.V}}" aria-hidden="true">{{.V.Sign}}</span><b>{{.N}}</b> {{.Word}}</label>{{end}}</fieldset>{{end}}
{{if .Site.Live}}<form class="find" role="search"><input type="search" name="q" value="{{raw .Find.Words}}" aria-label="Find rigs, jobs, parts, units, notes" placeholder="Find lens, job, part, note"><button>Find</button></form>{{with .Find.Said}}<p class="small soft" role="status">{{line .}}</p>{{end}}<ul class="plain">{{range .Find.Found}}<li>{{if .Href}}<a href="{{.Href}}"><bdi>{{name .Name}}</bdi></a>{{else}}<bdi>{{name .Name}}</bdi>{{end}} <span class="soft">{{line .Words}}</span></li>{{end}}</ul>{{end}}
{{if .Index}}<form class="find" id="find" role="search" hidden><input type="search" aria-label="Find rigs, jobs, parts, units, notes" placeholder="Find lens, job, part, note"><button>Find</button></form><p class="small soft" id="count" role="status"></p><ul id="found" class="plain"></ul>{{end}}
{{if .Find.Words}}<p style="margin-top:14px"><a href="index.html">All rigs, units and jobs</a></p>{{else}}<section aria-label="Rigs" style="margin-top:14px"><table class="rows"><caption class="hush">Rigs</caption><thead><tr><th scope="col">Rig</th><th scope="col">Proof</th><th scope="col">Lens and gimbal</th><th scope="col">Unit</th><th scope="col">Next job</th><th scope="col">Last change</th></tr></thead><tbody>
{{range .Rigs}}<tr data-k="{{.State.V}}"><th scope="row"><a href="{{.Href}}"><bdi>{{name .Name}}</bdi></a></th><td>{{if .State.Word}}{{template "state" .State}}{{end}}</td><td>{{line .Line}}</td><td class="{{if not .Unit}}none{{end}}" data-label="unit">{{line .Unit}}</td><td class="{{if not .Job.Text}}none{{end}}" data-label="next job">{{if .Job.Href}}<a href="{{.Job.Href}}">{{line .Job.Text}}</a>{{else}}{{line .Job.Text}}{{end}}</td><td class="{{if not .Changed}}none{{end}}" data-label="changed">{{line .Changed}}{{with .Why}} <span class="u desk-only">{{line .}}</span>{{end}}</td></tr>
{{end}}</tbody></table>
{{if .Parts}}<nav class="toc" aria-label="More rigs">{{range .Parts}}{{if .Href}}<a href="{{.Href}}">{{line .Text}}</a>{{else}}<b>{{line .Text}}</b>{{end}}{{end}}</nav>{{end}}</section>{{end}}
{{if .Units}}<section aria-labelledby="units"><div class="head"><h2 id="units">Units and what they hold</h2></div>
<table class="rows"><caption class="hush">Units</caption><thead><tr><th scope="col">Unit</th><th scope="col">State</th><th scope="col">Holds</th><th scope="col">Gimbal</th><th scope="col">Note</th></tr></thead><tbody>
{{range .Units}}<tr><th scope="row">{{line .Serial}}{{with .Label}}<span class="u">{{line .}}</span>{{end}}</th><td>{{template "state" .State}}</td><td class="{{if not .Holds.Text}}none{{end}}" data-label="holds">{{if .Holds.Href}}<a href="{{.Holds.Href}}"><bdi>{{line .Holds.Text}}</bdi></a>{{else}}{{line .Holds.Text}}{{end}}</td><td>{{line .Gimbal}}</td><td class="{{if not .Note}}none{{end}}">{{line .Note}}</td></tr>
{{end}}</tbody></table></section>{{end}}
{{if .Jobs}}<section aria-labelledby="jobs"><div class="head"><h2 id="jobs">Jobs</h2></div>
{{range .Twice}}<p class="answer"><span class="st bad"><i aria-hidden="true">✗</i>Wanted twice:</span> {{line .}}</p>{{end}}
{{with .Calendar}}<figure class="panel"><figcaption>{{.Title}}</figcaption>{{template "calendar" .}}</figure>{{end}}
<ul style="margin-top:12px">{{range .Open}}<li style="margin-top:6px"><a href="{{.Href}}"><bdi>{{line .Name}}</bdi></a>, {{.Days}}, {{.Rigs}} {{if eq .Rigs 1}}rig{{else}}rigs{{end}}{{if .State.Word}}, {{template "state" .State}}{{end}}</li>{{end}}</ul>
{{with .Closed}}<details style="margin-top:10px"><summary>{{len .}} closed {{if eq (len .) 1}}job{{else}}jobs{{end}}</summary><ul class="in">{{range .}}<li><a href="{{.Href}}"><bdi>{{line .Name}}</bdi></a>, {{.Days}}</li>{{end}}</ul></details>{{end}}</section>{{end}}
{{end}}
{{define "calendar"}}<svg xmlns="http://www.w3.org/2000/svg" class="drawing" viewBox="0 0 340 {{.Height}}" role="img" aria-labelledby="cal-t cal-d" font-family="system-ui, sans-serif" font-size="13" style="fill:var(--second,#46524e)">
<title id="cal-t">{{.Title}}</title><desc id="cal-d">{{.Desc}}</desc>
{{range .Weekend}}<rect x="{{.X}}" y="22" width="{{.W}}" height="{{$.Inner}}" style="fill:var(--page,#f4f6f3)"/>{{end}}
{{range .Days}}<text x="{{.X}}" y="16" text-anchor="middle"{{if .Now}} font-weight="700" style="fill:var(--todo,#970d59)"{{end}}>{{.Text}}</text>{{end}}
{{range .Rows}}<line x1="0" x2="340" y1="{{.Y}}" y2="{{.Y}}" style="stroke:var(--rule,#c6ceca)"/><text x="2" y="{{.TextY}}" font-weight="650" style="fill:var(--ink,#13201d)">{{.Name}}</text>{{end}}
{{range .Bars}}<rect x="{{.X}}" y="{{.Y}}" width="{{.W}}" height="{{.H}}" style="fill:var(--part,#e7ece9);stroke:{{if .Twice}}var(--bad,#8a1f06);stroke-width:3{{else}}var(--ink,#13201d);stroke-width:1.5{{end}}"/>{{end}}
{{range .Bars}}<text x="{{.TextX}}" y="{{.TextY}}" text-anchor="{{.Anchor}}" font-weight="600" style="paint-order:stroke;stroke:var(--part,#e7ece9);stroke-width:3px;fill:{{if .Twice}}var(--bad,#8a1f06){{else}}var(--ink,#13201d){{end}}">{{if .Twice}}✗ {{end}}{{.Name}}</text>{{end}}</svg>{{end}}`

var libraryTemplate = parsed(libraryBody)

// Open are the jobs that are open, as they begin.
func (l Library) Open() []JobRow { return l.jobs(true) }

// Closed are the others, the newest first.
func (l Library) Closed() []JobRow { return l.jobs(false) }

func (l Library) jobs(open bool) []JobRow {
	var out []JobRow
	for _, j := range l.Jobs {
		if j.Open == open {
			out = append(out, j)
		}
	}
	slices.SortStableFunc(out, func(a, b JobRow) int {
		if !open {
			a, b = b, a
		}
		return a.From.Compare(b.From)
	})
	return out
}

// Bytes is the page.
func (l Library) Bytes() ([]byte, error) {
	p := page.Page{Title: l.Site.Library, Sub: l.Sub, Library: l.Site.Library, Name: l.Site.Library, Path: []page.Link{{Text: "Library"}}, Foot: l.Site.Foot(), Live: l.Site.Live, Folder: l.Site.Folder}
	if l.Part > 1 {
		p.Path = l.Site.Up(page.Link{Text: fmt.Sprintf("Rigs, page %d", l.Part)})
		p.Title = fmt.Sprintf("%s: rigs, page %d", l.Site.Library, l.Part)
	}
	if l.Index != nil {
		p.Data = map[string]any{"find": l.Index}
	}
	return write(libraryTemplate, p, l)
}

// calendar is the days from today on, a row for each unit that goes out.
type calendar struct {
	Title, Desc   string
	Height, Inner float64
	Days          []calDay
	Weekend       []calBar
	Rows          []calRow
	Bars          []calBar
}

type calDay struct {
	X    float64
	Text string
	Now  bool
}

type calRow struct {
	Name     string
	Y, TextY float64
}

type calBar struct {
	X, Y, W, H   float64
	TextX, TextY float64
	Anchor, Name string
	Twice        bool
}

// Days of a calendar, the column that each has, and how high a row is.
const (
	calDays = 12
	calLeft = 88.0
	calWide = (340 - calLeft) / calDays
	calHigh = 44.0
	calTop  = 24.0
)

// Calendar shows the next twelve days that have a job; nil where none is ahead.
func (l Library) Calendar() *calendar {
	open := l.Open()
	open = slices.DeleteFunc(open, func(j JobRow) bool { return last(j).Before(day(l.Today)) || len(j.Units) == 0 })
	if len(open) == 0 {
		return nil
	}
	from := day(l.Today)
	if f := day(open[0].From); f.After(from.AddDate(0, 0, calDays-2)) {
		from = f
	}
	end := from.AddDate(0, 0, calDays)
	var units []string
	for _, j := range open {
		if day(j.From).Before(end) {
			for _, u := range j.Units {
				if !slices.Contains(units, u) {
					units = append(units, u)
				}
			}
		}
	}
	slices.Sort(units)
	const most = 12
	if len(units) > most {
		units = units[:most]
	}
	c := &calendar{Title: from.Format("January 2006"), Inner: calHigh*float64(len(units)) + 2}
	if e := end.AddDate(0, 0, -1); e.Month() != from.Month() {
		c.Title = from.Format("January") + " and " + e.Format("January 2006")
	}
	c.Height = calTop + c.Inner
	for i := range calDays {
		d := from.AddDate(0, 0, i)
		x := calLeft + calWide*float64(i)
		c.Days = append(c.Days, calDay{math.Round(x + calWide/2), fmt.Sprint(d.Day()), d.Equal(day(l.Today))})
		if w := d.Weekday(); w == time.Saturday || w == time.Sunday {
			c.Weekend = append(c.Weekend, calBar{X: x, W: calWide})
		}
	}
	var told []string
	for i, u := range units {
		y := calTop + calHigh*float64(i)
		c.Rows = append(c.Rows, calRow{page.Middle(safe.Line(u), 11), y, y + 26})
		var bars []calBar
		var at []JobRow
		for _, j := range open {
			if !slices.Contains(j.Units, u) || !day(j.From).Before(end) {
				continue
			}
			a := math.Max(0, day(j.From).Sub(from).Hours()/24)
			b := math.Min(calDays, last(j).Sub(from).Hours()/24+1)
			bar := calBar{X: calLeft + calWide*a, Y: y + 6, W: calWide * (b - a), H: calHigh - 12, Anchor: "start"}
			name := page.Middle(safe.Line(j.Name), 22)
			bar.Name, bar.TextX, bar.TextY = name, bar.X+4, y+27
			if bar.TextX+7.6*float64(len([]rune(name))) > 338 {
				bar.Anchor, bar.TextX = "end", 336
			}
			for k, o := range at {
				if !day(o.From).After(last(j)) && !day(j.From).After(last(o)) {
					bar.Twice, bars[k].Twice = true, true
					bars[k].H, bar.H = calHigh/2-6, calHigh/2-6
					bar.Y = y + calHigh/2 + 2
					bars[k].Y, bars[k].TextY, bar.TextY = y+4, y+17, y+calHigh/2+15
				}
			}
			told = append(told, u+" for "+j.Name+", "+j.Days())
			bars, at = append(bars, bar), append(at, j)
		}
		c.Bars = append(c.Bars, bars...)
	}
	c.Desc = safe.Line(strings.Join(told, "; "))
	return c
}

func day(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}

func last(j JobRow) time.Time {
	if j.To.IsZero() {
		return day(j.From)
	}
	return day(j.To)
}

// WantedTwice says which units two open jobs want on the same days.
func WantedTwice(jobs []JobRow) []string {
	var out []string
	for i, a := range jobs {
		for _, b := range jobs[:i] {
			if !a.Open || !b.Open || day(a.From).After(last(b)) || day(b.From).After(last(a)) {
				continue
			}
			from, to := day(a.From), last(a)
			if d := day(b.From); d.After(from) {
				from = d
			}
			if d := last(b); d.Before(to) {
				to = d
			}
			for _, u := range a.Units {
				if slices.Contains(b.Units, u) {
					out = append(out, fmt.Sprintf("%s on %s: %s and %s", u, schema.SayDates(from, to), b.Name, a.Name))
				}
			}
		}
	}
	return out
}
