// Package diffview says what differs between two states of a rig or a document:
// first as a plain value, the Report, then as terminal text, JSON, Markdown, a
// page or a patch. Values are compared decoded, so that spelling and layout do
// not count as change; what is only comment or layout is still said.
//
// Two laws hold and are tested by property: a Report is Same exactly when
// nothing differs, and applying a Report to its first side gives its second.
package diffview

import (
	"time"

	"rigkeep/preset"
	"rigkeep/schema"
)

// Format is the version of the JSON shape of a Report.
const Format = 1

// Meta is where a side comes from; empty fields are unknown.
type Meta struct {
	Revision string    `json:"revision,omitempty"` // full commit id
	Who      string    `json:"who,omitempty"`
	When     time.Time `json:"when,omitzero"`
	Job      string    `json:"job,omitempty"`
	Unit     string    `json:"unit,omitempty"` // unit it goes out on, for the staleness of a proof
}

// Side is one of the two states to compare. Whatever it holds is compared with
// the same of the other side; what only one side holds is said.
type Side struct {
	Label string // as the person named it
	Rig   *preset.Rig
	Sheet *schema.Sheet
	Tune  *preset.Tune
	// Docs are decoded documents of the other kinds by path: jobs, gimbal sheets,
	// bench logs, library.toml. The tune's and the rig's own document may be
	// among them, so that keys the catalogue does not know are seen too.
	Docs map[string]schema.Tree
	// Texts are the files as they are, by path in the library. They serve the
	// patch and tell of comments and layout.
	Texts map[string][]byte
	Meta  Meta
	// Resting are the efforts of the newest balance record of the build, percent; where it has none
	// of an axis, those of the tune's proof count.
	Resting map[schema.Axis]float64
}

// Op says what happened to a key, part or file.
type Op string

// What can happen.
const (
	Added    Op = "added"
	Removed  Op = "removed"
	Changed  Op = "changed"
	Replaced Op = "replaced" // a part by another in the same slot
)

// Party names one side in a Report.
type Party struct {
	Label  string `json:"label"`
	Rig    string `json:"rig,omitempty"` // fingerprint
	Alias  string `json:"alias,omitempty"`
	Gimbal string `json:"gimbal,omitempty"`
	Meta
}

// Report is what differs between two sides. Sections that found nothing are nil.
type Report struct {
	Format int   `json:"format"`
	Same   bool  `json:"same"`
	Before Party `json:"before"`
	After  Party `json:"after"`
	Counts Count `json:"counts"`
	// Build comes first, since it explains the rest.
	Build *Build  `json:"build,omitempty"`
	Tune  []Group `json:"tune,omitempty"` // in working order
	Proof *Proof  `json:"proof,omitempty"`
	// Other are fields of the rig or tune that are no parameter and no part.
	Other     []Field    `json:"other,omitempty"`
	Documents []Document `json:"documents,omitempty"`
	Texts     []Text     `json:"texts,omitempty"`
	// NotCompared says what could not be compared and why; it does not count as a difference.
	NotCompared []string   `json:"not_compared,omitempty"`
	Behaviour   *Behaviour `json:"behaviour,omitempty"`
	// History is each parameter over the jobs that had the tune; whoever knows the library adds it.
	History []Plot `json:"history,omitempty"`

	a, b Side
}

// Count is how many differences there are, by weight.
type Count struct {
	Major   int `json:"major"`
	Notable int `json:"notable"`
	Minor   int `json:"minor"`
}

func (c *Count) add(l schema.Level) {
	switch l {
	case schema.Major:
		c.Major++
	case schema.Notable:
		c.Notable++
	case schema.Minor:
		c.Minor++
	}
}

// Total counts all differences.
func (c Count) Total() int { return c.Major + c.Notable + c.Minor }

// Group is the changed parameters of one group of the catalogue.
type Group struct {
	Name    string   `json:"name"`
	Title   string   `json:"title"`
	Changes []Change `json:"changes"`
}

