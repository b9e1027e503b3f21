package review

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/preset/frame"
	"rigkeep/schema"
)

func init() {
	tests["frame-gimbal"] = frameGimbal
	tests["frame-short"] = frameShort
}

const deg = math.Pi / 180

// limit is how far the tune lets the head tilt, degrees: its limit, or the
// gimbal's travel where that ends first or there is none.
func (x *Subject) limit(side string) (v float64, set, known bool) {
	travel := map[string]*float64{"up": x.Sheet.TiltUpDeg, "down": x.Sheet.TiltDownDeg}[side]
	v, set = x.Tune.Num("limits.tilt." + side + "_deg")
	switch {
	case travel == nil:
		return v, set, set
	case !set || v > *travel:
		return *travel, set, true
	}
	return v, set, true
}

// pupil is where the camera is taken to see from: the middle of the lens.
func (x *Subject) pupil() ([3]float64, bool) {
	for _, p := range x.Rig.Parts {
		if p.Slot == "lens" {
			return p.Place, true
		}
	}
	return [3]float64{}, false
}

func frameGimbal(l *look, x *Subject) {
	if x.Tune == nil || x.Sheet == nil {
		return
	}
	j := l.s.Job
	switch {
	case j == nil:
		l.cannot(nil, "it needs a job, whose lenses say how wide the view is")
		return
	case j.Widest <= 0:
		l.cannot(nil, "job has no lens.widest_mm")
		return
	case j.Sensor == [2]float64{}:
		l.cannot(nil, "job has no lens.sensor_mm")
		return
	case len(x.Sheet.Obstacles) == 0:
		l.cannot(x, "gimbal %s lists no [[obstacle]]", x.Sheet.Slug)
		return
	}
	eye, ok := x.pupil()
	if !ok {
		l.cannot(x, "the build has no part with slot = \"lens\"")
		return
	}
	up, upSet, ok1 := x.limit("up")
	down, downSet, ok2 := x.limit("down")
	if !ok1 || !ok2 {
		l.cannot(x, "neither the tune nor the gimbal sheet says how far the head tilts")
		return
	}
	squeeze := j.Squeeze
	if squeeze <= 0 {
		squeeze = 1
	}
	view, err := frame.Camera{Focal: j.Widest / 1000, Width: j.Sensor[0] / 1000, Height: j.Sensor[1] / 1000, Squeeze: squeeze}.FOV()
	if err != nil {
		l.cannot(x, "%v", err)
		return
	}
	var parts []frame.Obstacle
	for _, o := range x.Sheet.Obstacles {
		parts = append(parts, frame.Obstacle{Name: o.Name, Place: o.Place, Radius: o.Radius})
	}
	lim, err := frame.Look{View: view, Pupil: eye, Up: up * deg, Down: down * deg}.TiltLimits(parts)
	if err != nil {
		l.cannot(x, "%v", err)
		return
	}
	basis := fmt.Sprintf("through %s mm", schema.Sig(j.Widest, 6))
	if len(lim.Always) > 0 {
		l.on(x, hit{what: fmt.Sprintf("%s %s is in frame with the head level: no tilt limit keeps it out", basis, schema.List(lim.Always)),
			evidence: []Evidence{l.s.JobFile.fact("widest lens "+schema.Sig(j.Widest, 6)+" mm", "lens.widest_mm"), x.SheetFile.fact(schema.List(lim.Always), "obstacle[0].name")}, commands: []string{"rigkeep fit {rig}"}})
		return
	}
	var words, set []string
	var ev []Evidence
	for _, side := range []tiltSide{{"up", up, upSet, lim.Up}, {"down", down, downSet, lim.Down}} {
		if side.clear.By == "" {
			continue
		}
		words, set = append(words, side.words()), append(set, side.key()+"="+schema.Sig(math.Floor(side.clear.Limit/deg+1e-9), 6))
		ev = append(ev, side.evidence(x)...)
	}
	if words == nil {
		return
	}
	ev = append(ev, l.s.JobFile.fact("widest lens "+schema.Sig(j.Widest, 6)+" mm", "lens.widest_mm"))
	l.on(x, hit{what: basis + ", " + strings.Join(words, "; "), evidence: ev, fill: []string{"{limits}", strings.Join(set, " ")}})
}

