//go:build unix

package main

import (
	"bytes"
	"errors"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"
	"golang.org/x/term"

	"rigkeep/repo/transport/transporttest"
)

// terminal is the program on a real pseudo-terminal.
type terminal struct {
	t    *testing.T
	pty  *os.File
	tty  *os.File
	cmd  *exec.Cmd
	was  *term.State
	mu   sync.Mutex
	text []byte
	used int // bytes of text already answered to
	news chan struct{}
}

// open starts rigkeep on a terminal of the size given.
func (s *fixture) open(t *testing.T, rows, cols int, args ...string) *terminal {
	t.Helper()
	p, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if err := pty.Setsize(p, &pty.Winsize{Rows: uint16(rows), Cols: uint16(cols)}); err != nil {
		t.Fatal(err)
	}
	x := &terminal{t: t, pty: p, tty: tty, news: make(chan struct{}, 1)}
	if x.was, err = term.GetState(int(tty.Fd())); err != nil {
		t.Fatal(err)
	}
	c := exec.Command("rigkeep", args...)
	c.Dir, c.Stdin, c.Stdout, c.Stderr = s.dir, tty, tty, tty
	c.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	c.Env = []string{"PATH=" + os.Getenv("PATH"), "TERM=xterm", "RIGKEEP_NOW=2026-03-01T10:00:00Z", "TMPDIR=" + t.TempDir()}
	for k, v := range s.env {
		if k != "COLUMNS" {
			c.Env = append(c.Env, k+"="+v)
		}
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	x.cmd = c
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := p.Read(b)
			x.mu.Lock()
			x.text = append(x.text, b[:n]...)
			x.mu.Unlock()
			select {
			case x.news <- struct{}{}:
			default:
			}
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		if c.ProcessState == nil {
			_ = c.Process.Kill()
			_ = c.Wait()
		}
		tty.Close()
		p.Close()
	})
	return x
}

func (x *terminal) fresh() []byte {
	x.mu.Lock()
	defer x.mu.Unlock()
	return bytes.Clone(x.text[x.used:])
}

func (x *terminal) all() string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return string(x.text)
}

var control = regexp.MustCompile("^\x1b\\[([0-9;?]*)([A-Za-z])")

// display plays what was written on a terminal: the rows as they stand, what stands before the
// cursor in its row, and whether that is the alternate screen. It knows what rigkeep sends.
func display(text string) (rows []string, before string, alt bool) {
	var grid [][]rune
	x, y := 0, 0
	put := func(r rune) {
		for len(grid) <= y {
			grid = append(grid, nil)
		}
		for len(grid[y]) <= x {
			grid[y] = append(grid[y], ' ')
		}
		grid[y][x] = r
		x++
	}
	for len(text) > 0 {
		if m := control.FindStringSubmatch(text); m != nil {
			text = text[len(m[0]):]
			switch m[2] {
			case "h", "l":
				if m[1] == "?1049" {
					alt, grid, x, y = m[2] == "h", nil, 0, 0
				}
			case "J":
				grid = nil
			case "K":
				if y < len(grid) && x < len(grid[y]) {
					grid[y] = grid[y][:x]
				}
			case "H":
				x, y = 0, 0
				if row, col, ok := strings.Cut(m[1], ";"); ok {
					y, _ = strconv.Atoi(row)
					x, _ = strconv.Atoi(col)
					x, y = x-1, y-1
				}
			}
			continue
		}
		r, n := utf8.DecodeRuneInString(text)
		text = text[n:]
		switch r {
		case '\r':
			x = 0
		case '\n':
			y++
		case '\b':
			x--
		default:
			put(r)
		}
	}
	for _, g := range grid {
		rows = append(rows, strings.TrimRight(string(g), " "))
	}
	if y < len(grid) {
		before = string(grid[y][:min(x, len(grid[y]))])
	}
	return rows, before + strings.Repeat(" ", max(0, x-len([]rune(before)))), alt
}