// Change is one parameter that differs. Numbers are in dial numbers, or in Unit
// where the parameter has no dial.
type Change struct {
	Key   string `json:"key"`
	Label string `json:"label"`
	Unit  string `json:"unit,omitempty"`
	// UnitBefore is the unit of Before where the first gimbal's is another.
	UnitBefore *string `json:"unit_before,omitempty"`
	Axis       string  `json:"axis,omitempty"`
	Op         Op      `json:"op"`
	// Before and After are number, flag or word; nil when the key is absent.
	Before any `json:"before"`
	After  any `json:"after"`
	// Delta is After − Before, wrapped for angles that go round. Between two
	// gimbals it is in the numbers of the second, from Converted.
	Delta *float64 `json:"delta,omitempty"`
	Steps *Steps   `json:"steps,omitempty"`
	// Share is Delta over the dial's or field's range, 1 for the whole of it.
	Share *float64 `json:"share_of_range,omitempty"`
	// Converted is Before in the numbers of the second gimbal, through SI.
	Converted *float64 `json:"converted,omitempty"`
	// Sense is +1 in the parameter's Up direction, −1 in its Down direction.
	Sense     int          `json:"sense"`
	Direction string       `json:"direction,omitempty"` // "stiffer", "softer", …
	Level     schema.Level `json:"level"`
	SI        *SI          `json:"si,omitempty"`
	// Comparable is false when the numbers of the two sides mean different
	// things; Reason says why.
	Comparable bool   `json:"comparable"`
	Reason     string `json:"reason,omitempty"`
	Sentence   string `json:"sentence,omitempty"` // what going this way does, from the catalogue
	Caution    string `json:"caution,omitempty"`
	Remark     string `json:"remark,omitempty"` // the default that now applies, and the like
	Known      bool   `json:"known"`            // whether the catalogue has the key
}

// Steps is a change counted in the dial's steps, signed as Delta is.
type Steps struct {
	Coarse     float64 `json:"coarse"`
	Fine       float64 `json:"fine"`
	CoarseSize float64 `json:"coarse_size"`
	FineSize   float64 `json:"fine_size"`
}

// SI is a parameter's two values through the dial maps; nil where a side has none.
type SI struct {
	Before *float64 `json:"before"`
	After  *float64 `json:"after"`
	Unit   string   `json:"unit"`
	// Extrapolated says that one of them lies outside the points of a measured map.
	Extrapolated bool `json:"extrapolated,omitempty"`
}

// Field is one key of a document that differs.
type Field struct {
	Key    string       `json:"key"`
	Label  string       `json:"label,omitempty"` // what the key is, from the catalogue
	Unit   string       `json:"unit,omitempty"`
	Op     Op           `json:"op"`
	Before any          `json:"before"`
	After  any          `json:"after"`
	Delta  *float64     `json:"delta,omitempty"`
	Words  []Mark       `json:"words,omitempty"` // for longer text, word by word
	Level  schema.Level `json:"level"`
	Known  bool         `json:"known"`
	// Derived marks a value that Rigkeep records by itself.
	Derived bool `json:"derived,omitempty"`
}

// Mark is a stretch of text: Op is "" where both sides agree.
type Mark struct {
	Op   Op     `json:"op,omitempty"`
	Text string `json:"text"`
}

// Document is the differing keys of one document of another kind, known keys first.
type Document struct {
	Path   string  `json:"path"`
	Was    string  `json:"was,omitempty"` // path on the first side, if another
	Kind   string  `json:"kind,omitempty"`
	Op     Op      `json:"op"`
	Fields []Field `json:"fields"`
}

// Text says how the text of a file differs beyond its values.
type Text struct {
	Path     string    `json:"path"`
	Was      string    `json:"was,omitempty"`
	Op       Op        `json:"op"`
	Comments []Comment `json:"comments,omitempty"` // that only one side has
	// Layout is true when order, spacing, line ends or the spelling of values differ
	// and no value does.
	Layout bool `json:"layout,omitempty"`
	// Summary says it in words: "comments only", "layout only", …
	Summary string `json:"summary"`
}

// Comment is a remark in a file, by the key it stands by.
type Comment struct {
	Op   Op     `json:"op"`
	Key  string `json:"key,omitempty"`
	Text string `json:"text"`
}
