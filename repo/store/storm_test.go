package store

import (
	"bufio"
	"errors"
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/disk/disktest"
)

// helper is what the test binary does when a test starts it as a process of its own: it saves
// and prints a line for each save that was acknowledged.
func helper(args []string) int {
	tidyAt = 255 // so that packing and joining packs is met as well
	dir, name := args[0], args[1]
	n, _ := strconv.Atoi(args[2])
	l, err := OpenWith(dir, Options{LockWait: time.Minute})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	for _, r := range l.Recovered() {
		fmt.Println("repair", r)
	}
	own := "rigs/" + name[:2] + "/" + name + "/main.toml"
	base, err := l.Work().Read(own)
	if errors.Is(err, ErrNotFound) {
		base = nil
	} else if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	for i := 0; i < n; i++ {
		text := []byte(fmt.Sprintf("pan = %d\nby = %q\nat = %d\n", i, name, time.Now().UnixNano()))
		q := SaveRequest{Files: []File{{Path: own, Data: text}}, Subject: fmt.Sprintf("%s %d", name, i), Author: bCam, When: time.Now()}
		if i%3 == 2 {
			q.WriteWork = true
			if base != nil {
				q.Seen = map[string]BlobID{own: BlobIDOf(base)} // it may be unsaved, after a kill
			}
			q.Files = append(q.Files, File{Path: "rigs/" + name[:2] + "/" + name + fmt.Sprintf("/t%d.toml", i%7), Data: text})
			q.seeWork(l)
		} else if err := l.Work().WriteFile(ctx, own, text, base); err != nil {
			fmt.Fprintln(os.Stderr, "write:", err)
			return 1
		}
		id, err := l.Writer().Save(ctx, q)
		if err != nil {
			fmt.Fprintln(os.Stderr, "save:", err)
			return 1
		}
		base = text
		fmt.Printf("ack %s\n", id)
	}
	return 0
}

// seeWork adds what the work tree holds now for files that the request does not speak of yet.
func (q *SaveRequest) seeWork(l *Lib) {
	if q.Seen == nil {
		q.Seen = map[string]BlobID{}
	}
	for _, f := range q.Files {
		if _, ok := q.Seen[f.Path]; !ok {
			if data, err := l.Work().Read(f.Path); err == nil {
				q.Seen[f.Path] = BlobIDOf(data)
			}
		}
	}
}

func helperCmd(dir, name string, n int) *exec.Cmd {
	cmd := exec.Command(os.Args[0], dir, name, strconv.Itoa(n))
	cmd.Env = append(os.Environ(), "RIGKEEP_HELPER=1")
	cmd.Stderr = os.Stderr
	return cmd
}

// revisions gives all commit ids of the branch, as plain git sees them.
func revisions(t testing.TB, dir string) map[string]bool {
	out := map[string]bool{}
	for _, id := range strings.Fields(git(t, dir, "rev-list", "HEAD")) {
		out[id] = true
	}
	return out
}

