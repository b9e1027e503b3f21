package merge

import (
	"fmt"
	"slices"
	"strings"
)

// Choices are a person's settlements, by the names in which conflicts are shown.
//
// A settlement names a key (stiffness.pan) if only one file has a conflict on it, a file and a
// key (zoom-build/main:stiffness.pan), a file (zoom-build/main) for all of its conflicts, or
// "all". One that names a file and a key, or a file, also overrules what merges by itself.
type Choices struct {
	specs []*spec
	// Parse reads a value given for a key of a kind of file.
	Parse func(kind, key, text string) (any, error)

	err error
}

type spec struct {
	text  string
	take  Side // "" for KEY=VALUE
	used  bool
	paths []string // files in which a bare key was met
}

// NewChoices takes --ours, --theirs and KEY=VALUE settlements.
func NewChoices(ours, theirs, values []string, parse func(kind, key, text string) (any, error)) (*Choices, error) {
	c := &Choices{Parse: parse}
	for _, s := range ours {
		c.specs = append(c.specs, &spec{text: s, take: Ours})
	}
	for _, s := range theirs {
		c.specs = append(c.specs, &spec{text: s, take: Theirs})
	}
	for _, s := range values {
		if !strings.Contains(s, "=") {
			return nil, fmt.Errorf("%q is not KEY=VALUE", s)
		}
		c.specs = append(c.specs, &spec{text: s})
	}
	return c, nil
}

// Empty says that there is nothing to choose by.
func (c *Choices) Empty() bool { return c == nil || len(c.specs) == 0 }

// match says whether a settlement is about a conflict, and gives the text of its value.
func (s *spec) match(c Conflict, names []string, clean bool) (value string, ok bool) {
	lefts := []string{s.text}
	rights := []string{""}
	if s.take == "" {
		lefts, rights = nil, nil
		for i := range s.text {
			if s.text[i] == '=' {
				lefts, rights = append(lefts, s.text[:i]), append(rights, s.text[i+1:])
			}
		}
	}
	keys := append([]string{c.Key}, c.alt...)
	for i, left := range lefts {
		for _, n := range names {
			if left == n && s.take != "" && (c.Key == "" || !clean) {
				return "", true
			}
			if rest, ok := strings.CutPrefix(left, n+":"); ok && c.Key != "" && slices.Contains(keys, rest) {
				return rights[i], true
			}
		}
		if clean {
			continue
		}
		if left == "all" && s.take != "" {
			return "", true
		}
		if c.Key != "" && slices.Contains(keys, left) {
			if !slices.Contains(s.paths, c.Path) {
				s.paths = append(s.paths, c.Path)
			}
			return rights[i], true
		}
	}
	return "", false
}

// chooser settles the conflicts of one file.
func (c *Choices) chooser(kind string, names []string) Chooser {
	if c.Empty() {
		return nil
	}
	return func(x Conflict, clean bool) (Choice, bool) {
		for _, s := range c.specs {
			text, ok := s.match(x, names, clean)
			if !ok {
				continue
			}
			if s.take != "" {
				s.used = true
				return Choice{Take: s.take}, true
			}
			if !x.Value || c.Parse == nil {
				continue
			}
			v, err := c.Parse(kind, firstOf(x.at, x.Key), text)
			if err != nil {
				if c.err == nil {
					c.err = err
				}
				continue
			}
			s.used = true
			return Choice{Value: v}, true
		}
		return Choice{}, false
	}
}

// names says whether a settlement could be about a file even where it merges by itself.
func (c *Choices) names(names []string) bool {
	if c.Empty() {
		return false
	}
	for _, s := range c.specs {
		for _, n := range names {
			if s.text == n || strings.HasPrefix(s.text, n+":") {
				return true
			}
		}
	}
	return false
}

// ChoiceError is a settlement that cannot be carried out.
type ChoiceError struct{ What, Hint string }

func (e *ChoiceError) Error() string { return e.What }

// check reports settlements that were about nothing, or about several files at once.
func (c *Choices) check(shown func(path string) string) error {
	if c.Empty() {
		return nil
	}
	if c.err != nil {
		return c.err
	}
	for _, s := range c.specs {
		switch {
		case len(s.paths) > 1:
			var files []string
			for _, p := range s.paths {
				files = append(files, shown(p))
			}
			return &ChoiceError{fmt.Sprintf("%q is in conflict in %d files: %s", s.text, len(files), strings.Join(files, ", ")), "Name the file as well: " + files[0] + ":" + s.text}
		case !s.used && s.text != "all":
			return &ChoiceError{fmt.Sprintf("no conflict %q to settle", s.text), "Run it without to see the conflicts and their names"}
		}
	}
	return nil
}
