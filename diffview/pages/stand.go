package pages

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/diffview/page"
	"rigkeep/schema"
)

// Stand is a page at the stand: one thing to do, and the answers to it. It works without
// its script, by forms alone.
type Stand struct {
	Site    Site
	Title   string    // "a-cam-prime on QL-0031"
	Up      page.Link // the page above
	Step    string    // "axis 3 of 3, trial 5"
	Saved   string    // the last answer on disk, "" for none yet
	Refused string    // why the last answer was not taken
	Told    []string  // what came of the last answer
	Caution []string  // before what is asked
	Set     *SetTo
	Bracket *Bracket
	Scale   *Scale
	Lines   []string // what to look for, and why
	Badges  []page.Badge
	Forms   []Form
	Steps   []StandStep
	Token   string // sent back with each answer
	ID      string // of the question, the same
	Version string // changes when the page shows something else
	Events  string // where the page hears of that
}

// SetTo is the large figure.
type SetTo struct {
	Do     string // "set pan to"
	Number string
	Unit   string
	As     string // what the controller calls it, what it is now
}

// Form is a group of answers that are sent together.
type Form struct {
	Fold    string // title of a fold that holds all of it, "" for none
	Caution string // before what is asked
	More    string // title of a fold that holds the fields, behind the buttons
	Fields  []Field
	Keys    []KeyGroup
	Buttons []Button
	Upload  bool
	Open    bool // the fold of the fields stands open
	Count   bool // say how many keys are ticked
}

// Field is one thing to type or choose.
type Field struct {
	Name, Label, Value, Unit string
	Kind                     string // "number", "text", "area", "file", "choose", "select"
	Options                  []string
	Hint                     string
}

// Button is one answer. Its value is sent as "do"; one with an address only shows another
// page, and is no answer.
type Button struct {
	Href              string
	Value, Word, Hint string
	V                 page.Verdict
	Size              string // "full", "low", "main"
	Said              string // the answer in words, while it waits
}

// KeyGroup is a group of values to key in and tick off.
type KeyGroup struct {
	Title string
	Keys  []KeyTick
}

// KeyTick is one value.
type KeyTick struct{ Key, Name, About, Number, Was, Of string }

// StandStep is one step of what is done, in a list below.
type StandStep struct {
	Name, Href, Value string
	Now               bool
}

// Bracket is where on a dial an axis was looked at.
type Bracket struct {
	Axis         string
	Min, Max     float64 // of the dial
	Coarse       float64
	Reversed     bool // the smaller number is the stiffer
	Trials       []BracketTrial
	Next         *float64
	Clean, Onset *float64
	OnsetWord    string // "chatter 47, 19 Hz"
}

// BracketTrial is one trial.
type BracketTrial struct {
	Value float64
	Bad   bool
	Stand bool // oscillates on the stand only
}

// Scale is a slide with its marks, in mm.
type Scale struct {
	Name, Left, Right string
	Lo, Hi            float64 // ends of the scale
	Set, SetLo, SetHi *float64
	Now               *float64
}

