package library

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// shop makes a small library in a temporary folder: sheets and rigs given as
// text, saved in one revision.
func shop(t testing.TB, n int) (*Library, []string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "lib")
	files, err := NewFiles(schema.Default(), "Shop", "kg", "mm")
	if err != nil {
		t.Fatal(err)
	}
	sheet, err := os.ReadFile(filepath.Join("..", "..", "examples", "gimbals", "quay-large.toml"))
	if err != nil {
		t.Fatal(err)
	}
	files = append(files, store.File{Path: preset.GimbalPath("quay-large"), Data: sheet},
		store.File{Path: preset.UnitPath("quay-large", "QL-0031"), Data: []byte("format = 1\nkind = \"unit\"\nlabel = \"Large A\"\nfirmware = \"2.4\"\n")})
	var fps []string
	for i := range n {
		r := preset.Rig{Gimbal: "quay-large", Parts: []preset.Part{{Slot: "body", Name: fmt.Sprintf("Body %d", i), Mass: 1 + float64(i)*0.05}}}
		fp := r.Fingerprint()
		fps = append(fps, fp)
		files = append(files,
			store.File{Path: preset.RigPath(fp), Data: []byte(rigText(i))},
			store.File{Path: preset.TunePath(fp, "main"), Data: []byte(tuneText(fp, 20+i, i%2 == 0))})
	}
	st, err := store.Init(dir, files, technician, day)
	if err != nil {
		t.Fatal(err)
	}
	_ = st
	return open(t, dir), fps
}

var (
	technician = store.Person{Name: "Stabiliser technician", Email: "technician@example.org"}
	day        = time.Date(2026, 1, 12, 9, 0, 0, 0, time.UTC)
)

