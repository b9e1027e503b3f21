package store

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/hist"
	"rigkeep/repo/internal/objects"
	"rigkeep/schema"
)

// Resolve finds the revision that a person means: "" or HEAD, a revision id or a unique start
// of one (four digits or more), a branch or tag, a date (2006-01-02, with 15:04 or a full RFC
// 3339 time if wanted), each optionally followed by ~N for N revisions before it. A date means
// the last revision made by then; a date without a time means by the end of that day, in
// Options.Location.
//
// Errors: ErrNotFound, with the candidates if a start is not unique.
func (l Revisions) Resolve(when string) (Rev, error) {
	name, back, err := splitBack(when)
	if err != nil {
		return "", err
	}
	id, err := l.resolve(name)
	if err != nil {
		return "", err
	}
	return l.back(id, back, when)
}

// ResolveFor is Resolve, but ~N alone counts only the revisions that changed the file at path:
// ~0 is the last of them, ~1 the one before.
func (l Revisions) ResolveFor(path, when string) (Rev, error) {
	name, back, err := splitBack(when)
	if err != nil {
		return "", err
	}
	if name != "" || when == "" {
		return l.Resolve(when)
	}
	revs, err := l.History().Of(path, back+1)
	if err != nil {
		return "", err
	}
	if len(revs) <= back {
		return "", &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("no %s: %s has only %s", when, path, schema.Count(len(revs), "revision", "revisions")),
			Hint: "Try: rigkeep history", Paths: []string{path}}
	}
	return revs[back].ID, nil
}

// splitBack parts "NAME~N" into name and number.
func splitBack(when string) (name string, back int, err error) {
	name, num, ok := strings.Cut(when, "~")
	if !ok {
		return when, 0, nil
	}
	if num == "" {
		return name, 1, nil
	}
	back, err = strconv.Atoi(num)
	if err != nil || back < 0 || back > 1<<30 {
		return "", 0, &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("%q is not a revision: write a number after ~", when)}
	}
	return name, back, nil
}

// back follows first parents.
func (l Revisions) back(id plumbing.Hash, n int, when string) (Rev, error) {
	err := l.with(func(r *objects.Reader) error {
		for i := range n {
			c, err := l.commit(r, id)
			if err != nil {
				return err
			}
			if len(c.Parents) == 0 {
				return &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("no %s: the library begins %s earlier", when, schema.Count(i, "revision", "revisions"))}
			}
			if id, err = c.Parents[0].hash(); err != nil {
				return err
			}
		}
		return nil
	})
	return rev(id), err
}

func (l Revisions) resolve(name string) (plumbing.Hash, error) {
	none := func(msg string) (plumbing.Hash, error) {
		return plumbing.ZeroHash, &Error{Kind: ErrNotFound, Msg: msg, Hint: "`rigkeep history` lists the revisions"}
	}
	if name == "" || name == "HEAD" {
		_, id, err := l.head()
		if err == nil && id.IsZero() {
			return none("nothing has been saved yet")
		}
		return id, err
	}
	var got plumbing.Hash
	var many []string
	err := l.with(func(r *objects.Reader) error {
		for _, id := range l.store.Prefix(name, 1000) {
			kind, _, err := r.Get(id)
			if err != nil {
				return err
			}
			if kind == plumbing.CommitObject {
				got = id
				many = append(many, rev(id).Short())
			}
		}
		return nil
	})
	if err != nil {
		return got, err
	}
	if len(many) > 1 {
		return none(fmt.Sprintf("%q could be any of the revisions %s", name, strings.Join(many[:min(len(many), 8)], ", ")))
	}
	if len(many) == 1 {
		return got, nil
	}
	if t, ok := schema.ParseMoment(name, cmp.Or(l.opt.Location, time.Local)); ok {
		return l.resolveTime(name, t)
	}
	for _, ref := range []string{"refs/heads/" + name, "refs/tags/" + name, "refs/remotes/" + name} {
		id, err := l.d.Ref(ref)
		if err != nil || id.IsZero() {
			continue
		}
		return l.peel(id)
	}
	return none(fmt.Sprintf("no revision %q", name))
}

// peel follows an annotated tag to its commit.
func (l Revisions) peel(id plumbing.Hash) (plumbing.Hash, error) {
	err := l.with(func(r *objects.Reader) error {
		for range 10 {
			kind, data, err := r.Get(id)
			if err != nil || kind == plumbing.CommitObject {
				return err
			}
			line, _, _ := strings.Cut(string(data), "\n")
			to, ok := strings.CutPrefix(line, "object ")
			if kind != plumbing.TagObject || !ok || !plumbing.IsHash(to) {
				break
			}
			id = plumbing.NewHash(to)
		}
		return &Error{Kind: ErrNotFound, Msg: "that tag does not name a revision"}
	})
	return id, err
}

// resolveTime finds the last revision made by then, along first parents: what this library held
// at that time, not what a side branch did.
func (l Revisions) resolveTime(name string, t time.Time) (plumbing.Hash, error) {
	_, id, err := l.head()
	if err != nil {
		return id, err
	}
	if id.IsZero() {
		return id, &Error{Kind: ErrNotFound, Msg: "nothing has been saved yet"}
	}
	head, found := id, false
	err = l.History().ask(head, func(x *hist.Index) {
		id, found = head, false
		for no := x.Find(head); no >= 0 && !found; no = x.FirstParent(no) {
			id = x.ID(no)
			found = x.Date(no) <= t.Unix()
		}
	})
	if err != nil || found {
		return id, err
	}
	first := ""
	if c, err := l.Commit(rev(id)); err == nil {
		first = ", on " + schema.SayMoment(c.When, t.Location())
	}
	return id, &Error{Kind: ErrNotFound, Msg: "the library begins after " + name + first}
}

// Has says whether a revision is in the library.
func (l Revisions) Has(at Rev) bool {
	id, err := at.hash()
	if err != nil {
		return false
	}
	err = l.with(func(r *objects.Reader) error {
		_, err := r.Commit(id)
		return err
	})
	return err == nil || !errors.Is(err, ErrDamaged)
}
