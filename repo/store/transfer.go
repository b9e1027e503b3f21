package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/gitdir"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// Progress is told now and then how far a transfer is, as in ("receiving", 123456, 0), in bytes,
// or ("checking", 5000, 60000), in objects. total may be 0 if it is not known.
type Progress func(what string, done, total int64)

// receiveInMemory is how large a pack may be that is taken in without a file of its own.
var receiveInMemory = 8 << 20 // a variable for tests

// receiveLoose is how many objects of a small pack become files of their own, as git has it
// (transfer.unpackLimit): a pack for every sync would soon make many packs.
const receiveLoose = 100

// receivePrefix begins the names of packs on their way in.
const receivePrefix = objects.PackTemp + "in_"

// Receive takes a pack from a stream into the store: every object is checked, and on stable
// storage at the return. Nothing points to them yet. What an earlier transfer left behind when
// its process died is removed. undo takes a pack out again.
//
// Errors: ErrDamaged if the pack is not sound; ErrDevice; what r gives; ctx's own.
func (l Exchange) Receive(ctx context.Context, r io.Reader, tell Progress) (count int, undo func(), err error) {
	l.DropQuarantine()
	dir := filepath.Join(l.ObjectFolder(), "pack")
	if err := disk.MkdirAll(l.fs, dir, 0o777); err != nil {
		return 0, nil, device("storing what is received", err)
	}
	tmp := disk.TempName(dir, receivePrefix)
	// Held for as long as this lives, so that another process can tell a live transfer from a dead one's rest.
	lk, ok, err := disk.TryLock(l.fs, tmp+".lock")
	if err == nil && !ok {
		err = fs.ErrExist
	}
	if err != nil {
		return 0, nil, device("storing what is received", err)
	}
	defer func() {
		_ = l.fs.Remove(tmp + ".lock")
		lk.Unlock()
	}()
	pr := &progressReader{r: r, tell: tell}
	head, err := io.ReadAll(io.LimitReader(pr, int64(receiveInMemory)))
	if err != nil {
		return 0, nil, err
	}
	if len(head) == receiveInMemory {
		return l.receiveLarge(ctx, tmp, head, pr, tell)
	}
	w, err := objects.ReadPack(head, objects.Limits{Objects: 1 << 20, Each: 64 << 20, Total: 512 << 20})
	if err != nil {
		return 0, nil, badTransfer(err)
	}
	if len(w.Objects) <= receiveLoose {
		// What is pointed to before what points to it: should this be cut short, a commit that is there is whole.
		objs := slices.Clone(w.Objects)
		slices.Reverse(objs)
		err := l.store.WriteWith(objs, objects.SyncBatch{Temp: receivedObject(tmp)})
		return len(w.Objects), func() {}, device("storing what was received", err)
	}
	undo, err = l.store.AddVerifiedPack(w, tmp)
	return len(w.Objects), undo, device("storing what was received", err)
}

// receivedPrefix begins the names of objects on their way in.
const receivedPrefix = "tmp_objin_"

// receivedObject begins the names of half-written objects of the transfer with the temporary
// name tmp.
func receivedObject(tmp string) string {
	return receivedPrefix + strings.TrimPrefix(filepath.Base(tmp), receivePrefix) + "_"
}

func (l Exchange) receiveLarge(ctx context.Context, tmp string, head []byte, r *progressReader, tell Progress) (count int, undo func(), err error) {
	defer func() {
		if err != nil {
			_ = l.fs.Remove(tmp)
		}
	}()
	if _, err = objects.CopyTo(l.fs, tmp, head, r); err != nil {
		if r.err != nil {
			return 0, nil, r.err
		}
		return 0, nil, device("storing what is received", err)
	}
	id, idx, err := objects.IndexPack(tmp, func(done, total int) error {
		if tell != nil {
			tell("checking", int64(done), int64(total))
		}
		return ctx.Err()
	})
	if err != nil {
		return 0, nil, badTransfer(err)
	}
	undo, err = l.store.Install(tmp, id, idx)
	return int(binary.BigEndian.Uint32(head[8:12])), undo, device("storing what was received", err)
}