// question waits for the next question: text that ends in a blank behind a colon or a bracket,
// or a screen with the cursor behind its prompt.
func (x *terminal) question() string {
	x.t.Helper()
	limit := time.After(20 * time.Second)
	for {
		s := string(x.fresh())
		if rows, before, alt := display(x.all()); alt {
			if len(s) > 0 && (before == "> " || strings.HasSuffix(before, "] ") || strings.HasSuffix(before, ": ")) {
				return strings.Join(rows, "\n")
			}
		} else if strings.HasSuffix(s, "] ") || strings.HasSuffix(s, ": ") {
			lines := strings.Split(s, "\r\n")
			return strings.Join(lines[max(0, len(lines)-2):], " ") // in a narrow window it takes two
		}
		select {
		case <-x.news:
		case <-limit:
			x.t.Fatalf("no question; so far:\n%s", x.all())
		}
	}
}

// send types keys.
func (x *terminal) send(keys string) {
	x.t.Helper()
	x.mu.Lock()
	x.used = len(x.text)
	x.mu.Unlock()
	if _, err := x.pty.WriteString(keys); err != nil {
		x.t.Fatal(err)
	}
}

// exit waits for the end and gives the exit code; the terminal must be as it was.
func (x *terminal) exit() int {
	x.t.Helper()
	done := make(chan error, 1)
	go func() { done <- x.cmd.Wait() }()
	var err error
	select {
	case err = <-done:
	case <-time.After(20 * time.Second):
		x.t.Fatalf("it does not end; so far:\n%s", x.all())
	}
	code := 0
	var ee *exec.ExitError
	if errors.As(err, &ee) {
		code = ee.ExitCode()
	} else if err != nil {
		x.t.Fatal(err)
	}
	// what is written last on the terminal comes out last
	if _, err := x.tty.WriteString("\x00end\x00"); err != nil {
		x.t.Fatal(err)
	}
	for limit := time.After(5 * time.Second); !bytes.HasSuffix(x.fresh(), []byte("\x00end\x00")); {
		select {
		case <-x.news:
		case <-limit:
			x.t.Fatal("the terminal does not give its output")
		}
	}
	x.mu.Lock()
	x.text = bytes.TrimSuffix(x.text, []byte("\x00end\x00"))
	x.mu.Unlock()
	now, err := term.GetState(int(x.tty.Fd()))
	if err != nil {
		x.t.Fatal(err)
	}
	if code >= 0 && !reflect.DeepEqual(now, x.was) {
		x.t.Errorf("the terminal is not as it was before")
	}
	return code
}

var trialPrompt = regexp.MustCompile(`SET (PAN|ROLL|TILT) TO ([0-9.]+)`)

// keys answers a question for a gimbal whose axes oscillate from a number on.
func (s stand) keys(t *testing.T, q string) string {
	t.Helper()
	if m := trialPrompt.FindStringSubmatch(q); m != nil {
		v, _ := strconv.ParseFloat(m[2], 64)
		if v >= s.onset[strings.ToLower(m[1])] {
			return "22h"
		}
		return "c"
	}
	for _, a := range []struct{ in, keys string }{
		{"which unit?", "1\r"}, {"HANDHELD", "c"}, {"ONSET OR NOT", "k"}, {"[s/v/u/q]", "s"}, {"reason [", "\r"}, {"quit? [g/n/q]", "g"},
		{"No balance record of today", "g"},
	} {
		if strings.Contains(q, a.in) {
			return a.keys
		}
	}
	t.Fatalf("a question that nobody knows: %q", q)
	return ""
}

var onsets = stand{onset: map[string]float64{"pan": 41, "roll": 37, "tilt": 29}}

// play answers until the program ends.
func (x *terminal) play(s stand) int {
	x.t.Helper()
	for i := 0; ; i++ {
		if i > 200 {
			x.t.Fatalf("it does not end:\n%s", x.all())
		}
		q := x.question()
		x.send(s.keys(x.t, q))
		if strings.Contains(q, "reason [") {
			return x.exit()
		}
	}
}

