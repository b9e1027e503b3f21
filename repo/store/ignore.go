package store

import (
	"path/filepath"
	"strings"

	"github.com/go-git/go-git/v5/plumbing/format/gitignore"
)

// ignored says whether an ignore rule of the library (.gitignore on the way to path, or
// .git/info/exclude) covers a file that git does not know. The person's own global rules are
// not asked: what they hide from git must not hide an unsaved tune.
func (l WorkTree) ignored(path string) bool {
	var ps []gitignore.Pattern
	add := func(file string, domain []string) {
		data, err := l.fs.ReadFile(file)
		if err != nil {
			return
		}
		for line := range strings.Lines(string(data)) {
			line = strings.TrimRight(line, "\r\n")
			if strings.TrimSpace(line) != "" && line[0] != '#' {
				ps = append(ps, gitignore.ParsePattern(line, domain))
			}
		}
	}
	add(filepath.Join(l.d.Common, "info", "exclude"), nil)
	parts := strings.Split(path, "/")
	for i := range parts {
		add(filepath.Join(l.d.Work, filepath.Join(parts[:i]...), ".gitignore"), parts[:i])
	}
	if len(ps) == 0 {
		return false
	}
	m := gitignore.NewMatcher(ps)
	for i := range parts { // a rule for a folder covers what is in it
		if m.Match(parts[:i+1], i < len(parts)-1) {
			return true
		}
	}
	return false
}
