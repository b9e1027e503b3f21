package library

import (
	"sync"
	"time"

	"rigkeep/preset"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Library is an open library.
type Library struct {
	Store *store.Lib
	Cat   *schema.Catalogue
	// Zone is in which a day begins and ends, for WHEN; nil is UTC.
	Zone *time.Location
	// Now tells the time, for WHEN yesterday; nil where nobody asks for that.
	Now func() time.Time
	// Progress is told now and then how far a long piece of work is.
	Progress func(what string, done, total int)

	mu     sync.Mutex
	sheets map[string]*schema.Sheet // by slug and revision
	rigs   []RigRef
	sum    *summary
	// every job's text, read once, and those that were parsed
	jobText  map[string][]byte
	jobOrder []string
	jobRead  map[string]*preset.Job // nil for one that cannot be read
}

// Open finds and opens the library that dir lies in.
func Open(dir string, cat *schema.Catalogue, opt store.Options) (*Library, error) {
	st, err := store.OpenWith(dir, opt)
	if err != nil {
		return nil, err
	}
	l := &Library{Store: st, Cat: cat, Progress: opt.OnProgress, sheets: map[string]*schema.Sheet{}}
	if err := l.checkFormat(); err != nil {
		return nil, err
	}
	return l, nil
}

// The methods of a library are told apart by what they are for. Each of these types is the open library seen for one
// purpose; it holds nothing of its own.
type (
	// Names says what a name means: a rig, a job, a tune, a moment.
	Names struct{ *Library }
	// WordSearch finds rigs, jobs, parts, units and notes by words.
	WordSearch struct{ *Library }
	// Lists has the rigs as lists show them, from a summary that is derived and kept.
	Lists struct{ *Library }
	// Past has revisions, and what was proved when.
	Past struct{ *Library }
	// Jobs has shoots: their pins, their shots, what goes out with them.
	Jobs struct{ *Library }
	// Builds joins the shop's parts to rigs, and knows who uses which part.
	Builds struct{ *Library }
	// Balances has balance records and the marks they tell.
	Balances struct{ *Library }
	// Sessions begins, goes on with and ends bench sessions; each answer is on disk before the next question.
	Sessions struct{ *Library }
	// Evidence gathers what a starting tune is derived from.
	Evidence struct{ *Library }
	// Units has unit records: what each holds, who has it, what was written to it.
	Units struct{ *Library }
	// Photos has the pictures of a rig.
	Photos struct{ *Library }
	// Planner makes a revision of changed files, and checks it before it is made.
	Planner struct{ *Library }
	// Editor changes files in place.
	Editor struct{ *Library }
	// Syncer exchanges revisions with a remote library.
	Syncer struct{ *Library }
	// Merger joins two histories.
	Merger struct{ *Library }
	// reviewFacts gathers what review rules look at.
	reviewFacts struct{ *Library }
)

func (l *Library) Names() Names       { return Names{l} }
func (l *Library) Words() WordSearch  { return WordSearch{l} }
func (l *Library) Lists() Lists       { return Lists{l} }
func (l *Library) Past() Past         { return Past{l} }
func (l *Library) Jobs() Jobs         { return Jobs{l} }
func (l *Library) Builds() Builds     { return Builds{l} }
func (l *Library) Balance() Balances  { return Balances{l} }
func (l *Library) Sessions() Sessions { return Sessions{l} }
func (l *Library) Evidence() Evidence { return Evidence{l} }
func (l *Library) Units() Units       { return Units{l} }
func (l *Library) Photos() Photos     { return Photos{l} }
func (l *Library) Plans() Planner     { return Planner{l} }
func (l *Library) Edits() Editor      { return Editor{l} }
func (l *Library) Remotes() Syncer    { return Syncer{l} }
func (l *Library) Merging() Merger    { return Merger{l} }
