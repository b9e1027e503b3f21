package main

import (
	"io"
	"strings"

	"rigkeep/repo/store"
)

// outcome is the documented JSON shape of what a changing command did, or would
// do with --dry-run.
type outcome struct {
	Format   int      `json:"format"`
	Command  string   `json:"command"`
	DryRun   bool     `json:"dry_run"`
	Revision string   `json:"revision,omitempty"` // the new one; none where only the work tree changed
	Subject  string   `json:"subject,omitempty"`
	Words    []string `json:"words"` // the change in words, a line each
	Files    []string `json:"files"` // written, or that would be
}

// recorded runs a changing command with --json: what it prints for people is
// dropped, and what it did is printed as JSON.
func (k *invocation) recorded(name string, run func(*invocation) error) error {
	k.done = outcome{Format: 1, Command: name, DryRun: k.dryRun(), Words: []string{}, Files: []string{}}
	out := k.Stdout
	k.Stdout = io.Discard
	err := run(k)
	k.Stdout = out
	if err != nil {
		return err
	}
	return k.encode(k.done)
}

// recordResult notes what was done for --json.
func (k *invocation) recordResult(rev store.Rev, subject, words string, files ...string) {
	k.done.Revision, k.done.Subject = string(rev), subject
	if k.made != nil && rev != "" {
		*k.made = rev
	}
	k.done.Words = append(k.done.Words, lines(words)...)
	k.done.Files = append(k.done.Files, files...)
}

// lines are the lines of a text that say something.
func lines(text string) []string {
	var out []string
	for _, l := range strings.Split(text, "\n") {
		if l = strings.TrimSpace(l); l != "" {
			out = append(out, l)
		}
	}
	return out
}
