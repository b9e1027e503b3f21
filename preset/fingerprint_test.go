package preset

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/unit"
)

type vector struct {
	Gimbal string       `json:"gimbal"`
	Parts  []vectorPart `json:"parts"`
}

type vectorPart struct {
	Slot      string      `json:"slot"`
	Name      string      `json:"name"`
	MassKg    float64     `json:"mass_kg"`
	BalanceMM *[3]float64 `json:"balance_mm,omitempty"`
}

func (v vector) rig() Rig {
	r := Rig{Gimbal: v.Gimbal}
	for _, p := range v.Parts {
		q := Part{Slot: p.Slot, Name: p.Name, Mass: p.MassKg}
		if q.PlaceUnknown = p.BalanceMM == nil; !q.PlaceUnknown {
			for i, mm := range p.BalanceMM {
				q.Place[i] = mm / 1000
			}
		}
		r.Parts = append(r.Parts, q)
	}
	return r
}

// second runs the independent implementation in Python over a file of vectors.
func second(t *testing.T, file string) (prints, texts []string) {
	t.Helper()
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Fatal("the second implementation needs python3: bash .ci/test installs it")
	}
	out, err := exec.Command(python, filepath.Join("testdata", "fingerprint.py"), file).Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		print, text, _ := strings.Cut(line, "\t")
		var s string
		if err := json.Unmarshal([]byte(text), &s); err != nil {
			t.Fatal(err)
		}
		prints, texts = append(prints, print), append(texts, s)
	}
	return prints, texts
}

// The worked vectors are recomputed by the second implementation, and stand in
// FINGERPRINT.md as they are.
func TestFingerprintVectors(t *testing.T) {
	file := filepath.Join("testdata", "fingerprints.json")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var vs []vector
	if err := json.Unmarshal(data, &vs); err != nil {
		t.Fatal(err)
	}
	manual, err := os.ReadFile(filepath.Join("..", "examples", "vectors", "FINGERPRINT.md"))
	if err != nil {
		t.Fatal(err)
	}
	prints, texts := second(t, file)
	if len(vs) < 3 || len(prints) != len(vs) {
		t.Fatalf("%d vectors, %d answers", len(vs), len(prints))
	}
	for i, v := range vs {
		r := v.rig()
		if got := r.Canonical(); got != texts[i] {
			t.Errorf("vector %d: canonical text\n%q, the second implementation says\n%q", i+1, got, texts[i])
		}
		if got := r.Fingerprint(); got != prints[i] {
			t.Errorf("vector %d: %s, the second implementation says %s", i+1, got, prints[i])
		}
		if !strings.Contains(string(manual), texts[i]) || !strings.Contains(string(manual), prints[i]) {
			t.Errorf("vector %d (%s) does not stand in FINGERPRINT.md as it is:\n%s", i+1, prints[i], texts[i])
		}
	}
}

// Both implementations agree on random builds, rounding edges included.
func TestFingerprintAgreesAtRandom(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 11))
	words := []string{"Body", "lens ", " A|B", `c\d`, "é", "\tTab", "ÄÖ", "x"}
	var vs []vector
	for range 300 {
		v := vector{Gimbal: "Quay-large"}
		for range 1 + rnd.IntN(5) {
			p := vectorPart{Slot: words[rnd.IntN(len(words))], Name: words[rnd.IntN(len(words))] + words[rnd.IntN(len(words))]}
			p.MassKg = float64(1+rnd.IntN(12)) * 0.0025 // half of them at a rounding edge, many alike
			if rnd.IntN(5) > 0 {
				p.BalanceMM = &[3]float64{}
				for i := range p.BalanceMM {
					p.BalanceMM[i] = float64(rnd.IntN(800)-400) / 4
				}
			}
			v.Parts = append(v.Parts, p)
		}
		vs = append(vs, v)
	}
	data, err := json.Marshal(vs)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "random.json")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	prints, texts := second(t, file)
	for i, v := range vs {
		if r := v.rig(); r.Fingerprint() != prints[i] || r.Canonical() != texts[i] {
			t.Fatalf("build %d: %s %q, the second implementation says %s %q", i, r.Fingerprint(), r.Canonical(), prints[i], texts[i])
		}
	}
}

