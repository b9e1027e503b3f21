package loop

// Butterworth2 is the second-order Butterworth low-pass with its −3 dB point
// at cutoff, rad/s.
//
// Source: Butterworth, Experimental Wireless 7 (1930) 536-541 (from memory).
func Butterworth2(cutoff float64) Filter { return Filter{Order: 2, Cutoff: cutoff} }

// scaled multiplies stiffness, damping and integral term together.
func (l Loop) scaled(m float64) Loop {
	l.K *= m
	l.D *= m
	l.Ki *= m
	return l
}

// Stability counts the characteristic roots to the right of the imaginary
// axis: exact for the delay, with poles at the origin and toppling gravity
// accounted for. It does not look at margins.
//
// Source: argument principle; Nyquist, Bell System Technical Journal 11 (1932)
// 126-147, for delay systems as in Åström & Murray, Feedback Systems, ch. 10
// (from memory). Count over stretches with |L| > 1: derived here.
func (l Loop) Stability() (Stability, error) {
	if err := l.Validate(); err != nil {
		return Stability{}, err
	}
	f := l.factors()
	var buf [16]zero
	c, err := f.count(buf[:0])
	return c.verdict(), err
}

// RightmostRoot is the slowest-decaying or fastest-growing characteristic root
// of the closed loop: its real part is the growth rate in 1/s (negative:
// decay), its imaginary part the frequency in rad/s. No root lies farther right
// than a part in 1e8 of its size.
//
// Source: shifted-axis root count (as for Stability) with Newton's method on
// ln(−L) = 0; checked in the tests against the eigenvalues of the delay system
// after Breda, Maset & Vermiglio, SIAM J. Sci. Comput. 27 (2005) 482-495 (from memory).
func (l Loop) RightmostRoot() (Root, error) {
	if err := l.Validate(); err != nil {
		return Root{}, err
	}
	f := l.factors()
	return f.rightmost()
}

// CommonRanges gives every range of a common factor on K, D and Ki for which
// the loop is stable, ascending.
//
// Source: stability edges where the phase is −180°, the ranges between them by
// the root count of Stability.
func (l Loop) CommonRanges() ([]StableRange, error) {
	if err := l.Validate(); err != nil {
		return nil, err
	}
	return l.commonRanges(false)
}

// StiffnessRanges gives every range of the stiffness K, with D and Ki held,
// for which the loop is stable, ascending. K of the loop itself is not used.
//
// Source: stability edges as the real values of −1/H(jω) − jωD + jKi/ω
// (D-partition, Neimark 1949, from memory), the ranges between them by the root
// count of Stability.
func (l Loop) StiffnessRanges() ([]StableRange, error) {
	return l.stiffnessRanges(false)
}
