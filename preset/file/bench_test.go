package file

import "testing"

func BenchmarkParse(b *testing.B) {
	data := []byte(tune)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("main.toml", data); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkValues(b *testing.B) {
	data := []byte(tune)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Values("main.toml", data); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPos(b *testing.B) { // with the index made anew each time
	data := []byte(tune)
	for b.Loop() {
		d := &Doc{text: data}
		if _, _, ok := d.Pos("proof.onset.tilt"); !ok {
			b.Fatal("no such key")
		}
	}
}

func BenchmarkSet(b *testing.B) {
	d, err := Parse("main.toml", []byte(tune))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := d.Set("stiffness.pan", 43); err != nil {
			b.Fatal(err)
		}
	}
}
