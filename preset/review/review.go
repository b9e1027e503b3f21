// Package review looks at rigs before a shoot: it holds a snapshot of what the
// library knows against the rules of package schema and says what was found, with
// evidence, reason and what to do. It is pure: no I/O, no clock. A rule that
// cannot be tested for want of a fact says so; it is never passed in silence.
package review

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// Stamp is one revision: who, when and why. The zero Stamp is the work tree.
type Stamp struct {
	Revision string    `json:"revision,omitempty"`
	Who      string    `json:"who,omitempty"`
	When     time.Time `json:"when,omitzero"`
	Why      string    `json:"why,omitempty"`
}

// Text is a file of the snapshot by which evidence finds its lines.
type Text interface {
	// Pos gives the line and column of a key, from 1; ok is false where it is not.
	Pos(key string) (line, col int, ok bool)
}

// Source is where a fact was read: a file at a revision.
type Source struct {
	Path string
	At   Stamp
	Text Text // nil where lines are not known
}

// Subject is one tune under review.
type Subject struct {
	Ref  string // as a person names it: RIG or RIG/TUNE
	Name string // unique in the snapshot: Ref, with "@UNIT" where it goes out on several
	Then string // the tune at its proof, as RIG/TUNE@REVISION; "" where that is not known

	Rig   preset.Rig // as it is built now
	Sheet *schema.Sheet
	Tune  *preset.Tune // the values that go out; nil where there are none
	Unit  string       // that it goes out on, "" not said
	// Files it was read from.
	RigFile, TuneFile, SheetFile Source
	UnitFiles                    map[string]Source // unit records, by serial

	Faults   []Fault   // files that could not be read
	Lost     string    // why the pinned rig, tune or revision cannot be found
	Pin      int       // its pin in the job, −1 for none
	Open     bool      // pinned, but no revision was saved for the job
	Newer    *Newer    // what lies in the library now, where it differs from the pinned
	PinnedAt Stamp     // the pinned revision
	Proved   *Proved   // how things were at the proof, nil where that is not known
	Changes  []Change  // of values since the proof, oldest first
	Builds   []Stamp   // revisions that changed the build since the proof, oldest first
	Onsets   []Onset   // recorded for this rig
	Logs     []Log     // bench logs of this rig
	Taken    *Handover // newest acceptance of a handover for this tune
	// Fit, Marks and Doubts are of the build as it is now, balanced; Balances are its own
	// balance records. Nil where nothing is known.
	Fit      *fit.Report
	Marks    []preset.MarkAnswer
	Doubts   []preset.MarkDoubt
	Balances []preset.BalanceRecord
	// Learned is where stiffness should end by the evidence, by parameter key; nil
	// where it was not asked, with NotLearned saying why.
	Learned    map[string]start.Range
	NotLearned string
	Unsaved    []Edit // of its files
}

// Fault is a file that cannot be read.
type Fault struct {
	Path, What string
	Line       int
}

// Newer is the tune as it lies in the library now.
type Newer struct {
	At    Stamp
	Path  string
	Keys  []string // whose values differ from the pinned revision's
	Proof bool     // the proof differs
}

// Proved is the rig and its values when the proof was recorded.
type Proved struct {
	At     Stamp
	Rig    *preset.Rig // nil where that build cannot be read
	Values map[string]any
}

// Change is one value changed by one revision.
type Change struct {
	Key string
	At  Stamp
}

// Onset is an oscillation on record.
type Onset struct {
	Axis  schema.Axis
	Value float64 // dial number
	Hz    float64 // 0 not known
	Now   bool    // of the build as it is now, not of an earlier one
	From  string  // in words: "the proof", "bench log of …"
	Key   string  // in the file
	File  Source
}

// Log is a bench log.
type Log struct {
	File Source
	Log  preset.BenchLog
}

// Handover is the acceptance of a handover.
type Handover struct {
	At    Stamp
	Sum   string // of the file that was accepted
	Key   string // that signed it, "" or "no" for none
	From  string // the revision that proposed the key, and who made it; "" for a key pinned by other means
	Since bool   // a proof of our own was recorded since
}

