package main

import (
	"os/exec"
	"strings"
	"testing"
)

// level says how high a package stands: it may import only what is lower, or
// the same level where that is stated.
func level(pkg string) int {
	if pkg == "rigkeep/repo/bench" {
		return 5 // a program that measures, and no part of the store
	}
	top, _, _ := strings.Cut(strings.TrimPrefix(pkg, "rigkeep/"), "/")
	return map[string]int{"cmd": 5, "examples": 4, "diffview": 3, "repo": 3, "preset": 2, "schema": 1}[top]
}

// TestArrows reads the imports: cmd → diffview, repo → preset → schema; go-git
// in repo and (its diff formats) diffview alone; TOML libraries in preset/file alone.
func TestArrows(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, "rigkeep/...").Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) < 20 {
		t.Fatalf("only %d packages listed", len(lines))
	}
	for _, line := range lines {
		words := strings.Fields(line)
		pkg := words[0]
		under := func(p string) bool { return pkg == p || strings.HasPrefix(pkg, p+"/") }
		for _, imp := range words[1:] {
			switch {
			case strings.HasPrefix(imp, "rigkeep/"):
				a, b := level(pkg), level(imp)
				topA, _, _ := strings.Cut(strings.TrimPrefix(pkg, "rigkeep/"), "/")
				topB, _, _ := strings.Cut(strings.TrimPrefix(imp, "rigkeep/"), "/")
				// only the commands speak with a unit: no page, no server, nothing below
				wire := imp == "rigkeep/preset/link/wire" || imp == "rigkeep/cmd/rigkeep/device"
				if wire && pkg != "rigkeep/cmd/rigkeep" && !under("rigkeep/cmd/rigkeep/device") && pkg != "rigkeep/preset/link" {
					t.Errorf("%s imports %s: only a command speaks with a unit", pkg, imp)
				}
				if under("rigkeep/cmd/rigkeep/serve") && (topB == "cmd" || imp == "rigkeep/repo/transport" || strings.HasPrefix(imp, "rigkeep/preset/link")) {
					t.Errorf("%s imports %s: a page starts nothing over a network or a link", pkg, imp)
				}
				if b > a || b == a && topA != topB {
					t.Errorf("%s imports %s: the arrow points up or across", pkg, imp)
				}
			case imp == "net/http" && !under("rigkeep/repo/transport") && !under("rigkeep/cmd/rigkeep/serve"):
				t.Errorf("%s imports %s: only cmd/rigkeep/serve is a server", pkg, imp)
			case strings.HasPrefix(imp, "github.com/go-git/"):
				format := strings.Contains(imp, "/utils/diff") || strings.Contains(imp, "/plumbing")
				if !under("rigkeep/repo") && !(under("rigkeep/diffview") && format) {
					t.Errorf("%s imports %s: only repo speaks git", pkg, imp)
				}
			case strings.HasPrefix(imp, "github.com/BurntSushi/toml"), strings.HasPrefix(imp, "github.com/pelletier/go-toml"):
				if !under("rigkeep/preset/file") {
					t.Errorf("%s imports %s: only preset/file reads TOML", pkg, imp)
				}
			case strings.HasPrefix(imp, "github.com/urfave/cli"):
				if !under("rigkeep/cmd") {
					t.Errorf("%s imports %s: only cmd has flags", pkg, imp)
				}
			}
		}
	}
}
