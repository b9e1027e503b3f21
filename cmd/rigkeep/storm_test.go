//go:build unix

package main

import (
	"bytes"
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

var savedAs = regexp.MustCompile(`saved as ([0-9a-f]{10})\b`)

var long = os.Getenv("RIGKEEP_STORM") != ""

// process prepares the real program in the shop's library.
func (s *fixture) process(args ...string) (c *exec.Cmd, out, errw *bytes.Buffer) {
	c = exec.Command("rigkeep", args...)
	out, errw = new(bytes.Buffer), new(bytes.Buffer)
	c.Dir, c.Stdout, c.Stderr = s.dir, out, errw
	c.Env = []string{"PATH=" + os.Getenv("PATH"), "GORACE=atexit_sleep_ms=0"}
	for k, v := range s.env {
		c.Env = append(c.Env, k+"="+v)
	}
	return c, out, errw
}

// real runs the real program to its end.
func (s *fixture) real(args ...string) (code int, stdout, stderr string) {
	c, out, errw := s.process(args...)
	if err := c.Run(); c.ProcessState == nil {
		return -1, "", err.Error()
	}
	return c.ProcessState.ExitCode(), out.String(), errw.String()
}

// git runs plain git in the library.
func (s *fixture) git(t testing.TB, args ...string) string {
	t.Helper()
	c := exec.Command("git", args...)
	c.Dir = s.dir
	c.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "HOME="+s.env["HOME"], "XDG_CONFIG_HOME="+s.env["XDG_CONFIG_HOME"],
		"GIT_AUTHOR_NAME=Plain git", "GIT_AUTHOR_EMAIL=git@example.org", "GIT_COMMITTER_NAME=Plain git", "GIT_COMMITTER_EMAIL=git@example.org")
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("git %v: %v\n%s", args, err, out)
	}
	return strings.TrimSpace(string(out))
}

// TestKilledCommands kills the real program, in commands that change the library, at random
// moments: every save that it acknowledged is in history, plain git finds nothing wrong, and the
// next command works. RIGKEEP_STORM=1 makes hundreds of it, RIGKEEP_SEED another row.
func TestKilledCommands(t *testing.T) {
	kills := 30
	if long {
		kills = 400
	}
	seed := int64(1)
	if n, err := strconv.ParseInt(os.Getenv("RIGKEEP_SEED"), 10, 64); err == nil {
		seed = n
	}
	rnd := rand.New(rand.NewSource(seed))
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	s.ok(t, "save", "a-cam-prime", "-m", "First tune")
	acked := map[string]bool{}
	inHand, said, n := 0, 0, 0
	lasts := map[string]time.Duration{} // how long a command takes when nobody kills it
	for k := 0; k < kills; k++ {
		n++
		if code, _, errw := s.real("set", "a-cam-prime", fmt.Sprintf("stiffness.pan=%d", 10+n%40)); code != 0 {
			t.Fatalf("kill %d: set: exit %d\n%s", k, code, errw)
		}
		args := [][]string{
			{"save", "a-cam-prime", "-m", fmt.Sprint("Save ", n)},
			{"save", "a-cam-prime", "-m", fmt.Sprint("Save ", n)},
			{"set", "a-cam-prime", fmt.Sprintf("stiffness.roll=%d", 10+n%30)},
			{"restore", "a-cam-prime@~1", "--yes"},
			{"job", "open", fmt.Sprintf("Night %d", n), "--from", "2026-04-01", "--to", "2026-04-02"},
		}[rnd.Intn(5)]
		c, out, errw := s.process(args...)
		begun := time.Now()
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		killed := lasts[args[0]] > 0 // the first of each runs to its end and shows how long that takes
		if killed {
			time.Sleep(time.Duration(rnd.Int63n(int64(lasts[args[0]] * 11 / 10))))
			_ = c.Process.Kill()
		}
		_ = c.Wait()
		code := c.ProcessState.ExitCode()
		if !killed {
			if code != 0 {
				t.Fatalf("%v: exit %d\n%s%s", args, code, out, errw)
			}
			lasts[args[0]] = time.Since(begun)
			k--
		}
		if names, _ := os.ReadDir(filepath.Join(s.dir, ".git", "rigkeep", "held")); len(names) > 0 {
			inHand++
		}
		if m := savedAs.FindStringSubmatch(out.String()); m != nil { // printed is promised, killed or not
			acked[m[1]] = true
		}
		code, _, text := s.real("show", "a-cam-prime")
		if code != 0 {
			t.Fatalf("kill %d of %v: show: exit %d\n%s", k, args, code, text)
		}
		said += strings.Count(text, "repaired: ")
		have := s.git(t, "log", "--format=%H")
		for rev := range acked {
			if !strings.Contains(have, rev) {
				t.Fatalf("kill %d of %v: the acknowledged revision %s is not in history", k, args, rev)
			}
		}
		if long || k%6 == 0 {
			if text := s.git(t, "fsck", "--strict", "--no-dangling"); text != "" {
				t.Fatalf("kill %d of %v: fsck: %s", k, args, text)
			}
		}
		for line := range strings.Lines(s.git(t, "status", "--porcelain")) {
			// at most an edit that was not saved yet stays, in the work tree alone
			if !strings.HasPrefix(line, " M rigs/") && !strings.HasPrefix(line, "M rigs/") && !strings.HasPrefix(line, "?? jobs/") {
				t.Fatalf("kill %d of %v: %q", k, args, line)
			}
		}
	}
	if code, _, text := s.real("check", "--git"); code != 0 {
		t.Errorf("check: exit %d\n%s", code, text)
	}
	s.ok(t, "set", "a-cam-prime", "stiffness.pan=55")
	s.ok(t, "save", "a-cam-prime", "-m", "After the storm")
	t.Logf("%d kills, %d of them with something in hand, %d revisions acknowledged and there, %d repairs said", kills, inHand, len(acked), said)
	if inHand == 0 && long {
		t.Error("no kill hit a write; the storm proves nothing")
	}
}

