package objects

import (
	"bytes"
	"encoding/hex"
	"strconv"

	"github.com/go-git/go-git/v5/plumbing"
)

// Head is what the shape of history needs of a commit.
type Head struct {
	Tree    plumbing.Hash
	Parents []plumbing.Hash
	Date    int64  // committer's time, seconds since 1970
	Author  []byte // the author line, without the word
	Message []byte
}

// ParseCommit reads a commit. Its slices point into data.
func ParseCommit(id plumbing.Hash, data []byte) (h Head, err error) {
	for len(data) > 0 {
		nl := bytes.IndexByte(data, '\n')
		line := data
		if nl >= 0 {
			line, data = data[:nl], data[nl+1:]
		} else {
			data = nil
		}
		if len(line) == 0 {
			break
		}
		switch {
		case bytes.HasPrefix(line, []byte("tree ")):
			if !hexID(&h.Tree, line[5:]) {
				return h, damaged("commit %s has a broken tree line", id)
			}
		case bytes.HasPrefix(line, []byte("parent ")):
			var p plumbing.Hash
			if !hexID(&p, line[7:]) {
				return h, damaged("commit %s has a broken parent line", id)
			}
			h.Parents = append(h.Parents, p)
		case bytes.HasPrefix(line, []byte("author ")):
			h.Author = line[7:]
		case bytes.HasPrefix(line, []byte("committer ")):
			if gt := bytes.LastIndexByte(line, '>'); gt >= 0 {
				num, _, _ := bytes.Cut(bytes.TrimSpace(line[gt+1:]), []byte(" "))
				h.Date, _ = strconv.ParseInt(string(num), 10, 64)
			}
		}
		// Other headers (encoding, signatures, merge tags) and their continuation lines, which
		// begin with a blank, are kept by git and not needed here.
	}
	h.Message = data
	if h.Tree.IsZero() {
		return h, damaged("commit %s has no tree", id)
	}
	return h, nil
}

func hexID(to *plumbing.Hash, text []byte) bool {
	if len(text) != 40 {
		return false
	}
	_, err := hex.Decode(to[:], text)
	return err == nil
}