func badTransfer(err error) error {
	if !errors.Is(err, objects.ErrDamaged) {
		return err
	}
	return &Error{Kind: ErrDamaged, Msg: "what was received is damaged: " + strings.TrimPrefix(err.Error(), "damaged: "),
		Hint: "nothing changed. Repeat the command; if it stays so, tell the administrator of the other side"}
}

// DropQuarantine removes what transfers left whose process died. Receive does it too.
func (l Exchange) DropQuarantine() {
	dir := filepath.Join(l.ObjectFolder(), "pack")
	names, err := l.fs.ReadDir(dir)
	if err != nil {
		return
	}
	for _, n := range names {
		base, isLock := strings.CutSuffix(n.Name(), ".lock")
		if !isLock || !strings.HasPrefix(base, receivePrefix) {
			continue
		}
		name := filepath.Join(dir, base)
		lk, ok, err := disk.TryLock(l.fs, name+".lock")
		if err != nil || !ok {
			continue
		}
		_ = l.fs.Remove(name)
		_ = l.fs.Remove(name + ".idx")
		if loose, err := l.fs.ReadDir(l.ObjectFolder()); err == nil {
			for _, o := range loose {
				if strings.HasPrefix(o.Name(), receivedObject(name)) {
					_ = l.fs.Remove(filepath.Join(l.ObjectFolder(), o.Name()))
				}
			}
		}
		_ = l.fs.Remove(name + ".lock")
		lk.Unlock()
	}
}

type progressReader struct {
	r    io.Reader
	n    int64
	next int64
	tell Progress
	err  error // of the source, not io.EOF
}

func (p *progressReader) Read(b []byte) (int, error) {
	n, err := p.r.Read(b)
	p.n += int64(n)
	if p.tell != nil && p.n >= p.next {
		p.tell("receiving", p.n, 0)
		p.next = p.n + 256<<10
	}
	if err != nil && err != io.EOF {
		p.err = err
	}
	return n, err
}

// Send writes objects to a stream, as a pack.
func (l Exchange) Send(ctx context.Context, w io.Writer, ids []string, tell Progress) error {
	return l.with(func(r *objects.Reader) error {
		pw := objects.NewPackWriter(w, len(ids))
		for i, id := range ids {
			if err := ctx.Err(); err != nil {
				return err
			}
			h := plumbing.NewHash(id)
			kind, data, err := r.Get(h)
			if err != nil {
				return err
			}
			if err := pw.Add(objects.Object{ID: h, Kind: kind, Data: data}); err != nil {
				return err
			}
			if tell != nil && ((i+1)%256 == 0 || i+1 == len(ids)) {
				tell("sending", int64(i+1), int64(len(ids)))
			}
		}
		return pw.Close()
	})
}

// Complete checks that the store holds everything that the revisions in want need, given that
// it holds everything that those in have need.
//
// Errors: ErrDamaged with the first gap.
func (l Exchange) Complete(want, have []Rev) error {
	return l.NewObjects(want, have, func(id string) error {
		if !l.HasObject(id) {
			return gap(id)
		}
		return nil
	})
}

// CompleteAll is Complete of one revision with nothing before it, as after a first copy. It makes
// the history index on the way, which reads the same trees.
//
// Errors: ErrDamaged with the first gap; ctx's own.
func (l Exchange) CompleteAll(ctx context.Context, want Rev) error {
	id, err := want.hash()
	if err != nil {
		return err
	}
	l.histMu.Lock()
	defer l.histMu.Unlock()
	l.hist = nil
	_, err = l.History().makeIndex(id, true, func(r *objects.Reader, ch tree.Change) error {
		if ch.NewMode != 0 && ch.NewMode != tree.ModeSub && !r.Has(ch.New) {
			return &objects.NotFoundError{ID: ch.New}
		}
		return ctx.Err()
	})
	var gone *objects.NotFoundError
	if errors.As(err, &gone) {
		return gap(gone.ID.String())
	}
	return l.objectError(err)
}

