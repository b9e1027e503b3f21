package store

import (
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// tangled makes a random history with branches and merges by plain git's fast-import.
func tangled(t testing.TB, seed int64, commits int) *Lib {
	l := freshLib(t)
	rnd := rand.New(rand.NewSource(seed))
	var b strings.Builder
	head := git(t, l.Root(), "rev-parse", "HEAD")
	tips := []string{head}
	path := func() string { return fmt.Sprintf("rigs/%02x/r%d/main.toml", rnd.Intn(4), rnd.Intn(6)) }
	for i := 1; i <= commits; i++ {
		parent := tips[rnd.Intn(len(tips))]
		if rnd.Intn(3) > 0 {
			parent = tips[len(tips)-1]
		}
		// Some clocks are wrong: a child may be older than its parent.
		when := 1741000000 + i*60 - rnd.Intn(2)*rnd.Intn(600)
		fmt.Fprintf(&b, "commit refs/heads/main\nmark :%d\ncommitter T <t@example.org> %d +0000\ndata 2\nc\nfrom %s\n", i, when, parent)
		if len(tips) > 1 && rnd.Intn(6) == 0 {
			if other := tips[rnd.Intn(len(tips))]; other != parent {
				fmt.Fprintf(&b, "merge %s\n", other)
			}
		}
		for range 1 + rnd.Intn(2) {
			if p := path(); rnd.Intn(8) == 0 {
				fmt.Fprintf(&b, "D %s\n", p)
			} else {
				text := fmt.Sprintf("pan = %d\n", rnd.Intn(5))
				fmt.Fprintf(&b, "M 100644 inline %s\ndata %d\n%s\n", p, len(text), text)
			}
		}
		tips = append(tips, fmt.Sprintf(":%d", i))
		if len(tips) > 5 {
			tips = slices.Delete(tips, 0, 1)
		}
	}
	cmd := exec.Command("git", "fast-import", "--quiet", "--force")
	cmd.Dir = l.Root()
	cmd.Stdin = strings.NewReader(b.String())
	cmd.Env = gitEnv()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	git(t, l.Root(), "reset", "-q", "--hard")
	l, err := Open(l.Root())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// gitHistory is the oracle: for every commit, the paths that differ from all of its parents.
func gitHistory(t testing.TB, dir string) map[string][]string {
	out := map[string][]string{}
	commit := ""
	for line := range strings.Lines(git(t, dir, "log", "-c", "--no-renames", "--root", "--name-only", "--format=commit %H")) {
		line = strings.TrimSpace(line)
		if id, ok := strings.CutPrefix(line, "commit "); ok {
			commit = id
		} else if line != "" {
			out[line] = append(out[line], commit)
		}
	}
	return out
}

func sameHistory(t testing.TB, l *Lib) {
	t.Helper()
	want := gitHistory(t, l.Root())
	var asked strings.Builder // of git in one process: the blob of each revision
	var blobs []string
	for path, ids := range want {
		revs, err := l.History().Of(path, 0)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		place := map[Rev]int{}
		for i, r := range revs {
			got = append(got, string(r.ID))
			place[r.ID] = i
			name := string(r.ID) + ":" + path
			fmt.Fprintln(&asked, name)
			if r.Blob == "" {
				blobs = append(blobs, name+" missing")
			} else {
				blobs = append(blobs, string(r.Blob))
			}
		}
		for i, r := range revs {
			for _, p := range r.Parents {
				if j, ok := place[p]; ok && j < i {
					t.Fatalf("%s: a parent stands before its child", path)
				}
			}
		}
		slices.Sort(got)
		ids = append([]string(nil), ids...)
		slices.Sort(ids)
		if !slices.Equal(got, slices.Compact(ids)) {
			t.Fatalf("%s: %d revisions, git gives %d", path, len(got), len(ids))
		}
	}
	said := gitOn(t, l.Root(), asked.String(), "cat-file", "--batch-check=%(objectname)")
	if got := strings.Split(said, "\n"); !slices.Equal(got, blobs) {
		t.Fatalf("git says of the blobs\n%s\nwant\n%s", said, strings.Join(blobs, "\n"))
	}
	if revs, err := l.History().Of("rigs/none.toml", 0); err != nil || len(revs) != 0 {
		t.Fatal(revs, err)
	}
}

func TestHistoryAgreesWithGit(t *testing.T) {
	seeds := 3
	if long {
		seeds = 40
	}
	for seed := range seeds {
		l := tangled(t, int64(seed), 120)
		sameHistory(t, l) // built from nothing
		git(t, l.Root(), "branch", "keep")
		for i := range 3 { // extended by saves, seen by the same process and by a new one
			edit(t, l, "rigs/00/r0/main.toml", fmt.Sprintf("pan = %d\n", 100+i), "More")
			sameHistory(t, l)
			l = must(Open(l.Root()))(t)
			sameHistory(t, l)
		}
		git(t, l.Root(), "reset", "-q", "--hard", "HEAD~7") // back: fewer commits than the index holds
		sameHistory(t, l)
		edit(t, l, "rigs/00/r1/main.toml", "pan = 300\n", "Another way")
		sameHistory(t, l)
		l = must(Open(l.Root()))(t)
		sameHistory(t, l)
		git(t, l.Root(), "merge", "-q", "-X", "ours", "--no-edit", "keep")
		sameHistory(t, must(Open(l.Root()))(t))
		git(t, l.Root(), "checkout", "-q", "keep")
		sameHistory(t, must(Open(l.Root()))(t))
	}
}

// TestDerivedNeverTrusted damages each derived file in every way a disk might, and expects the
// right answers all the same.
func TestDerivedNeverTrusted(t *testing.T) {
	l := tangled(t, 7, 60)
	opt := SummaryOptions{Name: "test", Version: "1", Extract: func(path string, data []byte) string { return strings.TrimSpace(string(data)) }}
	for i := range 70 { // enough folders for their times to be kept
		put(t, l, fmt.Sprintf("jobs/j%d/job.toml", i), "x = 1\n")
	}
	git(t, l.Root(), "add", "-A")
	git(t, l.Root(), "commit", "-qm", "Jobs")
	settleFolders(t)
	ask := func() string {
		l := must(Open(l.Root()))(t)
		revs := must(l.History().Of("rigs/00/r0/main.toml", 0))(t)
		list := must(l.Work().Summaries(opt))(t)
		return fmt.Sprint(len(revs), revs, list, must(l.Work().Status())(t))
	}
	ask() // the derived files are made before the edit, so that it goes to the journal
	edit(t, l, "rigs/00/r0/main.toml", "pan = 77\n", "In the journal")
	want := ask()
	rnd := rand.New(rand.NewSource(1))
	names := []string{"history", "history.journal", "list-test"}
	if l.Work().loadFolders() != nil { // only on file systems that are known to move folder times
		names = append(names, "folders")
	}
	good := map[string][]byte{}
	for _, name := range names {
		good[name] = must(os.ReadFile(l.stateDir(name)))(t)
	}
	// Files are put in place by rename, as everything that is mapped must be.
	place := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(l.stateDir("x"), data, 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(l.stateDir("x"), l.stateDir(name)); err != nil {
			t.Fatal(err)
		}
	}
	tries := 40
	if long {
		tries = 3000
	}
	for _, name := range names {
		for i := range tries {
			bad := append([]byte{}, good[name]...)
			switch i % 4 {
			case 0:
				bad = bad[:rnd.Intn(len(bad))]
			case 1:
				bad[rnd.Intn(len(bad))] ^= 1 << rnd.Intn(8)
			case 2:
				bad = append(bad, bad[:rnd.Intn(len(bad))]...)
			case 3:
				rnd.Read(bad[rnd.Intn(len(bad)):])
			}
			for other, data := range good {
				if other != name {
					place(other, data)
				}
			}
			place(name, bad)
			if got := ask(); got != want {
				t.Fatalf("%s damaged (%d): %s\nwanted %s", name, i, got, want)
			}
		}
	}
	if err := os.RemoveAll(l.stateDir()); err != nil {
		t.Fatal(err)
	}
	if got := ask(); got != want {
		t.Fatal("after deleting all derived files:", got)
	}
	agrees(t, l.Root())
}

// TestDerivedDamagedBlocks: an answer takes only some blocks of the index, and finds the damaged
// one at any stage.
func TestDerivedDamagedBlocks(t *testing.T) {
	l := tangled(t, 3, 1500)
	opt := Options{}
	ask := func() string {
		l := must(OpenWith(l.Root(), opt))(t)
		revs := must(l.History().Of("rigs/00/r0/main.toml", 0))(t)
		l = must(OpenWith(l.Root(), opt))(t)
		keys := must(l.History().OfKey("rigs/00/r0/main.toml", 0, func(data []byte) (string, bool) { return string(data), true }))(t)
		return fmt.Sprint(revs, keys)
	}
	want := ask()
	good := must(os.ReadFile(l.stateDir("history")))(t)
	if len(good) < 10*4096 {
		t.Fatal("too small to mean anything:", len(good))
	}
	for at := 100; at < len(good); at += 5000 {
		bad := append([]byte{}, good...)
		bad[at] ^= 4
		if err := os.WriteFile(l.stateDir("x"), bad, 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(l.stateDir("x"), l.stateDir("history")); err != nil {
			t.Fatal(err)
		}
		if got := ask(); got != want {
			t.Fatalf("byte %d damaged: %s\nwanted %s", at, got, want)
		}
	}
}

// settleFolders lets the library's folders come to rest, so that their times are remembered.
// The clock of files ticks every 4 ms or finer here; the program itself allows two seconds.
func settleFolders(t testing.TB) {
	was := settle
	settle = 12 * time.Millisecond
	t.Cleanup(func() { settle = was })
	time.Sleep(25 * time.Millisecond)
}

func TestHistoryJournalFolds(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 0\n", "A")
	must(l.History().Of("a.toml", 0))(t)
	for i := range 5 {
		edit(t, l, "a.toml", fmt.Sprintf("a = %d\n", i+1), "A")
		must(must(Open(l.Root()))(t).History().Of("a.toml", 0))(t)
	}
	journal := must(os.ReadFile(l.stateDir("history.journal")))(t)
	if n := strings.Count(string(journal), "\n"); n != 6 {
		t.Fatalf("the journal has %d lines:\n%s", n, journal)
	}
	var b strings.Builder
	for i := range 2100 {
		text := fmt.Sprintf("a = %d\n", i+10)
		fmt.Fprintf(&b, "commit refs/heads/main\ncommitter T <t@example.org> %d +0000\ndata 2\nc\n", 1750000000+i)
		if i == 0 {
			fmt.Fprintf(&b, "from refs/heads/main^0\n")
		}
		fmt.Fprintf(&b, "M 100644 inline a.toml\ndata %d\n%s\n", len(text), text)
	}
	cmd := exec.Command("git", "fast-import", "--quiet")
	cmd.Dir, cmd.Stdin, cmd.Env = l.Root(), strings.NewReader(b.String()), gitEnv()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	told := 0
	l, err := OpenWith(l.Root(), Options{OnProgress: func(string, int, int) { told++ }})
	if err != nil {
		t.Fatal(err)
	}
	if revs := must(l.History().Of("a.toml", 0))(t); len(revs) != 2106 {
		t.Fatal(len(revs))
	}
	if told == 0 {
		t.Fatal("no progress was told")
	}
	if _, err := os.Stat(l.stateDir("history.journal")); err == nil {
		t.Fatal("the journal was not folded")
	}
	if revs := must(must(Open(l.Root()))(t).History().Of("a.toml", 3))(t); len(revs) != 3 {
		t.Fatal(len(revs))
	}
}

func TestLastChanges(t *testing.T) {
	l := freshLib(t)
	var ids []Rev
	for i := range 6 {
		ids = append(ids, edit(t, l, "a.toml", fmt.Sprintf("pan=%d\nroll=%d\ntilt=5\n", i, i/3), "Step"))
	}
	all := func(data []byte) map[string]string {
		m := map[string]string{}
		for line := range strings.Lines(string(data)) {
			k, v, _ := strings.Cut(strings.TrimSpace(line), "=")
			m[k] = v
		}
		return m
	}
	got, err := l.LastChanges("a.toml", all)
	if err != nil || len(got) != 3 || got["pan"].ID != ids[5] || got["roll"].ID != ids[3] || got["tilt"].ID != ids[0] || got["roll"].Value != "1" {
		t.Fatal(got, err)
	}
}

// TestStatusAgreesWithGit edits a work tree at random, stages some of it, and compares with
// git's own status each time.
func TestStatusAgreesWithGit(t *testing.T) {
	rounds := 40
	if long {
		rounds = 1000
	}
	l := freshLib(t)
	rnd := rand.New(rand.NewSource(5))
	var files []File
	for i := range 150 {
		files = append(files, File{Path: fmt.Sprintf("rigs/%02x/r%d/main.toml", i%75, i%150), Data: []byte(fmt.Sprintf("pan = %d\n", i))})
	}
	q := request("Many", true, files...)
	must(l.Writer().Save(ctx, q))(t)
	settleFolders(t)
	for round := range rounds {
		for range 1 + rnd.Intn(4) {
			f := files[rnd.Intn(len(files))]
			name := filepath.Join(l.Root(), f.Path)
			switch rnd.Intn(8) {
			case 0:
				_ = os.Remove(name)
			case 1:
				put(t, l, filepath.Dir(f.Path)+fmt.Sprintf("/new%d.toml", rnd.Intn(3)), "x = 1\n")
			case 2:
				put(t, l, fmt.Sprintf("jobs/j%d.toml", rnd.Intn(5)), "x = 1\n")
			case 3:
				put(t, l, f.Path, string(f.Data)) // back as it was
			case 4:
				git(t, l.Root(), "add", "-A", "--", filepath.Dir(filepath.Dir(f.Path)))
			case 5:
				_ = os.RemoveAll(filepath.Dir(name))
			case 6:
				_ = os.Remove(filepath.Join(filepath.Dir(name), fmt.Sprintf("new%d.toml", rnd.Intn(3))))
			default:
				put(t, l, f.Path, fmt.Sprintf("pan = %d\n", rnd.Intn(300)))
			}
		}
		if rnd.Intn(10) == 0 {
			git(t, l.Root(), "commit", "-q", "-m", "by hand", "--allow-empty")
		}
		if rnd.Intn(5) == 0 {
			settleFolders(t)
		}
		want := gitStatus(t, l.Root())
		got, err := must(Open(l.Root()))(t).Work().Status()
		if err != nil {
			t.Fatal(err)
		}
		var have []string
		for _, c := range got {
			have = append(have, fmt.Sprintf("%v%v %s", c.Staged, c.Unstaged, c.Path))
		}
		if !slices.Equal(have, want) {
			t.Fatalf("round %d:\n%s\ngit says\n%s", round, strings.Join(have, "\n"), strings.Join(want, "\n"))
		}
		// With half of the files' contents left out, what came, went or was staged is said all the
		// same, and nothing else is.
		some := func(path string) bool { return len(path)%2 == 0 }
		part := map[string]ChangeKind{}
		for _, c := range must(must(Open(l.Root()))(t).Work().StatusOf(some))(t) {
			part[c.Path] = c.Kind
		}
		for _, c := range got {
			if kind, ok := part[c.Path]; ok && kind != c.Kind || !ok && (some(c.Path) || c.Staged || c.Kind != Modified) {
				t.Fatalf("round %d: %+v, in part %q", round, c, kind)
			}
			delete(part, c.Path)
		}
		if len(part) > 0 {
			t.Fatalf("round %d: too much in part: %v", round, part)
		}
	}
	if _, err := os.Stat(l.Work().foldersName()); err != nil && l.Work().loadFolders() != nil {
		t.Error("the folder times were never used")
	}
}

// gitStatus gives "staged unstaged path" per file from git.
func gitStatus(t testing.TB, dir string) []string {
	var out []string
	text := git(t, dir, "--no-optional-locks", "-c", "core.quotepath=off", "status", "--porcelain=v2", "-uall", "--no-renames")
	for line := range strings.Lines(text) {
		f := strings.Fields(line)
		if f[0] == "?" {
			out = append(out, "falsetrue "+f[1])
			continue
		}
		out = append(out, fmt.Sprintf("%v%v %s", f[1][0] != '.', f[1][1] != '.', f[len(f)-1]))
	}
	// A path deleted from the index and present as a file is two lines of git's, one of ours.
	slices.SortFunc(out, func(a, b string) int {
		_, pa, _ := strings.Cut(a, " ")
		_, pb, _ := strings.Cut(b, " ")
		return strings.Compare(pa+a, pb+b)
	})
	for i := 0; i+1 < len(out); i++ {
		_, p, _ := strings.Cut(out[i], " ")
		if _, p2, _ := strings.Cut(out[i+1], " "); p == p2 {
			out[i] = "truetrue " + p
			out = slices.Delete(out, i+1, i+2)
		}
	}
	return out
}

func TestIgnored(t *testing.T) {
	l := freshLib(t)
	edit(t, l, ".gitignore", "drafts/\n*.tmp.toml\n!keep.tmp.toml\n", "Rules")
	for _, p := range []string{"drafts/a.toml", "x.tmp.toml", "keep.tmp.toml", "rigs/aa/y.tmp.toml", "b.toml", "notes.txt"} {
		put(t, l, p, "x = 1\n")
	}
	var got []string
	for _, c := range must(l.Work().Status())(t) {
		got = append(got, c.Path)
	}
	if fmt.Sprint(got) != "[b.toml keep.tmp.toml]" {
		t.Fatal(got)
	}
}

func TestSummaries(t *testing.T) {
	l := freshLib(t)
	var reads sync.Map
	opt := SummaryOptions{Name: "tunes", Version: "1.0", Match: func(p string) bool { return strings.HasPrefix(p, "rigs/") },
		Extract: func(path string, data []byte) string {
			n, _ := reads.LoadOrStore(path, new(int))
			*n.(*int)++
			return strings.TrimSpace(string(data))
		}}
	list := func() string {
		reads.Clear()
		l := must(Open(l.Root()))(t)
		var b strings.Builder
		for _, s := range must(l.Work().Summaries(opt))(t) {
			fmt.Fprintf(&b, "%s=%s%s ", s.Path, s.Value, s.Unsaved)
		}
		return strings.TrimSpace(b.String())
	}
	check := func(want string, wantReads int) {
		t.Helper()
		got := list()
		n := 0
		reads.Range(func(_, v any) bool { n += *v.(*int); return true })
		if got != want || n != wantReads {
			t.Fatalf("%q with %d reads; wanted %q with %d", got, n, want, wantReads)
		}
	}
	check("", 0)
	edit(t, l, "rigs/a.toml", "1", "A")
	edit(t, l, "rigs/b.toml", "2", "B")
	check("rigs/a.toml=1 rigs/b.toml=2", 2)
	check("rigs/a.toml=1 rigs/b.toml=2", 0)
	edit(t, l, "rigs/b.toml", "3", "B")
	check("rigs/a.toml=1 rigs/b.toml=3", 1)
	put(t, l, "rigs/c.toml", "9")
	put(t, l, "rigs/a.toml", "7")
	check("rigs/a.toml=7modified rigs/b.toml=3 rigs/c.toml=9added", 2)
	if err := os.Remove(filepath.Join(l.Root(), "rigs/b.toml")); err != nil {
		t.Fatal(err)
	}
	check("rigs/a.toml=7modified rigs/b.toml=3deleted rigs/c.toml=9added", 2)
	git(t, l.Root(), "reset", "-q", "--hard", "HEAD~1")
	check("rigs/a.toml=1 rigs/b.toml=2 rigs/c.toml=9added", 2)
	opt.Version = "1.1"
	check("rigs/a.toml=1 rigs/b.toml=2 rigs/c.toml=9added", 3)
}

// TestManyReaders reads all there is from many goroutines while saves go on. Run with -race.
func TestManyReaders(t *testing.T) {
	l := tangled(t, 3, 40)
	opt := SummaryOptions{Name: "all", Version: "1", Extract: func(_ string, data []byte) string { return string(data) }}
	var wg sync.WaitGroup
	stop := make(chan struct{})
	for range 4 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for {
				select {
				case <-stop:
					return
				default:
				}
				if _, err := l.History().Of("rigs/00/r0/main.toml", 0); err != nil {
					t.Error(err)
				}
				if _, err := l.Work().Summaries(opt); err != nil {
					t.Error(err)
				}
				if _, err := l.Revisions().Resolve("2025-03-01T12:00:00Z"); err != nil {
					t.Error(err)
				}
			}
		}()
	}
	for i := range 15 {
		edit(t, l, "rigs/00/r0/main.toml", fmt.Sprintf("pan = %d\n", 100+i), "More")
	}
	close(stop)
	wg.Wait()
	if len(must(l.History().Of("rigs/00/r0/main.toml", 15))(t)) != 15 {
		t.Fatal("saves are missing")
	}
}
