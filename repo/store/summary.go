package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"slices"
	"strings"
	"sync"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// Summary is what a list shows of one file.
type Summary struct {
	Path  string
	Value string // what Extract made of the contents
	// Unsaved is empty if the file is as in the last revision. For Modified and Added, Value is
	// that of the file in the folder; for Deleted, that of the last revision.
	Unsaved ChangeKind

	blob string // its contents in the last revision, as 20 bytes; "" if it is not in it
}

// SummaryOptions say what to list.
type SummaryOptions struct {
	// Name and Version name the kind of list; results are kept under them, so Version must
	// change whenever Extract or Match answers differently. Letters, digits, dot and dash.
	Name, Version string
	// Match chooses the files; nil means all.
	Match func(path string) bool
	// Extract makes the line of a list from a file's contents. It must depend on nothing else.
	Extract func(path string, data []byte) string
	// SavedOnly leaves out the look at the folder: only the last revision is listed.
	SavedOnly bool
}

// Summaries lists the library's files with a line made from each one's contents, sorted by path.
// What was made for the last revision is kept in .git/rigkeep and brought up to date by what
// changed since, so a list costs as much as it shows, not as much as there is to read.
func (l WorkTree) Summaries(o SummaryOptions) ([]Summary, error) {
	if !isToken(strings.ReplaceAll(o.Name+o.Version, ".", "")) || o.Extract == nil {
		return nil, &Error{Kind: ErrBadPath, Msg: "a list needs a name and a version of letters, digits, dots and dashes"}
	}
	match := o.Match
	if match == nil {
		match = func(string) bool { return true }
	}
	_, head, err := l.head()
	if err != nil {
		return nil, err
	}
	// The folder is looked at meanwhile: one is all work, the other mostly the system's answers.
	var changes []Change
	var statusErr error
	var wg sync.WaitGroup
	if !o.SavedOnly {
		wg.Go(func() { changes, statusErr = l.Status() })
	}
	var out []Summary
	err = l.with(func(r *objects.Reader) error {
		var root plumbing.Hash
		if !head.IsZero() {
			data, err := r.Commit(head)
			if err != nil {
				return err
			}
			h, err := objects.ParseCommit(head, data)
			if err != nil {
				return err
			}
			root = h.Tree
		}
		name := l.stateDir("list-" + o.Name)
		was, known := l.loadSummaries(name, o.Version)
		if known != nil && was == root {
			out = known
			return nil
		}
		out, err = updateSummaries(r, was, root, known, match, o.Extract)
		if err != nil {
			return err
		}
		l.saveSummaries(name, o.Version, root, out)
		return nil
	})
	wg.Wait()
	if err != nil || o.SavedOnly {
		return out, err
	}
	if statusErr != nil {
		return nil, statusErr
	}
	for _, c := range changes {
		if !match(c.Path) {
			continue
		}
		i, have := slices.BinarySearchFunc(out, c.Path, func(s Summary, p string) int { return strings.Compare(s.Path, p) })
		data, err := l.Read(c.Path)
		switch {
		case errors.Is(err, ErrNotFound):
			if have {
				out[i].Unsaved = Deleted
			}
			continue
		case err != nil:
			return nil, err
		case !have:
			out = slices.Insert(out, i, Summary{Path: c.Path, Unsaved: Added})
		default:
			out[i].Unsaved = Modified
		}
		out[i].Value = o.Extract(c.Path, data)
	}
	return out, nil
}

