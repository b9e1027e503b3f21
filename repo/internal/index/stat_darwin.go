package index

import (
	"io/fs"
	"syscall"
)

// fill adds what only the system knows: change time, inode, owner.
func fill(st *Stat, fi fs.FileInfo) {
	if s, ok := fi.Sys().(*syscall.Stat_t); ok {
		st.CTimeS, st.CTimeN = uint32(s.Ctimespec.Sec), uint32(s.Ctimespec.Nsec)
		st.Dev, st.Ino, st.UID, st.GID = uint32(s.Dev), uint32(s.Ino), s.Uid, s.Gid
	}
}
