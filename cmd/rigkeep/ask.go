package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"sync/atomic"
	"unicode/utf8"

	"github.com/mattn/go-runewidth"
	"golang.org/x/term"

	"rigkeep/diffview/safe"
)

// prompter puts questions to the person at the terminal: one key answers where the
// terminal allows it, one line elsewhere. What it prints is whole lines, so that
// it reads the same over a slow link, in a resized window and in a log.
type prompter struct {
	k    *invocation
	in   io.Reader
	keys bool   // the terminal gives single keys
	held []byte // read, not yet used

	screen *screen // redrawn in place; nil where lines follow each other
}

// errStopped ends a session that the person left with Ctrl-C or whose input ended.
var errStopped = errors.New("interrupted")

// choice is one answer to a question.
type choice struct {
	key  byte
	word string // what is shown and, on a line, may be typed
}

// rawTerminal puts the terminal back when the program is ended by a signal.
var rawTerminal atomic.Pointer[func()]

// goOn is the command by which what is under way can be gone on with.
var goOn atomic.Pointer[string]

// ask begins asking; done must be called before anything else reads or the
// program ends. plain takes lines from any input.
func (k *invocation) ask(plain bool) (a *prompter, done func(), err error) {
	a = &prompter{k: k, in: k.Stdin}
	f, ok := k.Stdin.(*os.File)
	if plain || !ok || !tty(f) || k.Getenv("TERM") == "dumb" {
		if !plain && !(ok && tty(f)) {
			return nil, nil, usage("no terminal for questions").hinted("answer with flags, or add --plain to be asked line by line")
		}
		return a, func() {}, nil
	}
	old, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		return a, func() {}, nil // a terminal that cannot: line by line
	}
	a.keys = true
	out, errw := k.Stdout, k.Stderr
	k.Stdout, k.Stderr = newlines{out}, newlines{errw}
	back := func() { _ = term.Restore(int(f.Fd()), old) }
	rawTerminal.Store(&back)
	return a, func() {
		rawTerminal.Store(nil)
		back()
		k.Stdout, k.Stderr = out, errw
	}, nil
}

// newlines writes to a terminal that takes a line feed as just that.
type newlines struct{ w io.Writer }

func (n newlines) Write(p []byte) (int, error) {
	if _, err := n.w.Write(bytes.ReplaceAll(p, []byte("\n"), []byte("\r\n"))); err != nil {
		return 0, err
	}
	return len(p), nil
}

func (n newlines) under() any { return n.w }

// columns is the width now: the window may have been resized since the last question.
func (a *prompter) columns() int {
	if a.k.c.Int("width") == 0 {
		if f, ok := a.in.(*os.File); ok && a.keys {
			if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
				return max(w, 20)
			}
		}
	}
	return a.k.wide
}

func (a *prompter) next() (byte, error) {
	if len(a.held) == 0 {
		var b [64]byte
		if a.screen != nil {
			a.screen.mu.Unlock() // while it waits the window may be drawn again
		}
		n, err := a.in.Read(b[:])
		if a.screen != nil {
			a.screen.mu.Lock()
		}
		if n == 0 {
			if err == nil || errors.Is(err, io.EOF) {
				err = errStopped
			}
			return 0, err
		}
		a.held = append(a.held, b[:n]...)
	}
	c := a.held[0]
	a.held = a.held[1:]
	return c, nil
}

const (
	ctrlC     = 3
	ctrlD     = 4
	backspace = 8
	ctrlU     = 21
	escape    = 27
	del       = 127
)

// key is one key press; the sequences of arrow and function keys are passed over.
func (a *prompter) key() (byte, error) {
	for {
		c, err := a.next()
		if err != nil {
			return 0, err
		}
		switch c {
		case ctrlC, ctrlD:
			return 0, errStopped
		case escape:
			if c, err = a.next(); err != nil {
				return 0, err
			}
			if c != '[' && c != 'O' {
				return c, nil
			}
			for {
				if c, err = a.next(); err != nil {
					return 0, err
				}
				if c >= 0x40 && c <= 0x7e {
					break
				}
			}
			continue
		}
		return c, nil
	}
}

// prompt prints a question to the width, with the cursor behind it.
func (a *prompter) prompt(text string) {
	if a.screen != nil {
		a.screen.ask(a, text)
		return
	}
	a.k.out("%s ", strings.TrimSuffix(wrap(text, "", a.columns()-1), "\n"))
}

