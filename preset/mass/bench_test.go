package mass

import "testing"

func benchParts() []Part {
	return []Part{
		{Name: "body", Shape: Box, Mass: 0.72, Size: Vec{0.075, 0.135, 0.095}},
		{Name: "lens", Shape: Cylinder, Mass: 0.53, Radius: 0.038, Length: 0.11, Axis: Vec{1, 0, 0}, Place: Vec{0.09, 0.004, 0.006}},
		{Name: "plate", Shape: Box, Mass: 0.11, Size: Vec{0.12, 0.04, 0.012}, Place: Vec{0.02, 0, -0.055}},
		{Name: "hood", Shape: Tube, Mass: 0.06, Radius: 0.045, Bore: 0.043, Length: 0.05, Axis: Vec{1, 0, 0}, Place: Vec{0.16, 0, 0}},
		{Name: "mic", Mass: 0.09, Place: Vec{-0.01, 0.03, 0.075}, Turn: Turn{Pan: 0.3}},
	}
}

func BenchmarkBuild(b *testing.B) {
	parts := benchParts()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Build(parts); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMoments(b *testing.B) {
	p, err := Build(benchParts())
	if err != nil {
		b.Fatal(err)
	}
	head := Head{Pan: Joint{Line{Vec{-0.02, 0, 0}, Vec{0, 0, 1}}, 0.004}, Roll: Joint{Line{Dir: Vec{1, 0, 0}}, 0.002}, Tilt: Joint{Line{Vec{0.05, 0, 0}, Vec{0, 1, 0}}, 0.0005}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Moments(head, -0.8, 1); err != nil {
			b.Fatal(err)
		}
	}
}
