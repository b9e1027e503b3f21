package store

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigkeep/repo/internal/disk"
)

// packFrom has git pack everything that want needs.
func packFrom(t *testing.T, dir string, want ...string) []byte {
	t.Helper()
	cmd := exec.Command("git", "pack-objects", "--stdout", "--revs", "--quiet")
	cmd.Dir, cmd.Env = dir, gitEnv()
	cmd.Stdin = strings.NewReader(strings.Join(want, "\n") + "\n")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// noTemps fails if anything half-written lies in the object folder.
func noTemps(t *testing.T, l *Lib) {
	t.Helper()
	err := filepath.WalkDir(l.ObjectFolder(), func(p string, d os.DirEntry, err error) error {
		if err == nil && (strings.HasPrefix(d.Name(), "tmp_") || strings.HasSuffix(d.Name(), ".lock")) {
			t.Errorf("left behind: %s", p)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// cut breaks a stream off with an error.
func cut(b []byte, at int, err error) io.Reader {
	return io.MultiReader(bytes.NewReader(b[:at]), &failing{err})
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

func TestReceive(t *testing.T) {
	src := branchy(t)
	tip, _ := src.Head()
	small := packFrom(t, src.Root(), "HEAD")
	// A history too large to be taken in from memory.
	defer func(n int) { receiveInMemory = n }(receiveInMemory)
	receiveInMemory = 20_000
	r := rand.New(rand.NewPCG(1, 2))
	noise := make([]byte, 60_000)
	for j := range noise {
		noise[j] = "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ\n."[r.IntN(64)]
	}
	put(t, src, "big.txt", string(noise))
	git(t, src.Root(), "add", ".")
	git(t, src.Root(), "commit", "-qm", "Big")
	big, _ := src.Head()
	large := packFrom(t, src.Root(), "HEAD")
	if len(large) < receiveInMemory {
		t.Fatalf("only %d bytes", len(large))
	}
	gone := errors.New("connection reset")
	for _, c := range []struct {
		name string
		pack []byte
		tip  Rev
	}{{"small", small, tip}, {"large", large, big}} {
		t.Run(c.name, func(t *testing.T) {
			l := freshLib(t)
			for _, at := range []int{0, 10, len(c.pack) / 3, len(c.pack) - 1} {
				if _, _, err := l.Exchange().Receive(ctx, cut(c.pack, at, gone), nil); !errors.Is(err, gone) {
					t.Fatalf("cut at %d: %v", at, err)
				}
			}
			flipped := bytes.Clone(c.pack)
			flipped[len(flipped)/2] ^= 16
			for _, bad := range [][]byte{flipped, c.pack[:len(c.pack)-3], []byte("<html>proxy</html>"), nil} {
				if _, _, err := l.Exchange().Receive(ctx, bytes.NewReader(bad), nil); !errors.Is(err, ErrDamaged) {
					t.Fatalf("%d bytes: %v", len(bad), err)
				}
			}
			if l.Revisions().Has(c.tip) {
				t.Fatal("a part was taken in")
			}
			told := 0
			n, undo, err := l.Exchange().Receive(ctx, bytes.NewReader(c.pack), func(string, int64, int64) { told++ })
			if err != nil || n == 0 || told == 0 {
				t.Fatal(n, told, err)
			}
			if !l.Revisions().Has(c.tip) {
				t.Fatal("not there")
			}
			head, _ := l.Head()
			if err := l.Exchange().Complete([]Rev{c.tip}, []Rev{head}); err != nil {
				t.Fatal(err)
			}
			noTemps(t, l)
			if out := git(t, l.Root(), "fsck", "--strict", "--no-dangling", string(c.tip)); out != "" {
				t.Fatal(out)
			}
			undo()
			agrees(t, l.Root())
		})
	}
	// Without its base a later revision is not a whole.
	thin := packFrom(t, src.Root(), "HEAD", "^HEAD~1")
	l := freshLib(t)
	if _, _, err := l.Exchange().Receive(ctx, bytes.NewReader(thin), nil); err != nil {
		t.Fatal(err)
	}
	if err := l.Exchange().Complete([]Rev{big}, nil); !errors.Is(err, ErrDamaged) {
		t.Fatalf("a gap passes: %v", err)
	}
	// What a transfer that was killed left goes with the next.
	dead := disk.TempName(filepath.Join(l.ObjectFolder(), "pack"), receivePrefix)
	for _, n := range []string{dead, dead + ".lock"} {
		if err := os.WriteFile(n, []byte("x"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	live := disk.TempName(filepath.Join(l.ObjectFolder(), "pack"), receivePrefix)
	lk, ok, err := disk.TryLock(l.fs, live+".lock")
	if err != nil || !ok {
		t.Fatal(err)
	}
	if _, _, err := l.Exchange().Receive(ctx, bytes.NewReader(small), nil); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(dead); err == nil {
		t.Error("the rest of a dead transfer is still there")
	}
	if _, err := os.Stat(live + ".lock"); err != nil {
		t.Error("a live transfer was cleared away")
	}
	lk.Unlock()
}

func TestSend(t *testing.T) {
	src := branchy(t)
	tip, _ := src.Head()
	for _, have := range [][]Rev{nil, {Rev(git(t, src.Root(), "rev-parse", "HEAD~2"))}} {
		var ids []string
		if err := src.Exchange().NewObjects([]Rev{tip}, have, func(id string) error { ids = append(ids, id); return nil }); err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := src.Exchange().Send(ctx, &b, ids, nil); err != nil {
			t.Fatal(err)
		}
		bare := filepath.Join(t.TempDir(), "bare.git")
		git(t, t.TempDir(), "init", "-q", "--bare", bare)
		if have != nil {
			git(t, src.Root(), "push", "-q", bare, string(have[0])+":refs/heads/main")
		}
		cmd := exec.Command("git", "index-pack", "--stdin", "--strict")
		cmd.Dir, cmd.Env, cmd.Stdin = bare, gitEnv(), &b
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		git(t, bare, "update-ref", "refs/heads/main", string(tip))
		if out := git(t, bare, "fsck", "--strict", "--no-dangling"); strings.Contains(out, "error") {
			t.Fatal(out)
		}
	}
}

func TestShared(t *testing.T) {
	src := branchy(t)
	tip, _ := src.Head()
	dir := filepath.Join(t.TempDir(), "shared.git")
	git(t, t.TempDir(), "init", "-q", "--bare", "-b", "main", dir)
	for _, name := range []string{dir, strings.TrimSuffix(dir, ".git")} {
		s, err := OpenShared(name, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if head, err := s.Head(); err != nil || head != "refs/heads/main" {
			t.Fatal(head, err)
		}
	}
	s, _ := OpenShared(dir, Options{})
	if _, _, err := s.Lib().Exchange().Receive(ctx, bytes.NewReader(packFrom(t, src.Root(), "HEAD")), nil); err != nil {
		t.Fatal(err)
	}
	if err := s.SetRef(ctx, "refs/heads/main", "", tip, aCam, start, "sync"); err != nil {
		t.Fatal(err)
	}
	if err := s.SetRef(ctx, "refs/heads/main", "", tip, aCam, start, "sync"); !errors.Is(err, ErrDiverged) {
		t.Fatal(err)
	}
	if out := git(t, dir, "fsck", "--strict") + git(t, dir, "rev-parse", "main"); out != string(tip) {
		t.Fatal(out)
	}
	// A repository with its files out is read, but not pushed to.
	o, err := OpenShared(src.Root(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := o.SetRef(ctx, "refs/heads/main", tip, tip, aCam, start, "sync"); !errors.Is(err, ErrRefused) {
		t.Fatal(err)
	}
	if _, err := OpenShared(filepath.Join(dir, "no", "such"), Options{}); !errors.Is(err, ErrNetwork) {
		t.Fatal(err)
	}
	if _, err := OpenShared(t.TempDir(), Options{}); !errors.Is(err, ErrNotFound) {
		t.Fatal(err)
	}
}

func TestInitEmpty(t *testing.T) {
	src := branchy(t)
	tip, _ := src.Head()
	dir := filepath.Join(t.TempDir(), "new")
	l, err := InitEmpty(dir, "main", Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := l.Exchange().Receive(ctx, bytes.NewReader(packFrom(t, src.Root(), "HEAD")), nil); err != nil {
		t.Fatal(err)
	}
	if err := l.Writer().Advance(ctx, tip, aCam, start.Add(time.Hour), "clone"); err != nil {
		t.Fatal(err)
	}
	agrees(t, dir)
	if now, err := l.Head(); now != tip || err != nil {
		t.Fatal(now, err)
	}
	if _, err := InitEmpty(dir, "main", Options{}); !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
}

func TestAddSettings(t *testing.T) {
	l := freshLib(t)
	url := `/mnt/the "b" share\x	y`
	for i, want := range []bool{true, false} {
		changed, err := l.AddSettings(ctx, "remote", "origin", AddSetting{"url", url}, AddSetting{"fetch", "+refs/heads/*:refs/remotes/origin/*"})
		if err != nil || changed != want {
			t.Fatal(i, changed, err)
		}
	}
	if got := git(t, l.Root(), "config", "remote.origin.url"); got != url {
		t.Errorf("git reads %q", got)
	}
	if got := l.Setting("remote", "origin", "url"); got != url {
		t.Errorf("we read %q", got)
	}
	if _, err := l.AddSettings(ctx, "remote", "origin", AddSetting{"url", "elsewhere"}); err != nil {
		t.Fatal(err)
	}
	if got := git(t, l.Root(), "config", "remote.origin.url") + l.Setting("remote", "origin", "url"); got != "elsewhereelsewhere" {
		t.Errorf("%q", got)
	}
	if got := git(t, l.Root(), "config", "core.logallrefupdates"); got != "true" {
		t.Error("other settings are gone")
	}
	for _, want := range []bool{true, false} {
		if changed, err := l.AddAttribute(ctx, "*.toml merge=rigkeep"); err != nil || changed != want {
			t.Fatal(changed, err)
		}
	}
	if got := git(t, l.Root(), "check-attr", "merge", "x.toml"); got != "x.toml: merge: rigkeep" {
		t.Error(got)
	}
	agrees(t, l.Root())
}