// TestSignalledCommands sends Ctrl-C, TERM and HUP to saves at random moments. Each time plain git
// must work at once afterwards: no lock of git's may be left, and nothing half done. Without that
// care the lock of the index stayed behind in 62 of 150.
func TestSignalledCommands(t *testing.T) {
	tries := 30
	if long {
		tries = 300
	}
	rnd := rand.New(rand.NewSource(5))
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	s.ok(t, "save", "a-cam-prime", "-m", "First tune")
	set := func(n int) {
		t.Helper()
		if code, _, errw := s.real("set", "a-cam-prime", fmt.Sprintf("stiffness.pan=%d", 10+n%40)); code != 0 {
			t.Fatalf("set: exit %d\n%s", code, errw)
		}
	}
	set(1)
	begun := time.Now()
	if code, _, errw := s.real("save", "a-cam-prime", "-m", "Unhurried"); code != 0 {
		t.Fatal(errw)
	}
	takes := time.Since(begun)
	ended := map[int]int{}
	for n := range tries {
		set(n + 2)
		c, out, errw := s.process("save", "a-cam-prime", "-m", fmt.Sprint("Save ", n))
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(takes/4 + time.Duration(rnd.Int63n(int64(takes))))
		sig := []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP}[n%3]
		_ = c.Process.Signal(sig)
		_ = c.Wait()
		ended[c.ProcessState.ExitCode()]++
		err := filepath.WalkDir(filepath.Join(s.dir, ".git"), func(p string, d os.DirEntry, err error) error {
			if err == nil && strings.HasSuffix(p, ".lock") {
				t.Errorf("try %d: %v leaves %s\n%s%s", n, sig, p, out, errw)
				_ = os.Remove(p)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		s.git(t, "commit", "--allow-empty", "-q", "-m", fmt.Sprint("Plain ", n)) // before any other rigkeep
		if m := savedAs.FindStringSubmatch(out.String()); m != nil && !strings.Contains(s.git(t, "log", "--format=%H", "-5"), m[1]) {
			t.Fatalf("try %d: %s was acknowledged and is not in history", n, m[1])
		}
	}
	if ended[exitInterrupt] == 0 {
		t.Errorf("no signal was in time: %v", ended)
	}
	if text := s.git(t, "fsck", "--strict", "--no-dangling"); text != "" {
		t.Error(text)
	}
	t.Logf("exits %v", ended)
}

// TestSecondSignal: while a save cannot end (its reflog is a pipe that nobody reads), the first
// Ctrl-C waits for it, and the second ends the run at once and names the locks that it leaves. The
// next command clears them.
func TestSecondSignal(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	log := filepath.Join(s.dir, ".git", "logs", "HEAD")
	kept, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	_ = os.Remove(log)
	if err := syscall.Mkfifo(log, 0o600); err != nil {
		t.Fatal(err)
	}
	c, out, errw := s.process("save", "a-cam-prime", "-m", "Stuck")
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	lock := filepath.Join(s.dir, ".git", "index.lock")
	for begun := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(lock); err == nil {
			break
		}
		if time.Since(begun) > 20*time.Second {
			t.Fatal("the save takes no lock")
		}
	}
	_ = c.Process.Signal(os.Interrupt)
	select {
	case <-ended:
		t.Fatalf("the first Ctrl-C ended a save half-way\n%s%s", out, errw)
	case <-time.After(300 * time.Millisecond):
	}
	_ = c.Process.Signal(os.Interrupt)
	<-ended
	if code := c.ProcessState.ExitCode(); code != exitInterrupt || !strings.Contains(errw.String(), "index.lock") {
		t.Errorf("exit %d\n%s", code, errw)
	}
	_ = os.Remove(log)
	if err := os.WriteFile(log, kept, 0o666); err != nil {
		t.Fatal(err)
	}
	if code, _, text := s.real("show", "a-cam-prime"); code != 0 || !strings.Contains(text, "repaired: ") {
		t.Errorf("show: exit %d\n%s", code, text)
	}
	s.git(t, "commit", "--allow-empty", "-q", "-m", "Plain")
	if text := s.git(t, "fsck", "--strict", "--no-dangling"); text != "" {
		t.Error(text)
	}
}

// TestMemoryRefused saves with less and less memory to be had (ulimit -v). Where a run dies of it,
// that counts as a kill: what it acknowledged is there, and the library is whole.
func TestMemoryRefused(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	s.ok(t, "save", "a-cam-prime", "-m", "First tune")
	ended := map[bool]int{}
	last, step := 0, 24
	if long {
		step = 4
	}
	for mb := 1400; mb > 40; mb = mb * (100 - step) / 100 {
		if code, _, errw := s.real("set", "a-cam-prime", fmt.Sprintf("stiffness.pan=%d", 10+mb%37)); code != 0 {
			t.Fatal(errw)
		}
		c, out, _ := s.process("save", "a-cam-prime", "-m", fmt.Sprintf("With %d MB", mb))
		c.Args = append([]string{"sh", "-c", fmt.Sprintf("ulimit -v %d; exec \"$@\"", mb*1024), "sh", c.Path}, c.Args[1:]...)
		c.Path = "/bin/sh"
		_ = c.Run()
		died := c.ProcessState.ExitCode() != 0
		ended[died]++
		if died {
			last = max(last, mb)
		}
		if m := savedAs.FindStringSubmatch(out.String()); m != nil && !strings.Contains(s.git(t, "log", "--format=%H", "-3"), m[1]) {
			t.Fatalf("%d MB: %s was acknowledged and is not in history", mb, m[1])
		}
		if code, _, text := s.real("show", "a-cam-prime"); code != 0 {
			t.Fatalf("%d MB: show: exit %d\n%s", mb, code, text)
		}
		if text := s.git(t, "fsck", "--strict", "--no-dangling"); text != "" {
			t.Fatalf("%d MB: %s", mb, text)
		}
	}
	if code, _, text := s.real("check", "--git"); code != 0 {
		t.Errorf("check: exit %d\n%s", code, text)
	}
	if ended[true] == 0 {
		t.Error("no run was refused memory; this tests nothing")
	}
	t.Logf("%d runs ended, %d died, the first with %d MB", ended[false], ended[true], last)
}

// TestProcessesSaveAtOnce runs several of the real program on one library: what each of them
// acknowledged is in history.
func TestProcessesSaveAtOnce(t *testing.T) {
	t.Parallel()
	each := 3
	if long {
		each = 40
	}
	s := newFixture(t)
	rigs := []string{"a-cam-prime", "a-cam-zoom", "b-cam-85", "b-cam-18"}
	for _, r := range rigs {
		s.ok(t, "start", r, "--write")
		s.ok(t, "save", r, "-m", "First tune")
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	var acked []string
	for _, r := range rigs {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range each {
				if code, _, errw := s.real("set", r, fmt.Sprintf("limits.tilt.up_deg=%d", 20+i%20)); code != 0 {
					t.Errorf("%s: set: exit %d\n%s", r, code, errw)
				}
				code, out, errw := s.real("save", r, "-m", fmt.Sprint(r, " ", i))
				if code != 0 {
					t.Errorf("%s: save: exit %d\n%s", r, code, errw)
				}
				if m := savedAs.FindStringSubmatch(out); m != nil {
					mu.Lock()
					acked = append(acked, m[1])
					mu.Unlock()
				}
			}
		}()
	}
	wg.Wait()
	have := s.git(t, "log", "--format=%H")
	for _, rev := range acked {
		if !strings.Contains(have, rev) {
			t.Errorf("%q is not in history", rev)
		}
	}
	if len(acked) != each*len(rigs) || s.git(t, "fsck", "--strict", "--no-dangling") != "" || s.git(t, "status", "--porcelain") != "" {
		t.Errorf("%d saves acknowledged of %d", len(acked), each*len(rigs))
	}
}

// TestWaitForAnother holds the library's lock: a command that writes waits, says so, and gives up
// with exit 4 and a hint; one that reads does not wait.
func TestWaitForAnother(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	s.ok(t, "save", "a-cam-prime", "-m", "First tune")
	s.ok(t, "set", "a-cam-prime", "stiffness.pan=33")
	f, err := os.OpenFile(filepath.Join(s.dir, ".git", "rigkeep", "lock"), os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	s.env["RIGKEEP_WAIT"] = "1"
	begun := time.Now()
	code, _, errw := s.real("save", "a-cam-prime", "-m", "Pan")
	if code != 4 || !strings.Contains(errw, "waiting for another rigkeep") || !strings.Contains(errw, "more than 1s\nWait until it finishes, then repeat the command") {
		t.Errorf("exit %d\n%s", code, errw)
	}
	if time.Since(begun) > 10*time.Second {
		t.Error("waited for", time.Since(begun))
	}
	if code, out, errw := s.real("save", "a-cam-prime", "-m", "Pan", "--json"); code != 4 || !strings.Contains(out, `"kind": "conflict"`) {
		t.Errorf("exit %d\n%s%s", code, out, errw)
	}
	for _, args := range [][]string{{"show", "a-cam-prime"}, {"history", "a-cam-prime"}, {"rig", "list"}, {"check"}} {
		if code, _, errw := s.real(args...); code != 0 || strings.Contains(errw, "waiting") {
			t.Errorf("%v: exit %d\n%s", args, code, errw)
		}
	}
	if err := f.Close(); err != nil { // as the kernel does when a process dies
		t.Fatal(err)
	}
	s.ok(t, "save", "a-cam-prime", "-m", "Pan")
	s.env["RIGKEEP_WAIT"] = "soon"
	if code, _, errw := s.real("show", "a-cam-prime"); code != 2 || !strings.Contains(errw, "RIGKEEP_WAIT") {
		t.Errorf("exit %d\n%s", code, errw)
	}
}
