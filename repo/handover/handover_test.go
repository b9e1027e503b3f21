package handover_test

import (
	"bytes"
	"image"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/photo"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/handovertest"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

var cat = schema.Default()

func TestMain(m *testing.M) {
	code := m.Run()
	handovertest.Clean()
	os.Exit(code)
}

func run(t testing.TB, dir, name string, args ...string) string {
	t.Helper()
	c := exec.Command(name, args...)
	c.Dir = dir
	c.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "GIT_CONFIG_GLOBAL=/dev/null", "LC_ALL=C")
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// unzipped has the real unzip test and unpack a handover.
func unzipped(t testing.TB, data []byte) string {
	t.Helper()
	dir := t.TempDir()
	name := filepath.Join(dir, "x.zip")
	if err := os.WriteFile(name, data, 0o666); err != nil {
		t.Fatal(err)
	}
	run(t, dir, "unzip", "-t", name)
	run(t, dir, "unzip", "-q", name, "-d", filepath.Join(dir, "x"))
	return filepath.Join(dir, "x")
}

// TestRealTools: unzip, sha256sum and git agree with a handover.
func TestRealTools(t *testing.T) {
	t.Parallel()
	s := handovertest.Filled(t, handovertest.ACam)
	data := s.HandOver("walk-build")
	dir := unzipped(t, data)
	run(t, dir, "sha256sum", "--strict", "-c", handover.SumsName)
	run(t, s.Store.Root(), "git", "bundle", "verify", "-q", filepath.Join(dir, handover.BundleName))
	run(t, dir, "git", "clone", "-q", handover.BundleName, "clone")
	clone := filepath.Join(dir, "clone")
	if out := run(t, clone, "git", "fsck", "--strict"); out != "" {
		t.Error(out)
	}
	if out := run(t, clone, "git", "status", "--porcelain"); out != "" {
		t.Error(out)
	}
	log := run(t, clone, "git", "log", "--format=%an: %s")
	want := "A-cam operator: Prove walk-build\nA-cam operator: Tilt a step down\nA-cam operator: Lens weighed again\nA-cam operator: Pan a step up\nA-cam operator: First tune\nA-cam operator: Add walk-build\n"
	if log != want {
		t.Errorf("history of the clone:\n%s\nwant:\n%s", log, want)
	}
	// nothing of the other rig, of the job's crew, or of the library's name
	if out, err := exec.Command("grep", "-r", "-l", "-i", "-e", "secret", "-e", "Somebody", "--", dir).Output(); err == nil {
		t.Errorf("it gives away what it should not: %s", out)
	}
}

// TestSameBytes: same input, same bytes, also after other rigs went on and from a fresh index.
func TestSameBytes(t *testing.T) {
	t.Parallel()
	s := handovertest.Filled(t, handovertest.ACam)
	a := s.HandOver("walk-build")
	if !bytes.Equal(a, s.HandOver("walk-build")) {
		t.Error("two handovers of one revision differ")
	}
	s.Set("secret-build", "On", "stiffness.pan=45")
	if err := os.RemoveAll(filepath.Join(s.Store.Root(), ".git", "rigkeep")); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a, s.HandOver("walk-build")) {
		t.Error("another rig's revision changed the handover")
	}
}

