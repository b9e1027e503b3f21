package diffview

import (
	"bytes"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/diffview/page/pagetest"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/schema"
)

func demoReport() Report {
	a, b := demoSides()
	r := Compare(cat, a, b)
	r.Behaviour = Behave(cat, a, b, Conditions{})
	return r
}

var demoFoot = page.Foot{Made: time.Date(2026, 3, 10, 7, 0, 0, 0, time.UTC), Version: "0.1", Commits: []string{"3f2a1b9c0d3f2a1b9c0d3f2a1b9c0d3f2a1b9c0d"},
	Files: []page.File{{Path: "rigs/k7/k7qd2m9x4c/main.toml", SHA256: strings.Repeat("0f", 32)}}}

func TestPageInChromium(t *testing.T) {
	var b bytes.Buffer
	if err := WriteHTML(&b, demoReport(), Options{All: true}, demoFoot); err != nil {
		t.Fatal(err)
	}
	pdf := pagetest.Check(t, "compare", b.Bytes())
	if n := bytes.Count(pdf, []byte("/Type /Page\n")) + bytes.Count(pdf, []byte("/Type /Page ")); n > 12 {
		t.Errorf("the page prints on %d sheets", n)
	}
}

func TestPageIsSelfContained(t *testing.T) {
	var b bytes.Buffer
	if err := WriteHTML(&b, demoReport(), Options{}, demoFoot); err != nil {
		t.Fatal(err)
	}
	s := b.String()
	for _, want := range []string{
		`<meta http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;; style-src &#39;unsafe-inline&#39;; img-src data:; base-uri &#39;none&#39;; script-src &#39;sha256-`,
		`<html lang="en">`, `role="img"`, `<title>`, "State of 2026-03-10 07:00 UTC", "Made by Rigkeep 0.1", "3f2a1b9c0d", `<th scope="row"`, `<th scope="col"`,
	} {
		if !strings.Contains(s, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	for _, not := range []string{"<script src", "http://", "https://", "<link", "ZgotmplZ", "url("} {
		if not == "http://" {
			s = strings.ReplaceAll(s, `xmlns="http://www.w3.org/2000/svg"`, "")
		}
		if strings.Contains(s, not) {
			t.Errorf("the page has %s", not)
		}
	}
}

// hostile is put into every text that comes from outside.
const hostile = "\x1b[31m<script>alert(1)</script>\u202e\"'`|*_[x](javascript:x)\r\n# www.example.org \u009b2J</style>"

var unescaped = regexp.MustCompile(`[^\\]\]\(`)

// Nothing from outside gets through any writer as markup or control.
func TestHostileText(t *testing.T) {
	side := func(n string) Side {
		h := n + hostile
		rig := &preset.Rig{ID: h, Alias: h, Gimbal: h, Note: h, Was: []string{h}, Parts: []preset.Part{{Slot: h, Name: h, Shape: "point", Mass: 1, Note: h}}}
		tune := &preset.Tune{Rig: h, Note: h, Values: map[string]any{"stiffness.pan": h, "follow." + h + ".deadband.pan": 3.0, h: h},
			Proof: &preset.Proof{Unit: h, By: h, Note: h, Ended: h, Digest: h, Rig: h}}
		return Side{Label: h, Rig: rig, Tune: tune, Sheet: nil, Meta: Meta{Revision: h, Who: h, Job: h},
			Docs:  map[string]schema.Tree{h: {"kind": "job", "name": h, h: h}},
			Texts: map[string][]byte{"jobs/" + n + ".toml": []byte("# " + h + "\n")}}
	}
	r := Compare(cat, side("a"), side("b"))
	x := 1.0
	r.Behaviour = &Behaviour{Basis: []string{hostile}, Missing: []string{hostile}, Figures: []Figure{{Name: hostile, Of: hostile, Unit: hostile, Before: &x, Basis: hostile}},
		Plots: []Plot{{Title: hostile, About: hostile, XLabel: hostile, YLabel: hostile, Series: []Series{{Name: hostile, X: []float64{0, 1}, Y: []float64{0, 1}}, {Name: "b", X: []float64{0, 1}, Y: []float64{0, 2}}}, Marks: []PlotMark{{hostile, 1}}}}}
	foot := page.Foot{Version: hostile, Commits: []string{hostile}, Files: []page.File{{Path: hostile, SHA256: hostile}}}
	outs := map[string]func(io.Writer) error{
		"text":     func(w io.Writer) error { return WriteText(w, r, Options{All: true}, Style{Width: 80}) },
		"narrow":   func(w io.Writer) error { return WriteText(w, r, Options{All: true}, Style{Width: 30}) },
		"markdown": func(w io.Writer) error { return WriteMarkdown(w, r, Options{All: true}) },
		"html":     func(w io.Writer) error { return WriteHTML(w, r, Options{All: true}, foot) },
		"json":     func(w io.Writer) error { return safe.WriteJSON(w, r) },
		"in words": func(w io.Writer) error { _, err := io.WriteString(w, InWords(r, nil)); return err },
		"one line": func(w io.Writer) error { _, err := io.WriteString(w, Stat(r)); return err },
	}
	for name, f := range outs {
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		s := b.String()
		if strings.ContainsAny(s, "\x1b\r\u202e\u009b") {
			t.Errorf("%s lets a control through", name)
		}
		if name == "html" && (strings.Count(s, "<script") > 1 || strings.Count(s, "</style>") != 2 || strings.Contains(s, "ZgotmplZ")) {
			t.Errorf("html lets markup through")
		}
		if name == "markdown" && (strings.Contains(s, "<script") || unescaped.MatchString(s)) {
			t.Errorf("markdown lets markup through")
		}
		if name == "one line" && strings.Contains(s, "\n") {
			t.Errorf("one line has %d", strings.Count(s, "\n")+1)
		}
	}
}