// TestKillStorm kills a saving process at random moments. Every save that it acknowledged must
// be in history, git must find nothing wrong, and the next process must go on.
func TestKillStorm(t *testing.T) {
	rounds := 20
	if long {
		rounds = 400
	}
	l := freshLib(t)
	dir := l.Root()
	seed := int64(1)
	if s := os.Getenv("RIGKEEP_SEED"); s != "" {
		seed, _ = strconv.ParseInt(s, 10, 64)
	}
	rnd := rand.New(rand.NewSource(seed))
	acked := map[string]bool{}
	repairs, unfinished := 0, 0
	for round := range rounds {
		cmd := helperCmd(dir, "storm", 1<<30)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := make(chan string, 1<<16)
		go func() {
			sc := bufio.NewScanner(out)
			for sc.Scan() {
				lines <- sc.Text()
			}
			close(lines)
		}()
		var first []string
		time.Sleep(time.Duration(5+rnd.Intn(40)) * time.Millisecond)
		if rnd.Intn(2) == 0 { // aim at the middle of a save, not at the start of the process
			if line, ok := <-lines; ok {
				first = append(first, line)
			}
			time.Sleep(time.Duration(rnd.Intn(9000)) * time.Microsecond)
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		all := first
		for line := range lines { // to the end of the pipe, before Wait closes it
			all = append(all, line)
		}
		_ = cmd.Wait()
		n := 0
		for _, line := range all {
			if id, ok := strings.CutPrefix(line, "ack "); ok && len(id) == 40 {
				acked[id] = true
				n++
			} else if strings.HasPrefix(line, "repair ") {
				repairs++
			}
		}
		if names, _ := os.ReadDir(l.stateDir("held")); len(names) > 0 {
			unfinished++
		}
		l2, err := Open(dir)
		if err != nil {
			t.Fatal(round, err)
		}
		repairs += len(l2.Recovered())
		have := revisions(t, dir)
		for id := range acked {
			if !have[id] {
				t.Fatalf("round %d: the acknowledged save %s is not in history", round, id)
			}
		}
		if round%5 == 0 || long {
			if out := git(t, dir, "fsck", "--strict", "--no-dangling"); out != "" {
				t.Fatal(round, out)
			}
		}
		for _, ch := range must(l2.Work().Status())(t) {
			if ch.Staged || !strings.HasPrefix(ch.Path, "rigs/st/") {
				t.Fatalf("round %d: %+v", round, ch) // at most an unsaved edit of the killed process may stay
			}
		}
	}
	t.Logf("%d kills, %d of them in mid-save, %d saves acknowledged and there, %d repairs said", rounds, unfinished, len(acked), repairs)
	if unfinished == 0 {
		t.Error("no kill hit a save; the storm proves nothing")
	}
	nextWorks(t, dir, "after the storm")
}

func must[T any](v T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// writers runs n processes that each save k times, and gives the acknowledged ids.
func writers(t *testing.T, dir string, n, k int) []string {
	var wg sync.WaitGroup
	var mu sync.Mutex
	var acked []string
	for i := range n {
		wg.Add(1)
		go func() {
			defer wg.Done()
			out, err := helperCmd(dir, fmt.Sprintf("%02dwriter", i), k).Output()
			mu.Lock()
			defer mu.Unlock()
			if err != nil {
				t.Errorf("writer %d: %v", i, err)
			}
			for line := range strings.Lines(string(out)) {
				if id, ok := strings.CutPrefix(strings.TrimSpace(line), "ack "); ok {
					acked = append(acked, id)
				}
			}
		}()
	}
	wg.Wait()
	return acked
}

// TestManyWriters lets processes save at once: as many revisions in history as acknowledged.
func TestManyWriters(t *testing.T) {
	n, k := 4, 15
	if long {
		n, k = 8, 100
	}
	l := freshLib(t)
	acked := writers(t, l.Root(), n, k)
	have := revisions(t, l.Root())
	if len(acked) != n*k || len(have) != n*k+1 {
		t.Fatalf("%d saves acknowledged of %d; %d revisions", len(acked), n*k, len(have))
	}
	for _, id := range acked {
		if !have[id] {
			t.Fatalf("%s is not in history", id)
		}
	}
	agrees(t, l.Root())
}

// TestPlainGitBeside lets a person commit with plain git, and repack, while others save.
func TestPlainGitBeside(t *testing.T) {
	n, k := 3, 10
	if long {
		n, k = 4, 60
	}
	l := freshLib(t)
	dir := l.Root()
	stop := make(chan struct{})
	var byHand []string
	var wg sync.WaitGroup
	wg.Add(1)
	go func() {
		defer wg.Done()
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			name := filepath.Join(dir, "by-hand.toml")
			if err := os.WriteFile(name, []byte(fmt.Sprintf("n = %d\n", i)), 0o666); err != nil {
				t.Error(err)
				return
			}
			if _, err := tryGit(dir, "add", "by-hand.toml"); err != nil {
				continue // the index was locked; a person tries again
			}
			if _, err := tryGit(dir, "commit", "-q", "-m", fmt.Sprint("By hand ", i), "--", "by-hand.toml"); err == nil {
				byHand = append(byHand, fmt.Sprint("By hand ", i))
			}
			if i%7 == 3 {
				_, _ = tryGit(dir, "gc", "-q") // packs, removes what it packed, and its empty folders
			}
		}
	}()
	acked := writers(t, dir, n, k)
	close(stop)
	wg.Wait()
	have := revisions(t, dir)
	if len(acked) != n*k {
		t.Fatalf("%d acknowledged of %d", len(acked), n*k)
	}
	for _, id := range acked {
		if !have[id] {
			t.Fatalf("%s is not in history", id)
		}
	}
	subjects := git(t, dir, "log", "--format=%s")
	for _, s := range byHand {
		if !strings.Contains(subjects+"\n", s+"\n") {
			t.Fatalf("the person's commit %q is gone", s)
		}
	}
	if want := len(acked) + len(byHand) + 1; len(have) != want {
		t.Fatalf("%d revisions, %d expected", len(have), want)
	}
	t.Logf("%d saves beside %d commits by hand", len(acked), len(byHand))
	git(t, dir, "add", "-A")
	_, _ = tryGit(dir, "commit", "-qm", "rest")
	agrees(t, dir)
}

// TestJoinBeside joins packs while others save, plain git fetches, and git and we read: no reader
// misses anything, and nothing that came is lost.
func TestJoinBeside(t *testing.T) {
	n, k := 2, 90
	if long {
		n, k = 3, 600
	}
	l := freshLib(t)
	dir := l.Root()
	edit(t, l, "rigs/aa/x/main.toml", "pan = 1\n", "First")
	first := must(l.Head())(t)
	there := dir + "-there"
	git(t, dir, "clone", "-q", ".", there)
	git(t, dir, "remote", "add", "there", there)
	git(t, dir, "config", "fetch.unpackLimit", "1") // each fetch leaves a pack
	stop, done := make(chan struct{}), make(chan error, 3)
	loop := func(fn func(i int) error) {
		for i := 0; ; i++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := fn(i); err != nil {
				done <- err
				return
			}
		}
	}
	packs := func() int {
		names, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.idx"))
		return len(names)
	}
	var joins atomic.Int64
	fetched, last := "", packs()
	far := func(i int) error {
		if err := os.WriteFile(filepath.Join(there, "far.toml"), []byte(fmt.Sprintf("n = %d\n", i)), 0o666); err != nil {
			return err
		}
		for _, c := range [][]string{{there, "add", "-A"}, {there, "commit", "-qm", "Far"}, {dir, "fetch", "-q", "there"}} {
			if out, err := tryGit(c[0], c[1:]...); err != nil {
				return fmt.Errorf("git %v: %w: %s", c[1:], err, out)
			}
		}
		now := packs()
		if now < last {
			joins.Add(1)
		}
		last = now
		out, err := tryGit(there, "rev-parse", "HEAD")
		fetched = strings.TrimSpace(out)
		return err
	}
	for i := range 12 { // as many as are joined
		if err := far(-1 - i); err != nil {
			t.Fatal(err)
		}
	}
	go loop(far)
	old := must(Open(dir))(t)
	go loop(func(i int) error {
		for _, lib := range []*Lib{old, nil} {
			if lib == nil { // a fresh one at times: its maps stay until the process ends
				if i%25 > 0 {
					continue
				}
				var err error
				if lib, err = Open(dir); err != nil {
					return err
				}
			}
			revs, err := lib.History().Of("rigs/00/00writer/main.toml", 0)
			if errors.Is(err, ErrNotFound) {
				continue
			}
			if err != nil {
				return fmt.Errorf("history: %w", err)
			}
			for _, r := range revs[:min(len(revs), 50)] {
				if _, err := lib.Revisions().ReadAt(r.ID, "rigs/00/00writer/main.toml"); err != nil {
					return fmt.Errorf("reading %s: %w", r.ID, err)
				}
			}
			if _, err := lib.Revisions().ReadAt(first, "rigs/aa/x/main.toml"); err != nil {
				return fmt.Errorf("reading the first: %w", err)
			}
		}
		return nil
	})
	go loop(func(int) error {
		out, err := tryGit(dir, "log", "--all", "--format=%H", "--raw")
		if err != nil || strings.Contains(out, "error:") {
			return fmt.Errorf("git log beside us: %v: %s", err, out)
		}
		return nil
	})
	// When packs are joined is left to chance, as it is outside: how objects fall into folders.
	acked, rounds := writers(t, dir, n, k), 1
	for ; joins.Load() == 0 && rounds < 8; rounds++ {
		acked = append(acked, writers(t, dir, n, k)...)
	}
	close(stop)
	for range 3 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	have := revisions(t, dir)
	for _, id := range acked {
		if !have[id] {
			t.Fatalf("%s is not in history", id)
		}
	}
	if len(acked) != rounds*n*k {
		t.Fatalf("%d acknowledged of %d", len(acked), rounds*n*k)
	}
	git(t, dir, "rev-list", "--objects", "--quiet", fetched)
	t.Logf("%d saves, %d joins seen", len(acked), joins.Load())
	if joins.Load() == 0 {
		t.Error("no packs were joined; the test proves nothing")
	}
	agrees(t, dir)
}

