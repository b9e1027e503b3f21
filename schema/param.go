package schema

import "fmt"

// Level says how much a difference matters.
type Level int

// Levels of difference.
const (
	Same Level = iota
	Minor
	Notable
	Major
)

func (l Level) String() string {
	names := [...]string{"same", "minor", "notable", "major"}
	if l < 0 || int(l) >= len(names) {
		return fmt.Sprintf("level(%d)", int(l))
	}
	return names[l]
}

// MarshalText writes the level's word, as JSON shows it.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (l *Level) UnmarshalText(text []byte) error {
	for v := Same; v <= Major; v++ {
		if v.String() == string(text) {
			*l = v
			return nil
		}
	}
	return fmt.Errorf("%q is not a level of difference; want same, minor, notable or major", text)
}

// Significance says from how many coarse steps on a difference counts as notable and
// as major.
type Significance struct{ Notable, Major float64 }

// Interaction names another parameter that this one works against or with.
type Interaction struct {
	Key  string `json:"key"` // path pattern of the other parameter
	Text string `json:"text"`
}

// Param is one settable parameter of a tune: the whole of what Rigkeep knows of it.
type Param struct {
	Field

	Name  string // "stiffness, pan"
	Group string // one of the catalogue's groups
	Axis  string // "pan", "tilt", "roll" or "" when it belongs to no axis
	Order int    // when to touch it, lower first

	// Dial is the key of the gimbal sheet's dial ("stiffness.pan"), "" when the
	// value is already in Unit and no dial is needed.
	Dial string
	// SI lists the units that a dial map of this parameter may give, each with
	// +1 when a larger SI value goes in the Up direction and -1 when not.
	SI map[string]int
	// Up and Down name the two physical directions: "stiffer", "softer".
	Up, Down string

	Default  any
	Step     float64 // fine step where there is no dial
	Coarse   float64 // coarse step where there is no dial
	Circular float64 // full turn in Unit, 0 when the value does not wrap

	Does         string   // what it does physically
	Raise        string   // what going in the Up direction does
	Lower        string   // what going in the Down direction does
	TooMuch      string   // what too much of it looks like
	TooLittle    string   // what too little looks like
	Cautions     []string // what can hurt people or kit
	With         []Interaction
	Significance Significance
}

// Group is a heading under which parameters are listed, in working order.
type Group struct {
	Name  string `json:"name"`
	Title string `json:"title"`
	About string `json:"about"`
}
