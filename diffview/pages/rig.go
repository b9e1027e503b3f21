package pages

import (
	"time"

	"rigkeep/diffview/card"
	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/diffview/rigview"
)

// Rig is the page of a rig with its usual tune.
type Rig struct {
	Site       Site
	Name, Line string
	Groups     []rigview.Group
	Values     []page.Value
	Pair       []page.Value
	Other      []page.Fact
	Unit       string // word for the numbers of the stiffness dials
	Facts      []page.Fact
	Todo       string // what to do next, "" for nothing
	Command    string // that does it
	Fits       page.State
	Views      []draw.View
	Moves      string
	Over       []string
	Frame      string // what comes into frame at which tilt
	Clearances []string
	Parts      []Part
	PartsSum   string
	Marks      []Mark
	MarksFrom  string // "predicted from 3 balance records of this gimbal"
	Styles     rigview.Styles
	Photos     []card.Photo
	Notes      []string
	Charts     []page.Figure
	History    []Revision // newest first
	Keys       []string   // in working order
	Labels     map[string]string
	Links      []page.Link // card, starting tune, comparison
	Acts       []page.Link // what can be done with it at the stand, on a live page
	Tunes      []page.Link // its other tunes
	Fault      string      // why the build cannot be read, "" when it can
}

// Part is one part of a build.
type Part struct{ Name, Slot, Mass, Place string }

// Mark is one scale to set.
type Mark struct{ Name, Set, Range, Now, Move string }

// Revision is one revision of the tune.
type Revision struct {
	ID, When, Who, Why string
	Job                page.Link
	Values             map[string]string
	Since              []string // what differs from now, in words
}