func open(t testing.TB, dir string) *Library {
	t.Helper()
	l, err := Open(dir, schema.Default(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func rigText(i int) string {
	return fmt.Sprintf("format = 1\nkind = \"rig\"\nalias = \"rig-%d\"\ngimbal = \"quay-large\"\n[[part]]\nslot = \"body\"\nname = \"Body %d\"\nmass_kg = %s\nplace_mm = [0, 0, 0]\n", i, i, schema.Num(1+float64(i)*0.05))
}

func tuneText(fp string, tilt int, proved bool) string {
	s := fmt.Sprintf("format = 1\nkind = \"tune\"\nrig = %q\n[stiffness]\npan = 30\ntilt = %d\n", fp, tilt)
	if proved {
		s += "[proof.hold]\nat = 2026-01-10T10:00:00Z\nunit = \"Q-01\"\nplace = \"hand\"\nrig = \"" + fp + "\"\n[proof.hold.onset]\ntilt = 60\n"
	}
	return s
}

// fresh summarises the present revision without the cache.
func fresh(t testing.TB, l *Library) []byte {
	t.Helper()
	head, err := l.Store.Head()
	if err != nil {
		t.Fatal(err)
	}
	s, err := l.Lists().summarise(head)
	if err != nil {
		t.Fatal(err)
	}
	return encodeSummary(s, l.Lists().stamp())
}

// Brought forward commit by commit, by Rigkeep or by plain git, the summary is
// byte for byte the one made anew.
func TestSummaryForwardEqualsAnew(t *testing.T) {
	l, fps := shop(t, 12)
	dir := l.Store.Root()
	rnd := rand.New(rand.NewPCG(4, 2))
	for step := range 25 {
		fp := fps[rnd.IntN(len(fps))]
		path := preset.TunePath(fp, "main")
		switch rnd.IntN(5) {
		case 0: // plain git, several files
			for _, f := range fps[:3] {
				p := filepath.Join(dir, filepath.FromSlash(preset.TunePath(f, "main")))
				if err := os.WriteFile(p, []byte(tuneText(f, 20+step, step%2 == 0)), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			git(t, dir, "add", "-A")
			git(t, dir, "commit", "-q", "--allow-empty", "-m", "by git")
		case 1: // the sheet changes: all its evidence is read again
			e, err := l.Edits().Edit(preset.GimbalPath("quay-large"), file.Edit{Key: "moving.tilt.inertia_kgm2", Value: 0.01 + float64(step)/1000})
			if err != nil {
				t.Fatal(err)
			}
			save(t, l, e.Path, e.After.Text())
		case 2: // a tune goes
			if _, err := l.Store.Work().Read(path); err == nil {
				save(t, l, path, nil)
			}
		default:
			save(t, l, path, []byte(tuneText(fp, 15+rnd.IntN(40), rnd.IntN(2) == 0)))
		}
		l = open(t, dir) // a new process
		s, err := l.Lists().summary()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(encodeSummary(s, l.Lists().stamp()), fresh(t, l)) {
			t.Fatalf("step %d: the summary brought forward is not the one made anew", step)
		}
	}
}

func save(t testing.TB, l *Library, path string, data []byte) {
	t.Helper()
	seen := store.BlobID("")
	if now, err := l.Store.Work().Read(path); err == nil {
		seen = store.BlobIDOf(now)
	}
	_, err := l.Store.Writer().Save(context.Background(), store.SaveRequest{Subject: "change", Author: technician, When: day, WriteWork: true, AllowSame: true,
		Files: []store.File{{Path: path, Data: data, Delete: data == nil}}, Seen: map[string]store.BlobID{path: seen}})
	if err != nil {
		t.Fatal(err)
	}
}

func git(t testing.TB, dir string, args ...string) {
	t.Helper()
	c := exec.Command("git", append([]string{"-C", dir, "-c", "user.name=x", "-c", "user.email=x@example.org"}, args...)...)
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("git %v: %v\n%s", args, err, out)
	}
}

// A summary that is torn, from another program or flipped in one bit is made
// anew and never trusted.
func TestSummaryDamaged(t *testing.T) {
	l, _ := shop(t, 6)
	want := fresh(t, l)
	if _, err := l.Lists().summary(); err != nil {
		t.Fatal(err)
	}
	good, ok := l.Store.Cache(summaryName)
	if !ok {
		t.Fatal("nothing was cached")
	}
	if s, err := decodeSummary(good, l.Lists().stamp()); err != nil || !bytes.Equal(encodeSummary(s, l.Lists().stamp()), good) {
		t.Fatalf("the summary does not survive its own form: %v", err)
	}
	var bad [][]byte
	for i := range good {
		b := bytes.Clone(good)
		b[i] ^= 1 << (i % 8)
		bad = append(bad, b)
	}
	for n := 0; n < len(good); n += 7 {
		bad = append(bad, good[:n])
	}
	for _, b := range bad {
		if _, err := decodeSummary(b, l.Lists().stamp()); err == nil {
			t.Fatal("a damaged summary was taken")
		}
	}
	l.Store.SetCache(summaryName, bad[len(bad)/3])
	again := open(t, l.Store.Root())
	s, err := again.Lists().summary()
	if err != nil || !bytes.Equal(encodeSummary(s, again.Lists().stamp()), want) {
		t.Fatalf("after damage: %v", err)
	}
}

func FuzzDecodeSummary(f *testing.F) {
	l, _ := shop(f, 3)
	f.Add(fresh(f, l))
	f.Add([]byte(summaryMagic))
	stamp := l.Lists().stamp()
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := decodeSummary(data, stamp); err == nil {
			if again, err := decodeSummary(encodeSummary(s, stamp), stamp); err != nil || !reflect.DeepEqual(again.rigs, s.rigs) {
				t.Errorf("a summary that was taken does not survive: %v", err)
			}
		}
	})
}

// Names follow the work tree, hand edits included, whatever the summary says.
func TestFindFollowsHandEdits(t *testing.T) {
	l, fps := shop(t, 5)
	dir := l.Store.Root()
	find := func(name, want string) {
		t.Helper()
		r, err := open(t, dir).Names().Find(name)
		if want == "" {
			if !isNotFound(err) {
				t.Errorf("%s: found %v, %v; want none", name, r.Fingerprint, err)
			}
			return
		}
		if err != nil || r.Fingerprint != want {
			t.Errorf("%s: %s, %v; want %s", name, r.Fingerprint, err, want)
		}
	}
	find("rig-2", fps[2])
	find("RIG-2", fps[2])
	find(fps[3], fps[3])
	find(fps[3][:6], fps[3])
	p := filepath.Join(dir, filepath.FromSlash(preset.RigPath(fps[2])))
	if err := os.WriteFile(p, []byte(strings.Replace(rigText(2), "rig-2", "wheelhouse", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	find("wheelhouse", fps[2])
	find("rig-2", "")
	if err := os.RemoveAll(filepath.Dir(filepath.Join(dir, filepath.FromSlash(preset.RigPath(fps[4]))))); err != nil {
		t.Fatal(err)
	}
	find("rig-4", "")
	find(fps[4], "")
}

// A tune that went on since its proof stands for the values that were worked, not for those
// that nobody worked; one that went to another gimbal stands for nothing on it.
func TestEvidenceIsWhatWasProved(t *testing.T) {
	l, fps := shop(t, 1)
	ctx := context.Background()
	path := preset.TunePath(fps[0], "main")
	save := func(why string, when time.Time, files ...store.File) {
		t.Helper()
		head, err := l.Store.Head()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Store.Writer().Save(ctx, store.SaveRequest{Subject: why, Author: technician, When: when, Base: head, WriteWork: true, Files: files}); err != nil {
			t.Fatal(err)
		}
		l = open(t, l.Store.Root())
	}
	proved, err := file.Parse(path, []byte(tuneText(fps[0], 20, true)))
	if err != nil {
		t.Fatal(err)
	}
	digest := preset.TuneIn(schema.Default(), proved).Digest()
	if proved, err = proved.Set("proof.hold.digest", digest); err != nil {
		t.Fatal(err)
	}
	save("Prove", day.AddDate(0, 0, 1), store.File{Path: path, Data: proved.Text()})
	raised, err := proved.Set("stiffness.tilt", 90)
	if err != nil {
		t.Fatal(err)
	}
	save("Raise", day.AddDate(0, 0, 2), store.File{Path: path, Data: raised.Text()})
	ts, _, err := l.Evidence().proofs("quay-large", day)
	if err != nil || len(ts) != 1 {
		t.Fatalf("%d proofs, %v", len(ts), err)
	}
	if got := ts[0].Values["stiffness.tilt"]; got != 20 || ts[0].OutOfDate != "" {
		t.Errorf("tilt %v (out of date %v) is taken for proved; 20 was", got, ts[0].OutOfDate != "")
	}
	if ts[0].Onset["stiffness.tilt"] != 60 {
		t.Errorf("the onset seen at the proof is lost: %v", ts[0].Onset)
	}
	// the values of a proof that no revision holds are not made up
	odd, err := raised.Set("proof.hold.digest", "0000000000")
	if err != nil {
		t.Fatal(err)
	}
	save("Odd", day.AddDate(0, 0, 3), store.File{Path: path, Data: odd.Text()})
	if ts, _, err = l.Evidence().proofs("quay-large", day); err != nil || len(ts) != 1 || len(ts[0].Values) != 0 {
		t.Errorf("values that were never proved count: %+v, %v", ts, err)
	}
	// onto another gimbal
	sheet, err := os.ReadFile(filepath.Join("..", "..", "examples", "gimbals", "skiff-small.toml"))
	if err != nil {
		t.Fatal(err)
	}
	rig := strings.Replace(rigText(0), "quay-large", "skiff-small", 1)
	there := preset.Rig{Gimbal: "skiff-small", Parts: []preset.Part{{Slot: "body", Name: "Body 0", Mass: 1}}}.Fingerprint()
	rig = strings.Replace(rig, "[[part]]", fmt.Sprintf("was = [%q]\n[[part]]", fps[0]), 1)
	moved, err := raised.Set("rig", there)
	if err != nil {
		t.Fatal(err)
	}
	save("Move", day.AddDate(0, 0, 4), store.File{Path: preset.GimbalPath("skiff-small"), Data: sheet},
		store.File{Path: preset.RigPath(fps[0]), Delete: true}, store.File{Path: path, Delete: true},
		store.File{Path: preset.RigPath(there), Data: []byte(rig)}, store.File{Path: preset.TunePath(there, "main"), Data: moved.Text()})
	if ts, skipped, err := l.Evidence().proofs("skiff-small", day); err != nil || len(ts) != 0 {
		t.Errorf("numbers of another gimbal's dials count: %+v, %v, %v", ts, skipped, err)
	}
}
