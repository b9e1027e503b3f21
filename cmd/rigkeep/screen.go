package main

import (
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"

	"rigkeep/diffview/safe"
)

// screen is a page of the terminal that is redrawn in place: what is asked stands in the same
// lines each time, remarks below it, and the prompt last. It lies over what was printed before,
// which is there again when it is left.
//
// Control sequences: ECMA-48 (CUP, ED, EL); the alternate screen is xterm's, which terminals
// without it leave out.
type screen struct {
	page func(wide int) []string // what is asked, to the width

	mu     sync.Mutex // held by whoever asks, but for the time it waits for a key
	notes  []string   // since the last answer
	prompt string
	typed  string
	shown  []string // as it stands on the terminal
	wide   int
	high   int
	stop   chan struct{}
}

const (
	screenOn  = "\x1b[?1049h\x1b[H\x1b[2J"
	screenOff = "\x1b[?1049l"
)

// openScreen puts a page over the terminal until close is called; a terminal that gives no
// single keys, or output that is none, has no screen, and close does nothing.
func (a *prompter) openScreen(page func(wide int) []string) (close func()) {
	f, ok := a.in.(*os.File)
	if !ok || !a.keys || !tty(a.k.Stdout) {
		return func() {}
	}
	s := &screen{page: page, stop: make(chan struct{})}
	a.screen = s
	s.mu.Lock()
	_, _ = a.k.Stdout.Write([]byte(screenOn))
	was := rawTerminal.Load()
	back := func() {
		_, _ = a.k.Stdout.Write([]byte(screenOff))
		if was != nil {
			(*was)()
		}
	}
	rawTerminal.Store(&back)
	go s.watch(a, int(f.Fd()))
	return func() {
		rawTerminal.Store(was)
		s.mu.Unlock()
		s.stop <- struct{}{}
		_, _ = a.k.Stdout.Write([]byte(screenOff))
		a.screen = nil
		for _, n := range s.notes {
			a.say("%s", n)
		}
	}
}

// watch draws anew when the window has another size: polled, since not every system signals it.
func (s *screen) watch(a *prompter, fd int) {
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-s.stop:
			return
		case <-tick.C:
		}
		w, h, err := term.GetSize(fd)
		if err != nil {
			continue
		}
		s.mu.Lock()
		if s.wide > 0 && (w != s.wide || h != s.high) {
			s.draw(a)
		}
		s.mu.Unlock()
	}
}

// ask draws the page with a prompt.
func (s *screen) ask(a *prompter, prompt string) {
	s.prompt, s.typed = prompt, ""
	s.draw(a)
}

// answered forgets what was typed and remarked.
func (s *screen) answered() { s.typed, s.notes = "", nil }

// draw writes the lines that differ from what is shown.
func (s *screen) draw(a *prompter) {
	w, h := a.columns(), 24
	if f, ok := a.in.(*os.File); ok {
		if cols, rows, err := term.GetSize(int(f.Fd())); err == nil && rows > 0 {
			if cols != s.wide || rows != s.high {
				s.shown = nil
			}
			s.wide, s.high, h = cols, rows, rows
		}
	}
	lines := s.page(w)
	foot := strings.Split(strings.TrimSuffix(wrap(s.prompt, "", w-1), "\n"), "\n")
	var notes []string
	for _, n := range s.notes {
		notes = append(notes, strings.Split(strings.TrimSuffix(wrap(n, "  ", w), "\n"), "\n")...)
	}
	if room := h - len(lines) - len(foot); len(notes) > room { // the newest count
		notes = notes[len(notes)-max(0, room):]
	}
	lines = append(append(lines, notes...), foot...)
	lines = lines[max(0, len(lines)-h):]
	var b strings.Builder
	if s.shown == nil {
		b.WriteString("\x1b[H\x1b[2J")
	}
	for i := range max(len(lines), len(s.shown)) {
		is, was := "", ""
		if i < len(lines) {
			is = lines[i]
		}
		if i < len(s.shown) {
			was = s.shown[i]
		}
		if is != was {
			fmt.Fprintf(&b, "\x1b[%d;1H%s\x1b[K", i+1, a.k.signs(is))
		}
	}
	last := lines[len(lines)-1]
	fmt.Fprintf(&b, "\x1b[%d;%dH%s\x1b[K", len(lines), columns(a.k.signs(last))+2, safe.Line(s.typed))
	s.shown = lines
	a.k.write(b.String())
}