func (s *fixture) log(t *testing.T) string {
	t.Helper()
	logs, err := filepath.Glob(filepath.Join(s.dir, "rigs/*/*/bench/*.toml"))
	if err != nil || len(logs) != 1 {
		t.Fatalf("%d bench logs, want 1: %v %v", len(logs), logs, err)
	}
	data, err := os.ReadFile(logs[0])
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// TestTerminalSession works a whole session on a terminal, with the window resized
// in the middle, and counts what a slow link would have to carry.
func TestTerminalSession(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	x := s.open(t, 24, 80, "bench", "a-cam-zoom")
	answers := 0
	for ; ; answers++ {
		q := x.question()
		if strings.Contains(q, "SET ROLL") {
			if err := pty.Setsize(x.pty, &pty.Winsize{Rows: 24, Cols: 40}); err != nil {
				t.Fatal(err)
			}
			break
		}
		x.send(onsets.keys(t, q))
	}
	x.send("c")
	from := len(x.all())
	narrow := 0
	for {
		q := x.question()
		if strings.Contains(q, "reason [") {
			break
		}
		for _, l := range strings.Split(q, "\n") { // one off the screen is joined of two
			if n := len([]rune(l)); n > 40 && !strings.Contains(l, "[s/v/u/q]") {
				t.Errorf("a line of %d columns in a window of 40: %q", n, l)
			}
		}
		x.send(onsets.keys(t, q))
		answers++
		narrow++
	}
	if per := (len(x.all()) - from) / narrow; per > 600 {
		t.Errorf("%d bytes an answer: too much for a slow link", per)
	}
	x.send("Worked at the stand\r")
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	out := x.all()
	for _, l := range strings.Split(out[strings.Index(out, "Worked at the stand\r\n"):], "\r\n") {
		// a command stays whole, to be copied, and so does a single long word
		if strings.Contains(strings.TrimSpace(l), " ") && !strings.Contains(l, "rigkeep ") && len([]rune(l)) > 40 {
			t.Errorf("after the save a line of %d columns in a window of 40: %q", len([]rune(l)), l)
		}
	}
	for _, want := range []string{"Caution: Power off", "3 axes done, clean handheld at", "set to ", "Saved as ", "Try: rigkeep prove a-cam-zoom"} {
		if !strings.Contains(strings.Join(strings.Fields(out), " "), strings.TrimSpace(want)) {
			t.Errorf("%q is not in:\n%s", want, out)
		}
	}
	if strings.Count(out, "Caution: Power off") != 1 {
		t.Error("cautions are said once")
	}
	if strings.Contains(strings.ReplaceAll(out, "\r\n", ""), "\n") {
		t.Error("a line feed without a carriage return: the text would run off in steps")
	}
	if got := s.ok(t, "git", "log", "-1", "--format=%s"); strings.TrimSpace(got) != "Worked at the stand" {
		t.Error(got)
	}
	t.Logf("%d answers, %d bytes", answers, len(out))
}

// TestStopAtEveryQuestion leaves a session at every question, by Ctrl-C or as by a
// dead battery, and goes on: the log is that of a session without a break.
func TestStopAtEveryQuestion(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		axes string
		stop func(*terminal)
		code int
	}{
		{"ctrl-c", "pan,roll,tilt", func(x *terminal) { x.send("\x03") }, exitInterrupt},
		{"kill", "pan", func(x *terminal) { _ = x.cmd.Process.Kill() }, -1},
		{"interrupt from outside", "tilt", func(x *terminal) { _ = x.cmd.Process.Signal(os.Interrupt) }, exitInterrupt},
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := newFixture(t)
			if code := whole.open(t, 24, 80, "bench", "a-cam-zoom", "--only", c.axes).play(onsets); code != 0 {
				t.Fatalf("exit %d", code)
			}
			want := whole.log(t)
			s := newFixture(t)
			breaks := 0
			for ; ; breaks++ {
				if breaks > 200 {
					t.Fatal("it does not get on")
				}
				args := []string{"bench", "a-cam-zoom", "--only", c.axes}
				if logs, _ := filepath.Glob(filepath.Join(s.dir, "rigs/*/*/bench/*.toml")); len(logs) > 0 {
					args = append(args, "--resume")
				}
				x := s.open(t, 24, 80, args...)
				q := x.question()
				x.send(onsets.keys(t, q))
				if strings.Contains(q, "which unit?") { // a session left at its first question leaves no file
					x.send(onsets.keys(t, x.question()))
					x.send(onsets.keys(t, x.question()))
				}
				if strings.Contains(q, "[s/v/u/q]") {
					x.question()
					x.send("\r")
					if code := x.exit(); code != 0 {
						t.Fatalf("exit %d:\n%s", code, x.all())
					}
					break
				}
				x.question()
				c.stop(x)
				if code := x.exit(); code != c.code {
					t.Fatalf("exit %d, want %d:\n%s", code, c.code, x.all())
				}
				if c.code == exitInterrupt && !strings.Contains(x.all(), "Try: rigkeep bench a-cam-zoom") {
					t.Errorf("it does not say how to go on:\n%s", x.all())
				}
			}
			if got := s.log(t); got != want {
				t.Errorf("after %d breaks the log is\n%s\nwant\n%s", breaks, got, want)
			}
			if out := s.ok(t, "check", "--git"); !strings.Contains(out, "no findings") {
				t.Error(out)
			}
			t.Logf("%d breaks", breaks)
		})
	}
}

