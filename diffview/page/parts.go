package page

import (
	"regexp"
	"strings"
	"sync"

	"rigkeep/diffview/safe"
)

// Verdict is how something stands. Each has a sign of its own shape, so that it
// can be told without colour.
type Verdict string

// The verdicts. The zero Verdict is none.
const (
	Good Verdict = "good"
	Bad  Verdict = "bad"
	Look Verdict = "look"
	Note Verdict = "note"
)

// Sign is the mark of a verdict.
func (v Verdict) Sign() string {
	return map[Verdict]string{Good: "✓", Bad: "✗", Look: "!", Note: "i"}[v]
}

// State is a verdict with its word, for {{template "state" .}}.
type State struct {
	V    Verdict
	Word string
}

// Badge is the state of one group, for {{template "badges" .}} of a slice.
type Badge struct {
	Name string
	State
}

// Value is one large number, for {{template "values" .}} of three and
// {{template "pair" .}} of up to four.
type Value struct {
	Name   string // "pan"
	Number string // with its unit where that is short, "" for none
	As     string // what the controller calls it, or what it was
	Was    string // what differs, as "proved at 24"
	State  State
}

// Fact is a term with what it is, for {{template "cells" .}} of a slice.
type Fact struct {
	Term, Text, Href string
	State            State
}

// Finding is something to do or to know, for {{template "finding" .}}.
type Finding struct {
	ID       string // anchor, unique on the page
	V        Verdict
	Word     string // FIX, CHECK, NOTE
	Title    string
	Of       string   // what it is about, or how many
	Href     string   // the page of that, "" for none
	Keys     []string // for filters, beside the verdict
	What     string
	Do       string
	Commands []Command // without a list of things
	Things   []Thing   // the rigs it is about
	More     []Thing   // shown in a fold
	Evidence []string
	IDs      []string // as they are named to accept one
	Accept   string   // command that accepts it, "" where that cannot be
	Accepted string   // by whom and why
}

// Thing is one rig of a finding.
type Thing struct {
	Link
	Note    string
	Command string
}

// Command is a line to copy, for {{template "command" .}}.
type Command = string

// Section is a heading, for {{template "head" .}}.
type Section struct {
	ID, Title, About string
	State            State
}

