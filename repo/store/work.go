package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/index"
	"rigkeep/repo/internal/tree"
	"rigkeep/schema"
)

// Read gives the contents of a file of the work tree: what a person sees in the folder now,
// saved or not. Only ordinary files up to MaxFile are read.
//
// Errors: ErrNotFound, ErrBadPath, ErrDamaged (a folder or link where a file should be, or too
// large).
func (l WorkTree) Read(path string) ([]byte, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	data, _, err := l.readWork(path)
	return data, err
}

// readWork reads a work-tree file together with the stat that belongs to exactly these bytes.
func (l WorkTree) readWork(path string) ([]byte, fs.FileInfo, error) {
	name := l.work(path)
	if link := l.linkAbove(path); link != "" {
		return nil, nil, &Error{Kind: ErrDamaged, Msg: link + " is a symbolic link, not a folder: git keeps the link and nothing of what it leads to",
			Hint: "Put a real folder in its place, with the files in it", Paths: []string{path}}
	}
	for try := 0; ; try++ {
		st, err := l.fs.Lstat(name)
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotDir) {
				return nil, nil, &Error{Kind: ErrNotFound, Msg: "no file " + path, Paths: []string{path}}
			}
			return nil, nil, device("reading "+path, err)
		}
		if !st.Mode().IsRegular() {
			what := "a special file"
			switch {
			case st.IsDir():
				what = "a folder"
			case st.Mode()&fs.ModeSymlink != 0:
				what = "a link"
			}
			return nil, nil, &Error{Kind: ErrDamaged, Msg: path + " is " + what + ", not an ordinary file",
				Hint: "Move it out of the library and put the file back with `rigkeep restore`", Paths: []string{path}}
		}
		f, err := l.fs.OpenFile(name, os.O_RDONLY, 0)
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) && try < 3 {
				continue
			}
			return nil, nil, device("reading "+path, err)
		}
		data, err := readAll(f, MaxFile)
		after, serr := f.Stat()
		_ = f.Close()
		switch {
		case errors.Is(err, errTooLarge):
			return nil, nil, &Error{Kind: ErrDamaged, Msg: fmt.Sprintf("%s is larger than %d MB; a file of a library is a few kilobytes", path, MaxFile>>20),
				Hint: "Move it out of the library", Paths: []string{path}}
		case err != nil:
			return nil, nil, device("reading "+path, err)
		case serr != nil:
			return nil, nil, device("reading "+path, serr)
		}
		// A write beside us shows as another file, size or time; read again until it is quiet.
		if os.SameFile(st, after) && st.Size() == int64(len(data)) && st.ModTime().Equal(after.ModTime()) {
			return data, after, nil
		}
		if try > 20 {
			return nil, nil, &Error{Kind: ErrBusy, Msg: path + " keeps changing while it is read", Hint: "Close the program that writes it and try again", Paths: []string{path}}
		}
	}
}

// linkAbove gives the first of a path's folders that is a symbolic link, "" for none.
func (l WorkTree) linkAbove(path string) string {
	for i := 0; i < len(path); i++ {
		if path[i] != '/' {
			continue
		}
		if st, err := l.fs.Lstat(l.work(path[:i])); err != nil {
			return "" // what reads it says so
		} else if st.Mode()&fs.ModeSymlink != 0 {
			return path[:i]
		}
	}
	return ""
}

// Links gives the symbolic links of the work tree, of files and of folders, as slash paths.
func (l WorkTree) Links() ([]string, error) {
	var out []string
	err := l.walk("", func(string) bool { return true }, func(path string, e fs.DirEntry) {
		if e.Type()&fs.ModeSymlink != 0 {
			out = append(out, path)
		}
	})
	slices.Sort(out)
	return out, err
}

// WriteFile puts data into a file of the work tree, without saving a revision: the old bytes or
// the new ones are there at any time, and the new ones are on stable storage at the return.
// base is what the caller read before; nil means that the file must not exist.
//
// Errors: ErrChanged if the file is not as base, ErrBusy, ErrBadPath, ErrDevice.
func (l WorkTree) WriteFile(ctx context.Context, path string, data, base []byte) error {
	if err := CheckPath(path); err != nil {
		return err
	}
	if len(data) > MaxFile {
		return &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("%s would be larger than %d MB", path, MaxFile>>20), Paths: []string{path}}
	}
	return l.changeWork(ctx, path, base, File{Path: path, Data: data})
}

