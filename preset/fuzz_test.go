package preset_test

import (
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	tomltest "github.com/toml-lang/toml-test/v2"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// FuzzDecode: whatever a file says, checked or not, decoding never panics; the strict and the
// quick way of each door take the same texts and make the same of them; of a build that passes
// the check, mass and inertia are finite or an error, and its fingerprint is ten characters that
// do not depend on the order of its parts.
func FuzzDecode(f *testing.F) {
	for _, slug := range examples.GimbalSlugs() {
		text, _ := examples.Gimbal(slug)
		f.Add(text)
	}
	builds, err := filepath.Glob("../examples/demo/files/*.toml")
	if err != nil || len(builds) == 0 {
		f.Fatal(err, builds)
	}
	for _, name := range builds {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	// Source: the toml-test corpus, github.com/toml-lang/toml-test/v2 v2.2.0
	corpus := tomltest.TestCases()
	if err := fs.WalkDir(corpus, "valid", func(name string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(name, ".toml") {
			text, rerr := fs.ReadFile(corpus, name)
			f.Add(text)
			err = rerr
		}
		return err
	}); err != nil {
		f.Fatal(err)
	}
	cat := schema.Default()
	for _, kind := range schema.Kinds {
		f.Add([]byte(cat.Template(kind)))
	}
	for _, d := range doors {
		f.Add([]byte(d.good))
	}
	for _, s := range []string{
		"format = 1\nkind = \"tune\"\nrig = \"0qygem5g0z\"\n[stiffness]\npan = 3\n[follow.walk]\ndeadband = { pan = 1 }\n[proof.hold]\nat = 2026-01-10T10:00:00Z\nplace = \"hand\"\nonset = { tilt = 60 }\n",
		"format = 1\nkind = \"job\"\nname = \"x\"\nfrom = 2026-01-10\n[[pin]]\nrig = \"0qygem5g0z\"\n[[shot]]\nname = \"a\"\nlens_mm = 35\n",
		"format = 1\nkind = \"bench\"\nrig = \"0qygem5g0z\"\n[[step]]\naxis = \"pan\"\nvalue = 3\nsaw = \"clean\"\nat = 2026-01-10T10:00:00Z\n",
		"format = 1\nkind = \"balance\"\nrig = \"0qygem5g0z\"\nbegan = 2026-01-10T10:00:00Z\n[[mark]]\nname = \"plate\"\nat = 2026-01-10T10:00:00Z\nmm = 47\n[[effort]]\npoint = \"tilt, lens level\"\nat = 2026-01-10T10:00:00Z\nsides_pct = [2.8, 1.2]\n",
		"format = 1\nkind = \"part\"\nname = \"x\"\nmass_g = 3\n[mount.top]\nat_mm = [0, 0, 3]\ntakes = [\"lens\"]\n",
		"mark = 3\neffort = [[]]\nbegan = \"x\"\nmount = [1]\n",
		"stiffness = 3\nfollow = []\nproof = \"x\"\npart = 1\npin = {}\nstep = [[]]\nwas = 3\nrig = 1979-05-27\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := preset.UncheckedRig("", text)
		if err != nil {
			return // no TOML
		}
		doc, err := file.Parse("", text)
		if err != nil {
			return // the second parser is stricter
		}
		preset.TuneIn(cat, doc)
		preset.JobIn(doc)
		preset.UnitIn(cat, doc)
		preset.PartIn(doc)
		preset.BenchIn(doc)
		b := preset.BalanceIn(doc)
		for _, m := range b.Marks {
			b.Mark(m.Name)
		}
		for _, e := range b.Efforts {
			b.EffortAt(e.Point)
			e.Readings()
		}
		sameDoors(t, cat, text)
		if _, err := preset.QuickRig(cat, "", text); err != nil {
			return
		}
		p, err := r.Properties()
		if err == nil && !(p.Mass > 0 && !math.IsInf(p.Mass, 0) && p.Inertia[0][0] >= 0 && !math.IsInf(p.Inertia[0][0], 0)) {
			t.Errorf("%+v", p)
		}
		fp := r.Fingerprint()
		for i, j := 0, len(r.Parts)-1; i < j; i, j = i+1, j-1 {
			r.Parts[i], r.Parts[j] = r.Parts[j], r.Parts[i]
		}
		if len(fp) != preset.FingerprintLen || !preset.IsFingerprint(fp) || r.Fingerprint() != fp {
			t.Errorf("%q, turned round %q", fp, r.Fingerprint())
		}
	})
}
