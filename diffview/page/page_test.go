package page

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"rigkeep/diffview/page/pagetest"
	"rigkeep/diffview/svg"
)

const body = `{{define "body"}}<p>{{line .Note}}</p><div class="g3">{{range .Figures}}{{template "figure" .}}{{end}}</div>
<p><span class="box" aria-hidden="true"></span> {{text .Act}}</p>{{end}}`

type content struct {
	Note, Act string
	Figures   []Figure
}

func demo() content {
	c := content{Note: "A note.", Act: "Rebalance tilt."}
	for i, axis := range []string{"pan", "tilt"} {
		name := "stiffness, " + axis
		c.Figures = append(c.Figures, Figure{ID: axis, Chart: svg.Chart{Title: name, Desc: "Over three jobs.", XLabel: "job", YLabel: "dial",
			Series: []svg.Series{{Name: name, X: []float64{0, 1, 2}, Y: []float64{40, 44, float64(41 + i)}, Dots: true}},
			Ticks:  []svg.Tick{{At: 0, Name: "quay"}, {At: 1, Name: "tug"}, {At: 2, Name: "night crossing"}}, Marks: []svg.Mark{{Name: "onset", At: 60}}}})
	}
	return c
}

func TestPage(t *testing.T) {
	tm, err := Template(body, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := Page{Title: "Review", Foot: Foot{Made: time.Date(2026, 3, 2, 8, 0, 0, 0, time.FixedZone("", 3600)), Version: "1.0", Commits: []string{"abc"}, Files: []File{{"rigs/x.toml", "ff"}}}}
	var b, again bytes.Buffer
	if err := Write(&b, tm, p, demo()); err != nil {
		t.Fatal(err)
	}
	if err := Write(&again, tm, p, demo()); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Errorf("the same input gives other bytes: %v", err)
	}
	for _, want := range []string{"State of 2026-03-02 08:00 &#43;0100, revision <code>abc</code>. Made by Rigkeep 1.0.", "rigs/x.toml", `<th scope="row">night crossing</th>`, "onset: 60.0", "<td>41.0</td>", "<td>42.0</td>"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	pagetest.Check(t, "page", b.Bytes())
}

// A page that cannot be filled in writes nothing.
func TestHalfPage(t *testing.T) {
	tm, err := Template(`{{define "body"}}{{.None}}{{end}}`, nil)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Write(&b, tm, Page{Title: "x"}, content{}); err == nil || b.Len() != 0 {
		t.Errorf("%v, %d bytes", err, b.Len())
	}
	tm, err = Template(body, nil)
	if err != nil {
		t.Fatal(err)
	}
	empty := content{Figures: []Figure{{ID: "a"}}}
	if err := Write(&b, tm, Page{}, empty); err == nil || b.Len() != 0 {
		t.Errorf("a picture of nothing: %v, %d bytes", err, b.Len())
	}
}

func TestNumber(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 1.23456: "1.23", 123.456: "123", 12345: "12345", -0.00123456: "-0.00123", 1e-12: "1e-12"} {
		if got := Number(v); got != want {
			t.Errorf("%g: %s, want %s", v, got, want)
		}
	}
}
