package store

import (
	"slices"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// AheadBehind counts the revisions that only a has and those that only b has.
func (l Revisions) AheadBehind(a, b Rev) (onlyA, onlyB int, err error) {
	err = l.with(func(r *objects.Reader) error {
		x, _, err := l.between(r, []Rev{a}, []Rev{b})
		if err != nil {
			return err
		}
		y, _, err := l.between(r, []Rev{b}, []Rev{a})
		onlyA, onlyB = len(x), len(y)
		return err
	})
	return onlyA, onlyB, err
}

// Upstream gives the remote-tracking ref that the present branch is held against: the one that
// git's configuration names, else that of the only remote. name is short, "origin/main"; it is
// "" where there is none. No network is asked: at is where it was when last fetched.
func (l *Lib) Upstream() (name string, at Rev, err error) {
	branch, err := l.Branch()
	if err != nil || branch == "" {
		return "", "", err
	}
	remote, theirs := l.Setting("branch", branch, "remote"), strings.TrimPrefix(l.Setting("branch", branch, "merge"), "refs/heads/")
	if remote == "" {
		names := l.Settings("remote")
		if slices.Contains(names, "origin") {
			remote = "origin"
		} else if len(names) == 1 {
			remote = names[0]
		}
	}
	if remote == "" || remote == "." {
		return "", "", nil
	}
	if theirs == "" {
		theirs = branch
	}
	refs, err := l.Refs("refs/remotes/" + remote + "/" + theirs)
	if err != nil {
		return "", "", err
	}
	id, ok := refs["refs/remotes/"+remote+"/"+theirs]
	if !ok {
		return "", "", nil
	}
	return remote + "/" + theirs, id, nil
}

// Edited is Status for the files whose paths begin with one of the prefixes, by contents alone:
// they are read and held against the last revision, whatever git's index says of them. It costs
// as much as those files, not as much as the library.
func (l WorkTree) Edited(prefixes ...string) ([]Change, error) {
	_, head, err := l.head()
	if err != nil {
		return nil, err
	}
	saved := map[string]plumbing.Hash{}
	if !head.IsZero() {
		err = l.with(func(r *objects.Reader) error {
			c, err := l.Revisions().commit(r, head)
			if err != nil {
				return err
			}
			for _, p := range prefixes {
				if err := tree.Walk(r, c.tree, p, func(path string, mode uint32, id plumbing.Hash) error {
					if mode == tree.ModeFile || mode == tree.ModeExec {
						saved[path] = id
					}
					return nil
				}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	var out []Change
	seen := map[string]bool{}
	for _, p := range prefixes {
		paths, err := l.List(p)
		if err != nil {
			return nil, err
		}
		for _, path := range paths {
			if seen[path] {
				continue
			}
			seen[path] = true
			id, ok := saved[path]
			if !ok {
				if strings.HasSuffix(strings.ToLower(path), ".toml") && !l.ignored(path) {
					out = append(out, Change{Path: path, Kind: Added, Unstaged: true})
				}
				continue
			}
			data, _, err := l.readWork(path)
			if err != nil || !l.sameAsBlob(data, id) {
				out = append(out, Change{Path: path, Kind: Modified, Unstaged: true})
			}
		}
	}
	for path := range saved {
		if !seen[path] {
			out = append(out, Change{Path: path, Kind: Deleted, Unstaged: true})
		}
	}
	slices.SortFunc(out, func(a, b Change) int { return strings.Compare(a.Path, b.Path) })
	return out, nil
}