func gap(id string) error {
	return &Error{Kind: ErrDamaged, Msg: "what was received has a gap: object " + id + " is missing", Hint: "Nothing was changed; tell the administrator of the other side"}
}

// Shared is a repository in a folder, bare or not, to exchange revisions with: on a disk that a
// team shares, or a stick. No git program is needed.
type Shared struct{ l *Lib }

// MakeShared makes an empty repository to share in dir, which must be missing or empty, in a
// folder that is there. It stands whole or not at all.
//
// Errors: ErrBadPath for a folder with something in it, ErrNotFound, ErrDevice.
func MakeShared(dir string) error {
	switch es, err := os.ReadDir(dir); {
	case err == nil && len(es) > 0:
		return &Error{Kind: ErrBadPath, Msg: dir + " is not empty", Hint: "Name an empty folder, or leave out --make for one that is shared already"}
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return device("opening "+dir, err)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), ".rigkeep-shared-*")
	if errors.Is(err, fs.ErrNotExist) {
		return &Error{Kind: ErrNotFound, Msg: "no folder " + filepath.Dir(dir), Hint: "Check that the disk or stick is there"}
	} else if err != nil {
		return device("making "+dir, err)
	}
	defer os.RemoveAll(tmp)
	build := func() error {
		for _, d := range []string{"objects/info", "objects/pack", "refs/heads", "refs/tags"} {
			if err := os.MkdirAll(filepath.Join(tmp, filepath.FromSlash(d)), 0o777); err != nil {
				return err
			}
		}
		for name, text := range map[string]string{"HEAD": "ref: refs/heads/main\n", "config": "[core]\n\trepositoryformatversion = 0\n\tfilemode = true\n\tbare = true\n"} {
			if err := os.WriteFile(filepath.Join(tmp, name), []byte(text), 0o666); err != nil {
				return err
			}
		}
		if err := os.Chmod(tmp, 0o755); err != nil { // a temporary folder is for one person only
			return err
		}
		if err := os.Remove(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return os.Rename(tmp, dir)
	}
	if err := build(); err != nil {
		return device("making "+dir, err)
	}
	return nil
}

// OpenShared opens the repository in dir.
//
// Errors: ErrNotFound, ErrForeign, ErrDamaged, ErrDevice.
func OpenShared(dir string, opt Options) (*Shared, error) {
	if opt.fs == nil {
		opt.fs = disk.OS{}
	}
	d, err := gitdir.Shared(opt.fs, dir)
	if errors.Is(err, gitdir.ErrNone) {
		if _, serr := opt.fs.Stat(dir); serr != nil && !errors.Is(serr, fs.ErrNotExist) {
			return nil, device("opening "+dir, serr)
		} else if serr != nil {
			return nil, &Error{Kind: ErrNetwork, Msg: fmt.Sprintf("folder %s not found", dir), Hint: "Check that the disk or stick is there; what you saved stays here\nTo begin one there: rigkeep sync " + dir + " --make"}
		}
		return nil, &Error{Kind: ErrNotFound, Msg: "no git repository in " + dir, Hint: "To begin one there: rigkeep sync " + dir + " --make"}
	}
	if err != nil {
		return nil, openError(dir, err)
	}
	return &Shared{newLib(d, opt, objects.Open(d.FS, filepath.Join(d.Common, "objects")))}, nil
}

// Lib gives the methods for refs and objects. Those for files and saves do not work on a bare
// repository.
func (s *Shared) Lib() *Lib { return s.l }

// Head gives the full name of the branch that the repository regards as its main one, "" if none.
func (s *Shared) Head() (string, error) {
	branch, _, err := s.l.head()
	return branch, err
}