// TestKinds saves in the forms of repository that a team meets.
func TestKinds(t *testing.T) {
	for name, make := range map[string]func(t *testing.T, dir string) string{
		"clone": func(t *testing.T, dir string) string {
			git(t, dir, "clone", "-q", ".", dir+"-2")
			return dir + "-2"
		},
		"shared clone": func(t *testing.T, dir string) string {
			git(t, dir, "clone", "-q", "--shared", ".", dir+"-2")
			return dir + "-2"
		},
		"shallow clone": func(t *testing.T, dir string) string {
			git(t, dir, "clone", "-q", "--depth=1", "file://"+dir, dir+"-2")
			return dir + "-2"
		},
		"worktree": func(t *testing.T, dir string) string {
			git(t, dir, "worktree", "add", "-q", "-b", "bench/two", dir+"-2")
			return dir + "-2"
		},
		"packed": func(t *testing.T, dir string) string {
			git(t, dir, "gc", "-q", "--prune=now")
			git(t, dir, "pack-refs", "--all")
			return dir
		},
		"index v4": func(t *testing.T, dir string) string {
			git(t, dir, "update-index", "--index-version", "4")
			return dir
		},
		"no index": func(t *testing.T, dir string) string {
			if err := os.Remove(filepath.Join(dir, ".git", "index")); err != nil {
				t.Fatal(err)
			}
			return dir
		},
		"multi-pack": func(t *testing.T, dir string) string {
			git(t, dir, "repack", "-q", "-d")
			put(t, must(Open(dir))(t), "b.toml", "b = 2\n")
			git(t, dir, "add", "-A")
			git(t, dir, "commit", "-qm", "b")
			git(t, dir, "repack", "-q", "-d")
			git(t, dir, "multi-pack-index", "write")
			git(t, dir, "commit-graph", "write", "--reachable", "--changed-paths")
			return dir
		},
		"worktree of a bare repository": func(t *testing.T, dir string) string {
			git(t, dir, "clone", "-q", "--bare", ".", dir+".git")
			git(t, dir+".git", "worktree", "add", "-q", "-b", "bench/two", dir+"-2")
			return dir + "-2"
		},
		"partial clone": func(t *testing.T, dir string) string {
			git(t, dir, "config", "uploadpack.allowFilter", "true")
			git(t, dir, "clone", "-q", "--filter=blob:none", "file://"+dir, dir+"-2")
			return dir + "-2"
		},
		"deep branch": func(t *testing.T, dir string) string {
			git(t, dir, "switch", "-q", "-c", "a/b/c")
			git(t, dir, "pack-refs", "--all")
			return dir
		},
	} {
		t.Run(name, func(t *testing.T) {
			l := freshLib(t)
			edit(t, l, "rigs/aa/x/main.toml", "pan = 1\n", "One")
			edit(t, l, "b.toml", "b = 1\n", "Two")
			dir := make(t, l.Root())
			l, err := Open(filepath.Join(dir, "rigs", "aa"))
			if err != nil {
				t.Fatal(err)
			}
			for i := range 3 {
				edit(t, l, "rigs/aa/x/main.toml", fmt.Sprintf("pan = %d\n", i+10), "Here")
				agrees(t, dir)
			}
			if revs, err := l.History().Of("rigs/aa/x/main.toml", 0); err != nil || len(revs) < 4 {
				t.Fatal(len(revs), err)
			}
			if _, err := l.Writer().Save(ctx, request("Back", true, File{Path: "rigs/aa/x/main.toml", Data: []byte("pan = 1\n")})); err != nil {
				t.Fatal(err)
			}
			agrees(t, dir)
		})
	}
}

