//go:build unix

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rigkeep/diffview/page/pagetest"
)

// served is a real rigkeep serve.
type served struct {
	cmd  *exec.Cmd
	keys io.WriteCloser
	out  *bufio.Reader
	own  string // the address for this machine's browser, once
}

// freeAddress is an address of this machine at which nothing listens.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func startServe(t *testing.T, dir, addr string) *served {
	t.Helper()
	s := &served{cmd: exec.Command("rigkeep", "serve", "--no-browser", "--addr", addr)}
	s.cmd.Dir = dir
	s.cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=" + dir, "RIGKEEP_AUTHOR=Stabiliser technician <technician@example.org>"}
	var err error
	if s.keys, err = s.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	s.cmd.Stderr = os.Stderr
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.cmd.Process.Kill(); _ = s.cmd.Wait() })
	s.out = bufio.NewReader(out)
	for s.own == "" {
		line, err := s.out.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(line, "/p/") {
			s.own = strings.TrimSpace(line)
		}
	}
	return s
}

// until reads what the server prints until a line has the words.
func (s *served) until(t *testing.T, words string) {
	t.Helper()
	for {
		line, err := s.out.ReadString('\n')
		if strings.Contains(line, words) {
			return
		}
		if err != nil {
			t.Fatalf("%q was never said: %v", words, err)
		}
	}
}

// browser is a real Chromium on a page of the server.
type tab struct {
	t   *testing.T
	ctx context.Context
}

func (b tab) open(at string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.Navigate(at)); err != nil {
		b.t.Fatal(err)
	}
}

func (b tab) text() string {
	b.t.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`(document.querySelector("main") || document.body).innerText.replace(/\s+/g, " ")`))
	if err != nil {
		return "" // between two pages
	}
	return s
}

// shows waits until the page has the words.
func (b tab) shows(words string) {
	b.t.Helper()
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if s := b.text(); strings.Contains(strings.ToLower(s), strings.ToLower(words)) {
			return
		} else if time.Now().After(end) {
			b.t.Fatalf("the page does not come to show %q:\n%s", words, s)
		}
	}
}

// press presses the button of an answer.
func (b tab) press(value string) {
	b.t.Helper()
	ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`(() => { const b = document.querySelector("button[value=%s]"); if (!b || b.disabled) return false; b.click(); return true; })()`, value)))
	if err != nil || !ok {
		b.t.Fatalf("no button %s: %v\n%s", value, err, b.text())
	}
}

