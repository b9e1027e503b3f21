package library

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sort"
	"strings"
	"time"

	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/schema"
)

// RemoteRef is a remote as the library knows it.
type RemoteRef struct {
	Name    string // "" for an address that is used once
	Address string
	Branch  string // short name of the branch on the other side
	New     bool   // it is not in the library's configuration yet
	Proxy   string // the proxy that the library's configuration names for it
}

// Find works out which remote is meant: a configured one by name, an address (a folder's
// must be absolute), or for "" the one that the branch follows, else origin, else the only one.
//
// Where git's settings of the library lead elsewhere, it does as git does (url.*.insteadOf,
// http.proxy, remote.*.proxy) or refuses and names the setting (more than one url, pushurl,
// pushInsteadOf: a sync has one other side).
func (l Syncer) Find(name string) (RemoteRef, error) {
	r, err := l.find(name)
	if err != nil {
		return r, err
	}
	return r, l.asGit(&r)
}

// asGit applies what the library's git settings say of a remote. Source: git-config(1), remote.*,
// url.* and http.*.
func (l Syncer) asGit(r *RemoteRef) error {
	refuse := func(setting, value string) error {
		return &store.Error{Kind: store.ErrForeign, Msg: fmt.Sprintf("git would send to another address than it fetches from: %s is %s", setting, transport.Shown(value)),
			Hint: "A sync has one other side: remove the setting with `git config --unset-all " + setting + "`, or exchange with git fetch, merge and push"}
	}
	s := l.Store
	if urls := s.SettingAll("remote", r.Name, "url"); r.Name != "" && !r.New && len(urls) > 1 {
		return refuse("remote."+r.Name+".url", schema.List(urls))
	}
	to := r.Address
	// longest applies the setting that fits most of the address, as git does.
	longest := func(key string) (base, prefix string) {
		for _, b := range s.Settings("url") {
			for _, p := range s.SettingAll("url", b, key) {
				if p != "" && strings.HasPrefix(r.Address, p) && len(p) > len(prefix) {
					base, prefix = b, p
				}
			}
		}
		return base, prefix
	}
	if base, prefix := longest("insteadOf"); prefix != "" {
		to = base + r.Address[len(prefix):]
	}
	if r.Name != "" && !r.New {
		for _, p := range s.SettingAll("remote", r.Name, "pushurl") {
			if p != to && p != r.Address {
				return refuse("remote."+r.Name+".pushurl", p)
			}
		}
	}
	if base, prefix := longest("pushInsteadOf"); prefix != "" && base+r.Address[len(prefix):] != to && len(s.SettingAll("remote", r.Name, "pushurl")) == 0 {
		return refuse("url."+base+".pushInsteadOf", prefix)
	}
	r.Proxy = s.Setting("http", "", "proxy")
	best := ""
	for _, u := range s.Settings("http") { // http.URL.proxy: the longest that fits
		if p := s.SettingAll("http", u, "proxy"); len(p) > 0 && strings.HasPrefix(to, u) && len(u) > len(best) {
			best, r.Proxy = u, p[len(p)-1]
		}
	}
	if p := s.SettingAll("remote", r.Name, "proxy"); r.Name != "" && !r.New && len(p) > 0 {
		r.Proxy = p[len(p)-1]
	}
	r.Address = to
	return nil
}

