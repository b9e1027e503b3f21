// Package disk is the narrow door between the store and the file system. Every byte that the
// store changes goes through FS, so that a test can put a fault before or after each single
// write, sync and rename, and so that "beside, sync, rename, sync the folder" is written once.
//
// go-billy, read and not measured, has no sync of folders, no lock that is held, and no place to put a fault.
package disk

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sync/errgroup"
)

// File is an open file.
type File interface {
	io.Reader
	io.Writer
	io.Closer
	// Sync returns once the file's bytes are on stable storage.
	Sync() error
	Stat() (fs.FileInfo, error)
	Name() string
}

// FS is the set of file-system calls the store uses. Names are operating-system paths.
type FS interface {
	OpenFile(name string, flag int, perm fs.FileMode) (File, error)
	ReadFile(name string) ([]byte, error)
	ReadDir(name string) ([]fs.DirEntry, error)
	Lstat(name string) (fs.FileInfo, error)
	Stat(name string) (fs.FileInfo, error)
	Rename(from, to string) error
	// Link makes to a second name of from; it fails if to exists.
	Link(from, to string) error
	Remove(name string) error
	Mkdir(name string, perm fs.FileMode) error
	Chmod(name string, perm fs.FileMode) error
	// Touch sets a file's time to now.
	Touch(name string) error
	// SyncDir returns once the folder's entries are on stable storage.
	SyncDir(name string) error
}

// Text is b as a string without a copy of it, for a file of megabytes of which many short strings are parts. Nobody may
// change b afterwards.
func Text(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }

// OS is the real file system.
type OS struct{}

// OpenFile implements FS.
func (OS) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	f, err := os.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// ReadFile implements FS.
func (OS) ReadFile(name string) ([]byte, error) { return os.ReadFile(name) }

// ReadDir implements FS.
func (OS) ReadDir(name string) ([]fs.DirEntry, error) { return os.ReadDir(name) }

// Lstat implements FS.
func (OS) Lstat(name string) (fs.FileInfo, error) { return os.Lstat(name) }

// Stat implements FS.
func (OS) Stat(name string) (fs.FileInfo, error) { return os.Stat(name) }

// Rename implements FS.
func (OS) Rename(from, to string) error { return os.Rename(from, to) }

// Link implements FS.
func (OS) Link(from, to string) error { return os.Link(from, to) }

// Remove implements FS.
func (OS) Remove(name string) error { return os.Remove(name) }

// Mkdir implements FS.
func (OS) Mkdir(name string, perm fs.FileMode) error { return os.Mkdir(name, perm) }

// Chmod implements FS.
func (OS) Chmod(name string, perm fs.FileMode) error { return os.Chmod(name, perm) }

// Touch implements FS.
func (OS) Touch(name string) error {
	now := time.Now()
	return os.Chtimes(name, now, now)
}

// SyncDir implements FS. Windows has no such call and journals its folders itself.
func (OS) SyncDir(name string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	// Some network and FUSE file systems refuse fsync on a folder; nothing more can be done there.
	if errors.Is(err, errInval) || errors.Is(err, errNotSup) {
		return nil
	}
	return err
}

// MkdirAll makes dir and its missing parents and syncs each parent that gained an entry, so
// that a folder cannot vanish after a file in it was acknowledged.
func MkdirAll(f FS, dir string, perm fs.FileMode) error {
	switch st, err := f.Stat(dir); {
	case err == nil && st.IsDir():
		return nil
	case err == nil:
		return &fs.PathError{Op: "mkdir", Path: dir, Err: errNotDir}
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	parent := filepath.Dir(dir)
	if parent != dir {
		if err := MkdirAll(f, parent, perm); err != nil {
			return err
		}
	}
	if err := f.Mkdir(dir, perm); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return f.SyncDir(parent)
}

// WriteNew writes data to a file that must not exist yet. It does not sync.
func WriteNew(f FS, name string, data []byte, perm fs.FileMode) error {
	return write(f, name, data, perm, false)
}

// WriteSynced writes data to a file that must not exist yet and syncs it before closing.
func WriteSynced(f FS, name string, data []byte, perm fs.FileMode) error {
	return write(f, name, data, perm, true)
}

func write(f FS, name string, data []byte, perm fs.FileMode, sync bool) (err error) {
	h, err := f.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		return err
	}
	defer func() {
		if cerr := h.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			_ = f.Remove(name)
		}
	}()
	n, err := h.Write(data)
	if err == nil && n < len(data) {
		err = io.ErrShortWrite
	}
	if err == nil && sync {
		err = h.Sync()
	}
	return err
}

var tempSerial atomic.Uint64

// TempName gives a name in dir that no other process or goroutine uses now.
func TempName(dir, prefix string) string {
	return filepath.Join(dir, prefix+strconv.Itoa(os.Getpid())+"_"+
		strconv.FormatUint(tempSerial.Add(1), 36)+"_"+strconv.FormatInt(time.Now().UnixNano(), 36))
}

// Move renames a synced temporary file to name. If they are on different file systems, as with
// a linked worktree elsewhere, data is written once more beside name and renamed from there.
func Move(f FS, temp, name string, data []byte) error {
	err := f.Rename(temp, name)
	if !errors.Is(err, errXDev) {
		return err
	}
	st, err := f.Lstat(temp)
	if err != nil {
		return err
	}
	beside := TempName(filepath.Dir(name), ".rigkeep-tmp_")
	if err := WriteSynced(f, beside, data, st.Mode().Perm()); err != nil {
		return err
	}
	if err := f.Rename(beside, name); err != nil {
		_ = f.Remove(beside)
		return err
	}
	return f.Remove(temp)
}

// Each runs fn(0..n-1) on a few goroutines and returns the first error. Syncs that run side
// by side share one commit of the file system's journal, so a save waits for one, not for six.
func Each(n int, fn func(i int) error) error {
	if n == 1 {
		return fn(0)
	}
	var g errgroup.Group
	g.SetLimit(16)
	for i := range n {
		g.Go(func() error { return fn(i) })
	}
	return g.Wait()
}
