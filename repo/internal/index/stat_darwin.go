package index

import (
	"io/fs"
	"syscall"

	"golang.org/x/sys/unix"
)

// fill adds what only the system knows: change time, inode, owner.
func fill(st *Stat, fi fs.FileInfo) {
	if s, ok := fi.Sys().(*syscall.Stat_t); ok {
		st.CTimeS, st.CTimeN = uint32(s.Ctimespec.Sec), uint32(s.Ctimespec.Nsec)
		st.Dev, st.Ino, st.UID, st.GID = uint32(s.Dev), uint32(s.Ino), s.Uid, s.Gid
	}
}

func ctime(s *unix.Stat_t) unix.Timespec { return s.Ctim }
func mtime(s *unix.Stat_t) unix.Timespec { return s.Mtim }

// FolderTimes says whether a folder's times can be trusted; that has not been tried here.
func FolderTimes(string) bool { return false }