func (l Syncer) find(name string) (RemoteRef, error) {
	branch, err := l.Store.Branch()
	if err != nil {
		return RemoteRef{}, err
	}
	if branch == "" {
		return RemoteRef{}, &store.Error{Kind: store.ErrUnfinished, Msg: "no branch is checked out here (HEAD is detached), so there is nothing to sync", Hint: "Go back with `git switch BRANCH`"}
	}
	all := l.Store.Settings("remote")
	sort.Strings(all)
	url := func(n string) string { return l.Store.Setting("remote", n, "url") }
	of := func(n string) RemoteRef {
		r := RemoteRef{Name: n, Address: url(n), Branch: branch}
		if l.Store.Setting("branch", branch, "remote") == n {
			if to, ok := strings.CutPrefix(l.Store.Setting("branch", branch, "merge"), "refs/heads/"); ok {
				r.Branch = to
			}
		}
		return r
	}
	if name == "" {
		for _, n := range []string{l.Store.Setting("branch", branch, "remote"), "origin"} {
			if n != "" && url(n) != "" {
				return of(n), nil
			}
		}
		if len(all) == 1 {
			return of(all[0]), nil
		}
		e := &store.Error{Kind: store.ErrNotFound, Msg: "No sync target yet", Hint: "Try: rigkeep sync https://HOST/tunes.git"}
		if len(all) > 1 {
			e.Msg, e.Hint = "this library knows several remotes: "+strings.Join(all, ", "), "Name the one to sync with"
		}
		return RemoteRef{}, e
	}
	for _, n := range all {
		if n == name || url(n) == name {
			return of(n), nil
		}
	}
	r := RemoteRef{Address: name, Branch: branch}
	if url("origin") == "" {
		r.Name, r.New = "origin", true
	}
	return r, nil
}

// Remember puts a new remote into the library's configuration, so that the next sync needs no
// name. A password in the address is left out.
func (l Syncer) Remember(ctx context.Context, r RemoteRef) error {
	if r.Name == "" || !r.New {
		return nil
	}
	_, err := l.Store.AddSettings(ctx, "remote", r.Name,
		store.AddSetting{Key: "url", Value: transport.Shown(r.Address)},
		store.AddSetting{Key: "fetch", Value: "+refs/heads/*:refs/remotes/" + r.Name + "/*"})
	if err != nil {
		return err
	}
	branch, err := l.Store.Branch()
	if err != nil {
		return err
	}
	_, err = l.Store.AddSettings(ctx, "branch", branch, store.AddSetting{Key: "remote", Value: r.Name}, store.AddSetting{Key: "merge", Value: "refs/heads/" + r.Branch})
	return err
}

// SyncOptions say how to sync.
type SyncOptions struct {
	Remote RemoteRef
	Who    store.Person
	Now    func() time.Time
	// Choices gives the person's settlements, afresh for each try; may be nil.
	Choices func() (*merge.Choices, error)
	// Message makes subject and body of the revision that merges; may be nil.
	Message func(m *Merged) (subject, body string)
	// DryRun fetches and says what would happen, but moves and sends nothing.
	DryRun bool
}

// Synced is what a sync did, or would do.
type Synced struct {
	Remote   RemoteRef
	Before   store.Rev // where the library was
	After    store.Rev // and is now
	Came     []store.Commit
	Went     []store.Commit
	Changed  []store.PathChange // files of the library that changed
	Merged   *Merged            // nil if no merge was needed
	Revision store.Rev          // the merge, if one was saved
	Sent     bool               // the other side was moved
	Tries    int
}

// Conflict says that a person has to settle something first; nothing was moved.
func (s *Synced) Conflict() bool { return s.Merged != nil && len(s.Merged.Clashes) > 0 }

// syncTries bounds how often a sync begins anew because someone else was quicker.
const syncTries = 8

// recentHaves is how many revisions are named to the other side, so that it can find what both
// have; the last state known of it is named as well.
const recentHaves = 32

// Run brings the library and a remote to the same state: what came there is fetched and checked
// before anything moves; the library is moved forward, or merged by key; then what is new here
// is sent. Should the remote or the library move meanwhile, it begins anew. A clash stops it
// with the library as it was; so does anything unsaved that would be touched.
//
// Errors: those of the transport; store.ErrChanged with the names of unsaved files in the way;
// store.ErrBusy if others keep being quicker; those of Merge.
func (l Syncer) Run(ctx context.Context, r transport.Remote, opt SyncOptions) (*Synced, error) {
	if branch, err := l.Store.Branch(); err != nil || branch == "" {
		_, ferr := l.Find("")
		return nil, errors.Join(err, ferr)
	}
	l.Store.Exchange().DropQuarantine()
	head, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	out := &Synced{Remote: opt.Remote, Before: head, After: head}
	var seen store.Rev // the remote's state before anything was sent
	for out.Tries < syncTries {
		out.Tries++
		done, theirs, err := l.syncOnce(ctx, r, &opt, out)
		if err != nil {
			return nil, err
		}
		seen = theirs
		if done {
			return out, l.report(out, seen)
		}
		select { // the others need a moment to get out of the way
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(time.Duration(rand.IntN(20*out.Tries)+1) * time.Millisecond):
		}
	}
	return nil, &store.Error{Kind: store.ErrBusy, Msg: fmt.Sprintf("the server changed %d times during the sync", syncTries), Hint: "nothing lost; repeat the command"}
}

