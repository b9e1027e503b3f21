// Package pages makes the pages of a library: library, rig, job, start and gyro log. Each
// is a value laid out by whoever knows the library, and a function from it to bytes, so
// that a folder, a browser and a server show the same.
package pages

import (
	"bytes"
	"fmt"
	"html/template"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview"
	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/diffview/rigview"
)

// Site is what all pages of a library share.
type Site struct {
	Library  string    // its name
	Made     time.Time // in the zone to show
	Version  string
	Revision string // of the library
	Live     bool   // a server makes the pages anew for each request
	Folder   bool   // the pages lie in a folder with page.Assets
}

// Foot is the foot of a page.
func (s Site) Foot() page.Foot {
	f := page.Foot{Made: s.Made, Version: s.Version}
	if s.Revision != "" {
		f.Commits = []string{s.Revision}
	}
	return f
}

// Home is the address of the library's page; every page lies in the same folder.
const Home = "index.html"

// Up is the way from the library to a page below it.
func (s Site) Up(links ...page.Link) []page.Link {
	return append([]page.Link{{Text: "Library", Href: Home}}, links...)
}

// File is the file name of a page: the kind, then the name with all but plain letters,
// digits, dot and hyphen by number, so that it is good on any file system and in any
// address.
func File(kind, name string) string {
	var b strings.Builder
	b.WriteString(kind)
	b.WriteByte('-')
	for _, r := range name {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "_%x_", r)
		}
	}
	if out := b.String(); len(out) < 180 {
		return out + ".html"
	}
	return b.String()[:170] + fmt.Sprintf("_%08x.html", sum(name))
}

// sum is FNV-1a. Source: Fowler, Noll, Vo (from memory).
func sum(s string) uint32 {
	h := uint32(2166136261)
	for i := 0; i < len(s); i++ {
		h = (h ^ uint32(s[i])) * 16777619
	}
	return h
}

// template parses a body once, with all parts that these pages share.
func parsed(body string) func() (*template.Template, error) {
	return sync.OnceValues(func() (*template.Template, error) {
		shared, funcs := diffview.FindingsTemplates()
		return page.Template(shared+rigview.Templates+draw.Source()+body, funcs)
	})
}

func write(t func() (*template.Template, error), p page.Page, body any) ([]byte, error) {
	tm, err := t()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := page.Write(&b, tm, p, body); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
