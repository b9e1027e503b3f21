package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"rigkeep/repo/internal/disk"
)

var ctxBackground = context.Background()

func (o *Options) lockWait() time.Duration {
	if o.LockWait > 0 {
		return o.LockWait
	}
	return 20 * time.Second
}

// waiter spaces out tries for a lock, tells the person once, and ends in time.
type waiter struct {
	ctx   context.Context
	opt   *Options
	start time.Time
	pause time.Duration
	told  bool
}

func (l Writer) newWaiter(ctx context.Context) *waiter {
	return &waiter{ctx: ctx, opt: &l.opt, start: time.Now(), pause: time.Millisecond}
}

// wait sleeps before the next try. It fails when the time is up or the caller gave up.
func (w *waiter) wait(what string) error {
	if err := w.ctx.Err(); err != nil {
		return err
	}
	gone := time.Since(w.start)
	if gone > w.opt.lockWait() {
		return errTimeUp
	}
	if !w.told && gone > 400*time.Millisecond {
		w.told = true
		if w.opt.OnWait != nil {
			w.opt.OnWait(what)
		}
	}
	t := time.NewTimer(w.pause/2 + time.Duration(rand.Int64N(int64(w.pause))))
	defer t.Stop()
	select {
	case <-w.ctx.Done():
		return w.ctx.Err()
	case <-writing.stopping:
		return context.Canceled
	case <-t.C:
	}
	w.pause = min(w.pause*3/2, 12*time.Millisecond)
	return nil
}

var errTimeUp = errors.New("time is up")

// lock takes the library's advisory lock. The kernel frees it if the process dies, so there is
// nothing stale to clear; what a dead process left half done is put right here.
func (l *Lib) lock(ctx context.Context) (unlock func(), err error) {
	if err := l.ensureStateDir(); err != nil {
		return nil, device("preparing to write", err)
	}
	w := l.Writer().newWaiter(ctx)
	for {
		lk, ok, err := disk.TryLock(l.fs, l.stateDir("lock"))
		if err != nil {
			return nil, device("locking the library", err)
		}
		if ok {
			if err := beginWriting(); err != nil {
				lk.Unlock()
				return nil, err
			}
			unlock = func() {
				lk.Unlock()
				endWriting()
			}
			if err := l.Writer().repair(ctx); err != nil {
				unlock()
				return nil, err
			}
			l.Work().sweepTemps()
			return unlock, nil
		}
		if err := w.wait("another rigkeep is saving to this library"); err != nil {
			if errors.Is(err, errTimeUp) {
				return nil, &Error{Kind: ErrBusy, Msg: fmt.Sprintf("another rigkeep has been writing to this library for more than %s", l.opt.lockWait()),
					Hint: "wait until it finishes, then repeat the command"}
			}
			return nil, err
		}
	}
}

// gitLock is one of git's own lock files (NAME.lock), taken by us.
type gitLock struct {
	l      *Lib
	target string // the file that the lock guards
	held   string // our second name for the lock, or "" where there are no hard links
	file   disk.File
	data   []byte // what it was filled with, if it was
	taken  bool   // target.lock is there and ours
	done   bool
}

// readyLock prepares the lock of target under a name of our own in the held folder. The lock
// itself is taken by take.
func (l Writer) readyLock(target, heldName string) (*gitLock, error) {
	g := &gitLock{l: l.Lib, target: target, held: l.stateDir("held", heldName)}
	if err := l.fs.Remove(g.held); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, device("preparing a lock", err)
	}
	f, err := l.fs.OpenFile(g.held, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, device("preparing a lock", err)
	}
	g.file = f
	return g, nil
}

