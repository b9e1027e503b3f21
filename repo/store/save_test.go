package store

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/objects"
)

func TestInitAndSave(t *testing.T) {
	l := freshLib(t)
	agrees(t, l.Root())
	id := edit(t, l, "rigs/ab/abc/main.toml", "pan = 1\n", "First tune")
	agrees(t, l.Root())
	if got := git(t, l.Root(), "rev-parse", "HEAD"); got != string(id) {
		t.Fatalf("HEAD is %s, Save said %s", got, id)
	}
	c, err := l.Revisions().Commit(id)
	if err != nil {
		t.Fatal(err)
	}
	if c.Subject != "First tune" || c.Author != bCam || len(c.Parents) != 1 {
		t.Fatalf("commit is %+v", c)
	}
	if got := git(t, l.Root(), "log", "-1", "--format=%an <%ae> %cI"); got != "Gimbal technician <tech@example.org> 2025-03-01T10:00:00+00:00" {
		t.Fatal(got)
	}
	if got := git(t, l.Root(), "reflog", "--format=%gs"); got != "commit: First tune\ncommit (initial): Create library" {
		t.Fatalf("reflog: %s", got)
	}
	data, err := l.Revisions().ReadAt(id, "rigs/ab/abc/main.toml")
	if err != nil || string(data) != "pan = 1\n" {
		t.Fatalf("%q, %v", data, err)
	}
}

func TestInitRefusals(t *testing.T) {
	l := freshLib(t)
	_, err := Init(l.Root(), nil, aCam, start)
	if !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "library.toml"), []byte("mine"), 0o666); err != nil {
		t.Fatal(err)
	}
	_, err = Init(dir, []File{{Path: "library.toml", Data: []byte("format = 1\n")}}, aCam, start)
	if !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
	names, _ := os.ReadDir(dir)
	if len(names) != 1 {
		t.Fatalf("a failed init left %v", names)
	}
	if _, err := Open(dir); !errors.Is(err, ErrNotFound) {
		t.Fatal(err)
	}
}

// TestSaveProperty saves and commits at random, a quarter of the time by plain git, and lets git
// judge each step.
func TestSaveProperty(t *testing.T) {
	l := freshLib(t)
	rnd := rand.New(rand.NewSource(1))
	model := map[string]string{"library.toml": "format = 1\n", ".gitattributes": attributes}
	var paths []string
	when := start
	for i := range 60 {
		when = when.Add(time.Minute)
		var files []File
		for range 1 + rnd.Intn(3) {
			var path string
			if len(paths) > 0 && rnd.Intn(3) > 0 {
				path = paths[rnd.Intn(len(paths))]
			} else {
				path = fmt.Sprintf("rigs/%02x/%02x%04x/%s.toml", rnd.Intn(6), rnd.Intn(6), rnd.Intn(8), []string{"main", "rig", "wind"}[rnd.Intn(3)])
			}
			dup := false
			for _, f := range files {
				dup = dup || f.Path == path
			}
			if dup {
				continue
			}
			if _, there := model[path]; there && rnd.Intn(8) == 0 {
				files = append(files, File{Path: path, Delete: true})
				continue
			}
			files = append(files, File{Path: path, Data: []byte(fmt.Sprintf("pan = %d\nroll = %d\n", rnd.Intn(50), i))})
		}
		byGit := rnd.Intn(4) == 0
		work := rnd.Intn(2) == 0
		if byGit || !work {
			for _, f := range files {
				if f.Delete {
					if err := os.Remove(filepath.Join(l.Root(), f.Path)); err != nil {
						t.Fatal(err)
					}
				} else {
					put(t, l, f.Path, string(f.Data))
				}
			}
		}
		if byGit {
			git(t, l.Root(), "add", "-A")
			git(t, l.Root(), "commit", "-q", "-m", "By hand", "--allow-empty")
		} else if _, err := l.Writer().Save(ctx, SaveRequest{Files: files, Subject: fmt.Sprint("Save ", i), Author: aCam, When: when, WriteWork: work}); err != nil {
			t.Fatal(i, err)
		}
		for _, f := range files {
			if f.Delete {
				delete(model, f.Path)
			} else {
				if _, there := model[f.Path]; !there {
					paths = append(paths, f.Path)
				}
				model[f.Path] = string(f.Data)
			}
		}
		cleanTree(t, l.Root())
		if ch, err := l.Work().Status(); err != nil || len(ch) != 0 {
			t.Fatal(i, ch, err)
		}
	}
	agrees(t, l.Root())
	head, err := l.Head()
	if err != nil {
		t.Fatal(err)
	}
	es, err := l.Revisions().ListAt(head, "")
	if err != nil || len(es) != len(model) {
		t.Fatalf("%d files, %d expected (%v)", len(es), len(model), err)
	}
	for _, e := range es {
		data, err := l.Revisions().ReadAt(head, e.Path)
		if err != nil || string(data) != model[e.Path] {
			t.Fatalf("%s: %q, %v", e.Path, data, err)
		}
	}
}