// TestForeign refuses what it could not keep intact, and says how out.
func TestForeign(t *testing.T) {
	for name, c := range map[string]struct {
		do  func(t *testing.T, dir string)
		say string
	}{
		"sha256": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q", "--object-format=sha256")
		}, "sha256"},
		"bare": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q")
			git(t, dir, "config", "core.bare", "true")
		}, "bare"},
		"the bare repository itself": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q", "--bare")
		}, "bare"},
		"sparse checkout": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q")
			git(t, dir, "sparse-checkout", "set", "--cone", "rigs/aa")
		}, "git sparse-checkout disable"},
		"old sparse checkout": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q")
			git(t, dir, "config", "core.sparseCheckout", "true")
		}, "git sparse-checkout disable"},
		"unknown extension": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q")
			git(t, dir, "config", "core.repositoryformatversion", "1")
			git(t, dir, "config", "extensions.quantum", "true")
		}, "quantum"},
		"reftable": {func(t *testing.T, dir string) {
			git(t, dir, "init", "-q")
			git(t, dir, "config", "core.repositoryformatversion", "1")
			git(t, dir, "config", "extensions.refstorage", "reftable")
		}, "reftable"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			c.do(t, dir)
			if err := os.WriteFile(filepath.Join(dir, Marker), []byte("format = 1\n"), 0o666); err != nil {
				t.Fatal(err)
			}
			_, err := Open(dir)
			var e *Error
			if !errors.Is(err, ErrForeign) || !strings.Contains(err.Error(), c.say) || errors.As(err, &e) && e.Hint == "" {
				t.Fatal(err)
			}
		})
	}
	// An index that cannot be patched is refused at the save; reading goes on.
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	git(t, l.Root(), "update-index", "--split-index")
	put(t, l, "a.toml", "a = 2\n")
	_, err := l.Writer().Save(ctx, request("x", false, File{Path: "a.toml", Data: []byte("a = 2\n")}))
	if !errors.Is(err, ErrForeign) || !strings.Contains(err.Error(), "--no-split-index") {
		t.Fatal(err)
	}
	if _, err := l.History().Of("a.toml", 0); err != nil {
		t.Fatal(err)
	}
}

