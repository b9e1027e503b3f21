package learn

// Robust holds the constants of the outlier rule. Both are choices, not
// measurements (common practice, no source).
type Robust struct {
	// Cut is how many robust standard deviations a tune may lie from the line
	// before it is believed less. 2.5 touches about one clean tune in eighty.
	Cut float64
	// MaxIter bounds the reweighting passes.
	MaxIter int
}

// DefaultRobust is Cut 2.5 and at most 50 passes.
var DefaultRobust = Robust{Cut: 2.5, MaxIter: 50}

// Outlier names an observation that was believed less.
type Outlier struct {
	Index int     // into the data
	Z     float64 // distance from the line in robust standard deviations, signed
	Trust float64 // factor on its count, 0 to 1
}
