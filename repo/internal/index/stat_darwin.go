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
	*st = Stat{CTimeS: uint32(s.Ctimespec.Sec), CTimeN: uint32(s.Ctimespec.Nsec), MTimeS: uint32(s.Mtimespec.Sec), MTimeN: uint32(s.Mtimespec.Nsec),
		Dev: uint32(s.Dev), Ino: uint32(s.Ino), UID: s.Uid, GID: s.Gid, Size: uint32(s.Size)}
}

// FolderTimes says whether a folder's times can be trusted; that has not been tried here.
func FolderTimes(string) bool { return false }