const standBody = `{{define "body"}}{{if .Events}}<div class="con" id="con" role="status" data-version="{{.Version}}" data-events="{{.Events}}" data-saved="{{.Saved}}"><span class="st good" hidden></span><span class="soft">{{line .Saved}}</span></div>{{end}}
{{with .Refused}}<p class="over" role="alert">✗ {{line .}}</p>{{end}}{{range .Told}}<p class="small"><b>{{line .}}</b></p>{{end}}
{{range .Caution}}{{template "caution" .}}{{end}}{{with .Set}}<div class="set" id="set" tabindex="-1"><span class="w">{{line .Do}}</span><span class="n{{if .Words}} words{{else if .Unit}} unit{{else if long .Number}} long{{end}}">{{line .Number}}{{with .Unit}}<small> {{line .}}</small>{{end}}</span>{{with .As}}<span class="as">{{line .}}</span>{{end}}</div>{{end}}
{{with .Bracket}}<div class="strip">{{template "bracket" .Draw}}</div>{{end}}{{with .Scale}}<div class="strip">{{template "scale" .Draw}}</div>{{end}}
{{range .Lines}}<p>{{line .}}</p>{{end}}{{with .Badges}}{{template "badges" .}}{{end}}
{{range .Forms}}{{if .Fold}}<details><summary>{{line .Fold}}</summary><div class="in">{{template "form" ($.Form .)}}</div></details>{{else}}{{template "form" ($.Form .)}}{{end}}{{end}}
{{with .Steps}}<ol class="steps">{{range .}}<li{{if .Now}} class="now" aria-current="step"{{end}}>{{if .Href}}<a href="{{.Href}}">{{line .Name}}</a>{{else}}<span>{{line .Name}}</span>{{end}}<span class="v">{{line .Value}}</span></li>{{end}}</ol>{{end}}
{{end}}
{{define "form"}}<form class="ask" method="post"{{if .Form.Upload}} enctype="multipart/form-data"{{end}}><input type="hidden" name="token" value="{{.Page.Token}}"><input type="hidden" name="id" value="{{.Page.ID}}">
{{with .Form.Caution}}{{template "caution" .}}{{end}}{{range .Form.Keys}}{{template "keys" .}}{{end}}{{if not .Form.More}}{{range .Form.Fields}}{{template "field" .}}{{end}}{{end}}{{if .Form.Count}}<div class="foot-bar"><b id="ticked" role="status"></b>{{end}}{{range .Form.Buttons}}{{if .Href}}<a class="b {{.Size}}" href="{{.Href}}"><span class="t">{{line .Word}}</span>{{with .Hint}}<small>{{line .}}</small>{{end}}</a>{{else}}<button name="do" value="{{.Value}}" class="b {{.Size}}" data-word="{{.Said}}"><span class="t">{{with .V}}<span class="sign {{.}}" aria-hidden="true">{{.Sign}}</span>{{end}}{{line .Word}}</span>{{with .Hint}}<small>{{line .}}</small>{{end}}</button>
{{end}}{{end}}{{if .Form.Count}}</div>{{end}}{{with .Form.More}}<details{{if $.Form.Open}} open{{end}}><summary>{{line .}}</summary><div class="in">{{range $.Form.Fields}}{{template "field" .}}{{end}}</div></details>{{end}}</form>{{end}}
{{define "field"}}{{if eq .Kind "choose"}}<fieldset class="choose"><legend>{{line .Label}}</legend>{{range .Options}}<label><input class="rad" type="radio" name="{{$.Name}}" value="{{.}}"{{if eq . $.Value}} checked{{end}}>{{line .}}</label>{{end}}</fieldset>{{else if eq .Kind "hidden"}}<input type="hidden" name="{{.Name}}" value="{{.Value}}">{{else}}<label class="field"><span>{{line .Label}}</span>{{if eq .Kind "area"}}<textarea name="{{.Name}}" rows="2">{{raw .Value}}</textarea>{{else if eq .Kind "select"}}<select name="{{.Name}}">{{range .Options}}<option{{if eq . $.Value}} selected{{end}}>{{.}}</option>{{end}}</select>{{else if eq .Kind "file"}}<input type="file" name="{{.Name}}" accept="image/*" capture="environment">{{else}}<input type="{{.Type}}" name="{{.Name}}" value="{{raw .Value}}"{{if eq .Kind "number"}} inputmode="text" autocomplete="off"{{end}}>{{end}}{{with .Unit}}<b>{{line .}}</b>{{end}}{{with .Hint}}<small class="soft">{{line .}}</small>{{end}}</label>{{end}}{{end}}
{{define "keys"}}<div class="keys"><h2>{{line .Title}}</h2>{{range .Keys}}<label><input class="tick" type="checkbox" name="key" value="{{.Key}}" data-tick="{{.Key}}" data-of="{{.Of}}"><span><b>{{line .Name}}</b><span class="soft small">{{line .About}}</span>{{with .Was}} <span class="small look">{{line .}}</span>{{end}}</span><span class="v">{{line .Number}}</span></label>{{end}}</div>{{end}}
{{define "bracket"}}<svg viewBox="0 0 362 104" role="img" aria-labelledby="br-t br-d" font-family="system-ui, sans-serif" font-size="15" style="fill:var(--second)"><title id="br-t">{{.Title}}</title><desc id="br-d">{{.Desc}}</desc>
{{range .Zones}}<rect x="{{.X}}" y="43" width="{{.W}}" height="18" class="{{.Fill}}"/>{{end}}<path d="M14 52H348" style="stroke:var(--ink);stroke-width:1.5"/>
{{range .Dots}}{{if .Bad}}<path d="M{{.L}} 44L{{.R}} 60M{{.L}} 60L{{.R}} 44" style="fill:none;stroke:var(--bad);stroke-width:2.5"/>{{else if .Open}}<circle cx="{{.X}}" cy="52" r="6" style="fill:var(--panel);stroke:var(--good);stroke-width:2.5"/>{{else}}<circle cx="{{.X}}" cy="52" r="7" style="fill:var(--good)"/>{{end}}{{end}}
{{with .Next}}<path d="M{{.X}} 41l-9 -13h18z" style="fill:var(--todo)"/><text x="{{.TextX}}" y="23" text-anchor="middle" font-size="17" font-weight="700" style="fill:var(--todo)">{{.Text}}</text>{{end}}
{{range .Labels}}<text x="{{.X}}" y="81" text-anchor="middle"{{with .Fill}} font-weight="700" class="{{.}}"{{end}}>{{.Text}}</text>{{end}}
{{with .Clean}}<text x="14" y="100" font-size="13.5" font-weight="700" style="fill:var(--good)">✓ {{.}}</text>{{end}}{{with .Onset}}<text x="348" y="100" text-anchor="end" font-size="13.5" font-weight="700" style="fill:var(--bad)">✗ {{.}}</text>{{end}}</svg>{{end}}
{{define "scale"}}<svg viewBox="0 0 362 112" role="img" aria-labelledby="sc-t" font-family="system-ui, sans-serif" font-size="14" style="fill:var(--ink)"><title id="sc-t">{{.Title}}</title>
{{with .Span}}<rect x="{{.X}}" y="32" width="{{.W}}" height="26" style="fill:var(--look-weak)"/>{{end}}<path d="M12 58H350" style="stroke:var(--ink);stroke-width:2"/>
{{range .Ticks}}<path d="M{{.X}} 58v-{{.H}}" style="stroke:var(--ink)"/>{{if .Text}}<text x="{{.X}}" y="76" text-anchor="middle" font-weight="650">{{.Text}}</text>{{end}}{{end}}
{{with .Now}}<path d="M{{.X}} 26v36" style="stroke:var(--ink);stroke-width:2"/><text x="{{.TextX}}" y="{{.Y}}" text-anchor="{{.Anchor}}" font-weight="650">{{.Text}}</text>{{end}}
{{with .Set}}<path d="M{{.X}} 40l-9 -13h18z" style="fill:var(--todo)"/><text x="{{.TextX}}" y="18" text-anchor="middle" font-size="16" font-weight="700" style="fill:var(--todo)">{{.Text}}</text>{{end}}
<text x="12" y="102" style="fill:var(--second)">{{.Left}}</text><text x="181" y="102" text-anchor="middle" font-weight="700" style="fill:var(--todo)">{{.Expected}}</text><text x="350" y="102" text-anchor="end" style="fill:var(--second)">{{.Right}}</text></svg>{{end}}`