// What must not matter does not, and what must matter does.
func TestFingerprintIgnoresAndNotices(t *testing.T) {
	base := func() Rig {
		return Rig{Alias: "a", Gimbal: "quay-large", Parts: []Part{
			{Slot: "body", Name: "Body K", Mass: 1.25, Place: [3]float64{-0.022, 0, 0.002}},
			{Slot: "lens", Name: "35 mm prime", Mass: 0.56, Place: [3]float64{0.08, 0, 0.004}, Shape: "cylinder", Diameter: 0.08, Length: 0.09},
		}}
	}
	want := base().Fingerprint()
	if len(want) != FingerprintLen || !IsFingerprint(want) {
		t.Fatalf("%q is no fingerprint", want)
	}
	same := map[string]func(*Rig){
		"alias":  func(r *Rig) { r.Alias = "b" },
		"note":   func(r *Rig) { r.Note = "weighed on the pier" },
		"order":  func(r *Rig) { r.Parts[0], r.Parts[1] = r.Parts[1], r.Parts[0] },
		"case":   func(r *Rig) { r.Parts[0].Name = "BODY k" },
		"spaces": func(r *Rig) { r.Parts[0].Name = " Body \t K " },
		"2 g":    func(r *Rig) { r.Parts[0].Mass += 0.002 },
		"2.4 mm": func(r *Rig) { r.Parts[0].Place[1] += 0.0024 },
		"slid":   func(r *Rig) { r.Parts[0].Place[0] += 0.031; r.Parts[1].Place[0] += 0.031 },
		"size":   func(r *Rig) { r.Parts[1].Length = 0.11 },
		"pounds": func(r *Rig) { r.Parts[0].Mass = 1.25 / unit.Pound * unit.Pound },
	}
	for name, change := range same {
		r := base()
		change(&r)
		if r.Fingerprint() != want {
			t.Errorf("%s changed the fingerprint", name)
		}
	}
	other := map[string]func(*Rig){
		"gimbal":           func(r *Rig) { r.Gimbal = "skiff-small" },
		"5 g":              func(r *Rig) { r.Parts[0].Mass += 0.005 },
		"5 mm":             func(r *Rig) { r.Parts[0].Place[2] += 0.005 },
		"no balance point": func(r *Rig) { r.Parts[1].PlaceUnknown = true },
		"name":             func(r *Rig) { r.Parts[0].Name = "Body L" },
		"slot":             func(r *Rig) { r.Parts[0].Slot = "battery" },
		"part":             func(r *Rig) { r.Parts = r.Parts[:1] },
		"twice":            func(r *Rig) { r.Parts = append(r.Parts, r.Parts[0]) },
	}
	for name, change := range other {
		r := base()
		change(&r)
		if r.Fingerprint() == want {
			t.Errorf("%s did not change the fingerprint", name)
		}
	}
}

// Order, origin, case and spaces do not change a fingerprint, and sliding the whole build
// does not either.
func TestFingerprintLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SampledFrom([]string{"body", "Lens 35", "a|b", `c\d`, "Ä", "plate"})
		micro := rapid.IntRange(-300_000, 300_000)
		r := Rig{Gimbal: "quay-large"}
		for range rapid.IntRange(1, 6).Draw(t, "parts") {
			p := Part{Slot: words.Draw(t, "slot"), Name: words.Draw(t, "name"), Mass: float64(rapid.IntRange(1, 8).Draw(t, "mass")) * 0.0025}
			for i := range p.Place {
				p.Place[i] = float64(micro.Draw(t, "place")) / 1e6
			}
			p.PlaceUnknown = rapid.IntRange(0, 5).Draw(t, "unknown") == 0
			r.Parts = append(r.Parts, p)
		}
		want := r.Canonical()
		slid := [3]float64{}
		for i := range slid {
			slid[i] = float64(micro.Draw(t, "slide")) / 1e6
		}
		other := Rig{Gimbal: " Quay-LARGE\t", Parts: rapid.Permutation(r.Parts).Draw(t, "order")}
		for i := range other.Parts {
			p := &other.Parts[i]
			p.Slot, p.Name = strings.NewReplacer("b", "B", "l", "L").Replace(p.Slot), "  "+p.Name+" "
			for j := range slid {
				p.Place[j] += slid[j]
			}
		}
		if got := other.Canonical(); got != want {
			t.Fatalf("the same build gives\n%q and\n%q", want, got)
		}
	})
}

// Two builds found by search share all fifty bits and still are not the same.
func TestCollisionIsSeen(t *testing.T) {
	one := Rig{Gimbal: "quay-large", Parts: []Part{{Slot: "body", Name: "body 21506070", Mass: 1.8}}}
	two := Rig{Gimbal: "quay-large", Parts: []Part{{Slot: "body", Name: "body 22520974", Mass: 1.8}}}
	if one.Fingerprint() != two.Fingerprint() {
		t.Fatalf("%s and %s; want a collision", one.Fingerprint(), two.Fingerprint())
	}
	if one.Canonical() == two.Canonical() {
		t.Fatal("different builds have one canonical text")
	}
}