// changeWork makes one change to the work tree, wholly or not at all.
func (l WorkTree) changeWork(ctx context.Context, path string, base []byte, f File) error {
	unlock, err := l.lock(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	now, st, err := l.readWorkFile(path, base)
	if err != nil {
		return err
	}
	if !f.Delete && base != nil && bytes.Equal(f.Data, base) {
		return nil
	}
	s := step{File: f, there: st != nil, work: now, st: st, write: true}
	if !f.Delete {
		s.id = plumbing.ComputeHash(plumbing.BlobObject, f.Data)
	}
	t, m := &tx{l: l.Lib, w: l.Writer().newWaiter(ctx)}, &move{steps: []step{s}}
	if err := t.writeWork(m); err != nil {
		return device("writing "+path, errors.Join(err, t.undo(m)))
	}
	t.forget(m)
	l.Writer().sweep(m.steps)
	return nil
}

// readWorkFile checks that a work-tree file is as the caller read it.
func (l WorkTree) readWorkFile(path string, base []byte) ([]byte, fs.FileInfo, error) {
	no := func(msg, out string) ([]byte, fs.FileInfo, error) {
		return nil, nil, &Error{Kind: ErrChanged, Msg: path + msg, Hint: out, Paths: []string{path}}
	}
	const again = "Look at it again and repeat the command"
	now, st, err := l.readWork(path)
	switch {
	case errors.Is(err, ErrNotFound):
		if base == nil {
			return nil, nil, nil
		}
		return no(" has been removed meanwhile", again)
	case err != nil:
		return nil, nil, err
	case base == nil:
		return no(" already exists", "Choose another name, or change the present file")
	case !bytes.Equal(now, base):
		return no(" has been changed meanwhile", again)
	}
	return now, st, nil
}

// putWork writes a work-tree file. Its folders are made; links on the way are refused, because
// they would lead the write out of the library. mode is the git mode wanted, or 0 to keep the
// executable bit as it is.
func (l WorkTree) putWork(path string, data []byte, mode uint32) error {
	if err := l.checkFolders(path, true); err != nil {
		return err
	}
	temp, err := l.tempWork(path, data, mode)
	if err != nil {
		return device("writing "+path, err)
	}
	name := l.work(path)
	if err := disk.Move(l.fs, temp, name, data); err != nil {
		_ = l.fs.Remove(temp)
		return device("writing "+path, err)
	}
	return device("writing "+path, l.fs.SyncDir(filepath.Dir(name)))
}

// tempWork writes and syncs what is to become the work-tree file path under a name in our own
// folder, with the permissions of the present file.
func (l WorkTree) tempWork(path string, data []byte, mode uint32) (temp string, err error) {
	name := l.work(path)
	perm, exact := fs.FileMode(0o666), false
	if st, err := l.fs.Lstat(name); err == nil {
		if !st.Mode().IsRegular() {
			return "", &Error{Kind: ErrDamaged, Msg: path + " is not an ordinary file", Hint: "Move it out of the way", Paths: []string{path}}
		}
		perm, exact = st.Mode().Perm(), true
		if perm&0o200 == 0 {
			return "", &fs.PathError{Op: "write", Path: name, Err: fs.ErrPermission}
		}
	}
	if fileMode == "true" {
		switch {
		case mode == tree.ModeExec && perm&0o100 == 0:
			perm |= perm & 0o444 >> 2
		case mode == tree.ModeFile && perm&0o100 != 0:
			perm &^= 0o111
		}
	}
	temp = disk.TempName(l.stateDir("held"), "tmp_")
	if err := disk.WriteSynced(l.fs, temp, data, perm); err != nil {
		return "", err
	}
	if st, err := l.fs.Lstat(temp); exact && err == nil && st.Mode().Perm() != perm {
		if err := l.fs.Chmod(temp, perm); err != nil {
			_ = l.fs.Remove(temp)
			return "", err
		}
	}
	return temp, nil
}

// checkFolders makes sure that the folders of path are real folders without a case twin, and
// makes the missing ones.
func (l WorkTree) checkFolders(path string, create bool) error {
	parts := strings.Split(path, "/")
	dir := l.d.Work
	for i, part := range parts {
		full := filepath.Join(dir, part)
		st, err := l.fs.Lstat(full)
		last := i == len(parts)-1
		switch {
		case err == nil && last:
			return nil
		case err == nil && !st.IsDir():
			return &Error{Kind: ErrBadPath, Msg: strings.Join(parts[:i+1], "/") + " is not a folder of the library",
				Hint: "Move it out of the way", Paths: []string{path}}
		case err == nil:
		case !errors.Is(err, fs.ErrNotExist):
			return device("looking for "+path, err)
		default:
			names, err := l.fs.ReadDir(dir)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return device("looking into the folder of "+path, err)
			}
			for _, n := range names {
				if n.Name() != part && schema.CanonicalName(n.Name()) == schema.CanonicalName(part) {
					return caseClash(&tree.ErrCaseClash{Path: path, Present: strings.Join(append(append([]string(nil), parts[:i]...), n.Name()), "/")})
				}
			}
			if last || !create {
				return nil
			}
			if err := disk.MkdirAll(l.fs, full, 0o777); err != nil {
				return device("making the folder of "+path, err)
			}
		}
		dir = full
	}
	return nil
}

