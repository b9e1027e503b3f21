package loop

import "testing"

// typical is check c6: an axis of a mid-size head.
var typical = Loop{J: 0.0062, B: 0.004, K: 14, D: 0.42, Sensing: FirstOrder(0.0016), Drive: FirstOrder(0.0022), Delay: 0.003}

func withResonance() Loop {
	l := typical
	l.Sensing, l.Drive = Butterworth2(600), Butterworth2(500)
	l.KG, l.Ki = -0.8, 20
	l.Resonance = Resonance{Freq: 180, Damping: 0.02, Share: 0.15}
	return l
}

func BenchmarkMargins(b *testing.B) {
	unstable := typical
	unstable.K, unstable.D = 60, 2.4
	for _, c := range []struct {
		name string
		l    Loop
	}{{"typical", typical}, {"everything", withResonance()}, {"unstable", unstable}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := c.l.Margins(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkStability(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := typical.Stability(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOnsetStiffness(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := typical.OnsetStiffness(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLargestStiffness(b *testing.B) {
	l := typical
	l.D = 0.06 * l.K
	b.ReportAllocs()
	for b.Loop() {
		if _, err := l.LargestStiffness(Limits{GM: 2, PMDeg: 45, Ms: 2}, RaiseTogether); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOnsetCommon(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := typical.OnsetCommon(); err != nil {
			b.Fatal(err)
		}
	}
}