const parts = `
{{define "state"}}<span class="st {{.V}}"><i aria-hidden="true">{{.V.Sign}}</i>{{line .Word}}</span>{{end}}
{{define "badges"}}<dl class="badges">{{range .}}<div><dt>{{line .Name}}</dt><dd>{{template "state" .State}}</dd></div>{{end}}</dl>
{{end}}
{{define "value"}}<div><dt>{{line .Name}}</dt><dd><span class="n{{if long .Number}} long{{end}}">{{line .Number}}</span>{{with .As}}<span class="as">{{line .}}</span>{{end}}{{with .Was}}<span class="ch">{{line .}}</span>{{end}}{{if .State.Word}}{{template "state" .State}}{{end}}</dd></div>{{end}}
{{define "values"}}<dl class="vals">{{range .}}{{template "value" .}}{{end}}</dl>
{{end}}
{{define "pair"}}<dl class="vals pair">{{range .}}{{template "value" .}}{{end}}</dl>
{{end}}
{{define "cells"}}<dl class="cells">{{range .}}<div><dt>{{line .Term}}</dt><dd>{{if .State.Word}}{{template "state" .State}} {{end}}{{if .Href}}<a href="{{.Href}}">{{line .Text}}</a>{{else}}{{line .Text}}{{end}}</dd></div>{{end}}</dl>
{{end}}
{{define "head"}}<div class="head"><h2 id="{{.ID}}">{{line .Title}}</h2>{{if .State.Word}}{{template "state" .State}}{{else}}{{with .About}}<span class="soft small">{{line .}}</span>{{end}}{{end}}</div>
{{end}}
{{define "command"}}<div class="cmd"><code>{{range $i, $w := words .}}{{if $i}} {{end}}{{if lt (len $w) 27}}<span class="nw">{{$w}}</span>{{else}}{{$w}}{{end}}{{end}}</code></div>
{{end}}
{{define "thing"}}<li>{{if .Href}}<a href="{{.Href}}"><bdi>{{line .Text}}</bdi></a>{{else}}<b><bdi>{{line .Text}}</bdi></b>{{end}}{{with .Note}} <span class="soft">{{line .}}</span>{{end}}{{with .Command}}{{template "command" .}}{{end}}</li>{{end}}
{{define "finding"}}<article class="f {{.V}}" id="{{.ID}}" data-k="{{.V}}{{range .Keys}} {{.}}{{end}}"><h3><span class="sign {{.V}}" aria-hidden="true">{{.V.Sign}}</span> <span class="{{.V}}">{{.Word}}</span> {{line .Title}}{{if .Href}} <a href="{{.Href}}"><bdi>{{line .Of}}</bdi></a>{{else}}{{with .Of}} <span class="soft">{{line .}}</span>{{end}}{{end}}</h3>
{{with .What}}<p>{{line .}}</p>
{{end}}{{with .Accepted}}<p class="strong">Accepted {{line .}}</p>
{{end}}{{with .Do}}<p><span class="box" aria-hidden="true"></span>{{line .}}</p>
{{end}}{{range .Commands}}{{template "command" .}}{{end}}{{with .Things}}<ul class="which">{{range .}}{{template "thing" .}}{{end}}</ul>
{{end}}{{if .More}}<details><summary>Show all {{.Count}}</summary><ul class="in which">{{range .More}}{{template "thing" .}}{{end}}</ul></details>
{{end}}{{if or .Evidence .Accept}}<details><summary>Evidence{{if .Accept}} and acceptance{{end}}</summary><div class="in small">{{with .Evidence}}<ul>{{range .}}<li>{{line .}}</li>{{end}}</ul>{{end}}
{{with .Accept}}<p>Leave it as it is, with a reason:</p>{{template "command" .}}{{end}}</div></details>
{{end}}</article>
{{end}}
{{define "caution"}}<p class="caution"><b>Caution:</b> {{line .}}</p>
{{end}}`

// Count is how many things a finding is about.
func (f Finding) Count() int { return len(f.Things) + len(f.More) }

// units keeps a number and its unit on one line.
var units = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`(\d) (mm|m|cm|kg|g|lb|oz|Hz|kHz|s|ms|min|%|°|°/s|deg/s|Nm|N·m|Nm/rad|N·m/rad|kg·m²|W|A|px|dB)\b`)
})
var percent = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`(\d) (%|°|kg·m²)`) })

// Units puts a no-break space between a number and its unit.
func Units(s string) string {
	if !strings.Contains(s, " ") {
		return s
	}
	return percent().ReplaceAllString(units().ReplaceAllString(s, "$1\u00a0$2"), "$1\u00a0$2")
}

// longName is the longest name shown whole in a title; about two lines on a phone.
const longName = 64

// Middle cuts a text that is longer than n characters in its middle.
func Middle(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	head := (n - 1) * 2 / 3
	return string(r[:head]) + "…" + string(r[len(r)-(n-1-head):])
}

// longNumber reports whether a large value needs the smaller size to stand in a
// third of a phone's width.
func longNumber(s string) bool { return len([]rune(s)) > 3 }

// commandWords cuts a command where a line may break: between words, with a flag
// kept beside its value. Joined by spaces the words are the command.
func commandWords(s string) []string {
	s = safe.Line(s)
	var words []string
	quote, start := byte(0), 0
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == ' ':
			words = append(words, s[start:i])
			start = i + 1
		}
	}
	words = append(words, s[start:])
	var out []string
	for i := 0; i < len(words); i++ {
		w := words[i]
		if strings.HasPrefix(w, "-") && !strings.Contains(w, "=") && i+1 < len(words) && !strings.HasPrefix(words[i+1], "-") {
			i++
			w += " " + words[i]
		}
		out = append(out, w)
	}
	return out
}
