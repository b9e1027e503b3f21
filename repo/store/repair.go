package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/gitdir"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
	"rigkeep/schema"
)

// A folder of our own, .git/rigkeep/held, holds whatever a writer has in hand: second names of
// the git locks it took, half-written files, and the note. It is empty when nobody writes. If it
// is not empty and the advisory lock is free, its writer died.

// note is what a writer leaves before its first step that cannot be taken back unseen. All
// objects it names are on stable storage by then, so any later process can finish the work.
type note struct {
	Work   string     `json:"work"` // root of the work tree
	Branch string     `json:"branch"`
	From   string     `json:"from"`
	To     string     `json:"to"`
	Who    string     `json:"who"`
	Why    string     `json:"why"`
	Files  []noteFile `json:"files"`
}

type noteFile struct {
	Path string `json:"path"`
	// Was is the id of the work-tree contents that are to be replaced ("" if there was no file);
	// meaningful with Write.
	Was   string `json:"was,omitempty"`
	Write bool   `json:"write,omitempty"`
}

func refHeld(branch string) string {
	return "ref@" + strings.NewReplacer("%", "%25", "/", "%2F").Replace(branch)
}

func (l Writer) note(m *move) error {
	n := note{Work: l.d.Work, Branch: m.branch, From: m.from.String(), To: m.to.String(), Who: m.who, Why: m.why}
	for i := range m.steps {
		s := &m.steps[i]
		f := noteFile{Path: s.Path, Write: s.write}
		if s.write && s.there {
			f.Was = string(BlobIDOf(s.work))
		}
		n.Files = append(n.Files, f)
	}
	text, err := json.Marshal(n)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	text = append(append(append(text, '\n'), hex.EncodeToString(sum[:])...), '\n')
	l.clearNote()
	return disk.WriteNew(l.fs, l.stateDir("held", "note"), text, 0o666)
}

func (l Writer) clearNote() { _ = l.fs.Remove(l.stateDir("held", "note")) }

// readNote gives the note, or nil if there is none or it was cut short while being written, in
// which case nothing that it announces had begun.
func (l Writer) readNote() *note {
	raw, err := l.fs.ReadFile(l.stateDir("held", "note"))
	if err != nil {
		return nil
	}
	text, sum, ok := bytes.Cut(raw, []byte("\n"))
	want := sha256.Sum256(text)
	if !ok || string(sum) != hex.EncodeToString(want[:])+"\n" {
		return nil
	}
	n := new(note)
	if json.Unmarshal(text, n) != nil {
		return nil
	}
	return n
}

// recoverIfNeeded repairs at Open if a dead writer left something. A live writer, or a library that
// we may not write to, is left alone.
func (l *Lib) recoverIfNeeded() error {
	names, err := l.fs.ReadDir(l.stateDir("held"))
	if err != nil || len(names) == 0 {
		return nil
	}
	lk, ok, err := disk.TryLock(l.fs, l.stateDir("lock"))
	if err != nil || !ok {
		return nil
	}
	defer lk.Unlock()
	if beginWriting() != nil {
		return nil
	}
	defer endWriting()
	if err := l.Writer().repair(ctxBackground); err != nil {
		// Reading needs no repair; a command that writes will try again, and say what is wrong.
		l.Writer().say("A rigkeep was killed while writing, and what it left cannot be repaired yet: %v.", err)
	}
	return nil
}

func (l Writer) say(format string, a ...any) {
	l.repairs = append(l.repairs, fmt.Sprintf(format, a...))
}

// repair runs under the advisory lock and puts right what a dead writer left.
func (l Writer) repair(ctx context.Context) error {
	names, err := l.fs.ReadDir(l.stateDir("held"))
	if err != nil || len(names) == 0 {
		return nil
	}
	n := l.readNote()
	locks, temps, noted, said := 0, 0, false, len(l.repairs)
	for _, e := range names {
		held := l.stateDir("held", e.Name())
		kind, arg, _ := strings.Cut(e.Name(), "@")
		git := l.d.Common
		if arg != "" && kind != "ref" {
			git = filepath.Join(l.d.Common, "worktrees", arg)
		}
		var target string
		switch kind {
		case "index":
			target = filepath.Join(git, "index.lock")
		case "head":
			target = filepath.Join(git, "HEAD.lock")
		case "ref":
			target = l.d.RefPath(strings.NewReplacer("%2F", "/", "%25", "%").Replace(arg)) + ".lock"
		case "config":
			target = filepath.Join(l.d.Common, "config.lock")
		case "note":
			noted = true
			continue
		default:
			temps++
		}
		// The lock is ours if it is the same file as our second name for it; only then does it go.
		ours := false
		if target != "" {
			if ours, err = sameFile(l.fs, held, target); err != nil {
				return device("looking at a stale lock", err)
			}
		}
		if ours {
			if err := l.fs.Remove(target); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return device("removing a stale lock", err)
			}
			locks++
		} else if target != "" {
			temps++ // made ready and never taken
		}
		if err := l.fs.Remove(held); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return device("clearing what a killed rigkeep left", err)
		}
	}
	temps += l.store.CleanTemps()
	if locks > 0 {
		l.say("A rigkeep was killed while writing: removed %s it had left.", schema.Count(locks, "lock file", "lock files"))
	}
	if temps > 0 {
		l.say("Removed %s that a killed rigkeep had left half-written.", schema.Count(temps, "temporary file", "temporary files"))
	}
	if n != nil {
		if err := l.finish(ctx, n); err != nil {
			return err
		}
	}
	l.clearNote()
	if noted && len(l.repairs) == said {
		l.say("A previous rigkeep was killed during a save. Nothing was damaged.")
	}
	return nil
}

