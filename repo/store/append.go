package store

import (
	"errors"
	"os"
	"path/filepath"

	"rigkeep/repo/internal/disk"
)

// Append adds bytes to a file of the work tree and returns once they are on stable
// storage; a new file is made with its folders. It is for logs whose lines must outlive the
// program: what was appended stays, also when a later call fails half way.
//
// Errors: ErrBadPath, ErrDevice.
func (l Writer) Append(path string, data []byte) (err error) {
	if err := CheckPath(path); err != nil {
		return err
	}
	if err := l.Work().checkFolders(path, true); err != nil {
		return err
	}
	name := l.work(path)
	if err := disk.MkdirAll(l.fs, filepath.Dir(name), 0o777); err != nil {
		return device("making the folder of "+path, err)
	}
	if st, err := l.fs.Lstat(name); err == nil && !st.Mode().IsRegular() {
		return &Error{Kind: ErrBadPath, Msg: path + " is not a plain file", Hint: "Move it out of the way", Paths: []string{path}}
	}
	f, err := l.fs.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o666)
	if err != nil {
		return device("opening "+path, err)
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close(), l.fs.SyncDir(filepath.Dir(name)))
	if err != nil {
		return device("writing "+path, err)
	}
	return nil
}

// Hold takes a lock by name, beside the library's own, for as long as something goes on
// that must not go on twice. The system frees it when the program ends, however it ends.
// ok is false where another process has it.
//
// Errors: ErrDevice.
func (l Writer) Hold(name string) (release func(), ok bool, err error) {
	if err := l.ensureStateDir(); err != nil {
		return nil, false, device("preparing to write", err)
	}
	lk, ok, err := disk.TryLock(l.fs, l.stateDir(name+".lock"))
	if err != nil || !ok {
		if err != nil {
			err = device("locking", err)
		}
		return nil, false, err
	}
	return func() { lk.Unlock() }, true, nil
}
