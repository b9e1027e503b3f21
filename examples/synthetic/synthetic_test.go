package synthetic

import (
	"bytes"
	"crypto/sha256"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// The same options give the same bytes, other ones do not.
func TestStreamIsDeterministic(t *testing.T) {
	sum := func(o Options) [32]byte {
		var b bytes.Buffer
		if err := Stream(&b, o); err != nil {
			t.Fatal(err)
		}
		return sha256.Sum256(b.Bytes())
	}
	o := Options{Tunes: 20, Commits: 50, Jobs: 3, Seed: 1}
	if first, second := sum(o), sum(o); first != second {
		t.Error("two runs differ")
	}
	other := o
	other.Seed = 2
	if sum(o) == sum(other) {
		t.Error("the seed does not matter")
	}
}

// A synthetic library passes check and the real git's eye, so that figures
// measured on it are figures of real files.
func TestBuildIsALibrary(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "lib")
	if err := Build(dir, Options{Tunes: 60, Commits: 200, Jobs: 4, Seed: 3}); err != nil {
		t.Fatal(err)
	}
	l, err := library.Open(dir, schema.Default(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	fs, files, err := l.Check()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range fs {
		t.Errorf("%s:%d: %s: %s", f.Path, f.Line, f.Key, f.What)
	}
	if files < 60*2+4+3 {
		t.Errorf("%d files", files)
	}
	rigs, err := l.Names().Rigs()
	if err != nil {
		t.Fatal(err)
	}
	r, err := l.Rig("", rigs[0].Fingerprint)
	if err != nil || r.Fingerprint() != rigs[0].Fingerprint {
		t.Errorf("fingerprint %s, want %s (%v)", r.Fingerprint(), rigs[0].Fingerprint, err)
	}
	if _, err := os.Stat(filepath.Join(dir, filepath.FromSlash(preset.TunePath(rigs[0].Fingerprint, "main")))); err != nil {
		t.Error(err)
	}
	out, err := exec.Command("git", "-C", dir, "fsck", "--strict").CombinedOutput()
	if err != nil || strings.Contains(string(out), "error") {
		t.Errorf("git fsck: %v %s", err, out)
	}
}