// take makes target.lock as git does: whoever creates it has it. It is linked into place from
// our own name, so that after a crash a lock can be proved ours (it is the same file as our
// other name) and anyone else's is never removed. git itself does not wait for a lock; we do.
func (g *gitLock) take(w *waiter) error {
	l := g.l
	for made := false; ; {
		err := l.fs.Link(g.held, g.target+".lock")
		if err == nil {
			g.taken = true
			lockTaken(g.target + ".lock")
			return nil
		}
		if errors.Is(err, fs.ErrNotExist) && !made { // the branch's folder is not there yet
			made = true
			if err = disk.MkdirAll(l.fs, filepath.Dir(g.target), 0o777); err == nil {
				continue
			}
		}
		if !errors.Is(err, fs.ErrExist) && !noHardLinks(err) {
			g.release() // a fault, not a disk without links: a lock made in another way could not be cleared after a crash
			return device("locking "+filepath.Base(g.target), err)
		}
		if !errors.Is(err, fs.ErrExist) {
			// No hard links here: then a stale lock cannot be proved ours, and stays for a person.
			f, ferr := l.fs.OpenFile(g.target+".lock", os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
			if ferr == nil {
				_ = g.file.Close()
				_ = l.fs.Remove(g.held)
				g.held, g.file, g.taken = "", f, true
				lockTaken(g.target + ".lock")
				if g.data != nil { // what was filled in before went with the other file
					if err := g.fill(g.data); err != nil {
						g.release()
						return device("locking "+filepath.Base(g.target), err)
					}
				}
				return nil
			}
			if !errors.Is(ferr, fs.ErrExist) {
				g.release()
				return device("locking "+filepath.Base(g.target), err)
			}
		}
		if werr := w.wait("git is using this library"); werr != nil {
			g.release()
			if errors.Is(werr, errTimeUp) {
				return &Error{Kind: ErrBusy, Msg: fmt.Sprintf("git has been working in this library for more than %s", l.opt.lockWait()),
					Hint: fmt.Sprintf("wait until it finishes. If no git is running, a killed one left %s behind: delete that file", g.target+".lock")}
			}
			return werr
		}
	}
}

// takeLock is readyLock and take in one.
func (l Writer) takeLock(w *waiter, target, heldName string) (*gitLock, error) {
	g, err := l.readyLock(target, heldName)
	if err != nil {
		return nil, err
	}
	return g, g.take(w)
}

// fill writes the new contents into the lock and syncs them.
func (g *gitLock) fill(data []byte) error {
	g.data = data
	n, err := g.file.Write(data)
	if err == nil && n < len(data) {
		err = io.ErrShortWrite
	}
	if err == nil {
		err = g.file.Sync()
	}
	return err
}

// commit renames the lock over its target.
func (g *gitLock) commit() error {
	if err := g.file.Close(); err != nil {
		g.release()
		return err
	}
	if err := g.l.fs.Rename(g.target+".lock", g.target); err != nil {
		g.release()
		return err
	}
	g.done = true
	lockGone(g.target + ".lock")
	if g.held != "" {
		_ = g.l.fs.Remove(g.held)
	}
	return nil
}

// release gives the lock up without a change. It may be called after commit.
func (g *gitLock) release() {
	if g == nil || g.done {
		return
	}
	g.done = true
	_ = g.file.Close()
	// Where anything goes wrong our second name stays, so that the next command can clear the lock.
	if g.taken {
		ours, err := g.held == "", error(nil)
		if g.held != "" {
			ours, err = sameFile(g.l.fs, g.held, g.target+".lock")
		}
		if err == nil && ours {
			err = g.l.fs.Remove(g.target + ".lock")
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return
		}
		lockGone(g.target + ".lock")
	}
	if g.held != "" {
		_ = g.l.fs.Remove(g.held)
	}
}

// sameFile says whether two names are one file; they are not if one is not there.
func sameFile(f disk.FS, a, b string) (bool, error) {
	x, err1 := f.Lstat(a)
	y, err2 := f.Lstat(b)
	for _, err := range []error{err1, err2} {
		if errors.Is(err, fs.ErrNotExist) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
	}
	return os.SameFile(x, y), nil
}
