package main

import (
	"io"
	"os"
	"strconv"
	"time"

	"github.com/mattn/go-isatty"
	"golang.org/x/term"

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

// tty reports whether a stream is a terminal, Cygwin and MSYS ones included.
func tty(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && (isatty.IsTerminal(f.Fd()) || isatty.IsCygwinTerminal(f.Fd()))
}

// width of the output in columns: flag, then COLUMNS, then the terminal, then 80.
func (e Env) width(flag int) int {
	if flag > 0 {
		return max(flag, 20)
	}
	if n, err := strconv.Atoi(e.Getenv("COLUMNS")); err == nil && n > 0 {
		return max(n, 20)
	}
	if f, ok := e.Stdout.(*os.File); ok && tty(f) {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
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
