package store

import (
	"encoding/binary"
	"hash/crc32"
	"os"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/index"
)

// folderCache remembers which folders held exactly the names that git knows, and the folders'
// own times and inodes then. A file system moves a folder's times whenever a name in it comes or
// goes, so a folder with the same times need not be read again: that halves a status. Git's
// "untracked cache" rests on the same ground. It is used on local file systems known to behave
// so, dropped when in doubt, and can be deleted at any time.
type folderCache struct {
	seen  []folderSeen // in the order in which the folders were listed
	fresh bool         // there was no usable cache
}

type folderSeen struct {
	path, names            uint64
	ms, mn, cs, cn, i, dev uint32
}

const folderMagic = "rigkeep folders 3\n\x00\x00"

const folderRecord = 8 + 8 + 6*4

func seenOf(f *folder) folderSeen {
	return folderSeen{fnv(fnvStart, f.path), f.names, f.stat.MTimeS, f.stat.MTimeN, f.stat.CTimeS, f.stat.CTimeN, f.stat.Ino, f.stat.Dev}
}

// match gives each folder what was seen of it. Most stand as they stood; behind one that came or went
// the others are looked for by the hash of their paths.
func (c *folderCache) match(folders []*folder) {
	var by map[uint64]int
	next := 0
	for _, f := range folders {
		path := fnv(fnvStart, f.path)
		if next == len(c.seen) || c.seen[next].path != path {
			if by == nil {
				by = make(map[uint64]int, len(c.seen))
				for i := range c.seen {
					by[c.seen[i].path] = i
				}
			}
			i, ok := by[path]
			if !ok {
				continue
			}
			next = i
		}
		f.seen = &c.seen[next]
		next++
	}
}

func (l WorkTree) foldersName() string { return l.stateDir(l.heldName("folders")) }

// loadFolders gives the cache, empty if there is none that can be used, or nil where folder
// times are not to be trusted.
func (l WorkTree) loadFolders() *folderCache {
	if !index.FolderTimes(l.d.Work) {
		return nil
	}
	c := &folderCache{fresh: true}
	b, err := os.ReadFile(l.foldersName())
	n := len(folderMagic)
	if err != nil || len(b) < n+4 || string(b[:n]) != folderMagic || (len(b)-n-4)%folderRecord != 0 ||
		binary.LittleEndian.Uint32(b[n:]) != crc32.ChecksumIEEE(b[n+4:]) {
		return c
	}
	c.fresh = false
	b = b[n+4:]
	c.seen = make([]folderSeen, 0, len(b)/folderRecord)
	for ; len(b) > 0; b = b[folderRecord:] {
		u := func(i int) uint32 { return binary.LittleEndian.Uint32(b[16+4*i:]) }
		c.seen = append(c.seen, folderSeen{binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:]), u(0), u(1), u(2), u(3), u(4), u(5)})
	}
	return c
}

// settle is how long a folder must have been quiet before its times are remembered: a name that
// came in the same tick as the last one would not show.
var settle = 2 * time.Second

// saveFolders remembers what a scan saw, if that is worth a write. began is when it started.
func (l WorkTree) saveFolders(s *scan, began time.Time) {
	if s.known == nil || len(s.folders) < 64 {
		return
	}
	limit := began.Add(-settle)
	quiet := func(s, n uint32) bool { return time.Unix(int64(s), int64(n)).Before(limit) }
	worth := func(f *folder) bool {
		return f.same && quiet(f.stat.MTimeS, f.stat.MTimeN) && quiet(f.stat.CTimeS, f.stat.CTimeN)
	}
	fresh := 0
	for _, f := range s.folders {
		if !f.known && worth(f) {
			fresh++
		}
	}
	if fresh == 0 || !s.known.fresh && fresh < len(s.folders)/50 {
		return
	}
	out := make([]byte, len(folderMagic)+4, len(folderMagic)+4+len(s.folders)*folderRecord)
	copy(out, folderMagic)
	for _, f := range s.folders {
		if !worth(f) {
			continue
		}
		out = binary.LittleEndian.AppendUint64(out, fnv(fnvStart, f.path))
		out = binary.LittleEndian.AppendUint64(out, f.names)
		for _, v := range []uint32{f.stat.MTimeS, f.stat.MTimeN, f.stat.CTimeS, f.stat.CTimeN, f.stat.Ino, f.stat.Dev} {
			out = binary.LittleEndian.AppendUint32(out, v)
		}
	}
	binary.LittleEndian.PutUint32(out[len(folderMagic):], crc32.ChecksumIEEE(out[len(folderMagic)+4:]))
	if l.ensureStateDir() != nil {
		return
	}
	tmp := disk.TempName(l.stateDir(), "tmp_")
	if disk.WriteNew(l.fs, tmp, out, 0o666) == nil && l.fs.Rename(tmp, l.foldersName()) != nil {
		_ = l.fs.Remove(tmp)
	}
}
