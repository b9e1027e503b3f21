package library

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/schema"
)

// Clone makes a library in dir that is a copy of a remote's, with all history, and follows it
// from then on. dir must not exist or be empty. Nothing is left in it after an error.
//
// Errors: store.ErrNotFound if the remote has no revision yet, store.ErrForeign if it is no
// library, those of the transport and of store.InitFrom.
func Clone(ctx context.Context, dir string, r transport.Remote, address string, cat *schema.Catalogue, opt store.Options, who store.Person, when time.Time) (*Library, error) {
	refs, err := r.Refs(ctx)
	if err != nil {
		return nil, err
	}
	branch, err := mainBranch(r.Shown(), refs)
	if err != nil {
		return nil, err
	}
	tip := refs.Heads["refs/heads/"+branch]
	err = store.InitFrom(dir, branch, opt, func(st *store.Lib) error {
		if _, err := r.Fetch(ctx, st, []store.Rev{tip}, nil); err != nil {
			return err
		}
		if err := st.Exchange().CompleteAll(ctx, tip); err != nil {
			return err
		}
		l := &Library{Store: st, Cat: cat, sheets: map[string]*schema.Sheet{}}
		if err := l.Merging().checkTheirs(tip); err != nil {
			return err
		}
		if err := l.Remotes().Remember(ctx, RemoteRef{Name: "origin", Address: address, Branch: branch, New: true}); err != nil {
			return err
		}
		if err := st.SetRef(ctx, "refs/remotes/origin/"+branch, "", tip, who, when, "clone"); err != nil {
			return err
		}
		return st.Writer().Advance(ctx, tip, who, when, "clone: from "+r.Shown())
	})
	if err != nil {
		return nil, err
	}
	return Open(dir, cat, opt)
}

// mainBranch is the branch to follow: the one the remote names, else main, else the only one.
func mainBranch(shown string, refs transport.Refs) (string, error) {
	var names []string
	for n := range refs.Heads {
		names = append(names, strings.TrimPrefix(n, "refs/heads/"))
	}
	sort.Strings(names)
	switch {
	case len(names) == 0:
		return "", &store.Error{Kind: store.ErrNotFound, Msg: shown + " has no revision yet", Hint: "Make a library with `rigkeep init DIR`, and send it there with `rigkeep sync " + shown + "`"}
	case refs.Heads[refs.Head] != "":
		return strings.TrimPrefix(refs.Head, "refs/heads/"), nil
	case refs.Heads["refs/heads/main"] != "":
		return "main", nil
	case len(names) == 1:
		return names[0], nil
	}
	return "", &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("%s has several branches and none is its main one: %s", shown, strings.Join(names, ", ")),
		Hint: "Have its keeper set HEAD: git symbolic-ref HEAD refs/heads/BRANCH"}
}
