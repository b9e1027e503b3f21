package diffview

import (
	"bytes"
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/schema"
)

// randomText makes a text like a tune: some lines, sometimes CRLF, sometimes
// without a last line end, sometimes empty, sometimes with characters outside ASCII.
func randomText(r *rand.Rand) string {
	if r.Intn(12) == 0 {
		return ""
	}
	eol := "\n"
	if r.Intn(4) == 0 {
		eol = "\r\n"
	}
	var b strings.Builder
	for range 1 + r.Intn(40) {
		switch r.Intn(7) {
		case 0:
			b.WriteString("# " + []string{"静かに", "measured on the quay", "ü — ±3.5 °/s"}[r.Intn(3)])
		case 1:
		case 2:
			b.WriteString("[follow.walk]")
		case 3:
			fmt.Fprintf(&b, "note = \"-- %d ++ @@ \\\\\"", r.Intn(5))
		default:
			fmt.Fprintf(&b, "%s = %d", []string{"pan", "roll", "tilt", "sensing"}[r.Intn(4)], r.Intn(90))
		}
		b.WriteString(eol)
	}
	s := b.String()
	if r.Intn(3) == 0 {
		s = strings.TrimSuffix(s, eol)
	}
	return s
}

// edited changes a few lines of a text.
func edited(r *rand.Rand, s string) string {
	lines := strings.SplitAfter(s, "\n")
	for range r.Intn(5) {
		i := r.Intn(len(lines))
		switch r.Intn(4) {
		case 0:
			lines[i] = "drive = 3\n"
		case 1:
			lines = append(lines[:i], lines[min(i+1, len(lines)):]...)
			if len(lines) == 0 {
				return ""
			}
		case 2:
			lines[i] = "# added\n" + lines[i]
		case 3:
			lines[i] = strings.TrimRight(lines[i], "\r\n")
		}
	}
	return strings.Join(lines, "")
}

// Checked against the real git and GNU patch: 60 pairs of trees of up to four
// files each, which makes some 150 pairs of files.
func TestPatchAppliesWithGitAndPatch(t *testing.T) {
	for _, tool := range []string{"git", "patch"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Fatalf("this test needs %s: %v", tool, err)
		}
	}
	r := rand.New(rand.NewSource(20260302))
	names := []string{"rigs/k7/k7qd2m9x4c/main.toml", "rigs/k7/k7qd2m9x4c/rig.toml", "jobs/with blank.toml", "gimbals/ünï\"codé.toml"}
	files := 0
	for n := range 60 {
		a, b := map[string][]byte{}, map[string][]byte{}
		for _, name := range names[:1+r.Intn(len(names))] {
			x := randomText(r)
			y := edited(r, x)
			if r.Intn(5) == 0 {
				y = randomText(r)
			}
			if r.Intn(6) > 0 {
				a[name] = []byte(x)
			}
			if r.Intn(6) > 0 {
				b[name] = []byte(y)
			}
			if a[name] != nil || b[name] != nil {
				files++
			}
		}
		rep := Compare(schema.Default(), Side{Label: "a", Texts: a}, Side{Label: "b", Texts: b})
		var patch bytes.Buffer
		if err := WritePatch(&patch, rep); err != nil {
			t.Fatal(err)
		}
		if (patch.Len() == 0) != rep.Same {
			t.Fatalf("pair %d: Same = %v, patch of %d bytes", n, rep.Same, patch.Len())
		}
		if patch.Len() == 0 {
			continue
		}
		for _, tool := range [][]string{{"git", "apply", "--whitespace=nowarn", "-"}, {"patch", "-p1", "--silent", "--binary"}} {
			dir := t.TempDir()
			write(t, dir, a)
			if tool[0] == "git" {
				// --check first, as a person would
				if n%8 == 0 {
					run(t, dir, patch.Bytes(), "git", "apply", "--check", "-")
				}
			}
			run(t, dir, patch.Bytes(), tool[0], tool[1:]...)
			got := read(t, dir)
			for _, name := range union(got, b) {
				if x, ok := got[name]; !ok || !bytes.Equal(x, b[name]) {
					if _, there := b[name]; there != ok || !bytes.Equal(x, b[name]) {
						t.Fatalf("pair %d, %s: %q is %q (there: %v), want %q\npatch:\n%s", n, tool[0], name, x, ok, b[name], patch.String())
					}
				}
			}
		}
	}
	if files < 100 {
		t.Fatalf("only %d pairs of files were tried", files)
	}
}

