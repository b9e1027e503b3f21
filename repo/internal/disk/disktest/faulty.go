// Package disktest holds file systems that fail on purpose: one that fails or dies at a chosen
// step, and one that forgets what was not synced. Only tests use it.
package disktest

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"

	"rigkeep/repo/internal/disk"
)

// Mode says what happens at the chosen step.
type Mode int

// The modes.
const (
	Fail     Mode = iota // this step fails, later ones work
	FailOn               // this and all later changing steps fail (a full or read-only disk)
	Die                  // this step is not done and nothing works any more (kill −9 just before)
	DieShort             // like Die, but a write puts down half of its bytes first
)

// ErrDead is what a dead process gets from every call.
var ErrDead = errors.New("killed here by the test")

// Faulty passes calls on until step At (counted from 1 over all changing calls).
type Faulty struct {
	Inner disk.FS
	At    int
	Mode  Mode
	Err   error // for Fail and FailOn

	// ReadAt lets the look with this number (from 1) fail once with ReadErr. A look at a file's
	// attributes is passed over where ReadErr says that it is not there: one that then is there
	// all the same is no fault that a disk has.
	ReadAt  int
	ReadErr error

	mu    sync.Mutex
	n     int
	reads int
	dead  bool
	What  string // the step that was hit
}

// Steps gives the number of changing calls so far.
func (f *Faulty) Steps() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.n
}

// step counts one changing call. short asks a write to do half of its work and then fail.
func (f *Faulty) step(format string, a ...any) (short bool, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.dead {
		return false, ErrDead
	}
	f.n++
	if f.At == 0 || f.n < f.At || f.n > f.At && f.Mode != FailOn {
		return false, nil
	}
	if f.n == f.At {
		f.What = fmt.Sprintf(format, a...)
	}
	switch f.Mode {
	case Die, DieShort:
		f.dead = true
		return f.Mode == DieShort, ErrDead
	}
	return true, f.Err
}

func (f *Faulty) reading(stat bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.dead {
		return ErrDead
	}
	if f.reads++; f.reads == f.ReadAt && !(stat && errors.Is(f.ReadErr, fs.ErrNotExist)) {
		return &fs.PathError{Op: "look", Path: "a path", Err: f.ReadErr}
	}
	return nil
}

// Reads gives the number of looks so far.
func (f *Faulty) Reads() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.reads
}

// OpenFile implements disk.FS.
func (f *Faulty) OpenFile(name string, flag int, perm fs.FileMode) (disk.File, error) {
	if flag&(os.O_CREATE|os.O_WRONLY|os.O_RDWR) != 0 {
		if _, err := f.step("create %s", name); err != nil {
			return nil, &fs.PathError{Op: "open", Path: name, Err: err}
		}
	} else if err := f.reading(false); err != nil {
		return nil, err
	}
	h, err := f.Inner.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return &file{h, f}, nil
}

// ReadFile implements disk.FS.
func (f *Faulty) ReadFile(name string) ([]byte, error) {
	if err := f.reading(false); err != nil {
		return nil, err
	}
	return f.Inner.ReadFile(name)
}

// ReadDir implements disk.FS.
func (f *Faulty) ReadDir(name string) ([]fs.DirEntry, error) {
	if err := f.reading(false); err != nil {
		return nil, err
	}
	return f.Inner.ReadDir(name)
}

// Lstat implements disk.FS.
func (f *Faulty) Lstat(name string) (fs.FileInfo, error) {
	if err := f.reading(true); err != nil {
		return nil, err
	}
	return f.Inner.Lstat(name)
}

// Stat implements disk.FS.
func (f *Faulty) Stat(name string) (fs.FileInfo, error) {
	if err := f.reading(true); err != nil {
		return nil, err
	}
	return f.Inner.Stat(name)
}

// Rename implements disk.FS.
func (f *Faulty) Rename(from, to string) error {
	if _, err := f.step("rename to %s", to); err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	return f.Inner.Rename(from, to)
}

// Link implements disk.FS.
func (f *Faulty) Link(from, to string) error {
	if _, err := f.step("link to %s", to); err != nil {
		return &os.LinkError{Op: "link", Old: from, New: to, Err: err}
	}
	return f.Inner.Link(from, to)
}

// Remove implements disk.FS.
func (f *Faulty) Remove(name string) error {
	if _, err := f.step("remove %s", name); err != nil {
		return &fs.PathError{Op: "remove", Path: name, Err: err}
	}
	return f.Inner.Remove(name)
}

// Mkdir implements disk.FS.
func (f *Faulty) Mkdir(name string, perm fs.FileMode) error {
	if _, err := f.step("mkdir %s", name); err != nil {
		return &fs.PathError{Op: "mkdir", Path: name, Err: err}
	}
	return f.Inner.Mkdir(name, perm)
}

// Chmod implements disk.FS.
func (f *Faulty) Chmod(name string, perm fs.FileMode) error {
	if _, err := f.step("chmod %s", name); err != nil {
		return &fs.PathError{Op: "chmod", Path: name, Err: err}
	}
	return f.Inner.Chmod(name, perm)
}

// Touch implements disk.FS.
func (f *Faulty) Touch(name string) error {
	if _, err := f.step("touch %s", name); err != nil {
		return &fs.PathError{Op: "touch", Path: name, Err: err}
	}
	return f.Inner.Touch(name)
}

// SyncDir implements disk.FS.
func (f *Faulty) SyncDir(name string) error {
	if _, err := f.step("sync folder %s", name); err != nil {
		return &fs.PathError{Op: "sync", Path: name, Err: err}
	}
	return f.Inner.SyncDir(name)
}

type file struct {
	disk.File
	f *Faulty
}

func (h *file) Write(p []byte) (int, error) {
	short, err := h.f.step("write %s", h.Name())
	if err != nil {
		n := 0
		if short {
			n, _ = h.File.Write(p[:len(p)/2])
		}
		return n, &fs.PathError{Op: "write", Path: h.Name(), Err: err}
	}
	return h.File.Write(p)
}

func (h *file) Sync() error {
	if _, err := h.f.step("sync %s", h.Name()); err != nil {
		return &fs.PathError{Op: "sync", Path: h.Name(), Err: err}
	}
	return h.File.Sync()
}