// TestTerminalPlainSigns: in a locale that is not UTF-8 no byte above ASCII comes out.
func TestTerminalPlainSigns(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.env["LC_ALL"] = "C"
	x := s.open(t, 24, 80, "bench", "a-cam-zoom", "--only", "tilt")
	if code := x.play(onsets); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	for i, c := range []byte(x.all()) {
		if c > 126 || c < ' ' && !strings.ContainsRune("\r\n\b\x1b", rune(c)) {
			t.Fatalf("byte %#x in %q", c, x.all()[max(0, i-40):i+1])
		}
	}
	if !strings.Contains(x.all(), "LENS UP 60 deg") {
		t.Errorf("no tilt in:\n%s", x.all())
	}
}

// TestTerminalOddKeys: arrows, function keys and keys that answer nothing change
// nothing; Ctrl-U and the erase key correct a line.
func TestTerminalOddKeys(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	x := s.open(t, 24, 80, "bench", "a-cam-zoom", "--only", "tilt")
	x.question()
	x.send("9\x7f2\r")
	x.question()
	x.send("xg")
	x.question()
	x.send("n")
	x.question()
	x.send("junk\x15cable tied back!\x7f\r") // typed, wiped out, typed, one wiped out, Enter
	x.question()
	x.send("\x1b[A\x1bOP\x1b[15~z§!c")
	x.question()
	x.send("q")
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	log := s.log(t)
	if strings.Count(log, "saw = \"clean\"") != 1 || !strings.Contains(log, `text = "cable tied back"`) || !strings.Contains(log, `unit = "QL-0044"`) {
		t.Errorf("the log is\n%s", log)
	}
	if !strings.Contains(x.all(), "--resume") {
		t.Error("leaving does not say how to go on")
	}
}

// TestTerminalProof is asked for on a terminal, what is missing only.
func TestTerminalProof(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-zoom", "--write")
	x := s.open(t, 24, 80, "prove", "a-cam-zoom", "--effort", "pan=1")
	for _, a := range []string{"1\r", "h", "12\r", "Smooth\r"} {
		x.question()
		x.send(a)
	}
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	show := s.ok(t, "show", "a-cam-zoom", "--all")
	if !strings.Contains(strings.Join(strings.Fields(show), " "), "tested handheld on 2026-03-01 by A-cam operator, unit QL-0031, 12 min; resting effort pan 1 %. Smooth") {
		t.Error(show)
	}
}

