package diffview

// Behaviour is what the change does to how the rig behaves, for stated moves and lenses.
type Behaviour struct {
	Figures []Figure `json:"figures,omitempty"`
	Plots   []Plot   `json:"plots,omitempty"`
	// Basis says what the numbers rest on: the job's moves and lenses, or defaults.
	Basis []string `json:"basis,omitempty"`
	// Missing says what could not be computed and what would make it possible.
	Missing []string `json:"missing,omitempty"`
}

// Better says which way a figure is good.
type Better string

// Ways a figure can be good.
const (
	LowerIsBetter  Better = "lower"
	HigherIsBetter Better = "higher"
	Neither        Better = ""
)

// Figure is one number of behaviour on both sides; nil where it cannot be had.
type Figure struct {
	Key    string   `json:"key"`  // stable: "follow.walk.start_delay.pan"
	Name   string   `json:"name"` // "start delay"
	Of     string   `json:"of"`   // what it is a figure of: "follow, pan (walk)"
	Unit   string   `json:"unit,omitempty"`
	Before *float64 `json:"before"`
	After  *float64 `json:"after"`
	Better Better   `json:"better,omitempty"`
	// Detail marks a figure that says much the same as another in other terms.
	Detail bool `json:"detail,omitempty"`
	// Differs is false when the change is too small to see.
	Differs bool `json:"differs"`
	// Basis says what it was computed for: the move, the lens, a stated default.
	Basis string `json:"basis,omitempty"`
	// Limit is what a starting value has to keep, nil where there is none.
	Limit *float64 `json:"limit,omitempty"`
}

// Crossed reports whether the figure has come to lie past its limit.
func (f Figure) Crossed() bool { return f.past(f.After) && !f.past(f.Before) }

func (f Figure) past(v *float64) bool {
	return v != nil && f.Limit != nil && (f.Better == LowerIsBetter && *v > *f.Limit || f.Better == HigherIsBetter && *v < *f.Limit)
}

// Verdict is "better", "worse" or "" for a figure that went neither way.
func (f Figure) Verdict() string {
	if f.Before == nil || f.After == nil || !f.Differs || f.Better == Neither || *f.Before == *f.After {
		return ""
	}
	if (*f.After < *f.Before) == (f.Better == LowerIsBetter) {
		return "better"
	}
	return "worse"
}

// Plot is one picture with a line for each side, and the same numbers in a table.
type Plot struct {
	Key    string   `json:"key"`
	Title  string   `json:"title"`
	About  string   `json:"about,omitempty"`
	XLabel string   `json:"x_label"` // with unit
	YLabel string   `json:"y_label"`
	LogX   bool     `json:"log_x,omitempty"`
	Series []Series `json:"series"`
	// Marks are places worth a line across: a limit, an onset.
	Marks []PlotMark `json:"marks,omitempty"`
	// Ticks name places along x, as jobs; the points there are measured ones.
	Ticks []PlotTick `json:"ticks,omitempty"`
	// LeastSpan is the least that the picture spans from bottom to top, so that a small
	// change looks small; 0 is as the values are.
	LeastSpan float64 `json:"least_span,omitempty"`
}

// PlotTick is a named place along x.
type PlotTick struct {
	X     float64 `json:"x"`
	Name  string  `json:"name"`
	Short string  `json:"short,omitempty"` // for the picture, where the name is long
}

// Series is one line of a plot; X and Y are of one length.
type Series struct {
	Name string    `json:"name"`
	X    []float64 `json:"x"`
	Y    []float64 `json:"y"`
}

// PlotMark is a level line of a plot.
type PlotMark struct {
	Name string  `json:"name"`
	Y    float64 `json:"y"`
}