// A tune compared with another rig's is patched where it lies.
func TestPatchOfAnotherRigsTune(t *testing.T) {
	a := map[string][]byte{"rigs/k7/k7qd2m9x4c/main.toml": []byte("kind = \"tune\"\nrig = \"k7qd2m9x4c\"\n")}
	b := map[string][]byte{"rigs/8w/8wq2m9x4ck/main.toml": []byte("kind = \"tune\"\nrig = \"8wq2m9x4ck\"\n")}
	rep := Compare(schema.Default(), Side{Label: "a", Texts: a}, Side{Label: "b", Texts: b})
	var patch bytes.Buffer
	if err := WritePatch(&patch, rep); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write(t, dir, a)
	write(t, dir, b)
	run(t, dir, nil, "git", "init", "-q")
	run(t, dir, patch.Bytes(), "git", "apply", "-")
	if got := read(t, dir)["rigs/k7/k7qd2m9x4c/main.toml"]; !bytes.Equal(got, b["rigs/8w/8wq2m9x4ck/main.toml"]) {
		t.Fatalf("after the patch it is %q\n%s", got, patch.String())
	}
}

// A rig whose folder changed with its parts keeps its files: they are renamed.
func TestPatchOfMovedRig(t *testing.T) {
	a := map[string][]byte{"rigs/k7/k7qd2m9x4c/main.toml": []byte("kind = \"tune\"\nrig = \"k7qd2m9x4c\"\n"), "rigs/k7/k7qd2m9x4c/rig.toml": []byte("kind = \"rig\"\n")}
	b := map[string][]byte{"rigs/8w/8wq2m9x4ck/main.toml": []byte("kind = \"tune\"\nrig = \"8wq2m9x4ck\"\n"), "rigs/8w/8wq2m9x4ck/rig.toml": []byte("kind = \"rig\"\n")}
	rig := func(fp string, was ...string) *preset.Rig {
		return &preset.Rig{ID: fp, Alias: "long", Was: was}
	}
	rep := Compare(schema.Default(), Side{Label: "a", Rig: rig("k7qd2m9x4c"), Texts: a}, Side{Label: "b", Rig: rig("8wq2m9x4ck", "k7qd2m9x4c"), Texts: b})
	var patch bytes.Buffer
	if err := WritePatch(&patch, rep); err != nil {
		t.Fatal(err)
	}
	for _, tool := range [][]string{{"git", "apply", "-"}, {"patch", "-p1", "--silent"}} {
		dir := t.TempDir()
		write(t, dir, a)
		run(t, dir, patch.Bytes(), tool[0], tool[1:]...)
		got := read(t, dir)
		for _, name := range union(got, b) {
			if !bytes.Equal(got[name], b[name]) {
				t.Errorf("%s: %s is %q, want %q\n%s", tool[0], name, got[name], b[name], patch.String())
			}
		}
	}
}

func TestPatchStaysBelowItsFolder(t *testing.T) {
	for _, name := range []string{"/etc/passwd", "../../x.toml", `..\..\x.toml`} {
		rep := Compare(schema.Default(), Side{Label: "a"}, Side{Label: "b", Texts: map[string][]byte{name: []byte("x\n")}})
		var patch bytes.Buffer
		if err := WritePatch(&patch, rep); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(patch.String(), "..") && !strings.Contains(patch.String(), "index") || strings.Contains(patch.String(), "../") || strings.Contains(patch.String(), "b//") {
			t.Errorf("%s: the patch leaves its folder:\n%s", name, patch.String())
		}
	}
}

func write(t *testing.T, dir string, files map[string][]byte) {
	t.Helper()
	for name, data := range files {
		p := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

func read(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if d != nil && d.Name() == ".git" {
				return filepath.SkipDir
			}
			return err
		}
		rel, _ := filepath.Rel(dir, p)
		data, err := os.ReadFile(p)
		out[filepath.ToSlash(rel)] = data
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func run(t *testing.T, dir string, stdin []byte, name string, args ...string) {
	t.Helper()
	c := exec.Command(name, args...)
	c.Dir, c.Stdin = dir, bytes.NewReader(stdin)
	c.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL=/dev/null", "GIT_CONFIG_SYSTEM=/dev/null", "LC_ALL=C.UTF-8")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v\n%s\nthe patch:\n%s", name, strings.Join(args, " "), err, out, stdin)
	}
}