// updateSummaries brings a list of tree was to tree root. known is nil if there is none.
func updateSummaries(r *objects.Reader, was, root plumbing.Hash, known []Summary, match func(string) bool, extract func(string, []byte) string) ([]Summary, error) {
	if known == nil {
		was = plumbing.ZeroHash
	}
	changed := map[string]plumbing.Hash{}
	collect := func(c tree.Change) error {
		if match(c.Path) && (c.New.IsZero() || c.NewMode == tree.ModeFile || c.NewMode == tree.ModeExec) {
			changed[c.Path] = c.New
		}
		return nil
	}
	if err := tree.Diff(r, was, root, collect); err != nil {
		// The old tree may have been pruned since; begin anew.
		known, changed = nil, map[string]plumbing.Hash{}
		if err := tree.Diff(r, plumbing.ZeroHash, root, collect); err != nil {
			return nil, err
		}
	}
	out := make([]Summary, 0, len(known)+len(changed))
	for _, s := range known {
		if _, ok := changed[s.Path]; !ok {
			out = append(out, s)
		}
	}
	for path, id := range changed {
		if id.IsZero() {
			continue
		}
		data, err := r.Blob(id)
		if err != nil {
			return nil, err
		}
		out = append(out, Summary{Path: path, blob: string(id[:]), Value: extract(path, data)})
	}
	slices.SortFunc(out, func(a, b Summary) int { return strings.Compare(a.Path, b.Path) })
	return out, nil
}

const listMagic = "rigkeep list 1\n"

// loadSummaries reads a kept list; nil if there is none that can be used.
func (l WorkTree) loadSummaries(name, version string) (root plumbing.Hash, out []Summary) {
	b, err := l.fs.ReadFile(name)
	if err != nil {
		return root, nil
	}
	root, out, ok := parseSummaries(b, version)
	if !ok {
		return plumbing.ZeroHash, nil
	}
	return root, out
}

func parseSummaries(b []byte, version string) (root plumbing.Hash, out []Summary, ok bool) {
	head := listMagic + version + "\n"
	if !bytes.HasPrefix(b, []byte(head)) || len(b) < len(head)+28 {
		return root, nil, false
	}
	b = b[len(head):]
	if binary.LittleEndian.Uint32(b) != crc32.Checksum(b[4:], castagnoli()) {
		return root, nil, false
	}
	copy(root[:], b[4:])
	n := int(binary.LittleEndian.Uint32(b[24:]))
	b = b[28:]
	if n > len(b)/22 {
		return root, nil, false
	}
	text := disk.Text(b) // the strings below are parts of it
	at := 0
	take := func() (string, bool) {
		v, k := binary.Uvarint(b[at:])
		if k <= 0 || v > uint64(len(b)-at-k) {
			return "", false
		}
		at += k + int(v)
		return text[at-int(v) : at], true
	}
	out = make([]Summary, 0, n)
	for range n {
		if at+20 > len(b) {
			return root, nil, false
		}
		id := text[at : at+20]
		at += 20
		path, ok1 := take()
		value, ok2 := take()
		if !ok1 || !ok2 {
			return root, nil, false
		}
		out = append(out, Summary{Path: path, Value: value, blob: id})
	}
	return root, out, at == len(b)
}

// castagnoli is made at its first use: that takes a tenth of a millisecond.
var castagnoli = sync.OnceValue(func() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) })

func formatSummaries(version string, root plumbing.Hash, list []Summary) []byte {
	out := []byte(listMagic + version + "\n")
	start := len(out)
	out = append(out, 0, 0, 0, 0)
	out = append(out, root[:]...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(list)))
	for _, s := range list {
		var id plumbing.Hash
		copy(id[:], s.blob)
		out = append(out, id[:]...)
		for _, t := range []string{s.Path, s.Value} {
			out = binary.AppendUvarint(out, uint64(len(t)))
			out = append(out, t...)
		}
	}
	binary.LittleEndian.PutUint32(out[start:], crc32.Checksum(out[start+4:], castagnoli()))
	return out
}

// saveSummaries keeps a list. It is replaced whole and needs no lock: the last one wins, and
// each names the tree that it is of.
func (l WorkTree) saveSummaries(name, version string, root plumbing.Hash, list []Summary) {
	if l.ensureStateDir() != nil {
		return
	}
	tmp := disk.TempName(l.stateDir(), "tmp_")
	if disk.WriteNew(l.fs, tmp, formatSummaries(version, root, list), 0o666) == nil && l.fs.Rename(tmp, name) != nil {
		_ = l.fs.Remove(tmp)
	}
}