// syncOnce tries once. done is false if something moved meanwhile.
func (l Syncer) syncOnce(ctx context.Context, r transport.Remote, opt *SyncOptions, out *Synced) (done bool, theirs store.Rev, err error) {
	refs, err := r.Refs(ctx)
	if err != nil {
		return false, "", err
	}
	ref := "refs/heads/" + opt.Remote.Branch
	theirs = refs.Heads[ref]
	if theirs == "" && len(refs.Heads) > 0 {
		return false, "", otherBranch(r.Shown(), opt.Remote.Branch, refs)
	}
	if theirs != "" {
		if err := l.take(ctx, r, opt, theirs); err != nil {
			return false, "", err
		}
		if err := l.Merging().checkTheirs(theirs); err != nil {
			return false, "", err
		}
	}
	head, err := l.Store.Head()
	if err != nil {
		return false, "", err
	}
	out.Merged, out.Revision = nil, ""
	to := head
	switch behind, ahead, err := l.relation(head, theirs); {
	case err != nil:
		return false, "", err
	case ahead || theirs == head:
	case behind:
		to = theirs
		if !opt.DryRun {
			err = l.Store.Writer().Advance(ctx, theirs, opt.Who, opt.Now(), "sync: forward to "+r.Shown())
			l.Names().forget()
		}
		if errors.Is(err, store.ErrDiverged) {
			return false, theirs, nil
		}
		if err != nil {
			return false, "", err
		}
	default:
		again, err := l.syncMerge(ctx, opt, out, head, theirs)
		if err != nil || again || out.Conflict() {
			return !again, theirs, err
		}
		if to = out.Revision; opt.DryRun {
			to = head
		}
	}
	out.After = to
	if to == theirs || to == "" || opt.DryRun {
		return true, theirs, nil
	}
	if _, err = r.Push(ctx, l.Store, transport.Push{Ref: ref, Old: theirs, To: to, Who: opt.Who, When: opt.Now()}); err != nil {
		if errors.Is(err, store.ErrDiverged) {
			return false, theirs, nil
		}
		return false, "", err
	}
	out.Sent = true
	return true, theirs, l.track(ctx, opt, to)
}

func otherBranch(shown, branch string, refs transport.Refs) error {
	var names []string
	for n := range refs.Heads {
		names = append(names, strings.TrimPrefix(n, "refs/heads/"))
	}
	sort.Strings(names)
	main := strings.TrimPrefix(refs.Head, "refs/heads/")
	if refs.Heads[refs.Head] == "" {
		main = names[0]
	}
	return &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("%s has no branch %s; it has %s", shown, branch, strings.Join(names, ", ")),
		Hint: fmt.Sprintf("If %s is the one to follow: rigkeep git branch -m %s", main, main)}
}

// take fetches a revision, checks that all of it is there, and notes where the remote is.
func (l Syncer) take(ctx context.Context, r transport.Remote, opt *SyncOptions, theirs store.Rev) error {
	have, err := l.haves()
	if err != nil {
		return err
	}
	known := false
	for _, id := range have {
		known = known || id == theirs
	}
	if known {
		return l.track(ctx, opt, theirs)
	}
	// It may be here already, whole or, where an earlier transfer was killed, in part.
	if !l.Store.Revisions().Has(theirs) || l.Store.Exchange().Complete([]store.Rev{theirs}, have) != nil {
		if _, err := r.Fetch(ctx, l.Store, []store.Rev{theirs}, have); err != nil {
			return err
		}
		if err := l.Store.Exchange().Complete([]store.Rev{theirs}, have); err != nil {
			return err
		}
	}
	return l.track(ctx, opt, theirs)
}