const rigBody = `{{define "body"}}{{with .Fault}}<p class="over">✗ {{line .}}</p>{{end}}{{with .Badges}}{{template "badges" .}}{{end}}
{{with .Values}}{{template "values" .}}{{end}}{{with .Pair}}{{template "pair" .}}{{end}}
{{with .Unit}}<p class="small soft">Stiffness in {{line .}}.</p>{{end}}
{{with .Facts}}{{template "cells" .}}{{end}}
{{with .Todo}}<p style="margin-top:12px"><b>{{line .}}</b></p>{{end}}{{with .Command}}{{template "command" .}}{{end}}
{{with .Acts}}<nav class="acts" aria-label="At the stand">{{range .}}<a href="{{.Href}}">{{line .Text}}</a>{{end}}</nav>{{end}}<nav class="toc" aria-label="On this page"><a href="#build">Build</a>{{if .Marks}}<a href="#balance">Balance</a>{{end}}{{if .Styles.Rows}}<a href="#styles">Follow styles</a>{{end}}<a href="#proof">Proof</a><a href="#notes">Photos and notes</a>{{if .History}}<a href="#history">History</a>{{end}}{{range .Links}}<a href="{{.Href}}">{{line .Text}}</a>{{end}}</nav>
<section aria-labelledby="build"><div class="head"><h2 id="build">Build</h2>{{if .Fits.Word}}{{template "state" .Fits}}{{end}}</div>
{{range .Over}}<p class="over">✗ Does not fit: {{line .}}</p>{{end}}
{{if .Views}}{{template "views" .Views}}{{else}}<p>The build cannot be drawn.</p>{{end}}
{{with .Moves}}<p style="margin-top:8px">To balance: {{line .}}.</p>{{end}}{{with .Frame}}<p>{{line .}}</p>{{end}}
{{with .Clearances}}<details style="margin-top:8px"><summary>All clearances</summary><ul class="in plain">{{range .}}<li>{{line .}}</li>{{end}}</ul></details>{{end}}
{{if .Parts}}<details><summary>{{line .PartsSum}}</summary><div class="in"><table class="rows"><caption class="hush">Parts</caption><thead><tr><th scope="col">Part</th><th scope="col" class="r">Mass</th><th scope="col">Slot</th><th scope="col">Centre forward, left, up</th></tr></thead><tbody>{{range .Parts}}<tr><th scope="row">{{line .Name}}</th><td class="r">{{line .Mass}}</td><td>{{line .Slot}}</td><td class="{{if not .Place}}none{{end}}">{{line .Place}}</td></tr>{{end}}</tbody></table></div></details>{{end}}</section>
{{if .Marks}}<section aria-labelledby="balance"><div class="head"><h2 id="balance">Balance</h2>{{with .MarksFrom}}<span class="soft small">{{line .}}</span>{{end}}</div>
<table class="rows narrow"><caption class="hush">Marks to set</caption><thead><tr><th scope="col">Adjustment</th><th scope="col" class="r">Set to</th><th scope="col">Now</th><th scope="col">Move</th></tr></thead><tbody>
{{range .Marks}}<tr><th scope="row">{{line .Name}}</th><td class="r"><span class="v">{{line .Set}}</span>{{with .Range}}<span class="u">{{line .}}</span>{{end}}</td><td class="{{if not .Now}}none{{end}}" data-label="now">{{line .Now}}</td><td class="{{if not .Move}}none{{end}}">{{line .Move}}</td></tr>
{{end}}</tbody></table>
<p class="caution"><b>Caution:</b> power off before you move the camera on its plate. Hold it before you open a clamp.</p></section>{{end}}
{{if .Styles.Rows}}<section aria-labelledby="styles"><div class="head"><h2 id="styles">Follow styles</h2></div>{{template "styles" .Styles}}</section>{{end}}
<section aria-labelledby="proof"><div class="head"><h2 id="proof">Proof by group</h2></div>{{if .Groups}}{{template "groups" .Groups}}{{else}}<p>No tune to prove yet.</p>{{end}}
{{with .Other}}<details><summary>Other values</summary><div class="in">{{template "cells" .}}</div></details>{{end}}</section>
<section aria-labelledby="notes"><div class="head"><h2 id="notes">Photos and notes</h2></div>
<div class="g2">{{range .Photos}}<img class="photo" src="{{.Data}}" alt="{{line .Alt}}">{{else}}<p class="soft">No photo yet.</p>{{end}}</div>
{{range .Notes}}<p>{{text .}}</p>{{else}}<p class="soft">No note.</p>{{end}}
{{with .Tunes}}<p>Other tunes: {{range $i, $t := .}}{{if $i}}, {{end}}{{if .Href}}<a href="{{.Href}}">{{line .Text}}</a>{{else}}{{line .Text}}{{end}}{{end}}</p>{{end}}</section>
{{if .History}}<section aria-labelledby="history"><div class="head"><h2 id="history">History</h2><span class="soft small">{{len .History}} {{if eq (len .History) 1}}revision{{else}}revisions{{end}}</span></div>
{{if .Charts}}<div class="g3">{{range .Charts}}{{template "figure" .}}{{end}}</div><p class="small soft">Equal axes. Line: saved value. Circle: proved. Cross: onset. Grey: jobs.</p>{{end}}
<table class="rows history"><caption class="hush">Revisions</caption><thead><tr><th scope="col">Saved</th><th scope="col">Why</th><th scope="col">Against now</th><th scope="col" class="chosen" hidden>Compare</th></tr></thead><tbody>
{{range $i, $r := .History}}<tr><th scope="row">{{line .When}}<span class="u">{{line .Who}}</span></th><td>{{line .Why}}<span class="u">{{if .Job.Text}}{{if .Job.Href}}<a href="{{.Job.Href}}">{{line .Job.Text}}</a>{{else}}{{line .Job.Text}}{{end}}, {{end}}<code>{{short .ID}}</code></span></td><td>{{if $i}}{{if .Since}}<details><summary>{{len .Since}} {{if eq (len .Since) 1}}line{{else}}lines{{end}} differ</summary><ul class="in plain">{{range .Since}}<li>{{line .}}</li>{{end}}</ul></details>{{else}}no value differs{{end}}{{else}}this is the newest{{end}}</td><td class="chosen" hidden><label>from <input class="rad" type="radio" name="from" value="{{$i}}" aria-label="from {{line .When}}"{{if eq $i $.Older}} checked{{end}}></label> <label>to <input class="rad" type="radio" name="to" value="{{$i}}" aria-label="to {{line .When}}"{{if eq $i 0}} checked{{end}}></label></td></tr>
{{end}}</tbody></table>
<button class="go" id="pick" type="button" hidden>Compare from and to</button>
<table class="rows" id="differs" hidden><caption>What differs</caption><thead><tr><th scope="col">Value</th><th scope="col">Change</th></tr></thead><tbody><tr><th scope="row">none</th><td>none</td></tr></tbody></table></section>{{end}}
{{end}}`

var rigTemplate = parsed(rigBody)

// Badges are the states of the groups of values.
func (r Rig) Badges() []page.Badge { return rigview.Badges(r.Groups) }

// Older is the revision before the newest, where there is one.
func (r Rig) Older() int { return min(1, len(r.History)-1) }

// Bytes is the page.
func (r Rig) Bytes() ([]byte, error) {
	p := page.Page{Title: r.Name, Sub: r.Line, Library: r.Site.Library, Path: r.Site.Up(page.Link{Text: r.Name}), Foot: r.Site.Foot(), Live: r.Site.Live, Folder: r.Site.Folder}
	if len(r.History) > 1 {
		type rev struct {
			Name   string            `json:"name"`
			Values map[string]string `json:"values"`
		}
		var revs []rev
		for _, h := range r.History {
			revs = append(revs, rev{h.When, h.Values})
		}
		p.Data = map[string]any{"revisions": revs, "keys": r.Keys, "labels": r.Labels}
	}
	return write(rigTemplate, p, r)
}

// Moment is one value of the history of a parameter.
type Moment struct {
	At    time.Time
	Value float64
}
