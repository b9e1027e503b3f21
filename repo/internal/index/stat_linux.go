package index

import (
	"io/fs"
	"syscall"

	"golang.org/x/sys/unix"
)

// fill adds what only the system knows: change time, inode, owner.
func fill(st *Stat, fi fs.FileInfo) {
	if s, ok := fi.Sys().(*syscall.Stat_t); ok {
		st.CTimeS, st.CTimeN = uint32(s.Ctim.Sec), uint32(s.Ctim.Nsec)
		st.Dev, st.Ino, st.UID, st.GID = uint32(s.Dev), uint32(s.Ino), s.Uid, s.Gid
	}
}

func ctime(s *unix.Stat_t) unix.Timespec { return s.Ctim }
func mtime(s *unix.Stat_t) unix.Timespec { return s.Mtim }

// FolderTimes says whether the file system at name is one that moves a folder's times whenever
// a name in it comes or goes.
func FolderTimes(name string) bool {
	var s syscall.Statfs_t
	if syscall.Statfs(name, &s) != nil {
		return false
	}
	switch uint32(s.Type) {
	case 0xef53, 0x58465342, 0x9123683e, 0x01021994, 0xf2f52010, 0x2fc12fc1: // ext, xfs, btrfs, tmpfs, f2fs, zfs
		return true
	}
	return false
}
