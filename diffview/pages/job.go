package pages

import (
	"rigkeep/diffview"
	"rigkeep/diffview/page"
)

// Job is the page of a job.
type Job struct {
	Site     Site
	Name     string
	Sub      string // the days, with what is close
	Review   diffview.Findings
	Reviewed bool // a closed job is not
	Shots    []Shot
	Drift    string // how far the subject may drift, "" not stated
	Crew     []page.Fact
	Cases    []Case
	Note     string
	Links    []page.Link
	Command  string
}

// Shot is one line of the shot list.
type Shot struct{ Name, Style, Lens, Rig string }

// Case is what is packed together.
type Case struct {
	Title  string
	Things []Packed
}

// Packed is one thing of a case.
type Packed struct {
	Name  string
	Twice bool // more of it are wanted than this rig alone
}

const jobBody = `{{define "body"}}{{with .Review.Partial}}<p class="answer"><span class="st look"><i aria-hidden="true">!</i>{{line .}}</span></p>{{end}}<p class="answer">{{line .Review.Answer}}</p>
{{template "filter" .Review}}{{template "goes" .Review.Goes}}
{{with .Command}}{{template "command" .}}{{end}}
<nav class="toc" aria-label="On this page">{{if .Reviewed}}<a href="#findings">Review</a>{{end}}{{if .Shots}}<a href="#shots">Shots and styles</a>{{end}}{{if .Crew}}<a href="#crew">Crew</a>{{end}}{{if .Cases}}<a href="#pack">Packing list</a>{{end}}{{range .Links}}<a href="{{.Href}}">{{line .Text}}</a>{{end}}</nav>
{{with .Note}}<p>{{text .}}</p>{{end}}
{{if .Reviewed}}{{template "findings" .Review}}{{end}}
{{if .Shots}}<section aria-labelledby="shots"><div class="head"><h2 id="shots">Shots and styles</h2>{{with .Drift}}<span class="soft small">{{line .}}</span>{{end}}</div>
<table class="rows"><caption class="hush">Shots</caption><thead><tr><th scope="col">Shot</th><th scope="col">Style</th><th scope="col">Lens</th><th scope="col">Rig</th></tr></thead><tbody>
{{range .Shots}}<tr><th scope="row">{{line .Name}}</th><td>{{line .Style}}</td><td class="{{if not .Lens}}none{{end}}">{{line .Lens}}</td><td class="{{if not .Rig}}none{{end}}">{{line .Rig}}</td></tr>{{end}}</tbody></table></section>{{end}}
{{if .Crew}}<section aria-labelledby="crew"><div class="head"><h2 id="crew">Crew</h2></div>{{template "cells" .Crew}}</section>{{end}}
{{if .Cases}}<section aria-labelledby="pack"><div class="head"><h2 id="pack">Packing list</h2><span class="soft small">{{len .Cases}} {{if eq (len .Cases) 1}}rig{{else}}rigs{{end}}</span></div>
<div class="g2">{{range .Cases}}<div class="short"><h3>{{line .Title}}</h3><ul class="panel flush pack">{{range .Things}}<li><span class="box" aria-hidden="true"></span>{{line .Name}}{{if .Twice}} <span class="st bad"><i aria-hidden="true">✗</i>wanted twice</span>{{end}}</li>{{end}}</ul></div>{{end}}</div></section>{{end}}
{{end}}`

var jobTemplate = parsed(jobBody)

// Bytes is the page.
func (j Job) Bytes() ([]byte, error) {
	return write(jobTemplate, page.Page{Title: j.Name, Sub: j.Sub, Library: j.Site.Library, Path: j.Site.Up(page.Link{Text: j.Name}), Foot: j.Site.Foot(), Live: j.Site.Live, Folder: j.Site.Folder}, j)
}
