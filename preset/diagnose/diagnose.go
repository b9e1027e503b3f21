// Package diagnose ranks the causes of a shaking head from a few answers, by a
// table of knowledge that a technician can read and change (causes.toml). It does
// not compute: what a log shows is package vibration's, what a filter costs package
// loop's.
package diagnose

import (
	_ "embed"
	"fmt"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset/domain"
	"rigkeep/schema"
)

//go:embed causes.toml
var causesText []byte

// Text is the built-in table, to read or to copy.
//
// Source: causes.toml.
func Text() []byte { return slices.Clone(causesText) }

// Default is the built-in table.
//
// Source: causes.toml; common practice, no source.
func Default() *Table {
	t, err := Parse("causes.toml", causesText)
	if err != nil {
		panic(err) // a test reads it
	}
	return t
}

// Table is what is known of causes.
type Table struct {
	Questions []Question
	Causes    []Cause
}

// Question is one question with its answers.
type Question struct {
	ID      string   `json:"id"`
	Ask     string   `json:"ask"`
	Answers []Answer `json:"answers"`
}

// Answer is one answer to a question.
type Answer struct {
	ID   string `json:"id"`
	Text string `json:"text"`
}

// Cause is one reason why a head shakes.
type Cause struct {
	ID, Name, Why string
	Usual         int
	Needs         []string
	Speaks        map[string]map[string]int // question, answer
	Acts          []Act
}

// Act is one thing to do.
type Act struct {
	Step      string `json:"step"`
	Key       string `json:"key,omitempty"`       // of the parameter catalogue
	Direction string `json:"direction,omitempty"` // the parameter's own word
	Do        string `json:"do"`
	Why       string `json:"why"`
}

// Steps are the kinds of act in the order in which they are offered: a filter comes
// only when balance, build, stiffness and following have been looked at.
var Steps = []string{"balance", "check", "stiffness", "follow", "filters"}

// ruledOut is the weight that takes a cause off the list.
const ruledOut = -9

// Answers are the answers given, by question; a question may be left out.
type Answers map[string]string