// meddler lets plain git move the branch while a save writes its objects, once.
type meddler struct {
	disk.OS
	once sync.Once
	do   func()
}

func (m *meddler) OpenFile(name string, flag int, perm fs.FileMode) (disk.File, error) {
	if strings.Contains(name, objects.TempPrefix) {
		m.once.Do(m.do)
	}
	return m.OS.OpenFile(name, flag, perm)
}

// TestSaveComparesTheBranch: a branch that moves between reading it and moving it is neither
// wound back nor merged over; the save comes on top of it.
func TestSaveComparesTheBranch(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	git(t, l.Root(), "branch", "other")
	edit(t, l, "b.toml", "b = 1\n", "B")
	theirs := must(l.Head())(t)
	git(t, l.Root(), "reset", "-q", "--hard", "other")
	m := &meddler{do: func() { git(t, l.Root(), "update-ref", "refs/heads/main", string(theirs)) }}
	l = must(OpenWith(l.Root(), Options{fs: m}))(t)
	id := edit(t, l, "c.toml", "c = 1\n", "C")
	if got := git(t, l.Root(), "rev-parse", string(id)+"~1"); got != string(theirs) {
		t.Fatalf("the save follows %s; the branch was at %s", got, theirs)
	}
	if got := git(t, l.Root(), "show", string(id)+":b.toml"); got != "b = 1" {
		t.Fatal(got)
	}
	// A remote's ref as well.
	m.once, m.do = sync.Once{}, func() {}
	if err := l.SetRef(ctx, "refs/remotes/origin/main", theirs, id, aCam, start, "fetch"); !errors.Is(err, ErrDiverged) {
		t.Fatal(err)
	}
}

func TestSaveLeavesOtherEditsAlone(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	edit(t, l, "b.toml", "b = 1\n", "B")
	put(t, l, "b.toml", "b = 2\n")
	put(t, l, "c.toml", "c = 1\n")
	git(t, l.Root(), "add", "c.toml")
	put(t, l, "d/e.toml", "d = 1\n")
	edit(t, l, "a.toml", "a = 2\n", "A again")
	if got := git(t, l.Root(), "status", "--porcelain", "-uall"); got != "M b.toml\nA  c.toml\n?? d/e.toml" {
		t.Fatal(got)
	}
	if got := git(t, l.Root(), "show", "--format=", "--name-only", "HEAD"); got != "a.toml" {
		t.Fatal(got)
	}
	// The next plain commit takes what was staged and reverts nothing.
	git(t, l.Root(), "commit", "-q", "-m", "c")
	if got := git(t, l.Root(), "show", "--format=", "--name-only", "HEAD"); got != "c.toml" {
		t.Fatal(got)
	}
	want := []Change{{Path: "b.toml", Kind: Modified, Unstaged: true}, {Path: "d/e.toml", Kind: Added, Unstaged: true}}
	got, err := l.Work().Status()
	if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatal(got, err)
	}
}