// Edit is a file that differs from the last revision.
type Edit struct{ Path, Kind string }

// OtherPin is a pin of another open job that shares a day with this one.
type OtherPin struct {
	Job      string // slug
	From, To time.Time
	Ref      string // of the pinned tune
	Gimbal   string // slug; "" not known
	Rig      string // fingerprint
	Tune     string
	Revision string
	Units    []string // all names of its unit
	File     Source
	Key      string
}

// WantedTwice is a part that is wanted more often than there is of it.
type WantedTwice struct {
	Part string // its name
	Have int    // -1 where the shop does not say
	Text string // by whom, and how many
}

// Exchange is how the library stands to its server, as last known.
type Exchange struct {
	Ref           string // "origin/main"
	Ahead, Behind int
	Theirs        Stamp // newest revision of the server's branch
	Ours          Stamp
}

// Snapshot is all that a review looks at.
type Snapshot struct {
	Now      time.Time // its zone is the reader's
	Cat      *schema.Catalogue
	Job      *preset.Job // nil for a rig by itself
	JobFile  Source
	Subjects []Subject
	Others   []OtherPin
	Twice    []WantedTwice // parts of which the job, or it and another, want more than there are
	Unsaved  []Edit        // of files that belong to no subject alone: sheets, the job
	Exchange *Exchange
	// NoExchange says why Exchange is nil.
	NoExchange string
}

// Evidence is one fact that a finding rests on.
type Evidence struct {
	Text     string    `json:"text"`
	File     string    `json:"file,omitempty"`
	Line     int       `json:"line,omitempty"`
	Revision string    `json:"revision,omitempty"` // "" is the work tree, where there is a file
	Who      string    `json:"who,omitempty"`
	When     time.Time `json:"when,omitzero"`
}

// Acceptance is somebody's word that a finding may stand.
type Acceptance struct {
	By    string `json:"by,omitempty"`
	Why   string `json:"why"`
	Until string `json:"until"` // last day
	// Lapsed says why it is out of date, "" while it does.
	Lapsed string `json:"lapsed,omitempty"`
}

// Finding is one thing that a review has to say.
type Finding struct {
	ID       string          `json:"id"` // rule:subject
	Rule     string          `json:"rule"`
	Family   string          `json:"family"`
	Severity schema.Severity `json:"severity"`
	Of       string          `json:"of"` // what it is about: a tune, a unit, a branch
	Title    string          `json:"title"`
	What     string          `json:"what"`
	Why      string          `json:"why"`
	Do       string          `json:"do"`
	Commands []string        `json:"commands"`
	Evidence []Evidence      `json:"evidence"`
	// Seen identifies what was found: an acceptance holds for as long as this is
	// the same.
	Seen     string      `json:"seen"`
	Accepted *Acceptance `json:"accepted,omitempty"`

	order int // of its subject
}

// Open reports whether nobody has accepted the finding.
func (f Finding) Open() bool { return f.Accepted == nil || f.Accepted.Lapsed != "" }

// NotChecked is a rule that could not be tested.
type NotChecked struct {
	Rule string   `json:"rule"`
	Of   []string `json:"of"` // what it could not be tested on
	Why  string   `json:"why"`
}

// Result is what a review found.
type Result struct {
	Findings   []Finding    `json:"findings"`
	NotChecked []NotChecked `json:"not_checked"`
	Checked    int          `json:"checked"` // rules tested
}

// Acts counts the open findings that ask for an act.
func (r Result) Acts() int { return r.Count(schema.Fix) }

// Count counts the open findings of a severity.
func (r Result) Count(s schema.Severity) int {
	n := 0
	for _, f := range r.Findings {
		if f.Open() && f.Severity == s {
			n++
		}
	}
	return n
}

