package store

import (
	"os"
	"path/filepath"

	"rigkeep/repo/internal/disk"
)

// Cache reads what SetCache kept under a name; ok is false when there is nothing,
// or it cannot be read. What is cached is derived: whoever reads it must be able
// to do without.
func (l *Lib) Cache(name string) (data []byte, ok bool) {
	data, err := os.ReadFile(l.stateDir("cache", filepath.Base(name)))
	return data, err == nil
}

// ViewCache is Cache for who looks at a few of the bytes: they count until done is called.
func (l *Lib) ViewCache(name string) (data []byte, done func(), ok bool) {
	data, done, err := disk.Map(l.stateDir("cache", filepath.Base(name)))
	return data, done, err == nil
}

// SetCache keeps derived data beside the library, outside the tracked files. It
// is put in place by a rename and not synced: after a crash the old bytes, the
// new ones or none are there, and the reader checks them. A failure is not told,
// since nothing depends on it.
func (l *Lib) SetCache(name string, data []byte) {
	if l.ensureStateDir() != nil {
		return
	}
	dir := l.stateDir("cache")
	by := disk.Share(disk.OS{}, l.d.Sharing)
	if err := by.Mkdir(dir, 0o777); err != nil && !os.IsExist(err) {
		return
	}
	f, err := by.OpenFile(disk.TempName(dir, "new-"), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return
	}
	_, err = f.Write(data)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(dir, filepath.Base(name)))
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
}