// line is one line of text, shown as it is typed.
func (a *prompter) line(prompt string) (string, error) {
	a.prompt(prompt)
	var text []byte
	for {
		var c byte
		var err error
		if a.keys {
			c, err = a.key()
		} else {
			c, err = a.next()
		}
		if err != nil {
			if errors.Is(err, errStopped) && len(text) > 0 && !a.keys {
				break // the last line of a script need not end
			}
			a.k.out("\n")
			return "", err
		}
		if c == '\r' || c == '\n' {
			break
		}
		switch {
		case !a.keys:
			text = append(text, c)
		case c == backspace || c == del:
			if r, n := utf8.DecodeLastRune(text); n > 0 {
				text = text[:len(text)-n]
				w := max(1, runewidth.RuneWidth(r))
				a.k.out("%s", strings.Repeat("\b", w)+strings.Repeat(" ", w)+strings.Repeat("\b", w))
			}
		case c == ctrlU:
			w := runewidth.StringWidth(string(text))
			a.k.out("%s", strings.Repeat("\b", w)+strings.Repeat(" ", w)+strings.Repeat("\b", w))
			text = text[:0]
		case c >= ' ':
			text = append(text, c)
			_, _ = a.k.Stdout.Write([]byte{c})
		}
		if a.screen != nil {
			a.screen.typed = string(text)
		}
	}
	if a.screen != nil {
		a.screen.answered()
	} else if a.keys || !tty(a.in) {
		a.k.out("\n")
	}
	if !utf8.Valid(text) {
		text = []byte(strings.ToValidUTF8(string(text), "?"))
	}
	return strings.TrimSpace(string(text)), nil
}

// legend says the keys of a question.
func legend(cs []choice) string {
	var w []string
	for _, c := range cs {
		w = append(w, string(c.key)+" "+c.word)
	}
	if _, osc := byKey('h', cs); osc {
		return strings.Join(w, ", ") + "; a frequency goes before the key: 22h is chatter at 22 Hz"
	}
	return strings.Join(w, ", ")
}

// choose asks for one of several answers. Digits before the key are handed back
// with it, such as 22h for "chatter, at 22 Hz"; def answers Enter, 0 for none.
func (a *prompter) choose(prompt string, cs []choice, def byte) (key byte, number string, err error) {
	if !a.keys {
		return a.chooseByLine(prompt, cs, def)
	}
	for {
		a.prompt(prompt)
		var digits []byte
		for {
			c, err := a.key()
			if err != nil {
				if a.screen == nil {
					a.k.out("\n")
				}
				return 0, "", err
			}
			if c >= '0' && c <= '9' || c == '.' && len(digits) > 0 {
				digits = append(digits, c)
				a.k.out("%c", c)
				a.echo(digits)
				continue
			}
			if (c == backspace || c == del) && len(digits) > 0 {
				digits = digits[:len(digits)-1]
				a.k.out("\b \b")
				a.echo(digits)
				continue
			}
			if (c == '\r' || c == '\n') && def != 0 {
				c = def
			}
			if c == '?' {
				if a.screen != nil {
					a.screen.answered()
				} else {
					a.k.out("\n")
				}
				a.say("%s", legend(cs))
				break
			}
			if x, ok := byKey(c, cs); ok && a.screen != nil {
				a.screen.answered()
				return x.key, string(digits), nil
			} else if ok {
				if len(digits) > 0 {
					a.k.out(" ")
				}
				a.k.out("%s\n", x.word)
				return x.key, string(digits), nil
			}
			// any other key is not an answer and costs nothing
		}
	}
}

// chooseByLine is choose with Enter behind the answer, also where single keys could be read:
// among questions that take a line, an Enter out of habit would answer the next one.
func (a *prompter) chooseByLine(prompt string, cs []choice, def byte) (key byte, number string, err error) {
	for {
		s, err := a.line(prompt)
		if err != nil {
			return 0, "", err
		}
		if s == "" && def != 0 {
			return def, "", nil
		}
		if key, number, ok := pick(s, cs); ok {
			return key, number, nil
		}
		a.say("%q is not an option: %s", safe.Line(s), legend(cs))
	}
}

func byKey(c byte, cs []choice) (choice, bool) {
	if c >= 'A' && c <= 'Z' {
		c += 'a' - 'A'
	}
	for _, x := range cs {
		if x.key == c {
			return x, true
		}
	}
	return choice{}, false
}

