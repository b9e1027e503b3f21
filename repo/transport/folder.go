package transport

import (
	"bytes"
	"context"
	"fmt"
	"io"

	"rigkeep/repo/store"
)

// folder is a repository in a folder of this machine.
type folder struct {
	path string
	s    *store.Shared
	opt  Options
}

func openFolder(path string, opt Options) (Remote, error) {
	s, err := store.OpenShared(path, store.Options{})
	if err != nil {
		return nil, err
	}
	return &folder{path, s, opt}, nil
}

func (f *folder) Shown() string { return f.path }
func (f *folder) Close() error  { return nil }

func (f *folder) Refs(context.Context) (Refs, error) {
	heads, err := f.s.Lib().Refs("refs/heads/")
	if err != nil {
		return Refs{}, err
	}
	head, err := f.s.Head()
	return Refs{heads, head}, err
}

func (f *folder) Fetch(ctx context.Context, lib *store.Lib, want, have []store.Rev) (int, error) {
	if len(have) == 0 { // a first copy
		if n, ok, err := f.s.Lib().Exchange().CopyAll(ctx, lib, f.opt.Tell); ok || err != nil {
			return n, err
		}
	}
	return carry(ctx, f.s.Lib(), lib, want, have, f.opt)
}

func (f *folder) Push(ctx context.Context, lib *store.Lib, p Push) (int, error) {
	// A folder is written without a git program, so nobody would ask the checks that its keeper put there.
	for _, name := range []string{"pre-receive", "update", "reference-transaction"} {
		if f.s.Hook(name) {
			return 0, &store.Error{Kind: store.ErrRefused, Msg: fmt.Sprintf("%s has a hook (%s) that cannot run over a shared folder", f.path, name),
				Hint: "Send it through a server (ssh:// or https://), or with `rigkeep git push`; what you saved stays here"}
		}
	}
	heads, err := f.s.Lib().Refs("refs/heads/")
	if err != nil {
		return 0, err
	}
	if heads[p.Ref] != p.Old {
		return 0, moved(f.path, p.Ref)
	}
	var have []store.Rev
	for _, id := range heads {
		have = append(have, id)
	}
	n, err := carry(ctx, lib, f.s.Lib(), []store.Rev{p.To}, have, f.opt)
	if err != nil {
		return n, err
	}
	return n, f.s.SetRef(ctx, p.Ref, p.Old, p.To, p.Who, p.When, "push: rigkeep sync")
}

// carry copies what want needs from one repository to another.
func carry(ctx context.Context, from, to *store.Lib, want, have []store.Rev, opt Options) (int, error) {
	var ids []string
	err := from.Exchange().NewObjects(want, have, func(id string) error {
		ids = append(ids, id)
		if len(ids)%10_000 == 0 && opt.Tell != nil {
			opt.Tell("counting", int64(len(ids)), 0)
		}
		return ctx.Err()
	})
	if err != nil || len(ids) == 0 {
		return 0, err
	}
	if len(ids) < 500 {
		var b bytes.Buffer
		if err := from.Exchange().Send(ctx, &b, ids, nil); err != nil {
			return 0, err
		}
		n, _, err := to.Exchange().Receive(ctx, &b, nil)
		return n, err
	}
	r, w := io.Pipe()
	go func() { _ = w.CloseWithError(from.Exchange().Send(ctx, w, ids, opt.Tell)) }()
	n, _, err := to.Exchange().Receive(ctx, r, nil)
	_ = r.CloseWithError(err)
	return n, err
}

// moved is the error of a push that somebody else was quicker than.
func moved(shown, ref string) error {
	return &store.Error{Kind: store.ErrDiverged, Msg: ref + " of " + shown + " has moved meanwhile", Hint: "repeat the command"}
}
