//go:build !linux && !darwin

package index

import (
	"io/fs"
	"os"
	"path/filepath"
)

// Folder is a folder whose files are asked about by their paths below it.
type Folder struct{ name string }

// OpenFolder opens a folder for Lstat.
func OpenFolder(name string) (*Folder, error) { return &Folder{name}, nil }

// Close closes the folder.
func (f *Folder) Close() {}

// Lstat gives what the index compares of the file at a slash path below the folder ("." is the
// folder itself). kind holds the type bits only, and 0o100 if the owner may execute the file.
func (f *Folder) Lstat(path string, st *Stat) (kind fs.FileMode, err error) {
	fi, err := os.Lstat(filepath.Join(f.name, filepath.FromSlash(path)))
	if err != nil {
		return 0, err
	}
	*st = FromInfo(fi, 0)
	return fi.Mode() & (fs.ModeType | 0o100), nil
}