// pick reads an answer typed as a line: its key or the start of its word, behind a
// number if there is one ("22 chatter").
func pick(s string, cs []choice) (key byte, number string, ok bool) {
	s = strings.ToLower(strings.TrimSpace(s))
	i := 0
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.' && i > 0) {
		i++
	}
	number, s = s[:i], strings.TrimSpace(s[i:])
	if len(s) == 1 {
		x, ok := byKey(s[0], cs)
		return x.key, number, ok
	}
	found := 0
	for _, x := range cs {
		if s != "" && strings.HasPrefix(x.word, s) {
			key = x.key
			found++
		}
	}
	return key, number, found == 1
}

// echo tells the screen what stands behind its prompt, to be drawn again.
func (a *prompter) echo(text []byte) {
	if a.screen != nil {
		a.screen.typed = string(text)
	}
}

// say prints a paragraph to the width of the window as it is now; on a screen it stands below
// the next question.
func (a *prompter) say(format string, args ...any) {
	if a.screen != nil {
		a.screen.notes = append(a.screen.notes, fmt.Sprintf(format, args...))
		return
	}
	a.k.out("%s", wrap(fmt.Sprintf(format, args...), "", a.columns()))
}

// out prints for a person, with signs that the terminal can show.
func (k *invocation) out(format string, args ...any) {
	k.write(k.signs(fmt.Sprintf(format, args...)))
}

// signs turns the signs of our own texts to ASCII where the locale is not UTF-8.
func (e Env) signs(s string) string {
	if e.unicode() {
		return s
	}
	// what is left is not shown: bytes of it could be controls to an 8-bit terminal
	return strings.Map(func(r rune) rune {
		if r > 126 {
			return '?'
		}
		return r
	}, asciiSigns.Replace(s))
}

var asciiSigns = strings.NewReplacer("°", " deg", "×", "x", "…", "...", "–", "-", "−", "-", "·", ".", "±", "+/-", "≤", "<=", "≥", ">=", "→", "->", "Ω", "ohm", "ω", "w", "²", "2", "³", "3", "µ", "u", "„", "\"", "“", "\"", "”", "\"", "’", "'",
	"●", "*", "○", "o", "█", "#", "▓", "#", "░", ".", "─", "-", "│", "|", "┤", "|", "┼", "+", "└", "+", "▲", "^", "▼", "v", "✓", "ok", "✗", "x", "╌", "-", "┄", "-")

// unicode reports whether the locale's encoding is UTF-8. Source: POSIX.1-2017,
// Base Definitions 8.2, for the order of the variables.
func (e Env) unicode() bool {
	for _, v := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if s := strings.ToLower(e.Getenv(v)); s != "" {
			return strings.Contains(s, "utf-8") || strings.Contains(s, "utf8")
		}
	}
	return runtime.GOOS == "windows" || !tty(e.Stdout) && !isNewlines(e.Stdout)
}

// asciiOut writes to a terminal whose locale is not UTF-8.
type asciiOut struct {
	w io.Writer
	e Env
}

func (a asciiOut) Write(p []byte) (int, error) {
	if _, err := io.WriteString(a.w, a.e.signs(string(p))); err != nil {
		return 0, err
	}
	return len(p), nil
}

func (a asciiOut) under() any { return a.w }

// forTerminal turns the signs of all that is printed to what the terminal can
// show. Pipes and files keep UTF-8, which is what their readers expect.
func (e Env) forTerminal() Env {
	if e.unicode() {
		return e
	}
	plain := e
	if tty(e.Stdout) {
		e.Stdout = asciiOut{e.Stdout, plain}
	}
	if tty(e.Stderr) {
		e.Stderr = asciiOut{e.Stderr, plain}
	}
	return e
}

func isNewlines(w io.Writer) bool { _, ok := w.(newlines); return ok }

// stopped is how a session that was left ends.
func stopped(what, again string) error {
	return fail(exitInterrupt, "%s", what).hinted("%s", again)
}

// pickOne asks for one of numbered answers; Enter is 0.
func (a *prompter) pickOne(prompt string, cs []choice) (byte, error) {
	for {
		if !a.keys {
			s, err := a.line(prompt)
			if err != nil || s == "" {
				return '0', err
			}
			for _, c := range cs {
				if s == string(c.key) || s == c.word {
					return c.key, nil
				}
			}
			a.say("%q is not an option", safe.Line(s))
			continue
		}
		a.prompt(prompt)
		for {
			c, err := a.key()
			if err != nil {
				a.k.out("\n")
				return '0', err
			}
			if c == '\r' || c == '\n' {
				c = '0'
			}
			if x, ok := byKey(c, cs); ok {
				a.k.out("%s\n", x.word)
				return x.key, nil
			}
		}
	}
}
