package index

import (
	"sort"
	"strings"
)

// Below gives the entries whose path begins with prefix.
func (x *Index) Below(prefix string) []Entry {
	lo := sort.Search(len(x.Entries), func(i int) bool { return x.Entries[i].Path >= prefix })
	hi := lo + sort.Search(len(x.Entries)-lo, func(i int) bool { return !strings.HasPrefix(x.Entries[lo+i].Path, prefix) })
	return x.Entries[lo:hi]
}

// SetRoot installs a whole cached tree, for an index built from a commit.
func (x *Index) SetRoot(n *Node) { x.tree, x.packed = n, nil }
