// Package examples holds invented example data: gimbal sheets that ship with
// Rigkeep.
package examples

import (
	"embed"
	"io/fs"
	"strings"
)

//go:embed gimbals/*.toml
var gimbals embed.FS

// Gimbals are the invented gimbal sheets, one file <slug>.toml each, as they
// would lie in a library's gimbals folder.
func Gimbals() fs.FS {
	sub, err := fs.Sub(gimbals, "gimbals")
	if err != nil {
		panic(err) // the folder is compiled in
	}
	return sub
}

// GimbalSlugs lists the sheets by slug, in byte order.
func GimbalSlugs() []string {
	entries, err := gimbals.ReadDir("gimbals")
	if err != nil {
		panic(err) // the folder is compiled in
	}
	var out []string
	for _, e := range entries {
		out = append(out, strings.TrimSuffix(e.Name(), ".toml"))
	}
	return out
}

// Gimbal is the text of one sheet by slug; ok is false for an unknown slug.
func Gimbal(slug string) (text []byte, ok bool) {
	b, err := gimbals.ReadFile("gimbals/" + slug + ".toml")
	return b, err == nil
}