// TestLeftOut: what git was told to leave out of the work tree is not taken for deleted.
func TestLeftOut(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	git(t, l.Root(), "update-index", "--skip-worktree", "a.toml")
	if err := os.Remove(filepath.Join(l.Root(), "a.toml")); err != nil {
		t.Fatal(err)
	}
	_, err := l.Writer().Save(ctx, request("x", false, File{Path: "a.toml", Delete: true}))
	if !errors.Is(err, ErrChanged) || !strings.Contains(err.Error(), "--no-skip-worktree") {
		t.Fatal(err)
	}
	git(t, l.Root(), "update-index", "--no-skip-worktree", "a.toml")
	if _, err := l.Writer().Save(ctx, request("x", false, File{Path: "a.toml", Delete: true})); err != nil {
		t.Fatal(err)
	}
	agrees(t, l.Root())
}

// TestUnreadablePack: a pack that cannot be opened is said as a fault of the device, with a hint.
func TestUnreadablePack(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	git(t, l.Root(), "gc", "-q")
	packs, _ := filepath.Glob(filepath.Join(l.Root(), ".git", "objects", "pack", "*.pack"))
	for _, p := range packs { // a link to itself cannot be opened by root either
		if err := errors.Join(os.Remove(p), os.Symlink(p, p)); err != nil {
			t.Fatal(err)
		}
	}
	l = must(Open(l.Root()))(t)
	if _, err := l.Revisions().ReadAt(must(l.Head())(t), "a.toml"); !errors.Is(err, ErrDevice) || ExitClass(err) != 6 || !strings.Contains(err.Error(), "reading the history failed") {
		t.Fatal(err)
	}
}

// TestPartialClone: what was left with the server is said to be there, not to be damage.
func TestPartialClone(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	old := must(l.Head())(t)
	edit(t, l, "a.toml", "a = 2\n", "B")
	git(t, l.Root(), "config", "uploadpack.allowFilter", "true")
	dir := l.Root() + "-2"
	git(t, l.Root(), "clone", "-q", "--filter=blob:none", "file://"+l.Root(), dir)
	part := must(Open(dir))(t)
	if revs := must(part.History().Of("a.toml", 0))(t); len(revs) != 2 {
		t.Fatal(revs)
	}
	if _, err := part.Revisions().ReadAt(old, "a.toml"); !errors.Is(err, ErrForeign) || !strings.Contains(err.Error(), "git fetch --refetch --no-filter") {
		t.Fatal(err)
	}
	git(t, dir, "config", "maintenance.autoDetach", "false") // nothing of git's goes on behind the test's back
	git(t, dir, "config", "gc.autoDetach", "false")
	git(t, dir, "fetch", "-q", "--refetch", "--no-filter") // the hint works
	if data, err := part.Revisions().ReadAt(old, "a.toml"); err != nil || string(data) != "a = 1\n" {
		t.Fatal(string(data), err)
	}
}

