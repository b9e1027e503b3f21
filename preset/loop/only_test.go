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
