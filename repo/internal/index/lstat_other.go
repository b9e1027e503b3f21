//go:build !linux && !darwin

package index

import (
	"io/fs"
	"os"
)

// Lstat gives what the index compares of a file. kind holds the type bits only, and 0o100 if
// the owner may execute the file.
func Lstat(name string, st *Stat) (kind fs.FileMode, err error) {
	fi, err := os.Lstat(name)
	if err != nil {
		return 0, err
	}
	*st = FromInfo(fi, 0)
	return fi.Mode() & (fs.ModeType | 0o100), nil
}
