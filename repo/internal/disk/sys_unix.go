//go:build unix

package disk

import (
	"os"
	"syscall"
)

var (
	errInval  error = syscall.EINVAL
	errNotSup error = syscall.ENOTSUP
	errNotDir error = syscall.ENOTDIR
	errXDev   error = syscall.EXDEV
)

// Map gives a file's bytes, mapped read-only where the system can. Only for files that are
// replaced by rename and never written in place: a file cut short under a mapping kills the
// process. The mapping lives until unmap.
func Map(name string) (data []byte, unmap func(), err error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = f.Close() }()
	st, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	n := st.Size()
	if n == 0 || int64(int(n)) != n {
		return nil, func() {}, nil
	}
	data, err = syscall.Mmap(int(f.Fd()), 0, int(n), syscall.PROT_READ, syscall.MAP_SHARED)
	if err != nil {
		return nil, nil, err
	}
	return data, func() { _ = syscall.Munmap(data) }, nil
}

// Lock is a held advisory lock; the kernel frees it when the process dies.
type Lock struct{ f *os.File }

// TryLock takes the advisory lock on name, which must be on a local or lock-aware file system.
// ok is false if another process holds it. A lock file that is not there is made, and opened to
// others as by has it; nothing else of by is used.
func TryLock(by FS, name string) (l *Lock, ok bool, err error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, false, err
	}
	opened(by, name)
	for {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err != syscall.EINTR {
			break
		}
	}
	if err == syscall.EWOULDBLOCK {
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
