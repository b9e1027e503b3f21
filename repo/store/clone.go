package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"rigkeep/repo/internal/disk"
)

// asidePrefix begins the name of the folder in which a copy is made.
const asidePrefix = ".rigkeep-copy-"

const asideLock = asidePrefix + "lock"

// claim keeps other processes from making a library in dir, and clears what one that died there
// left aside. unmark takes the mark off the disk; release does that too and lets others in.
func claim(f disk.FS, dir string) (unmark, release func(), err error) {
	lock := filepath.Join(dir, asideLock)
	lk, ok, err := disk.TryLock(f, lock)
	if err != nil {
		return nil, nil, device("making "+dir, err)
	}
	if !ok {
		return nil, nil, &Error{Kind: ErrBusy, Msg: "another rigkeep is making a library in " + dir, Hint: "Let it finish"}
	}
	marked := true
	unmark = func() {
		marked = marked && f.Remove(lock) != nil
	}
	release = func() {
		unmark()
		lk.Unlock()
	}
	names, err := f.ReadDir(dir)
	if err != nil {
		release()
		return nil, nil, device("looking into "+dir, err)
	}
	for _, n := range names {
		if n.Name() != asideLock && strings.HasPrefix(n.Name(), asidePrefix) {
			removeAll(f, filepath.Join(dir, n.Name()))
		}
	}
	return unmark, release, nil
}

// InitFrom makes a library in dir out of what fill brings into an empty one that is on the given
// branch: history and files. dir must not exist or be empty. The library shows in dir when it is
// whole, its .git last; after an error, or if the process dies, there is none, and what was left
// aside goes with the next try.
//
// Errors: ErrChanged if dir holds anything, ErrBusy if another process is at it, ErrBadPath,
// ErrDevice, and what fill gives.
func InitFrom(dir, branch string, opt Options, fill func(l *Lib) error) (err error) {
	if opt.fs == nil {
		opt.fs = disk.OS{}
	}
	f := opt.fs
	if dir, err = filepath.Abs(dir); err != nil {
		return device("finding the folder", err)
	}
	_, serr := f.Stat(dir)
	fresh := errors.Is(serr, fs.ErrNotExist)
	if err := disk.MkdirAll(f, dir, 0o777); err != nil {
		return device("making "+dir, err)
	}
	unmark, release, err := claim(f, dir)
	if err != nil {
		return err
	}
	defer func() {
		release()
		if err != nil && fresh {
			_ = f.Remove(dir)
		}
	}()
	names, err := f.ReadDir(dir)
	if err != nil {
		return device("looking into "+dir, err)
	}
	for _, n := range names {
		if n.Name() != asideLock {
			return &Error{Kind: ErrChanged, Msg: fmt.Sprintf("%s is not empty: it holds %s", dir, n.Name()), Hint: "Name a new folder"}
		}
	}
	aside := disk.TempName(dir, asidePrefix)
	defer func() {
		if err != nil {
			_ = os.RemoveAll(aside)
		}
	}()
	l, err := InitEmpty(aside, branch, opt)
	if err != nil {
		return err
	}
	if err := fill(l); err != nil {
		return err
	}
	if names, err = f.ReadDir(aside); err != nil {
		return device("making the library", err)
	}
	var made []string
	put := func(name string) error {
		err := f.Rename(filepath.Join(aside, name), filepath.Join(dir, name))
		if err == nil {
			made = append(made, name)
		}
		return err
	}
	for _, n := range names {
		if n.Name() != ".git" && err == nil {
			err = put(n.Name())
		}
	}
	if err == nil {
		err = f.SyncDir(dir)
	}
	if err == nil {
		unmark() // or a process that dies right after the last step leaves it
		err = put(".git")
	}
	if err == nil {
		err = f.SyncDir(dir)
	}
	if err != nil {
		for _, n := range made {
			_ = os.RemoveAll(filepath.Join(dir, n))
		}
		return device("making the library", err)
	}
	return device("making the library", f.Remove(aside))
}
