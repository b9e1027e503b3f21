package store

import (
	"errors"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/objects"
)

// tempAge is how old a temporary file is when it goes: none lives that long under a live process.
// What a held lock proves to be nobody's goes sooner (DropQuarantine, repair).
const tempAge = time.Hour

// Temps is what lies in a repository that killed processes had begun to write.
type Temps struct {
	Files int
	Bytes int64
}

// tempFile is one of them.
type tempFile struct {
	path string
	size int64
	at   time.Time
}

// temps lists the temporary files of this and other rigkeep processes, live ones too.
func (l WorkTree) temps() (out []tempFile) {
	for _, in := range []struct {
		dir      string
		prefixes []string
	}{
		{l.stateDir(), []string{"tmp_"}},
		{l.stateDir("held"), []string{"tmp_"}},
		{l.stateDir("cache"), []string{"new-"}},
		{l.ObjectFolder(), []string{objects.TempPrefix, receivedPrefix}},
		{filepath.Join(l.ObjectFolder(), "pack"), []string{objects.PackTemp}},
	} {
		names, err := l.fs.ReadDir(in.dir)
		if err != nil {
			continue
		}
		for _, n := range names {
			for _, p := range in.prefixes {
				if strings.HasPrefix(n.Name(), p) && n.Type().IsRegular() {
					if st, err := n.Info(); err == nil {
						out = append(out, tempFile{filepath.Join(in.dir, n.Name()), st.Size(), st.ModTime()})
					}
					break
				}
			}
		}
	}
	return out
}

// Temps says how much lies in temporary files. Those of killed processes go by themselves, an hour
// after they were last written, with the next save.
func (l WorkTree) Temps() (t Temps) {
	for _, f := range l.temps() {
		t.Files++
		t.Bytes += f.size
	}
	return t
}

// sweepTemps removes what is older than tempAge, at most once in that time: it runs under the
// library's lock, before a write. Ages are told by the file system's own clock, since the disk may
// be another machine's.
func (l WorkTree) sweepTemps() {
	mark := l.stateDir("swept")
	st, err := l.fs.Lstat(mark)
	if err == nil && time.Since(st.ModTime()).Abs() < tempAge {
		return
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return
	}
	_ = l.fs.Remove(mark) // it may be another user's, whose time we may not set
	if disk.WriteNew(l.fs, mark, nil, 0o666) != nil {
		return
	}
	if st, err = l.fs.Lstat(mark); err != nil {
		return
	}
	l.Exchange().DropQuarantine()
	for _, f := range l.temps() {
		if st.ModTime().Sub(f.at) > tempAge {
			_ = l.fs.Remove(f.path)
		}
	}
}
