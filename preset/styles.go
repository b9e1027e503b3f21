package preset

import (
	"fmt"
	"math"

	"rigkeep/preset/follow"
	"rigkeep/preset/frame"
	"rigkeep/schema"
)

// View is the horizontal and vertical angle of view of a lens, rad.
// Lengths are in mm; squeeze is 1, or 0, for a spherical lens.
//
// Source: frame.Camera.
func View(lensMM float64, sensorMM [2]float64, squeeze float64) (h, v float64, err error) {
	c := frame.Camera{Focal: lensMM / 1000, Width: sensorMM[0] / 1000, Height: sensorMM[1] / 1000, Squeeze: squeeze}
	w, err := c.FOV()
	return w.H, w.V, err
}

// StyleProposal is a follow style proposed for a kind of shot.
type StyleProposal struct {
	Style  string
	Values map[string]float64 // parameter key to dial number
	Axes   map[schema.Axis]*follow.Proposal
	Reason string
}

// styleAxes are the axes that a follow style serves; roll holds the horizon.
var styleAxes = []schema.Axis{schema.Pan, schema.Tilt}

// ProposeStyle searches the follow model for the smoothest style on this gimbal
// whose lag keeps the subject inside the share of the frame that the kind of
// shot allows (maxDrift above 0 overrules it), through a lens with the given
// angles of view. The error is *ErrNoMap where the sheet has no SI map for
// dead band or lag.
//
// Source: follow.Search.
func ProposeStyle(c *schema.Catalogue, s *schema.Sheet, kind, style string, fovH, fovV, maxDrift float64) (*StyleProposal, error) {
	shot, err := follow.ShotOf(kind)
	if err != nil {
		return nil, err
	}
	out := &StyleProposal{Style: style, Values: map[string]float64{}, Axes: map[schema.Axis]*follow.Proposal{}}
	for _, a := range styleAxes {
		fov := fovH
		if a == schema.Tilt {
			fov = fovV
		}
		wd, wok := s.Dials["follow.deadband."+a.String()]
		sd, sok := s.Dials["follow.lag."+a.String()]
		if !wok && !sok {
			continue // this gimbal has no follow dials for the axis
		}
		for _, d := range []schema.Dial{wd, sd} {
			if d.Key != "" && d.Map == nil {
				return nil, &ErrNoMap{s.Slug, d.Key}
			}
		}
		wins, winDial, err := choices(wd, wok, math.Pi/180, follow.MaxDeadBand)
		if err != nil {
			return nil, err
		}
		smos, smoDial, err := choices(sd, sok, 1, follow.MaxLag)
		if err != nil {
			return nil, err
		}
		p, err := follow.Search(shot, follow.SearchOptions{FieldOfView: fov, MaxDrift: maxDrift, Model: follow.Model(s.Model), DeadBands: wins, Lags: smos})
		if err != nil {
			return nil, err
		}
		out.Axes[a] = p
		best := p.Best
		if best == nil {
			best = &p.Least
			out.Reason += fmt.Sprintf("%s: no setting meets the limit of %.0f %%; least drift is %.0f %%. ", a, p.MaxDrift*100, best.Drift*100)
		} else {
			out.Reason += fmt.Sprintf("%[1]s: drift %.0[4]f %% (limit %.0[2]f %%) on %[3]q. ", a, p.MaxDrift*100, shot.Move, best.Drift*100)
		}
		if wok {
			out.Values["follow."+style+".deadband."+a.String()] = winDial[best.Style.DeadBand]
		}
		if sok {
			out.Values["follow."+style+".lag."+a.String()] = smoDial[best.Style.Lag]
		}
	}
	if len(out.Values) == 0 {
		return nil, &schema.DomainError{What: "gimbal " + s.Slug + " has no follow dials, so no style can be proposed"}
	}
	return out, nil
}

// maxChoices bounds how many settings of one dial are tried.
const maxChoices = 30

// choices lists dial settings in SI, evenly over the dial on its own steps, with
// the way back to dial numbers.
func choices(d schema.Dial, has bool, scale, limit float64) ([]float64, map[float64]float64, error) {
	if !has {
		return []float64{0}, map[float64]float64{0: 0}, nil
	}
	step := d.Fine * math.Max(1, math.Ceil((d.Max-d.Min)/d.Fine/maxChoices))
	var out []float64
	back := map[float64]float64{}
	for i := 0; ; i++ {
		v := d.Round(d.Min + float64(i)*step)
		if v > d.Max+1e-9 {
			break
		}
		si, err := d.ToSI(v)
		if err != nil {
			return nil, nil, err
		}
		si *= scale
		if si > limit || scale == 1 && si > 0 && si < follow.MinLag {
			continue
		}
		if _, ok := back[si]; !ok {
			out = append(out, si)
			back[si] = v
		}
	}
	return out, back, nil
}
