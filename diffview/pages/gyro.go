package pages

import (
	"fmt"
	"math"

	"rigkeep/diffview/page"
	"rigkeep/diffview/svg"
)

// Gyro is the page of a gyro log.
type Gyro struct {
	Site     Site
	Title    string
	Sub      string // file, length, rate, gaps
	State    page.State
	Answer   string // "tilt: chatter at 24.3 Hz"
	Evidence []string
	First    string // what to do first
	Axes     []GyroAxis
	Strip    *svg.Chart
	Acts     []Act
	Causes   []Cause
	Caution  string
	Kinds    []svg.Zone // where sway, rocking and chatter lie, Hz
}

// GyroAxis is the spectrum of one axis.
type GyroAxis struct {
	Axis     string
	State    page.State
	Hz, Dens []float64 // Hz; the root of the density, deg/s per root Hz
	Peaks    []GyroPeak
	Onsets   []GyroOnset
}

// GyroPeak is a peak or one of its harmonics.
type GyroPeak struct {
	Hz, Dens float64
	Harmonic int // 1 for the peak itself
}

// GyroOnset is an onset on record.
type GyroOnset struct {
	Hz   float64
	Name string
}

// Act is one thing to try.
type Act struct{ Text, Command string }

// Cause is what it may be, with what speaks for it.
type Cause struct{ Name, For string }

const gyroBody = `{{define "body"}}{{if eq .State.V "bad"}}<p class="over">✗ {{line .Answer}}{{with .Evidence}}<span>{{range .}}{{line .}} {{end}}</span>{{end}}</p>{{else}}<p class="answer">{{if .State.Word}}{{template "state" .State}} {{end}}{{line .Answer}}</p>{{range .Evidence}}<p>{{line .}}</p>{{end}}{{end}}
{{with .First}}<p class="answer">First: {{line .}}</p>{{end}}
<section aria-labelledby="spectrum"><div class="head"><h2 id="spectrum">Spectrum</h2><span class="soft small">equal axes</span></div><div class="g3">{{range .Figures}}{{template "figure" .}}{{end}}</div>
<p class="small soft">Dashed: onset on record. Red: peak. Black: harmonic of it.</p></section>
{{with .Strips}}<section aria-labelledby="strip"><div class="head"><h2 id="strip">Time strip</h2><span class="soft small">tinted: a gap in the log</span></div>{{range .}}<div class="{{if .Chart.Wide}}wide-only{{else}}phone-only{{end}}">{{template "figure" .}}</div>{{end}}</section>{{end}}
{{if .Acts}}<section aria-labelledby="try"><div class="head"><h2 id="try">Try in this order</h2></div><ol class="plain">{{range .Acts}}<li>{{line .Text}}{{with .Command}}{{template "command" .}}{{end}}</li>{{end}}</ol>{{with .Caution}}{{template "caution" .}}{{end}}</section>{{end}}
{{if .Causes}}<section aria-labelledby="causes"><div class="head"><h2 id="causes">Likely causes</h2></div><table class="rows"><caption class="hush">Likely causes</caption><thead><tr><th scope="col">Cause</th><th scope="col">For</th></tr></thead><tbody>{{range .Causes}}<tr><th scope="row">{{line .Name}}</th><td>{{line .For}}</td></tr>{{end}}</tbody></table></section>{{end}}
{{end}}`

var gyroTemplate = parsed(gyroBody)

// Strips are the time strip as a phone shows it, and as a wide screen and paper do.
func (g Gyro) Strips() []page.Figure {
	if g.Strip == nil {
		return nil
	}
	wide := *g.Strip
	wide.Wide = true
	return []page.Figure{{ID: "strip-1", Chart: *g.Strip}, {ID: "strip-2", Chart: wide}}
}

// Figures are the spectra with equal axes.
func (g Gyro) Figures() []page.Figure {
	var out []page.Figure
	x0, x1, y0, y1 := math.Inf(1), 0.0, math.Inf(1), 0.0
	for _, a := range g.Axes {
		for i, f := range a.Hz {
			if f >= 0.5 && a.Dens[i] > 0 {
				x0, x1, y0, y1 = math.Min(x0, f), math.Max(x1, f), math.Min(y0, a.Dens[i]), math.Max(y1, a.Dens[i])
			}
		}
	}
	y0 = math.Max(y0, y1/1e5)
	y1 *= 1.5
	for i, a := range g.Axes {
		c := svg.Chart{Title: title(a.Axis), LogX: true, LogY: true, XLabel: "frequency, Hz", YLabel: "deg/s per √Hz", XMin: &x0, XMax: &x1, YMin: &y0, YMax: &y1}
		s := svg.Series{Name: a.Axis, Look: svg.After}
		for k, f := range a.Hz {
			if f >= 0.5 {
				s.X, s.Y = append(s.X, f), append(s.Y, math.Max(a.Dens[k], y0))
			}
		}
		if len(s.X) == 0 || !(x1 > x0) {
			continue
		}
		c.Series = []svg.Series{s}
		for k, z := range g.Kinds {
			z.From, z.To = math.Max(z.From, x0), math.Min(z.To, x1)
			if z.From < z.To {
				if k != 1 { // every second one is tinted
					z.To, z.From = math.Sqrt(z.From*z.To), math.Sqrt(z.From*z.To)
				}
				c.Zones = append(c.Zones, z)
			}
		}
		for _, o := range a.Onsets {
			c.Marks = append(c.Marks, svg.Mark{Name: o.Name, At: o.Hz, Down: true, Onset: true})
		}
		for _, p := range a.Peaks {
			q := svg.Point{X: p.Hz, Y: p.Dens, Name: fmt.Sprintf("%.1f Hz", p.Hz), Kind: "peak"}
			if p.Harmonic > 1 {
				q.Kind, q.Name = "harmonic", fmt.Sprintf("%d× %.1f", p.Harmonic, p.Hz)
			}
			c.Points = append(c.Points, q)
		}
		out = append(out, page.Figure{ID: fmt.Sprintf("axis-%d", i+1), Chart: c, State: a.State})
	}
	return out
}

// Bytes is the page.
func (g Gyro) Bytes() ([]byte, error) {
	return write(gyroTemplate, page.Page{Title: g.Title, Sub: g.Sub, Library: g.Site.Library, Foot: g.Site.Foot(), Folder: g.Site.Folder}, g)
}