// Ranked is a cause with what speaks for it.
type Ranked struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`
	Why     string   `json:"why"`
	Score   int      `json:"score"`
	For     []string `json:"for"`     // answers that speak for it, strongest first
	Against []string `json:"against"` // answers that speak against it
	Acts    []Act    `json:"acts"`    // in the order to try them, on the axis in question

	order int
}

// Hint is what is known beside the answers, such as a record of this rig: it speaks
// for or against a cause with a reason of its own.
type Hint struct {
	Cause  string `json:"cause"`
	Weight int    `json:"weight"`
	Text   string `json:"text"`
}

// Rank gives the causes that the answers leave, likeliest first. Causes whose only
// acts are filters stand at the end, however likely. An answer that the table does
// not have is a *domain.Error. A cause is offered from a score of 1.
//
// Source: sum of the table's weights; common practice, no source.
func (t *Table) Rank(a Answers, hints ...Hint) ([]Ranked, error) {
	for q, v := range a {
		if err := t.known(q, v); err != nil {
			return nil, err
		}
	}
	axis := a["axis"]
	if _, ok := schema.ParseAxis(axis); !ok {
		axis = ""
	}
	var out []Ranked
next:
	for i, c := range t.Causes {
		for _, q := range c.Needs {
			if a[q] == "" {
				continue next
			}
		}
		r := Ranked{ID: c.ID, Name: c.Name, Why: c.Why, Score: c.Usual, For: []string{}, Against: []string{}, order: i}
		type said struct {
			w    int
			text string
		}
		var all []said
		for _, q := range t.Questions {
			v := a[q.ID]
			w := c.Speaks[q.ID][v]
			if v == "" || w == 0 {
				continue
			}
			if w == ruledOut {
				continue next
			}
			all = append(all, said{w, q.text(v)})
		}
		for _, h := range hints {
			if h.Cause == c.ID {
				all = append(all, said{h.Weight, h.Text})
			}
		}
		sort.SliceStable(all, func(i, j int) bool { return abs(all[i].w) > abs(all[j].w) })
		for _, s := range all {
			r.Score += s.w
			if s.w > 0 {
				r.For = append(r.For, s.text)
			} else {
				r.Against = append(r.Against, s.text)
			}
		}
		if r.Score < 1 {
			continue
		}
		for _, act := range c.Acts {
			if strings.Contains(act.Key, "AXIS") {
				if axis == "" {
					act.Key = "" // which one, the answers do not say
				}
				act.Key = strings.Replace(act.Key, "AXIS", axis, 1)
			}
			r.Acts = append(r.Acts, act)
		}
		out = append(out, r)
	}
	sort.SliceStable(out, func(i, j int) bool {
		if a, b := last(out[i]), last(out[j]); a != b {
			return b
		}
		if out[i].Score != out[j].Score {
			return out[i].Score > out[j].Score
		}
		return out[i].order < out[j].order
	})
	return out, nil
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

// last reports whether a cause has nothing but filters to offer.
func last(r Ranked) bool {
	for _, a := range r.Acts {
		if a.Step != "filters" {
			return false
		}
	}
	return true
}

func (q Question) text(id string) string {
	for _, a := range q.Answers {
		if a.ID == id {
			return a.Text
		}
	}
	return id
}

// Question finds a question.
//
// Source: look-up.
func (t *Table) Question(id string) (Question, bool) {
	for _, q := range t.Questions {
		if q.ID == id {
			return q, true
		}
	}
	return Question{}, false
}

func (t *Table) known(question, answer string) error {
	q, ok := t.Question(question)
	if !ok {
		return &domain.Error{Model: "diagnose", Name: "question", Value: question, Want: "one of the table's", Do: "leave it out"}
	}
	var ids []string
	for _, a := range q.Answers {
		if a.ID == answer {
			return nil
		}
		ids = append(ids, a.ID)
	}
	return &domain.Error{Model: "diagnose", Name: "answer to " + question, Value: answer, Want: "one of " + strings.Join(ids, ", ")}
}

// Plan gathers the acts of the likeliest causes, at most so many (0 all), and of
// every filter that the answers point to, into one list by step. Each act stands
// once, for the likeliest cause that offers it; where a parameter is wanted both
// ways the likelier cause has it.
//
// Source: order of steps, common practice, no source.
func Plan(rs []Ranked, most int) []Planned {
	var by []Ranked
	for _, r := range rs { // filters stand last, so the others are counted first
		if most == 0 || len(by) < most || last(r) {
			by = append(by, r)
		}
	}
	sort.SliceStable(by, func(i, j int) bool { return by[i].Score > by[j].Score })
	var out []Planned
	seen := map[string]bool{}
	for _, step := range Steps {
		for _, r := range by {
			for _, a := range r.Acts {
				id := a.Key
				if id == "" {
					id = a.Do
				}
				if a.Step != step || seen[id] {
					continue
				}
				seen[id] = true
				out = append(out, Planned{Act: a, Cause: r.Name})
			}
		}
	}
	return out
}

// Planned is an act with the cause it is for.
type Planned struct {
	Act
	Cause string `json:"cause"`
}

// Contradictions says what in a table does not hold together: answers that lead to
// two causes of the same score, among the likeliest or one point behind, that want
// one parameter both ways (further down the list the table's order decides); a
// cause that no answers bring first among its kind; an answer that speaks for or
// against nothing.
//
// Source: exhaustive over every set of answers.
func (t *Table) Contradictions() []string {
	var out []string
	first := map[string]bool{}
	clash := map[string]string{}
	t.every(func(a Answers) {
		rs, err := t.Rank(a)
		if err != nil || len(rs) == 0 {
			return
		}
		head := true
		top := 0
		for _, r := range rs {
			top = max(top, r.Score)
		}
		for i, r := range rs {
			if i == 0 || head && rs[i-1].Score == r.Score || last(r) && !last(rs[i-1]) {
				first[r.ID] = true
			} else {
				head = false
			}
			for _, o := range rs[:i] {
				if o.Score != r.Score || r.Score < top-1 || last(o) != last(r) {
					continue
				}
				for _, x := range o.Acts {
					for _, y := range r.Acts {
						if x.Key != "" && x.Key == y.Key && x.Direction != y.Direction {
							id := o.ID + "/" + r.ID
							if clash[id] == "" {
								clash[id] = fmt.Sprintf("%s wants %s %s and %s wants it %s, equally likely for %s", o.ID, x.Key, x.Direction, r.ID, y.Direction, a)
							}
						}
					}
				}
			}
		}
	})
	for _, id := range sorted(clash) {
		out = append(out, clash[id])
	}
	for _, c := range t.Causes {
		if !first[c.ID] {
			out = append(out, "no answers bring "+c.ID+" to the top")
		}
	}
	for _, q := range t.Questions {
		if q.ID == "axis" {
			continue // it names a parameter rather than a cause
		}
		for _, a := range q.Answers {
			used := false
			for _, c := range t.Causes {
				used = used || c.Speaks[q.ID][a.ID] != 0
			}
			if !used {
				out = append(out, "the answer "+q.ID+" = "+a.ID+" is evidence for or against no cause")
			}
		}
	}
	return out
}

func sorted(m map[string]string) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// every calls f with every set of answers, questions left open included. Of the
// axes one stands for the three, which differ in nothing but their name.
func (t *Table) every(f func(Answers)) {
	a := Answers{}
	var at func(i int)
	at = func(i int) {
		if i == len(t.Questions) {
			f(a)
			return
		}
		q := t.Questions[i]
		delete(a, q.ID)
		at(i + 1)
		for _, v := range q.Answers {
			if q.ID == "axis" && v.ID != "pan" {
				continue
			}
			a[q.ID] = v.ID
			at(i + 1)
			delete(a, q.ID)
		}
	}
	at(0)
}

// String writes the answers in the order of their questions' names.
//
// Source: definition.
func (a Answers) String() string {
	var out []string
	for _, k := range sorted(a) {
		out = append(out, k+"="+a[k])
	}
	return strings.Join(out, " ")
}