// Accepted counts the findings that somebody has accepted.
func (r Result) Accepted() int {
	n := 0
	for _, f := range r.Findings {
		if !f.Open() {
			n++
		}
	}
	return n
}

// look is one rule at work on one snapshot.
type look struct {
	rule schema.ReviewRule
	s    *Snapshot
	out  *Result
	made map[*Subject]moves // shared by the rules that simulate
}

// hit is a finding in the making.
type hit struct {
	of       string // "" is the subject
	what     string
	evidence []Evidence
	lower    bool     // one severity below the rule's
	fill     []string // {name}, text, …
	seen     []string // what makes it this finding; the words where none is given
	commands []string // in place of the rule's
}

// tests are the tests of the rules, by rule id. A test looks at one subject; those
// of whole look at the snapshot once.
var tests = map[string]func(*look, *Subject){}

var whole = map[string]func(*look){}

// Review tests every rule on a snapshot. Findings come sorted by how much they
// matter: open before accepted, then severity, weight and the order of the rigs.
func Review(s Snapshot) Result { return Some(s, nil) }

// Some is Review for the rules that pick names by id or family, all for nil.
func Some(s Snapshot, pick func(schema.ReviewRule) bool) Result {
	out := Result{Findings: []Finding{}, NotChecked: []NotChecked{}}
	weight := map[string]int{}
	made := map[*Subject]moves{}
	for _, f := range schema.ReviewFamilies() {
		for _, r := range f.Rules {
			weight[r.ID] = r.Weight
			if pick != nil && !pick(r) {
				continue
			}
			out.Checked++
			l := look{r, &s, &out, made}
			if t := whole[r.ID]; t != nil {
				t(&l)
				continue
			}
			for i := range s.Subjects {
				tests[r.ID](&l, &s.Subjects[i])
			}
		}
	}
	out.accept(s)
	slices.SortStableFunc(out.Findings, func(a, b Finding) int {
		return cmp.Or(
			cmp.Compare(bit(!a.Open()), bit(!b.Open())),
			-cmp.Compare(a.Severity, b.Severity),
			-cmp.Compare(weight[a.Rule], weight[b.Rule]),
			cmp.Compare(a.order, b.order),
		)
	})
	return out
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// accept marks the findings that the job's people have accepted.
func (r *Result) accept(s Snapshot) {
	if s.Job == nil {
		return
	}
	for i := range r.Findings {
		f := &r.Findings[i]
		for _, a := range s.Job.Accepted {
			if a.Finding != f.ID {
				continue
			}
			acc := &Acceptance{By: a.By, Why: a.Why, Until: schema.SayDate(a.Until)}
			switch {
			case schema.SayDay(s.Now, nil) > schema.SayDate(a.Until): // the day is over where Now is
				acc.Lapsed = "it was accepted until " + schema.SayDate(a.Until)
			case a.Seen != "" && a.Seen != f.Seen:
				acc.Lapsed = "something else was accepted: what was found has changed since"
			}
			// the newest word counts, and one that holds before one that lapsed
			if f.Accepted == nil || f.Accepted.Lapsed != "" {
				f.Accepted = acc
			}
		}
	}
}

// day is the day of a moment where the reader is.
func (l *look) day(t time.Time) string { return schema.SayDay(t, l.s.Now.Location()) }

// on adds a finding about a subject.
func (l *look) on(x *Subject, h hit) {
	order := len(l.s.Subjects)
	pairs := []string{}
	if x != nil {
		for i := range l.s.Subjects {
			if &l.s.Subjects[i] == x {
				order = i
			}
		}
		if h.of == "" {
			h.of = x.Name
		}
		unit := x.Unit
		if unit == "" && !x.taken() && x.Tune != nil && x.Tune.Proof != nil {
			unit = x.Tune.Proof.Unit
		}
		then := x.Then
		if then == "" {
			then = x.Ref + "@WHEN"
		}
		gimbal := ""
		if x.Sheet != nil {
			gimbal = x.Sheet.Slug
		}
		pairs = append(pairs, "{ref}", x.Ref, "{rig}", x.Rig.Alias, "{unit}", cmp.Or(unit, "UNIT"), "{then}", then, "{gimbal}", gimbal)
	}
	if l.s.Job != nil {
		pairs = append(pairs, "{job}", l.s.Job.Slug)
	}
	pairs = append(pairs, h.fill...)
	f := Finding{ID: l.rule.ID + ":" + h.of, Rule: l.rule.ID, Family: l.rule.Family, Severity: l.rule.Severity, Of: h.of, Title: l.rule.Title,
		What: h.what, Why: l.rule.Why, Do: strings.NewReplacer(pairs...).Replace(l.rule.Do), Commands: []string{}, Evidence: h.evidence, order: order}
	if h.lower && f.Severity > schema.Note {
		f.Severity--
	}
	if f.Evidence == nil {
		f.Evidence = []Evidence{}
	}
	templates := l.rule.Commands
	if h.commands != nil {
		templates = h.commands
	}
	for _, c := range templates {
		if full, ok := Fill(c, pairs); ok {
			f.Commands = append(f.Commands, full)
		}
	}
	seen := h.seen
	if seen == nil {
		seen = []string{h.what}
	}
	f.Seen = preset.DigestOf("rigkeep-finding-1\n" + l.rule.ID + "\n" + strings.Join(seen, "\n"))
	l.out.Findings = append(l.out.Findings, f)
}

var brace = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\{[a-z]+\}`) })

// Fill puts values, given as name and text by turns, into a command; one with a
// blank or another sign that a shell would take for its own is put in quotes. ok
// is false when a name is left over: the command cannot be typed then.
func Fill(command string, pairs []string) (string, bool) {
	at := map[string]string{}
	for i := 0; i+1 < len(pairs); i += 2 {
		at[pairs[i]] = pairs[i+1]
	}
	ok := true
	var words []string
	for _, w := range strings.Fields(command) {
		bare := brace().FindAllString(w, -1)
		full := brace().ReplaceAllStringFunc(w, func(name string) string {
			v, known := at[name]
			ok = ok && known && v != ""
			return v
		})
		// several words for one name, as in KEY=VALUE KEY=VALUE, stay several
		if len(bare) == 1 && bare[0] == w && strings.Contains(full, "=") {
			words = append(words, full)
			continue
		}
		words = append(words, quote(full))
	}
	return strings.Join(words, " "), ok
}

var plainWord = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z0-9._/@:=,+~-]+$`) })

