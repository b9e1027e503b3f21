package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset/domain"
	"rigkeep/preset/file"
	"rigkeep/preset/start"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Exit codes, the same for every command. They are never renumbered.
const (
	exitOK        = 0
	exitFindings  = 1
	exitUsage     = 2
	exitNotFound  = 3
	exitConflict  = 4
	exitDamaged   = 5
	exitNetwork   = 6
	exitInterrupt = 130
)

// exitTable is printed by help and documented in README.md.
var exitTable = []struct {
	code int
	kind string
	text string
}{
	{exitOK, "done", "success"},
	{exitFindings, "findings", "differences or findings (or: does not fit)"},
	{exitUsage, "usage", "wrong usage, or a required answer is missing"},
	{exitNotFound, "not-found", "not found: rig, tune, job, revision or file"},
	{exitConflict, "conflict", "conflict, diverged, changed meanwhile, busy, or refused"},
	{exitDamaged, "damaged", "damaged or untrusted file"},
	{exitNetwork, "network", "network or device did not answer"},
	{exitInterrupt, "interrupted", "interrupted"},
}

func kindOf(code int) string {
	for _, r := range exitTable {
		if r.code == code {
			return r.kind
		}
	}
	return "damaged"
}

// failure is an error with its exit code and, where there is one, the next step.
type failure struct {
	code int
	text string
	hint string
	err  error
}

func (f *failure) Error() string {
	if f.text == "" && f.err != nil {
		return f.err.Error()
	}
	return f.text
}
func (f *failure) Unwrap() error { return f.err }

func fail(code int, format string, args ...any) *failure {
	return &failure{code: code, text: fmt.Sprintf(format, args...)}
}

func usage(format string, args ...any) *failure { return fail(exitUsage, format, args...) }

func (f *failure) hinted(format string, args ...any) *failure {
	f.hint = fmt.Sprintf(format, args...)
	return f
}

// errFindings ends a run that printed its answer and has findings to report.
var errFindings = &failure{code: exitFindings}

// codeOf maps an error to the exit code; the layers below say what went wrong,
// this is the one place that says what number that is.
func codeOf(err error) int {
	var f *failure
	if errors.As(err, &f) {
		return f.code
	}
	if errors.Is(err, context.Canceled) {
		return exitInterrupt
	}
	var heavy *start.PayloadError
	if errors.As(err, &heavy) {
		return exitFindings // as fit ends
	}
	if n := store.ExitClass(err); n >= 0 {
		return n
	}
	if es := file.List(err); len(es) > 0 {
		switch es[0].Class {
		case file.Usage:
			return exitUsage
		case file.Missing:
			return exitNotFound
		}
		return exitDamaged
	}
	var de *domain.Error
	var se *schema.DomainError
	if errors.As(err, &de) || errors.As(err, &se) {
		return exitUsage
	}
	return exitDamaged
}

// jsonError is the documented shape of an error.
type jsonError struct {
	Format int `json:"format"`
	Error  struct {
		Kind     string        `json:"kind"`
		Exit     int           `json:"exit"`
		Message  string        `json:"message"`
		Hint     string        `json:"hint,omitempty"`
		Problems []jsonProblem `json:"problems,omitempty"`
	} `json:"error"`
}

type jsonProblem struct {
	File string `json:"file,omitempty"`
	Line int    `json:"line,omitempty"`
	Col  int    `json:"column,omitempty"`
	Key  string `json:"key,omitempty"`
	What string `json:"what"`
	Want string `json:"expected,omitempty"`
	Fix  string `json:"fix,omitempty"`
}

// report prints an error: one line a fault on stderr, lower case,
// no full stop, then the next step; with --json the same on stdout.
func (e Env) report(err error, asJSON bool) int {
	code := codeOf(err)
	var f *failure
	errors.As(err, &f)
	if f == errFindings || f != nil && f.text == "" && f.err == nil {
		return code
	}
	kind := kindOf(code)
	if code == exitConflict && (errors.Is(err, store.ErrRefused) || errors.Is(err, store.ErrDevice)) {
		kind = "refused"
	}
	text, hint := err.Error(), ""
	var re *store.Error
	if errors.As(err, &re) && re.Hint != "" {
		text, hint = strings.TrimSuffix(text, ". "+re.Hint), re.Hint
	}
	if f != nil && f.hint != "" {
		hint = strings.TrimPrefix(hint+"\n"+f.hint, "\n")
	}
	hint = capitals(hint)
	if asJSON {
		j := jsonError{Format: 1}
		j.Error.Kind, j.Error.Exit, j.Error.Message, j.Error.Hint = kind, code, text, hint
		for _, x := range file.List(err) {
			j.Error.Problems = append(j.Error.Problems, jsonProblem{x.File, x.Line, x.Col, x.Key, x.What, x.Want, x.Fix})
		}
		if e.Answered != nil {
			e.Answered(j)
		}
		_ = safe.WriteJSON(e.Stdout, j)
		return code
	}
	for _, line := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		fmt.Fprintln(e.Stderr, e.fold(e.Stderr, "rigkeep: "+safe.Text(line)))
	}
	if hint != "" {
		fmt.Fprintln(e.Stderr, e.fold(e.Stderr, tries(safe.Text(hint))))
	}
	return code
}
