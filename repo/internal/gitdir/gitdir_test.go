package gitdir

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
)

func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "GIT_AUTHOR_NAME=T", "GIT_AUTHOR_EMAIL=t@example.org", "GIT_COMMITTER_NAME=T", "GIT_COMMITTER_EMAIL=t@example.org")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("git %v: %v %s", args, err, out)
	}
	return strings.TrimSpace(string(out))
}

func TestRefs(t *testing.T) {
	dir := t.TempDir()
	git(t, dir, "init", "-q", "-b", "main")
	d, err := Find(disk.OS{}, dir)
	if err != nil {
		t.Fatal(err)
	}
	if b, id, err := d.Head(); err != nil || b != "refs/heads/main" || !id.IsZero() {
		t.Fatal("before the first commit:", b, id, err)
	}
	git(t, dir, "commit", "-q", "--allow-empty", "-m", "x")
	git(t, dir, "tag", "-a", "-m", "t", "v1")
	git(t, dir, "branch", "a/b")
	for range 2 {
		for _, name := range []string{"refs/heads/main", "refs/heads/a/b", "refs/tags/v1"} {
			if id, err := d.Ref(name); err != nil || id.String() != git(t, dir, "rev-parse", name) {
				t.Fatal(name, id, err)
			}
		}
		if id, err := d.Ref("refs/heads/none"); err != nil || !id.IsZero() {
			t.Fatal(id, err)
		}
		refs, err := d.Refs("refs/")
		if err != nil || len(refs) != 3 {
			t.Fatal(refs, err)
		}
		git(t, dir, "pack-refs", "--all") // the second round reads packed ones
	}
	for _, bad := range []string{"", "\x00", "not a commit", strings.Repeat("a", 39)} {
		if err := os.WriteFile(filepath.Join(dir, ".git", "refs", "heads", "main"), []byte(bad), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, _, err := d.Head(); !errors.Is(err, ErrDamaged) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	for _, name := range []string{"refs/../config", "refs/heads/x.lock", "refs/heads/.x", "heads/main", "refs//x", "refs/heads/a b"} {
		if _, err := d.Ref(name); !errors.Is(err, ErrDamaged) {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestOption(t *testing.T) {
	home, dir := t.TempDir(), t.TempDir()
	git(t, dir, "init", "-q")
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(home, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write(".gitconfig", "[user]\n\tname = Home\n[include]\n\tpath = more.inc\n")
	write("more.inc", "[user]\n\temail = \"included@example.org\" # with a remark\n")
	env := func(k string) string { return map[string]string{"HOME": home, "GIT_CONFIG_NOSYSTEM": "1"}[k] }
	d, err := Find(disk.OS{}, dir)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := d.Option(env, "user", "name"), d.Option(env, "user", "email"); a != "Home" || b != "included@example.org" {
		t.Fatal(a, b)
	}
	git(t, dir, "config", "User.Name", "Local")
	if d, err = Find(disk.OS{}, dir); err != nil {
		t.Fatal(err)
	}
	if a := d.Option(env, "user", "name"); a != "Local" {
		t.Fatal(a)
	}
	write(".gitconfig", "[broken")
	if a := d.Option(env, "user", "email"); a != "" {
		t.Fatal(a)
	}
}

func FuzzConfig(f *testing.F) {
	f.Add([]byte("[core]\n\tbare = false\n[remote \"origin\"]\n\turl = x\n"))
	f.Add([]byte("[extensions]\nobjectformat=sha256"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		c, err := parseConfig(raw)
		if err != nil {
			return
		}
		d := &Dir{Config: c}
		_ = d.supported()
		_ = d.Setting("remote", "origin", "url")
		_ = d.Subsections("remote")
	})
}

func FuzzRef(f *testing.F) {
	f.Add([]byte("ref: refs/heads/main\n"), []byte("# pack-refs\n1111111111111111111111111111111111111111 refs/heads/main\n"))
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, head, packed []byte) {
		for name, data := range map[string][]byte{"HEAD": head, "packed-refs": packed} {
			if err := os.WriteFile(filepath.Join(dir, name), data, 0o666); err != nil {
				t.Skip(err)
			}
		}
		d := &Dir{FS: disk.OS{}, Git: dir, Common: dir}
		branch, id, err := d.Head()
		if err == nil && branch == "" && id == plumbing.ZeroHash && !strings.Contains(string(head), "0000000") {
			t.Fatalf("%q gives nothing and no error", head)
		}
		_, _ = d.Refs("refs/")
	})
}
