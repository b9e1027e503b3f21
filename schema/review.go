package schema

import (
	"fmt"
	"slices"
)

// Severity says what a finding of a review asks for.
type Severity int

// Severities, from the least.
const (
	Note  Severity = iota // worth knowing
	Check                 // look at it and decide
	Fix                   // put it right before the shoot
)

var severities = [...]string{"note", "check", "fix"}

func (s Severity) String() string {
	if s < 0 || int(s) >= len(severities) {
		return fmt.Sprintf("severity(%d)", int(s))
	}
	return severities[s]
}

// MarshalText writes the severity's word, as JSON shows it.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (s *Severity) UnmarshalText(text []byte) error {
	for i, w := range severities {
		if w == string(text) {
			*s = Severity(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not a severity; want fix, check or note", text)
}

// ReviewRule is one thing that a review looks for: all of it but the test
// itself, which package preset/review has under the same id.
type ReviewRule struct {
	ID       string   `json:"id"`
	Family   string   `json:"family"`
	Title    string   `json:"title"`
	Severity Severity `json:"severity"`
	// Weight orders rules of one severity, the largest first.
	Weight int    `json:"-"`
	Why    string `json:"why"` // why it matters, in one sentence
	// Do is the act that answers it, Commands are what to type; names in braces
	// are filled in from the finding: {ref}, {rig}, {job}, {unit}, {gimbal},
	// {then} (the tune at its proof), {keys}, {path}.
	Do       string       `json:"do"`
	Commands []string     `json:"commands,omitempty"`
	Limit    *ReviewLimit `json:"limit,omitempty"`
	// About is the rule's page: when it fires, what it needs to know, what it
	// does not see.
	About string `json:"about"`
}

// ReviewLimit is the threshold of a rule, with where it is from.
type ReviewLimit struct {
	Value  float64 `json:"value"`
	Unit   string  `json:"unit"`
	Source string  `json:"source"`
}

// ReviewFamily is a group of rules that look at the same thing.
type ReviewFamily struct {
	Name  string       `json:"name"`
	Title string       `json:"title"`
	About string       `json:"about"`
	Rules []ReviewRule `json:"rules"`
}

// ReviewFamilies lists the rules by family; each family is a file of this folder.
func ReviewFamilies() []ReviewFamily {
	fs := []ReviewFamily{reviewProof, reviewBuild, reviewBalance, reviewStiffness, reviewFilters, reviewFollow, reviewFrame, reviewJob, reviewLibrary}
	for i := range fs {
		fs[i].Rules = slices.Clone(fs[i].Rules)
		for k := range fs[i].Rules {
			fs[i].Rules[k].Family = fs[i].Name
		}
	}
	return fs
}

// FindReviewRule finds a rule by its id.
func FindReviewRule(id string) (ReviewRule, bool) {
	for _, f := range ReviewFamilies() {
		for _, r := range f.Rules {
			if r.ID == id {
				return r, true
			}
		}
	}
	return ReviewRule{}, false
}
