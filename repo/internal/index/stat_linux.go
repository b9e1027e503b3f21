package index

import (
	"io/fs"
	"syscall"
)

// fill adds what only the system knows: change time, inode, owner.
func fill(st *Stat, fi fs.FileInfo) {
	if s, ok := fi.Sys().(*syscall.Stat_t); ok {
		mode := st.Mode
		fillRaw(st, s)
		st.Mode = mode
	}
}

func fillRaw(st *Stat, s *syscall.Stat_t) {
	*st = Stat{CTimeS: uint32(s.Ctim.Sec), CTimeN: uint32(s.Ctim.Nsec), MTimeS: uint32(s.Mtim.Sec), MTimeN: uint32(s.Mtim.Nsec),
		Dev: uint32(s.Dev), Ino: uint32(s.Ino), UID: s.Uid, GID: s.Gid, Size: uint32(s.Size)}
}

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