func TestSaveRefusals(t *testing.T) {
	l := freshLib(t)
	first := edit(t, l, "a.toml", "a = 1\n", "A")
	edit(t, l, "a.toml", "a = 2\n", "A again")
	req := func(f ...File) SaveRequest {
		return SaveRequest{Files: f, Subject: "x", Author: aCam, When: start.Add(2 * time.Hour)}
	}
	a3 := File{Path: "a.toml", Data: []byte("a = 3\n")}
	with := func(q SaveRequest, fn func(*SaveRequest)) SaveRequest { fn(&q); return q }
	for name, c := range map[string]struct {
		q    SaveRequest
		kind error
		say  string
	}{
		"same":      {req(File{Path: "a.toml", Data: []byte("a = 2\n")}), ErrNothing, "nothing to save"},
		"work":      {req(a3), ErrChanged, "file changed while saving"},
		"base":      {with(req(a3), func(q *SaveRequest) { q.Base, q.WriteWork = first, true }), ErrChanged, "another revision has just changed a.toml"},
		"name":      {with(req(a3), func(q *SaveRequest) { q.Author = Person{} }), ErrNoIdentity, "No author set"},
		"subject":   {with(req(a3), func(q *SaveRequest) { q.Subject = " " }), ErrBadPath, "needs a reason"},
		"nul":       {with(req(a3), func(q *SaveRequest) { q.Body = "\x00" }), ErrBadPath, "UTF-8"},
		"path":      {req(File{Path: "../a.toml"}), ErrBadPath, "dotted"},
		"git":       {req(File{Path: ".GIT/config"}), ErrBadPath, "git's own"},
		"device":    {req(File{Path: "rigs/aux.toml"}), ErrBadPath, "device"},
		"case":      {with(req(File{Path: "A.toml"}), func(q *SaveRequest) { q.WriteWork = true }), ErrBadPath, "capitals"},
		"twice":     {req(a3, File{Path: "A.toml"}), ErrBadPath, "twice"},
		"file/file": {with(req(File{Path: "a.toml/b.toml"}), func(q *SaveRequest) { q.WriteWork = true }), nil, "a.toml"},
		"gone":      {req(File{Path: "a.toml", Delete: true}), ErrChanged, "file changed while saving"},
	} {
		head, _ := l.Head()
		_, err := l.Writer().Save(ctx, c.q)
		if err == nil || c.kind != nil && !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v", name, err)
		}
		if now, _ := l.Head(); now != head {
			t.Errorf("%s: HEAD moved", name)
		}
		agrees(t, l.Root())
	}
}

func TestSaveNeverOverwritesHandEdits(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	put(t, l, "a.toml", "a = 99 # by hand\n")
	q := SaveRequest{Files: []File{{Path: "a.toml", Data: []byte("a = 2\n")}}, Subject: "x", Author: aCam, When: start, WriteWork: true}
	if _, err := l.Writer().Save(ctx, q); !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
	if data, _ := l.Work().Read("a.toml"); string(data) != "a = 99 # by hand\n" {
		t.Fatalf("%q", data)
	}
	q.Seen = map[string]BlobID{"a.toml": BlobIDOf([]byte("a = 99 # by hand\n"))}
	if _, err := l.Writer().Save(ctx, q); err != nil {
		t.Fatal(err)
	}
	agrees(t, l.Root())
	git(t, l.Root(), "checkout", "-q", "HEAD~1", "--", "a.toml") // staged by hand
	put(t, l, "a.toml", "a = 5\n")
	if _, err := l.Writer().Save(ctx, SaveRequest{Files: []File{{Path: "a.toml", Data: []byte("a = 5\n")}}, Subject: "x", Author: aCam, When: start}); !errors.Is(err, ErrChanged) || !strings.Contains(err.Error(), "git reset") {
		t.Fatal(err)
	}
}

func TestCRLF(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "new.toml", "a = 1\r\nb = 2\r\n", "New with CRLF")
	agrees(t, l.Root())
	if data, _ := l.Work().Read("new.toml"); string(data) != "a = 1\r\nb = 2\r\n" {
		t.Fatalf("%q", data)
	}
	edit(t, l, "lf.toml", "a = 1\nb = 2\n", "With LF")
	put(t, l, "lf.toml", "a = 1\r\nb = 2\r\n")
	if ch, err := l.Work().Status(); err != nil || len(ch) != 0 {
		t.Fatal(ch, err)
	}
	git(t, l.Root(), "diff", "--quiet") // git finds no difference either, once it looks
	edit(t, l, "lf.toml", "a = 1\r\nb = 3\r\n", "One line")
	agrees(t, l.Root())
	if got := git(t, l.Root(), "show", "--format=", "--shortstat", "HEAD"); !strings.Contains(got, "1 insertion(+), 1 deletion(-)") {
		t.Fatal(got)
	}
}

