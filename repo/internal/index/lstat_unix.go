//go:build linux || darwin

package index

import (
	"io/fs"

	"golang.org/x/sys/unix"
)

// Folder is an open folder whose files are asked about by their paths below it: for ten
// thousand files that is a quarter cheaper than by absolute paths.
type Folder struct{ fd int }

// OpenFolder opens a folder for Lstat.
func OpenFolder(name string) (*Folder, error) {
	fd, err := unix.Open(name, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return &Folder{fd}, nil
}

// Close closes the folder.
func (f *Folder) Close() { _ = unix.Close(f.fd) }

// Lstat gives what the index compares of the file at a slash path below the folder ("." is the
// folder itself), without the costs of a fs.FileInfo. kind holds the type bits only, and 0o100
// if the owner may execute the file.
func (f *Folder) Lstat(path string, st *Stat) (kind fs.FileMode, err error) {
	var s unix.Stat_t
	for {
		if err = unix.Fstatat(f.fd, path, &s, unix.AT_SYMLINK_NOFOLLOW); err != unix.EINTR {
			break
		}
	}
	if err != nil {
		return 0, err
	}
	ct, mt := ctime(&s), mtime(&s)
	*st = Stat{CTimeS: uint32(ct.Sec), CTimeN: uint32(ct.Nsec), MTimeS: uint32(mt.Sec), MTimeN: uint32(mt.Nsec),
		Dev: uint32(s.Dev), Ino: uint32(s.Ino), UID: s.Uid, GID: s.Gid, Size: uint32(s.Size)}
	switch s.Mode & unix.S_IFMT {
	case unix.S_IFREG:
	case unix.S_IFDIR:
		kind = fs.ModeDir
	case unix.S_IFLNK:
		kind = fs.ModeSymlink
	default:
		kind = fs.ModeIrregular
	}
	return kind | fs.FileMode(s.Mode&0o100), nil
}