// haves are revisions all of whose objects are here.
func (l Syncer) haves() ([]store.Rev, error) {
	var out []store.Rev
	head, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	if head != "" {
		log, err := l.Store.Revisions().Log(head, recentHaves)
		if err != nil {
			return nil, err
		}
		for _, c := range log {
			out = append(out, c.ID)
		}
	}
	refs, err := l.Store.Refs("refs/remotes/")
	if err != nil {
		return nil, err
	}
	for _, id := range refs {
		out = append(out, id)
	}
	return out, nil
}

// track moves the library's note of where the remote is.
func (l Syncer) track(ctx context.Context, opt *SyncOptions, at store.Rev) error {
	if opt.Remote.Name == "" {
		return nil
	}
	name := "refs/remotes/" + opt.Remote.Name + "/" + opt.Remote.Branch
	for range 10 {
		refs, err := l.Store.Refs(name)
		if err != nil {
			return err
		}
		if refs[name] == at {
			return nil
		}
		err = l.Store.SetRef(ctx, name, refs[name], at, opt.Who, opt.Now(), "sync")
		if !errors.Is(err, store.ErrDiverged) {
			return err
		}
	}
	return nil // another sync keeps moving it; it is a note, no more
}

// relation says whether the library is behind the remote, or ahead of it.
func (l Syncer) relation(head, theirs store.Rev) (behind, ahead bool, err error) {
	if theirs == "" || head == "" {
		return head == "" && theirs != "", theirs == "" && head != "", nil
	}
	if behind, err = l.Store.Revisions().IsAncestor(head, theirs); err != nil || behind {
		return behind, false, err
	}
	ahead, err = l.Store.Revisions().IsAncestor(theirs, head)
	return false, ahead, err
}

// syncMerge merges and saves the merge. again is true if the library moved meanwhile.
func (l Syncer) syncMerge(ctx context.Context, opt *SyncOptions, out *Synced, head, theirs store.Rev) (again bool, err error) {
	var ch *merge.Choices
	if opt.Choices != nil {
		if ch, err = opt.Choices(); err != nil {
			return false, err
		}
	}
	m, err := l.Merging().Merge(head, theirs, ch)
	if err != nil {
		return false, err
	}
	out.Merged = m
	if len(m.Clashes) > 0 || opt.DryRun {
		return false, nil
	}
	subject, body := "Merge "+firstName(opt.Remote), ""
	if opt.Message != nil {
		subject, body = opt.Message(m)
	}
	out.Revision, err = l.Merging().CommitMerge(ctx, m, subject, body, opt.Who, opt.Now())
	if errors.Is(err, store.ErrChanged) {
		if now, herr := l.Store.Head(); herr == nil && now != head {
			return true, nil
		}
	}
	return false, err
}

func firstName(r RemoteRef) string {
	if r.Name != "" {
		return r.Name
	}
	return transport.Shown(r.Address)
}

// report fills in what came and what went.
func (l Syncer) report(out *Synced, theirs store.Rev) (err error) {
	revs := func(ids ...store.Rev) (list []store.Rev) {
		for _, id := range ids {
			if id != "" {
				list = append(list, id)
			}
		}
		return list
	}
	mine := map[store.Rev]bool{out.Revision: true}
	if out.Came, err = l.Store.Revisions().Between(revs(theirs), revs(out.Before)); err != nil {
		return err
	}
	went, err := l.Store.Revisions().Between(revs(firstRev(out.After, out.Before)), revs(theirs))
	if err != nil {
		return err
	}
	for _, c := range went {
		if !mine[c.ID] {
			out.Went = append(out.Went, c)
		}
	}
	if out.After != out.Before {
		out.Changed, err = l.Store.Revisions().Diff(out.Before, out.After)
	}
	return err
}

func firstRev(a, b store.Rev) store.Rev {
	if a != "" {
		return a
	}
	return b
}