// A session in a real browser against a real server, which is killed in its middle twice:
// what was acknowledged is there, what was not waits on the phone and goes in once, and the
// terminal goes on where the phone stopped.
func TestServeKilled(t *testing.T) {
	t.Parallel()
	dir, run := harbour(t)
	addr := freeAddress(t)
	steps := func() int {
		t.Helper()
		var j struct{ Steps int }
		if err := json.Unmarshal([]byte(run(0, "bench", "b-cam-85", "--json")), &j); err != nil {
			t.Fatal(err)
		}
		return j.Steps
	}
	s := startServe(t, dir, addr)
	ctx, done := pagetest.Phone(t)
	defer done()
	b := tab{t, ctx}
	base := "http://" + addr + "/"
	b.open(s.own)
	b.shows("rigs proved")
	pagetest.Here(t, ctx, "live-library")
	b.open(base + "rig-b-cam-85.html")
	b.shows("Add a photo")
	pagetest.Here(t, ctx, "live-rig")
	for _, at := range []string{"balance-a-cam-prime.html?unit=QL-0031", "load-b-cam-85.html?unit=SK-0412", "photo-b-cam-85.html", "index.html?q=plate"} {
		b.open(base + at)
		pagetest.Here(t, ctx, "live-"+strings.SplitN(at, "-", 2)[0])
	}

	// what is ticked in a review stays on the phone
	saved := run(0, "history", "--limit", "1", "--json")
	b.open(base + "job-2026-03-02-night-pilotage.html")
	ticked := func(want string) {
		t.Helper()
		got, err := chromedp.Run(ctx, chromedp.Evaluate[string](`String(document.querySelector("input.tick").checked)`))
		if err != nil || got != want {
			t.Errorf("ticked: %s, want %s, %v", got, want, err)
		}
	}
	ticked("false")
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.querySelector("input.tick").click(), true`)); err != nil {
		t.Fatal(err)
	}
	b.open(base + "job-2026-03-02-night-pilotage.html")
	ticked("true")
	pagetest.Here(t, ctx, "live-job")
	if run(0, "history", "--limit", "1", "--json") != saved {
		t.Error("a tick made a revision")
	}

	b.open(base + "bench-b-cam-85.html")
	b.shows("Unit on the stand")
	pagetest.Here(t, ctx, "live-begin")
	b.press("begin")
	n := 0
	b.shows("connected")
	b.shows("set tilt to")
	b.press("clean")
	b.shows("clean up to")
	n++
	if got := steps(); got != n {
		t.Fatalf("%d answers on disk, want %d", got, n)
	}
	pagetest.Here(t, ctx, "live-bench")

	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
	if got := steps(); got != n {
		t.Fatalf("%d answers after the kill, want %d", got, n)
	}
	b.press("chatter")
	b.shows("is not saved yet")
	b.shows("No connection")
	pagetest.Here(t, ctx, "live-offline")

	s = startServe(t, dir, addr)
	b.shows("is kept on this phone")
	b.open(s.own)
	b.shows("rigs proved")
	b.open(base + "bench-b-cam-85.html?unit=SK-0412")
	b.shows(fmt.Sprintf("answer %d saved", n+1))
	b.shows("chatter")
	if got := steps(); got != n+1 {
		t.Fatalf("%d answers on disk, want %d", got, n+1)
	}
	_, _ = io.WriteString(s.keys, "l\n")
	s.until(t, "1 device paired of 8")
	_, _ = io.WriteString(s.keys, "r 1\n")
	s.until(t, "revoked 1")
	b.shows("Not paired")

	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
	run(0, "bench", "b-cam-85", "--saw", "clean")
	if got := steps(); got != n+2 {
		t.Fatalf("the terminal: %d answers, want %d", got, n+2)
	}
	s = startServe(t, dir, addr)
	_, _ = io.WriteString(s.keys, "n\nq\n")
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("after q: %v", err)
	}
}

// Balance and load with the server killed in their middle: what was acknowledged is on disk, what was not goes in
// once when the server is back, and the terminal knows of both.
func TestServeKilledAtBalanceAndLoad(t *testing.T) {
	t.Parallel()
	dir, run := harbour(t)
	addr := freeAddress(t)
	s := startServe(t, dir, addr)
	ctx, done := pagetest.Phone(t)
	defer done()
	b := tab{t, ctx}
	base := "http://" + addr + "/"
	do := func(script string) {
		t.Helper()
		if ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](script+", true")); err != nil || !ok {
			t.Fatal(script, err)
		}
	}
	again := func() {
		t.Helper()
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait()
	}
	back := func(at string) {
		t.Helper()
		s = startServe(t, dir, addr)
		b.shows("is kept on this phone")
		b.open(s.own)
		b.shows("rigs proved")
		b.open(base + at)
	}
	marks := func() (n int) { // in all balance records on disk
		t.Helper()
		files, err := filepath.Glob(filepath.Join(dir, "rigs", "*", "*", "balance", "*.toml"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			n += strings.Count(string(data), "[[mark]]")
		}
		return n
	}
	had := marks()
	b.open(s.own)
	b.shows("rigs proved")

	const balance = "balance-a-cam-prime.html?unit=QL-0031"
	b.open(base + balance)
	b.shows("step 1 of")
	b.shows("connected")
	do(`document.querySelector("input[name=mm]:not([type=hidden])").value = "60"`)
	b.press("mark")
	b.shows("1 answer saved")
	again()
	if n := marks(); n != had+1 {
		t.Fatalf("%d marks on disk after the kill, want 1", n-had)
	}
	do(`document.querySelector("input[name=mm]:not([type=hidden])").value = "21"`)
	b.press("mark")
	b.shows("is not saved yet")
	b.shows("No connection")
	back(balance)
	b.shows("2 answers saved")
	if n := marks(); n != had+2 {
		t.Fatalf("%d marks on disk, want 2", n-had)
	}

	const load = "load-b-cam-85.html?unit=SK-0412"
	holds := func() string { t.Helper(); return run(0, "unit", "show", "SK-0412", "--json") }
	b.open(base + load)
	b.shows("to SK-0412")
	b.shows("connected")
	before := holds()
	do(`document.querySelectorAll("input.tick").forEach(c => { if (!c.checked) c.click(); })`)
	again()
	b.press("record")
	b.shows("is not saved yet")
	if holds() != before {
		t.Fatal("something was recorded by nobody")
	}
	back(load)
	// the file comes before the revision, so the revision is what is waited for
	for end := time.Now().Add(60 * time.Second); !strings.Contains(run(0, "history", "--limit", "1", "--json"), "Load b-cam-85 on SK-0412"); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the ticks that waited did not go in:\n%s", b.text())
		}
	}
	if holds() == before {
		t.Error("a revision, and nothing in the unit's record")
	}
}
