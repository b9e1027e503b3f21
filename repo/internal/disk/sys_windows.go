package disk

import (
	"os"
	"syscall"

	"golang.org/x/sys/windows"
)

var (
	errInval  error = windows.ERROR_INVALID_FUNCTION
	errNotSup error = windows.ERROR_NOT_SUPPORTED
	errNotDir error = syscall.ENOTDIR
	errXDev   error = windows.ERROR_NOT_SAME_DEVICE
)

// Map gives a file's bytes. Windows refuses to delete a mapped file, which would break git's
// own housekeeping, so the bytes are read instead.
func Map(name string) (data []byte, unmap func(), err error) {
	data, err = os.ReadFile(name)
	return data, func() {}, err
}

// Lock is a held advisory lock; the kernel frees it when the process dies.
type Lock struct{ f *os.File }

// TryLock takes the advisory lock on name. ok is false if another process holds it.
func TryLock(_ FS, name string) (l *Lock, ok bool, err error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, false, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, new(windows.Overlapped))
	if err == windows.ERROR_LOCK_VIOLATION || err == windows.ERROR_IO_PENDING {
		_ = f.Close()
		return nil, false, nil
	}
	if err != nil {
		_ = f.Close()
		return nil, false, &os.PathError{Op: "lock", Path: name, Err: err}
	}
	return &Lock{f}, true, nil
}

// Unlock frees the lock.
func (l *Lock) Unlock() { _ = l.f.Close() }