var standTemplate = parsed(standBody)

// Words reports a text in place of a number.
func (s SetTo) Words() bool { return len([]rune(s.Number)) > 6 }

// Type is the kind of an input.
func (f Field) Type() string {
	if f.Kind == "number" {
		return "text" // a decimal comma, and 2.8/1.2
	}
	return f.Kind
}

// Form is a form with the page that it stands on.
func (s Stand) Form(f Form) any {
	return struct {
		Form Form
		Page Stand
	}{f, s}
}

// Bytes is the page.
func (s Stand) Bytes() ([]byte, error) {
	p := page.Page{Title: s.Title, Sub: s.Step, Library: s.Site.Library, Path: []page.Link{s.Up}, Foot: s.Site.Foot(), Live: true, Tool: true}
	return write(standTemplate, p, s)
}

type standMark struct {
	X, W, L, R, TextX float64
	H, Y              int
	Text, Fill        string
	Anchor            string
	Bad, Open         bool
}

type bracketDrawing struct {
	Title, Desc  string
	Zones        []standMark
	Dots, Labels []standMark
	Next         *standMark
	Clean, Onset string
}

// Draw lays the bracket out: the soft end is left, whichever number that is.
func (b Bracket) Draw() bracketDrawing {
	lo, hi := math.Inf(1), math.Inf(-1)
	span := func(v float64) { lo, hi = min(lo, v), max(hi, v) }
	for _, l := range b.Trials {
		span(l.Value)
	}
	if b.Next != nil {
		span(*b.Next)
	}
	if lo > hi {
		span(b.Min)
		span(b.Max)
	}
	lo, hi = max(b.Min, lo-b.Coarse), min(b.Max, hi+b.Coarse)
	if !(hi > lo) {
		hi = lo + 1
	}
	const left, right = 14.0, 348.0
	at := func(v float64) float64 {
		x := (v - lo) / (hi - lo)
		if b.Reversed {
			x = 1 - x
		}
		return math.Round(left + x*(right-left))
	}
	d := bracketDrawing{Title: "Search on " + b.Axis}
	var said []string
	var words []standMark
	soft, stiff := left, right
	if b.Clean != nil {
		soft = at(*b.Clean)
		d.Clean = "clean up to " + schema.Num(*b.Clean)
		d.Zones = append(d.Zones, standMark{X: left, W: soft - left, Fill: "good-zone"})
		said = append(said, d.Clean)
	}
	if b.Onset != nil {
		stiff = at(*b.Onset)
		d.Onset = b.OnsetWord
		d.Zones = append(d.Zones, standMark{X: stiff, W: right - stiff, Fill: "bad-zone"})
		said = append(said, d.Onset)
	}
	if stiff > soft {
		d.Zones = append(d.Zones, standMark{X: soft, W: stiff - soft, Fill: "open-zone"})
	}
	for _, l := range b.Trials {
		x := at(l.Value)
		d.Dots = append(d.Dots, standMark{X: x, L: x - 8, R: x + 8, Bad: l.Bad, Open: l.Stand})
		if l.Stand {
			said = append(said, schema.Num(l.Value)+" on the stand only")
		}
		m := standMark{X: min(max(x, 22), 340), Text: schema.Num(l.Value)}
		switch {
		case b.Clean != nil && *b.Clean == l.Value:
			m.Fill = "good-ink"
		case b.Onset != nil && *b.Onset == l.Value:
			m.Fill = "bad-ink"
		}
		words = append(words, m)
	}
	// what decides is written first; a number with no room is left out
	for _, strong := range []bool{true, false} {
		for _, m := range words {
			free := (m.Fill != "") == strong
			for _, o := range d.Labels {
				free = free && math.Abs(o.X-m.X) > 30
			}
			if free {
				d.Labels = append(d.Labels, m)
			}
		}
	}
	if b.Next != nil {
		x := at(*b.Next)
		d.Next = &standMark{X: x, TextX: min(max(x, 44), 318), Text: "next " + schema.Num(*b.Next)}
		said = append(said, d.Next.Text)
	}
	d.Desc = strings.Join(said, "; ")
	return d
}