// Hook says whether the repository has a hook of this name that git would run.
func (s *Shared) Hook(name string) bool {
	dir := s.l.d.Setting("core", "", "hookspath")
	if dir == "" {
		dir = "hooks"
	}
	if !filepath.IsAbs(dir) {
		dir = filepath.Join(s.l.d.Common, dir)
	}
	st, err := s.l.fs.Stat(filepath.Join(dir, name))
	return err == nil && st.Mode().IsRegular() && (fileMode != "true" || st.Mode().Perm()&0o111 != 0)
}

// SetRef moves a ref from old ("" if it must not exist) to id, durably, under git's lock for it.
// Hooks of the repository are not run.
//
// Errors: ErrDiverged if the ref is not at old, ErrRefused if it is checked out in a work tree,
// ErrBusy, ErrDevice.
func (s *Shared) SetRef(ctx context.Context, name string, old, id Rev, who Person, when time.Time, why string) error {
	return s.l.setRef(ctx, name, old, id, who, when, why, func(branch string) error {
		if branch == name && !s.l.d.Bare() {
			return &Error{Kind: ErrRefused, Msg: s.l.d.Work + " has files checked out, which a push would leave behind its history",
				Hint: "Share a bare repository (`git clone --bare " + s.l.d.Work + " SHARED.git`), or run the sync in that folder"}
		}
		return nil
	})
}

// CopyAll copies everything that a repository holds into one that holds nothing, its packs as
// they are: that is much quicker than choosing objects and packing them anew. Each object is
// checked. ok is false, and nothing done, if the repository holds only a part and finds the rest
// elsewhere (alternates, a shallow clone).
func (l Exchange) CopyAll(ctx context.Context, to *Lib, tell Progress) (objects int, ok bool, err error) {
	for _, n := range []string{filepath.Join(l.ObjectFolder(), "info", "alternates"), filepath.Join(l.d.Common, "shallow")} {
		if _, err := l.fs.Stat(n); err == nil {
			return 0, false, nil
		}
	}
	objects, err = l.copyAll(ctx, to, tell)
	return objects, true, err
}

func (l Exchange) copyAll(ctx context.Context, to *Lib, tell Progress) (objects int, err error) {
	dir := filepath.Join(l.ObjectFolder(), "pack")
	names, err := l.fs.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, device("reading the other repository", err)
	}
	for _, n := range names {
		if !strings.HasPrefix(n.Name(), "pack-") || !strings.HasSuffix(n.Name(), ".pack") {
			continue
		}
		f, err := l.fs.OpenFile(filepath.Join(dir, n.Name()), os.O_RDONLY, 0)
		if errors.Is(err, fs.ErrNotExist) {
			continue // a `git gc` put it into another
		}
		if err != nil {
			return objects, device("reading the other repository", err)
		}
		k, _, err := to.Exchange().Receive(ctx, &stoppable{ctx, f}, tell)
		_ = f.Close()
		if objects += k; err != nil {
			return objects, err
		}
	}
	loose, err := l.looseObjects()
	if err != nil || len(loose) == 0 {
		return objects, err
	}
	r, w := io.Pipe()
	go func() { _ = w.CloseWithError(l.Send(ctx, w, loose, tell)) }()
	k, _, err := to.Exchange().Receive(ctx, r, tell)
	_ = r.CloseWithError(err)
	return objects + k, err
}

// stoppable is a reader that ends when ctx does.
type stoppable struct {
	ctx context.Context
	r   io.Reader
}

func (s *stoppable) Read(b []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(b)
}

// looseObjects lists the objects that lie in files of their own.
func (l Exchange) looseObjects() ([]string, error) {
	var out []string
	for i := range 256 {
		sub := fmt.Sprintf("%02x", i)
		names, err := l.fs.ReadDir(filepath.Join(l.ObjectFolder(), sub))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, device("reading the other repository", err)
		}
		for _, n := range names {
			if id := sub + n.Name(); plumbing.IsHash(id) {
				out = append(out, id)
			}
		}
	}
	return out, nil
}
