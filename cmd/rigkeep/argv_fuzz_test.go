package main

import "testing"

// What a person writes after --effort or --onset: an axis has one finite number or
// several, or the text is refused.
func FuzzAxisReadings(f *testing.F) {
	for _, s := range []string{"pan=2", "roll=2,tilt=-5/-1", "tilt=1/2/3 %", "pan=", "=3", "pan=nan", "pan=1e400", "PAN = 2 % , tilt=0", ",,", "pan=1,pan=2", "pan=/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		all, err := axisReadings(s)
		for a, v := range all {
			if err != nil {
				continue
			}
			if a < 0 || int(a) > 2 || len(v) == 0 {
				t.Fatalf("%q gave %v", s, all)
			}
			for _, x := range v {
				if x-x != 0 {
					t.Fatalf("%q gave %v", s, all)
				}
			}
		}
		one, err2 := axisNumbers(s)
		if err2 == nil && (err != nil || len(one) != len(all)) {
			t.Fatalf("%q: %v, %v; several %v, %v", s, one, err2, all, err)
		}
	})
}
