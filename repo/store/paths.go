package store

import (
	"fmt"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"
)

// CheckPath says whether a slash path may name a file in a library on every system the team may
// use: relative, inside the library, and none of the names or signs that Windows, macOS or git
// keep for themselves. The error is an *Error of class ErrBadPath.
func CheckPath(path string) error {
	bad := func(why string) error {
		return &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("%q cannot name a file in a library: %s", path, why),
			Hint: "Use letters, digits, dot, dash and underscore", Paths: []string{path}}
	}
	switch {
	case path == "":
		return bad("it is empty")
	case len(path) > 400:
		return bad("it is longer than 400 bytes")
	case !utf8.ValidString(path):
		return bad("it is not UTF-8")
	case path[0] == '/':
		return bad("it must be relative to the library")
	}
	for _, r := range path {
		if r < 0x20 || unicode.Is(unicode.C, r) {
			return bad("it holds a control character")
		}
		if strings.ContainsRune(`\:*?"<>|`, r) {
			return bad(fmt.Sprintf("Windows does not allow %q", r))
		}
	}
	for part := range strings.SplitSeq(path, "/") {
		lower := strings.ToLower(part)
		stem, _, _ := strings.Cut(lower, ".")
		switch {
		case part == "" || part == "." || part == "..":
			return bad("it has an empty or dotted part")
		case strings.HasSuffix(part, ".") || strings.HasSuffix(part, " "):
			return bad("a part ends in a dot or a space")
		case lower == ".git" || strings.HasPrefix(lower, "git~"):
			return bad("it points into git's own folder")
		case reserved()[strings.TrimRight(stem, " ")]:
			return bad(fmt.Sprintf("Windows keeps the name %q for a device", part))
		}
	}
	return nil
}

var reserved = sync.OnceValue(func() map[string]bool {
	m := map[string]bool{"con": true, "prn": true, "aux": true, "nul": true, "conin$": true, "conout$": true}
	for i := '0'; i <= '9'; i++ {
		m["com"+string(i)], m["lpt"+string(i)] = true, true
	}
	for _, i := range "¹²³" {
		m["com"+string(i)], m["lpt"+string(i)] = true, true
	}
	return m
})