type scaleDrawing struct {
	Title, Left, Right, Expected string
	Ticks                        []standMark
	Span, Now, Set               *standMark
}

// Draw lays out the part of the scale that matters: what is to be set and what is now.
func (s Scale) Draw() scaleDrawing {
	mm := func(v float64) string { return schema.Num(math.Round(v*10) / 10) }
	lo, hi := s.Lo, s.Hi
	if c := s.Set; c != nil && hi-lo > 40 {
		a, b := *c, *c
		for _, p := range []*float64{s.SetLo, s.SetHi, s.Now} {
			if p != nil {
				a, b = min(a, *p), max(b, *p)
			}
		}
		half := max(20, (b-a)/2+8)
		lo, hi = math.Floor(((a+b)/2-half)/10)*10, math.Ceil(((a+b)/2+half)/10)*10
		lo, hi = max(lo, s.Lo), min(hi, s.Hi)
	}
	const left, right = 12.0, 350.0
	at := func(v float64) float64 { return math.Round(left + (min(max(v, lo), hi)-lo)/(hi-lo)*(right-left)) }
	d := scaleDrawing{Title: "Scale of " + s.Name, Left: s.Left, Right: s.Right}
	step := 1.0
	for (hi-lo)/step > 60 {
		step *= 10
	}
	for i := 0; ; i++ {
		v := math.Ceil(lo/step)*step + float64(i)*step
		if v > hi+1e-9 || i > 100 {
			break
		}
		t := standMark{X: at(v), H: 6}
		if math.Mod(math.Abs(v)+1e-9, step*10) < 1e-6 {
			t.H, t.Text = 14, mm(v)
		}
		d.Ticks = append(d.Ticks, t)
	}
	if s.SetLo != nil && s.SetHi != nil {
		d.Span = &standMark{X: at(*s.SetLo), W: max(2, at(*s.SetHi)-at(*s.SetLo))}
		d.Expected = fmt.Sprintf("expected %s to %s mm", mm(*s.SetLo), mm(*s.SetHi))
	}
	if s.Set != nil {
		x := at(*s.Set)
		d.Set = &standMark{X: x, TextX: min(max(x, 44), 318), Text: "set to " + mm(*s.Set)}
		d.Title += ", set to " + mm(*s.Set) + " mm"
	}
	if s.Now != nil {
		x := at(*s.Now)
		n := &standMark{X: x, TextX: x + 6, Y: 30, Text: "now " + mm(*s.Now), Anchor: "start"}
		if x > 280 || s.Set != nil && *s.Now < *s.Set && x > 70 {
			n.Anchor, n.TextX = "end", x-6
		}
		if d.Set != nil && math.Abs(x-d.Set.X) < 24 {
			n.Y = 46
		}
		d.Now = n
		d.Title += ", now " + mm(*s.Now) + " mm"
	}
	return d
}