// TestOpen reads back what was gathered.
func TestOpen(t *testing.T) {
	t.Parallel()
	s := handovertest.Filled(t, handovertest.ACam)
	c := s.Gather("walk-build")
	data := s.HandOver("walk-build")
	p, err := handover.Open(data, cat)
	if err != nil {
		t.Fatal(err)
	}
	if p.Revision != c.Revision || !p.Time.Equal(c.Time) || p.Sender != c.Sender || p.History.Tip != c.History.Tip {
		t.Errorf("read %v %v %v, gathered %v %v %v", p.Revision, p.Time, p.Sender, c.Revision, c.Time, c.Sender)
	}
	if strings.Join(p.Paths(), " ") != strings.Join(c.Paths(), " ") || len(p.Files) != 5 {
		t.Errorf("files %v, want %v", p.Paths(), c.Paths())
	}
	r := p.Rigs[0]
	if len(p.Rigs) != 1 || r.Alias != "walk-build" || len(r.Tunes) != 1 || r.Tunes[0].Proof == nil || r.Tunes[0].Proof.Unit != "U-01" || len(r.Was) != 1 {
		t.Errorf("rigs %+v", p.Rigs)
	}
	if len(p.Jobs) != 1 || len(p.Jobs[0].Pins) != 1 || p.Jobs[0].Crew[0].Name != "" {
		t.Fatalf("jobs %+v", p.Jobs)
	}
	// the pin names a revision of the bundle that holds the tune as it was pinned
	pin := p.Jobs[0].Pins[0]
	files, err := p.History.Files(p.Revision)
	if err == nil {
		t.Errorf("the sender's own revision is in the bundle: %v", files)
	}
	commit, ok := p.History.Commit(store.Rev(pin.Revision))
	if !ok || commit.Subject != "Tilt a step down" {
		t.Errorf("pinned to %s, %v", pin.Revision, ok)
	}
	if v := p.TrustLevel(nil, handovertest.Start); v.TrustLevel != handover.Unsigned {
		t.Errorf("standing %s", v.TrustLevel)
	}
	// one tune of a rig, and two rigs
	for _, names := range [][]string{{"walk-build/main"}, {"secret-build", "walk-build"}} {
		if _, err := handover.Open(s.HandOver(names...), cat); err != nil {
			t.Errorf("%v: %v", names, err)
		}
	}
	if _, err := handover.Gather(s.Library, []handover.Wanted{{Rig: mustFind(s, "walk-build"), Tunes: []string{"night"}}}); err == nil {
		t.Error("a tune that is not there was gathered")
	}
}

func mustFind(s *handovertest.Fixture, name string) library.RigRef {
	s.T.Helper()
	rr, err := s.Names().Find(name)
	if err != nil {
		s.T.Fatal(err)
	}
	return rr
}

// A photo of a handover is one as Rigkeep makes them, under its own name, and there are two at most.
func TestPhotosOf(t *testing.T) {
	s := handovertest.Filled(t, handovertest.ACam)
	rig, err := s.Names().Find("walk-build")
	if err != nil {
		t.Fatal(err)
	}
	gather := func() *handover.Contents {
		t.Helper()
		c, err := handover.Gather(s.Library, []handover.Wanted{{Rig: rig}})
		if err != nil {
			t.Fatal(err)
		}
		c.Sender = handover.Sender{Name: "A-cam operator", Email: "a@shop.example"}
		return c
	}
	var raw bytes.Buffer
	if err := jpeg.Encode(&raw, image.NewGray(image.Rect(0, 0, 40, 30)), nil); err != nil {
		t.Fatal(err)
	}
	clean, err := photo.Clean(raw.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	located := slices.Insert(slices.Clone(clean), 2, append([]byte{0xff, 0xe1, 0, 8}, "Exif\x00\x00"...)...)
	day := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	path := preset.PhotoPath(rig.Fingerprint, day, clean)
	for _, c := range []struct {
		name  string
		files map[string][]byte
		want  string
	}{
		{"a clean one", map[string][]byte{path: clean}, ""},
		{"with a place in it", map[string][]byte{preset.PhotoPath(rig.Fingerprint, day, located): located}, "is not a photo as Rigkeep makes them"},
		{"a text", map[string][]byte{preset.PhotoPath(rig.Fingerprint, day, []byte("plate 41")): []byte("plate 41")}, "is not a photo as Rigkeep makes them"},
		{"another's name", map[string][]byte{preset.PhotoPath(rig.Fingerprint, day, located): clean}, "does not have the name"},
		{"no day", map[string][]byte{strings.Replace(path, "2026-03-01", "2026-13-01", 1): clean}, "that its history does not"},
		{"of another rig", map[string][]byte{strings.ReplaceAll(path, rig.Fingerprint, "zzzzzzzzzz"): clean}, "that its history does not"},
		{"three", map[string][]byte{path: clean, preset.PhotoPath(rig.Fingerprint, day.AddDate(0, 0, 1), clean): clean, preset.PhotoPath(rig.Fingerprint, day.AddDate(0, 0, 2), clean): clean}, "3 photos"},
	} {
		x := gather()
		for p, data := range c.files {
			x.Files[p] = data
		}
		data, _, err := handover.Seal(x, []byte("card"), "rigkeep test", nil)
		if err != nil {
			t.Fatal(err)
		}
		p, err := handover.Open(data, cat)
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.want == "" && len(p.Rigs[0].Photos) != 1:
			t.Errorf("%s: photos %q", c.name, p.Rigs[0].Photos)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