func caseClash(c *tree.ErrCaseClash) error {
	return &Error{Kind: ErrBadPath, Msg: c.Error(), Hint: "Choose a name that differs in more than capitals", Paths: []string{c.Path, c.Present}}
}

// dropWork removes a work-tree file and the folders that it leaves empty.
func (l WorkTree) dropWork(path string) error {
	if err := l.checkFolders(path, false); err != nil {
		return err
	}
	name := l.work(path)
	if err := l.fs.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return device("removing "+path, err)
	}
	dir := filepath.Dir(name)
	for dir != l.d.Work && l.fs.Remove(dir) == nil {
		dir = filepath.Dir(dir)
	}
	if err := l.fs.SyncDir(dir); err != nil {
		return device("removing "+path, err)
	}
	return nil
}

// List gives the paths of the work tree's files below prefix ("" for all), sorted, git's own
// folder left out. They may or may not be saved.
func (l WorkTree) List(prefix string) ([]string, error) {
	var out []string
	start := ""
	if i := strings.LastIndexByte(prefix, '/'); i > 0 {
		start = prefix[:i]
	}
	enter := func(dir string) bool { return strings.HasPrefix(dir, prefix) || strings.HasPrefix(prefix, dir) }
	err := l.walk(start, enter, func(path string, e fs.DirEntry) {
		if e.Type().IsRegular() && strings.HasPrefix(path, prefix) {
			out = append(out, path)
		}
	})
	if err != nil {
		return nil, err
	}
	slices.Sort(out)
	return out, nil
}

// walk shows what is in the folder rel of the work tree and below it, folders apart, as slash
// paths. It goes into the folders that enter allows, given with a slash at the end, and never
// into git's own.
func (l WorkTree) walk(rel string, enter func(dir string) bool, show func(path string, e fs.DirEntry)) error {
	names, err := l.fs.ReadDir(l.work(rel))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotDir) {
			return nil
		}
		return device("listing the library", err)
	}
	for _, n := range names {
		path := n.Name()
		if rel != "" {
			path = rel + "/" + path
		}
		switch {
		case !n.IsDir():
			show(path, n)
		case rel == "" && strings.EqualFold(n.Name(), ".git"):
		case enter(path + "/"):
			if err := l.walk(path, enter, show); err != nil {
				return err
			}
		}
	}
	return nil
}

// sameAsBlob says whether a work-tree file counts as unchanged against a blob. Git turns CRLF
// into LF on the way in where the stored file has no CR (`text=auto`), so a file that an editor
// gave CRLF endings is unchanged too.
func (l WorkTree) sameAsBlob(data []byte, id plumbing.Hash) bool {
	if plumbing.ComputeHash(plumbing.BlobObject, data) == id {
		return true
	}
	lf, ok := toLF(data)
	return ok && plumbing.ComputeHash(plumbing.BlobObject, lf) == id
}

// toLF gives data with LF line ends, and whether that is what git's text=auto would store.
func toLF(data []byte) ([]byte, bool) {
	if !bytes.Contains(data, []byte("\r\n")) || bytes.IndexByte(data, 0) >= 0 {
		return nil, false
	}
	return bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n")), true
}

// gitMode gives the git mode of a work-tree file.
func gitMode(st fs.FileInfo) uint32 {
	if fileMode == "true" && st.Mode().Perm()&0o100 != 0 {
		return tree.ModeExec
	}
	return tree.ModeFile
}

func statEntry(path string, id plumbing.Hash, st fs.FileInfo, mode uint32) index.Entry {
	return index.Entry{Stat: index.FromInfo(st, mode), ID: id, Path: path}
}