// tiltSide is how far the head may tilt one way, and how far it may with nothing in view.
type tiltSide struct {
	name    string
	allowed float64
	set     bool // by a limit
	clear   frame.Side
}

func (s tiltSide) key() string { return "limits.tilt." + s.name + "_deg" }

func (s tiltSide) words() string {
	how := "the limit lets the head tilt to"
	if !s.set {
		how = "no limit set; the head can reach"
	}
	return fmt.Sprintf("%s in view from %.0f° %s; %s %s°", s.clear.By, s.clear.Limit/deg, s.name, how, schema.Sig(s.allowed, 6))
}

func (s tiltSide) evidence(x *Subject) []Evidence {
	ev := []Evidence{x.TuneFile.fact(fmt.Sprintf("%s: %s° allowed", s.key(), schema.Sig(s.allowed, 6)), s.key(), "limits.tilt", "limits")}
	for i, o := range x.Sheet.Obstacles {
		if o.Name == s.clear.By {
			ev = append(ev, x.SheetFile.fact(o.Name, fmt.Sprintf("obstacle[%d].name", i)))
		}
	}
	return ev
}

func frameShort(l *look, x *Subject) {
	if x.Tune == nil || x.Sheet == nil {
		return
	}
	if l.s.Job == nil {
		l.cannot(nil, "it needs a job, whose shot list says how far the head has to look")
		return
	}
	asked := false
	var words, set []string
	var ev []Evidence
	need := map[string]float64{}
	beyond := map[string]bool{}
	for i, s := range l.s.Job.Shots {
		if !s.For(x.Rig) {
			continue
		}
		for _, side := range []struct {
			name   string
			ask    float64
			travel *float64
		}{{"up", s.TiltUpDeg, x.Sheet.TiltUpDeg}, {"down", s.TiltDownDeg, x.Sheet.TiltDownDeg}} {
			if side.ask <= 0 {
				continue
			}
			asked = true
			v, given, known := x.limit(side.name)
			if !known || side.ask <= v {
				continue
			}
			key := "limits.tilt." + side.name + "_deg"
			by, end := "the limit stops", v
			if !given || side.travel != nil && side.ask > *side.travel {
				by, end = "the gimbal itself ends", *side.travel
				beyond[side.name] = true
			}
			words = append(words, fmt.Sprintf("%q looks %s° %s, %s at %s°", s.Name, schema.Sig(side.ask, 6), side.name, by, schema.Sig(end, 6)))
			ev = append(ev, l.s.JobFile.fact(fmt.Sprintf("%q needs %s° %s", s.Name, schema.Sig(side.ask, 6), side.name), fmt.Sprintf("shot[%d].tilt_%s_deg", i, side.name), fmt.Sprintf("shot[%d]", i)))
			if need[side.name] == 0 {
				ev = append(ev, x.TuneFile.fact(fmt.Sprintf("%s: %s°", key, schema.Sig(v, 6)), key, "limits.tilt", "limits"))
			}
			need[side.name] = math.Max(need[side.name], side.ask)
		}
	}
	if !asked {
		l.cannot(nil, "no shot has tilt_up_deg or tilt_down_deg")
		return
	}
	if words == nil {
		return
	}
	for _, name := range []string{"up", "down"} {
		if need[name] > 0 && !beyond[name] {
			set = append(set, fmt.Sprintf("limits.tilt.%s_deg=%s", name, schema.Sig(need[name], 6)))
		}
	}
	l.on(x, hit{what: strings.Join(words, "; "), evidence: ev, fill: []string{"{limits}", strings.Join(set, " ")}})
}