func TestStates(t *testing.T) {
	for name, c := range map[string]struct {
		do  func(t *testing.T, l *Lib)
		say string
	}{
		"detached": {func(t *testing.T, l *Lib) { git(t, l.Root(), "checkout", "-q", "--detach") }, "git switch"},
		"merge": {func(t *testing.T, l *Lib) {
			git(t, l.Root(), "checkout", "-q", "-b", "side", "HEAD~1")
			put(t, l, "a.toml", "a = 7\n")
			git(t, l.Root(), "commit", "-qam", "side")
			if _, err := tryGit(l.Root(), "merge", "main"); err == nil {
				t.Fatal("no conflict")
			}
		}, "git merge --abort"},
		"rebase": {func(t *testing.T, l *Lib) {
			git(t, l.Root(), "checkout", "-q", "-b", "side", "HEAD~1")
			put(t, l, "a.toml", "a = 7\n")
			git(t, l.Root(), "commit", "-qam", "side")
			if _, err := tryGit(l.Root(), "rebase", "main"); err == nil {
				t.Fatal("no conflict")
			}
		}, "git rebase --abort"},
	} {
		t.Run(name, func(t *testing.T) {
			l := freshLib(t)
			edit(t, l, "a.toml", "a = 1\n", "A")
			edit(t, l, "a.toml", "a = 2\n", "A again")
			c.do(t, l)
			l, err := Open(l.Root())
			if err != nil {
				t.Fatal(err)
			}
			if _, err := l.Work().Read("library.toml"); err != nil {
				t.Fatal("reading must work", err)
			}
			if _, err := l.History().Of("a.toml", 0); err != nil {
				t.Fatal("history must work", err)
			}
			if _, err := l.Work().Status(); err != nil {
				t.Fatal("status must work", err)
			}
			put(t, l, "b.toml", "b = 1\n")
			_, err = l.Writer().Save(ctx, SaveRequest{Files: []File{{Path: "b.toml", Data: []byte("b = 1\n")}}, Subject: "x", Author: aCam, When: start})
			if !errors.Is(err, ErrUnfinished) || !strings.Contains(err.Error(), c.say) {
				t.Fatal(err)
			}
			if _, err := os.Stat(filepath.Join(l.Root(), ".git", "index.lock")); err == nil {
				t.Fatal("index.lock left behind")
			}
		})
	}
}

func TestWriteFile(t *testing.T) {
	l := freshLib(t)
	if err := l.Work().WriteFile(ctx, "rigs/aa/x/main.toml", []byte("pan = 1\n"), nil); err != nil {
		t.Fatal(err)
	}
	if err := l.Work().WriteFile(ctx, "rigs/aa/x/main.toml", []byte("pan = 2\n"), nil); !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
	if err := l.Work().WriteFile(ctx, "rigs/aa/x/main.toml", []byte("pan = 2\n"), []byte("pan = 0\n")); !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
	if err := l.Work().WriteFile(ctx, "rigs/aa/x/main.toml", []byte("pan = 2\n"), []byte("pan = 1\n")); err != nil {
		t.Fatal(err)
	}
	if err := l.Work().WriteFile(ctx, "rigs/AA/y/main.toml", []byte("pan = 2\n"), nil); !errors.Is(err, ErrBadPath) {
		t.Fatal(err)
	}
	ch, err := l.Work().Status()
	if err != nil || len(ch) != 1 || ch[0].Kind != Added || ch[0].Path != "rigs/aa/x/main.toml" {
		t.Fatal(ch, err)
	}
	if err := os.Symlink(t.TempDir(), filepath.Join(l.Root(), "out")); err != nil {
		t.Fatal(err)
	}
	if err := l.Work().WriteFile(ctx, "out/x.toml", []byte("x"), nil); !errors.Is(err, ErrDamaged) {
		t.Fatal(err)
	}
	if err := l.RemoveFile(ctx, "rigs/aa/x/main.toml", []byte("pan = 2\n")); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(l.Root(), "rigs")); err == nil {
		t.Fatal("empty folders stay")
	}
	if _, err := l.Work().Read("rigs/aa/x/main.toml"); !errors.Is(err, ErrNotFound) {
		t.Fatal(err)
	}
}
