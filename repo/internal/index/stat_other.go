//go:build !linux && !darwin

package index

import (
	"io/fs"
)

// fill leaves inode and owner at zero, as git for Windows does; the change time is the file's
// creation time there.
func fill(st *Stat, fi fs.FileInfo) {
	if t, ok := creation(fi.Sys()); ok {
		st.CTimeS, st.CTimeN = uint32(t/1e9), uint32(t%1e9)
	}
}

// FolderTimes says whether a folder's times can be trusted; that has not been tried here.
func FolderTimes(string) bool { return false }
