package library

import (
	"fmt"
	"strings"

	"rigkeep/preset"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// PartNames lists the parts of the shop in the work tree by the names of their files.
func (l Builds) PartNames() ([]string, error) {
	names, err := l.names("parts/")
	if isNotFound(err) {
		return nil, nil
	}
	return names, err
}

// FindPart resolves a part by its file's name, by the beginning of it, by a word in it, or by
// the slot, where only one part fits.
func (l Builds) FindPart(name string) (string, error) {
	all, err := l.PartNames()
	if err != nil {
		return "", err
	}
	asked, words := schema.CanonicalName(name), schema.Slug(name)
	var begins, within []string
	for _, n := range all {
		switch {
		case n == asked || n == words:
			return n, nil
		case words == "":
		case strings.HasPrefix(n, words):
			begins = append(begins, n)
		case strings.Contains("-"+n+"-", "-"+words+"-"):
			within = append(within, n)
		}
	}
	for _, hits := range [][]string{begins, within} {
		if len(hits) == 1 {
			return hits[0], nil
		}
		if len(hits) > 1 {
			return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q fits %d parts: %s", name, len(hits), strings.Join(hits, ", ")), Hint: "Give more of its name"}
		}
	}
	var slotted []string
	for _, n := range all {
		if p, err := l.Part("", n); err == nil && words != "" && p.Slot == words {
			slotted = append(slotted, n)
		}
	}
	if len(slotted) == 1 {
		return slotted[0], nil
	}
	if len(slotted) > 1 {
		return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%d parts have the slot %q: %s", len(slotted), name, strings.Join(slotted, ", ")), Hint: "Name one of them"}
	}
	way := nearest(asked, all, "List them with: rigkeep part list")
	return "", &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("unknown part %q", name), Hint: way, Paths: []string{preset.PartPath(words)}}
}

// Part reads a part of the shop by its file's name.
func (l Builds) Part(rev store.Rev, name string) (preset.ShopPart, error) {
	doc, err := l.Doc(rev, preset.PartPath(name))
	if err != nil {
		return preset.ShopPart{}, err
	}
	return preset.PartIn(doc), nil
}

// Parts reads every part of the shop in the work tree, by file name. One that cannot be
// read ends it.
func (l Builds) Parts() ([]preset.ShopPart, error) {
	names, err := l.PartNames()
	if err != nil {
		return nil, err
	}
	out := make([]preset.ShopPart, 0, len(names))
	for _, n := range names {
		p, err := l.Part("", n)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}