func quote(s string) string {
	if plainWord().MatchString(s) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// cannot records that the rule could not be tested on a subject (nil for the
// whole), and why.
func (l *look) cannot(x *Subject, format string, args ...any) {
	why := fmt.Sprintf(format, args...)
	of := ""
	if x != nil {
		of = x.Name
	}
	for i := range l.out.NotChecked {
		n := &l.out.NotChecked[i]
		if n.Rule == l.rule.ID && n.Why == why {
			if !slices.Contains(n.Of, of) && of != "" {
				n.Of = append(n.Of, of)
			}
			return
		}
	}
	n := NotChecked{Rule: l.rule.ID, Why: why, Of: []string{}}
	if of != "" {
		n.Of = append(n.Of, of)
	}
	l.out.NotChecked = append(l.out.NotChecked, n)
}

// fact is evidence from a file, at the first of the keys that is there.
func (s Source) fact(text string, keys ...string) Evidence {
	e := Evidence{Text: text, File: s.Path, Revision: s.At.Revision, Who: s.At.Who, When: s.At.When}
	for _, k := range keys {
		if s.Text == nil {
			break
		}
		if line, _, ok := s.Text.Pos(k); ok {
			e.Line = line
			break
		}
	}
	return e
}

// told is evidence from a revision.
func (s Stamp) told(path, text string) Evidence {
	if s.Why != "" {
		text += ": " + s.Why
	}
	return Evidence{Text: text, File: path, Revision: s.Revision, Who: s.Who, When: s.When}
}
