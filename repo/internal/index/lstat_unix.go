//go:build linux || darwin

package index

import (
	"io/fs"
	"syscall"
)

// Lstat gives what the index compares of a file, without the costs of a fs.FileInfo: a status
// asks it of every file of the library. kind holds the type bits only, and 0o100 if the owner
// may execute the file.
func Lstat(name string, st *Stat) (kind fs.FileMode, err error) {
	var s syscall.Stat_t
	for {
		if err = syscall.Lstat(name, &s); err != syscall.EINTR {
			break
		}
	}
	if err != nil {
		return 0, err
	}
	fillRaw(st, &s)
	switch s.Mode & syscall.S_IFMT {
	case syscall.S_IFREG:
	case syscall.S_IFDIR:
		kind = fs.ModeDir
	case syscall.S_IFLNK:
		kind = fs.ModeSymlink
	default:
		kind = fs.ModeIrregular
	}
	return kind | fs.FileMode(s.Mode&0o100), nil
}
