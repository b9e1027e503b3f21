package main

import (
	"io"
	"os"
	"strconv"
	"time"

	"github.com/mattn/go-isatty"
	"golang.org/x/term"

	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Env is everything that a run takes from outside. Nothing below cmd reads a
// clock, an environment variable or a stream by itself.
type Env struct {
	Stdin          io.Reader
	Stdout, Stderr io.Writer
	Getenv         func(string) string
	Dir            string // working directory
	Now            func() time.Time
	Catalogue      *schema.Catalogue // nil is the one that ships
	Answered       func(any)         // is told of each answer that goes out as JSON; nil is nobody

	made *store.Rev // the revision that the run made, if it made one
}

func (e Env) catalogue() *schema.Catalogue {
	if e.Catalogue != nil {
		return e.Catalogue
	}
	return schema.Default()
}

func osEnv() Env {
	dir, err := os.Getwd()
	if err != nil {
		dir = "."
	}
	return Env{Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr, Getenv: os.Getenv, Dir: dir, Now: time.Now}
}

// sink is stdout with its first failure kept: an answer that was cut short by a
// full disk must not end as done.
type sink struct {
	w   io.Writer
	err error
}

func (s *sink) Write(p []byte) (int, error) { return s.keep(s.w.Write(p)) }

// WriteString spares a copy of a long list.
func (s *sink) WriteString(text string) (int, error) { return s.keep(io.WriteString(s.w, text)) }

func (s *sink) keep(n int, err error) (int, error) {
	if err != nil && s.err == nil {
		s.err = err
	}
	return n, err
}

// sameStream reports whether two streams are one; what cannot be compared is not.
func sameStream(a, b io.Writer) (same bool) {
	defer func() { _ = recover() }()
	return a == b
}

func (s *sink) under() any { return s.w }

// fileOf is the file below a stream, nil where there is none.
func fileOf(stream any) *os.File {
	switch x := stream.(type) {
	case *os.File:
		return x
	case interface{ under() any }:
		return fileOf(x.under())
	}
	return nil
}

// straight is a stream as another program should get it: the file itself, so that
// it sees a terminal where there is one.
func straight(w io.Writer) io.Writer {
	if f := fileOf(w); f != nil {
		return f
	}
	return w
}

// tty reports whether a stream is a terminal, Cygwin and MSYS ones included.
func tty(stream any) bool {
	f := fileOf(stream)
	return f != nil && (isatty.IsTerminal(f.Fd()) || isatty.IsCygwinTerminal(f.Fd()))
}

// width of the output in columns: flag, then COLUMNS, then the terminal, then 80.
func (e Env) width(flag int) int {
	if flag > 0 {
		return max(flag, 20)
	}
	if n, err := strconv.Atoi(e.Getenv("COLUMNS")); err == nil && n > 0 {
		return max(n, 20)
	}
	if tty(e.Stdout) {
		if w, _, err := term.GetSize(int(fileOf(e.Stdout).Fd())); err == nil && w > 0 {
			return max(w, 20)
		}
	}
	return 80
}

// colour decides whether to colour: flag, then NO_COLOR, then CLICOLOR_FORCE,
// then whether stdout is a terminal that can. Source: no-color.org,
// bixense.com/clicolors.
func (e Env) colour(flag string) bool {
	switch flag {
	case "always":
		return true
	case "never":
		return false
	}
	if e.Getenv("NO_COLOR") != "" {
		return false
	}
	if f := e.Getenv("CLICOLOR_FORCE"); f != "" && f != "0" {
		return true
	}
	return tty(e.Stdout) && e.Getenv("TERM") != "dumb" && e.Getenv("TERM") != ""
}