// finish carries an interrupted move to its end, or says why it cannot.
func (l Writer) finish(ctx context.Context, n *note) error {
	if n.Work != l.d.Work {
		d, err := gitdir.Find(l.fs, n.Work)
		if err != nil || d.Common != l.d.Common {
			return nil // the library was moved, or that worktree is gone; git sees an unsaved edit at most
		}
		other := newLib(d, l.opt, l.store)
		err = other.Writer().finish(ctx, &note{d.Work, n.Branch, n.From, n.To, n.Who, n.Why, n.Files})
		l.repairs = append(l.repairs, other.repairs...)
		return err
	}
	from, to := plumbing.NewHash(n.From), plumbing.NewHash(n.To)
	branch, now, err := l.head()
	if err != nil {
		return err
	}
	if now == to {
		return nil
	}
	subject := ""
	abandon := func(why string) error {
		l.say("An interrupted save%s was not completed: %s. Your files are unchanged. Try: rigkeep git status", subject, why)
		return nil
	}
	if what, _ := l.d.Unfinished(); what != "" {
		return abandon("plain git is in the middle of " + what)
	}
	var steps []step
	var up *tree.Result
	why := ""
	err = l.with(func(r *objects.Reader) error {
		c, err := l.Revisions().commit(r, to)
		if err != nil {
			why = "its revision is not in the store"
			return nil
		}
		subject = fmt.Sprintf(" (%q)", c.Subject)
		if branch != n.Branch || now != from {
			if ok, err := l.Revisions().isAncestor(r, to, now); err == nil && ok {
				why = "-"
				return nil
			}
			why = "the library has moved on since"
			return nil
		}
		var root plumbing.Hash
		if !from.IsZero() {
			old, err := l.Revisions().commit(r, from)
			if err != nil {
				return err
			}
			root = old.tree
		}
		steps, err = l.finishSteps(r, n, root, c.tree)
		return err
	})
	if err != nil {
		return err
	}
	if why == "-" {
		return nil
	}
	if why != "" {
		return abandon(why)
	}
	t, err := l.begin(ctx)
	if err != nil {
		return err
	}
	defer t.end()
	again, err := t.move(&move{branch: branch, from: from, to: to, steps: steps, up: up, who: n.Who, why: n.Why, noted: true})
	if err != nil {
		return err
	}
	if again {
		return abandon("the library moved on just now")
	}
	l.say("Completed the interrupted save%s: revision %s.", subject, rev(to).Short())
	return nil
}

// finishSteps works out what is still to be done for each file of an interrupted move.
func (l Writer) finishSteps(r *objects.Reader, n *note, from, to plumbing.Hash) ([]step, error) {
	var steps []step
	for _, f := range n.Files {
		want, err := lookup(r, to, f.Path)
		if err != nil {
			return nil, err
		}
		s := step{File: File{Path: f.Path, Delete: want.ID.IsZero()}, mode: want.Mode, id: want.ID}
		work, st, err := l.Work().readWork(f.Path)
		switch {
		case err == nil:
			s.there, s.work, s.st = true, work, st
		case !errors.Is(err, ErrNotFound):
			continue // someone put a folder or link there; leave it, git shows it
		}
		done := s.there != s.Delete && (s.Delete || l.Work().sameAsBlob(work, want.ID))
		if !done && f.Write {
			was := BlobID("")
			if s.there {
				was = BlobIDOf(work)
			}
			// Written over only if it still is what the save meant to replace.
			if string(was) == f.Was {
				s.write = true
				if !s.Delete {
					if s.Data, err = r.Blob(want.ID); err != nil {
						return nil, err
					}
				}
			}
		}
		if !done && !s.write {
			s.st = nil // edited since: the index must not take this file for the saved one
		}
		steps = append(steps, s)
	}
	return steps, nil
}
