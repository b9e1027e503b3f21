package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"

	"golang.org/x/term"
)

// foregroundJobs counts the programs that have the terminal for the moment: Ctrl-C is
// theirs, and we end when they have ended.
var foregroundJobs atomic.Int32

// lend runs a program that has the terminal to itself.
func runInForeground(c *exec.Cmd) error {
	foregroundJobs.Add(1)
	defer foregroundJobs.Add(-1)
	return c.Run()
}

// paged runs an answer with its text held back, and shows it through a pager
// where it is longer than the screen. Messages come behind it, as they do
// without a pager.
func (k *invocation) paged(run func(*invocation) error) error {
	if !k.command.pages {
		return run(k)
	}
	return k.captured(run)
}

// held is paged for the part of a command that asks nothing.
func (k *invocation) captured(run func(*invocation) error) error {
	if !tty(k.Stdout) || k.c.Bool("no-pager") {
		return run(k)
	}
	var text, messages bytes.Buffer
	out, errw := k.Stdout, k.Stderr
	k.Stdout, k.Stderr = bufferedOutput{&text, out}, bufferedOutput{&messages, errw}
	err := run(k)
	k.Stdout, k.Stderr = out, errw
	k.page(text.String())
	_, _ = io.WriteString(errw, messages.String())
	return err
}

// bufferedOutput keeps what is written and still knows the terminal it is for.
type bufferedOutput struct {
	w    io.Writer
	real io.Writer
}

func (h bufferedOutput) Write(p []byte) (int, error) { return h.w.Write(p) }
func (h bufferedOutput) under() any                  { return h.real }

// page prints a text, through a pager where it is longer than the screen.
func (k *invocation) page(text string) {
	f := fileOf(k.Stdout)
	_, high, err := term.GetSize(int(f.Fd()))
	if err != nil || high <= 0 || strings.Count(text, "\n") < high { // some terminals say 0 for unknown
		k.write(text)
		return
	}
	for _, p := range []string{k.Getenv("RIGKEEP_PAGER"), k.Getenv("PAGER"), "less -FIRX"} {
		words := strings.Fields(p)
		if len(words) == 0 {
			continue
		}
		c := exec.Command(words[0], words[1:]...)
		c.Stdin, c.Stdout, c.Stderr = strings.NewReader(k.signs(text)), f, os.Stderr
		c.Env = os.Environ()
		if k.Getenv("LESS") == "" {
			c.Env = append(c.Env, "LESS=FIRX") // without it a bare "less" shows colours as text
		}
		if runInForeground(c) == nil {
			return
		}
	}
	k.write(text)
}