// TestForeignLockStays shows that a lock which is not ours is never removed.
func TestForeignLockStays(t *testing.T) {
	l := freshLib(t)
	lock := filepath.Join(l.Root(), ".git", "index.lock")
	if err := os.WriteFile(lock, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	told := ""
	l, err := OpenWith(l.Root(), Options{LockWait: 600 * time.Millisecond, OnWait: func(what string) { told = what }})
	if err != nil {
		t.Fatal(err)
	}
	put(t, l, "a.toml", "a = 2\n")
	_, err = l.Writer().Save(ctx, request("x", false, File{Path: "a.toml", Data: []byte("a = 2\n")}))
	if !errors.Is(err, ErrBusy) || ExitClass(err) != 4 || !strings.Contains(err.Error(), "index.lock") || told == "" {
		t.Fatal(err, told)
	}
	if _, err := os.Stat(lock); err != nil {
		t.Fatal("a lock that is not ours was removed")
	}
	// A rigkeep that was killed before it had the lock leaves the name that it had made ready: that
	// proves nothing about the lock of somebody else.
	ours := []string{lock, filepath.Join(l.Root(), ".git", "HEAD.lock"), filepath.Join(l.Root(), ".git", "refs", "heads", "main.lock")}
	for i, held := range []string{"index", "head", refHeld("refs/heads/main")} {
		if err := errors.Join(os.WriteFile(l.stateDir("held", held), nil, 0o666), os.WriteFile(ours[i], nil, 0o666)); err != nil {
			t.Fatal(err)
		}
	}
	l = must(Open(l.Root()))(t)
	if names, _ := os.ReadDir(l.stateDir("held")); len(names) != 0 || len(l.Recovered()) == 0 {
		t.Fatal(names, l.Recovered())
	}
	for _, name := range ours {
		if _, err := os.Stat(name); err != nil {
			t.Fatalf("%s of somebody else was removed", filepath.Base(name))
		}
	}
	// The same file under both names is ours, and goes.
	for i, held := range []string{"index", "head", refHeld("refs/heads/main")} {
		if err := os.Link(ours[i], l.stateDir("held", held)); err != nil {
			t.Fatal(err)
		}
	}
	must(Open(l.Root()))(t)
	for _, name := range ours {
		if _, err := os.Stat(name); err == nil {
			t.Fatalf("our own %s is left", filepath.Base(name))
		}
	}
}

// noLinks is a disk without hard links, as on many memory sticks.
type noLinks struct{ disk.OS }

func (noLinks) Link(from, to string) error {
	return &os.LinkError{Op: "link", Old: from, New: to, Err: syscall.EPERM}
}

func TestWithoutHardLinks(t *testing.T) {
	l, err := OpenWith(freshLib(t).Root(), Options{fs: noLinks{}})
	if err != nil {
		t.Fatal(err)
	}
	edit(t, l, "rigs/aa/x/main.toml", "pan = 1\n", "One")
	if _, err := l.Writer().Save(ctx, request("Two", true, File{Path: "rigs/aa/x/main.toml", Data: []byte("pan = 2\n")}, File{Path: "b.toml", Data: []byte("b = 1\n")})); err != nil {
		t.Fatal(err)
	}
	if err := l.Work().WriteFile(ctx, "b.toml", []byte("b = 2\n"), []byte("b = 1\n")); err != nil {
		t.Fatal(err)
	}
	edit(t, l, "b.toml", "b = 2\n", "Three")
	agrees(t, l.Root())
	// A failure half-way is taken back without the second names.
	before := stateOf(t, l.Root())
	steps := 0
	for at := 1; ; at++ {
		f := &disktest.Faulty{Inner: noLinks{}, At: at, Mode: disktest.Fail, Err: syscall.EIO}
		dir := duplicate(t, l.Root())
		l2 := must(OpenWith(dir, Options{fs: f}))(t)
		_, err := l2.Writer().Save(ctx, request("x", true, File{Path: "b.toml", Data: []byte("b = 3\n")}, File{Path: "rigs/aa/x/main.toml", Delete: true}))
		if f.What == "" {
			break
		}
		steps++
		if now := stateOf(t, dir); err != nil && !now.same(before) && !strings.Contains(err.Error(), "did not confirm") && !strings.Contains(err.Error(), "half-way") {
			t.Fatalf("step %d (%s): %v\n%+v", at, f.What, err, now)
		}
		clearForeignLocks(t, dir)
		nextWorks(t, dir, f.What)
		if !long {
			at += 6
		}
	}
	if steps < 5 {
		t.Fatal("too few steps:", steps)
	}
}