// TestTerminalProofAsksAgain: an answer of a proof that cannot be is said and asked
// again; none is dropped without a word, and none ends the questions.
func TestTerminalProofAsksAgain(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-zoom", "--write")
	s.ok(t, "set", "a-cam-zoom", "follow.walk.deadband.pan=3")
	x := s.open(t, 24, 80, "prove", "a-cam-zoom")
	for _, a := range []string{"rented\r", "n", "\r", "rented\r", "r", "h", "long\r", "12,5\r",
		"little\r", "900\r", "12\r", "t", "3/-1\r", "u\r", "3/-1\r", "\r", "0,5\r", "wlak\r", "walk\r", "\r"} {
		x.question()
		x.send(a)
	}
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	for _, want := range []string{`"rented" is not in the gimbal sheet of quay-large`, "a proof says on which unit", `"long" is not a number`, `"little" is not an effort`, `"900" is not an effort`, `12 % is over the workable`, `no follow style "wlak"`} {
		if !strings.Contains(x.all(), want) {
			t.Errorf("%q is not in:\n%s", want, x.all())
		}
	}
	if raw := s.ok(t, "show", "a-cam-zoom", "--raw"); !strings.Contains(raw, "effort_pct = { pan = 1, roll = 0.5 }") || !strings.Contains(raw, `unit = "rented"`) || !strings.Contains(raw, "minutes = 12.5") || !strings.Contains(raw, "[proof.style.walk]") {
		t.Error(raw)
	}
}

// TestTerminalProofAfterSession: what a session tells is not asked again, all else is; and a
// wrong key at a handheld point is taken back where the axis is asked for.
func TestTerminalProofAfterSession(t *testing.T) {
	s := newFixture(t)
	s.ok(t, "start", "a-cam-zoom", "--write")
	s.ok(t, "set", "a-cam-zoom", "follow.walk.deadband.pan=3")
	s.ok(t, "save", "a-cam-zoom", "-m", "Starting tune")
	s.ok(t, "bench", "a-cam-zoom", "--unit", "QL-0031", "--only", "tilt", "--axis", "tilt", "--value", "60", "--saw", "clean")
	for range 2 {
		s.ok(t, "bench", "a-cam-zoom", "--axis", "tilt", "--value", "61", "--saw", "chatter", "--hz", "17")
	}
	x := s.open(t, 24, 80, "bench", "a-cam-zoom", "--resume")
	for _, a := range []string{"c", "h", "u", "c", "c", "c", "s", "\r"} { // 60 clean once more, then handheld
		x.question()
		x.send(a)
	}
	if code := x.exit(); code != 0 || !strings.Contains(x.all(), "which axis?") {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	x = s.open(t, 24, 80, "prove", "a-cam-zoom")
	for _, a := range []string{"10\r", "1\r", "\r", "\r", "walk\r", "\r"} {
		x.question()
		x.send(a)
	}
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	if raw := s.ok(t, "show", "a-cam-zoom", "--raw"); !strings.Contains(raw, "effort_pct = { pan = 1 }") || !strings.Contains(raw, "minutes = 10") || !strings.Contains(raw, "[proof.style.walk]") || !strings.Contains(raw, "onset = { tilt = 61 }") {
		t.Error(raw)
	}
}

// TestTerminalTuneSavedMeanwhile: somebody at the desk saves the tune while the session
// is open on the terminal; what they saved stays, and what no longer goes with the
// session is said.
func TestTerminalTuneSavedMeanwhile(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	x := s.open(t, 24, 80, "bench", "a-cam-zoom", "--only", "tilt") // there is no tune yet
	for {
		q := x.question()
		if strings.Contains(q, "handheld 3 of 3") {
			break
		}
		x.send(onsets.keys(t, q))
	}
	s.ok(t, "start", "a-cam-zoom", "--write")
	s.ok(t, "set", "a-cam-zoom", "filters.drive=5", "follow.walk.deadband.pan=3", "note=From the desk")
	s.ok(t, "save", "a-cam-zoom/main", "-m", "At the desk")
	x.send("c")
	if code := x.play(onsets); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	out := strings.Join(strings.Fields(x.all()), " ")
	if !strings.Contains(out, "filters.drive was 2 when the session began and is 5 in the tune now") || strings.Contains(out, "new tune") {
		t.Errorf("it does not say what changed:\n%s", x.all())
	}
	raw := s.ok(t, "show", "a-cam-zoom", "--raw")
	for _, want := range []string{"drive = 5", "From the desk", "pan = 3", "tilt = 19"} {
		if !strings.Contains(raw, want) {
			t.Errorf("%q is not in:\n%s", want, raw)
		}
	}
}

// TestTerminalProgress: a long log is read with a bar that is gone at the end, and
// the questions of diagnose are answered by single keys.
func TestTerminalProgress(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	var b strings.Builder
	b.WriteString("t_ms,gx_dps,gy_dps,gz_dps\n")
	for i := range 40000 {
		b.WriteString(strconv.Itoa(i*2) + ",0.0" + strconv.Itoa(i%7) + "123,0.0" + strconv.Itoa(i%11) + "123,0.0" + strconv.Itoa(i%13) + "123\n")
	}
	if err := os.WriteFile(filepath.Join(s.dir, "long.csv"), []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	x := s.open(t, 24, 80, "diagnose", "--log", "long.csv", "--no-pager")
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	if out := x.all(); !strings.Contains(out, "\rreading long.csv [##") || !strings.Contains(out, "%\r   ") || !strings.Contains(out, "40000 rows") {
		t.Errorf("no bar, or one that stays:\n%.800q", out)
	}
	s.env["RIGKEEP_PAGER"] = "head -n 2" // the long answer begins at its top, behind the questions
	x = s.open(t, 24, 80, "diagnose")
	for _, key := range []string{"3", "x1", "2", "\r", "1", "\r", "0"} {
		x.question()
		x.send(key)
	}
	if code := x.exit(); code != 0 {
		t.Fatalf("exit %d:\n%s", code, x.all())
	}
	if strings.Contains(x.all(), "What to try") || !strings.Contains(x.all(), "Going by: axis tilt, feel chatter, when tap, held stops") {
		t.Errorf("the answers went astray:\n%s", x.all())
	}
}

// TestTerminalTransferInterrupted: Ctrl-C in the middle of a first copy or a sync ends it at once,
// leaves nothing of it behind, and the next try does all of it.
func TestTerminalTransferInterrupted(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	s.ok(t, "sync", bare)
	// somebody else saves something that has yet to come
	other := filepath.Join(base, "other")
	transporttest.Git(t, base, "clone", "-q", bare, other)
	transporttest.Save(t, other, "notes.toml", "a = 1\n", "Theirs")
	web := transporttest.ServeHTTP(t, base, "", "")
	asked, release := make(chan struct{}), make(chan struct{})
	web.Break(func(r *http.Request) int {
		if r.Method == http.MethodPost {
			select {
			case asked <- struct{}{}:
				<-release
			case <-release: // from here on all is answered
			}
		}
		return -1
	})
	free := sync.OnceFunc(func() { close(release) })
	t.Cleanup(free) // the server waits for its answers
	head := s.git(t, "rev-parse", "HEAD")
	for _, words := range [][]string{{"init", "copy", "--from", web.URL + "tunes.git"}, {"sync", web.URL + "tunes.git"}} {
		x := s.open(t, 24, 80, words...)
		<-asked
		began := time.Now()
		x.send("\x03")
		if code := x.exit(); code != exitInterrupt || time.Since(began) > transferRest {
			t.Fatalf("%s: exit %d after %v:\n%s", words[0], code, time.Since(began), x.all())
		}
		if out := x.all(); strings.Count(out, "rigkeep: ") != 1 || !strings.Contains(out, "interrupted; saved revisions are intact") {
			t.Errorf("%s says\n%s", words[0], out)
		}
		if _, err := os.Stat(filepath.Join(s.dir, "copy")); err == nil {
			t.Errorf("%s leaves the folder behind", words[0])
		}
		err := filepath.WalkDir(filepath.Join(s.dir, ".git"), func(p string, d os.DirEntry, err error) error {
			if err == nil && strings.Contains(d.Name(), "tmp_") {
				t.Errorf("%s leaves %s", words[0], p)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if now := s.git(t, "rev-parse", "HEAD"); now != head {
		t.Error("an interrupted sync moved the library")
	}
	free()
	s.ok(t, "init", "copy", "--from", web.URL+"tunes.git")
	s.ok(t, "sync", web.URL+"tunes.git")
	if now := s.git(t, "log", "-1", "--format=%s"); strings.TrimSpace(now) != "Theirs" {
		t.Errorf("the next sync brings %q", now)
	}
}
