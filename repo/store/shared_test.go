//go:build unix

package store

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// TestSharedRepository: what a save, a ref and the derived files make has the permissions that git
// itself gives, for each value of core.sharedRepository and several umasks.

func TestSharedRepository(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o022))
	for _, mask := range []int{0o022, 0o077, 0o002} {
		syscall.Umask(mask)
		for _, value := range []string{"", "umask", "group", "true", "1", "0", "false", "all", "world", "everybody", "2", "0640", "0660", "0600", "0664", "0666", "no", "yes"} {
			t.Run(fmt.Sprintf("%03o/%s", mask, value), func(t *testing.T) {
				var made [2]map[string]fs.FileMode
				for i := range made {
					dir := t.TempDir()
					git(t, dir, "init", "-q", "-b", "main")
					if value != "" {
						git(t, dir, "config", "core.sharedRepository", value)
					}
					if err := os.WriteFile(filepath.Join(dir, "a.txt"), []byte("a\n"), 0o666); err != nil {
						t.Fatal(err)
					}
					if i == 0 {
						git(t, dir, "add", "a.txt")
						git(t, dir, "commit", "-q", "-m", "One")
						git(t, dir, "update-ref", "refs/heads/team/one", "HEAD")
					} else {
						l, err := OpenWith(dir, Options{AnyRepository: true})
						if err != nil {
							t.Fatal(err)
						}
						who := Person{"A", "a@example.org"}
						id, err := l.Writer().Save(context.Background(), SaveRequest{Files: []File{{Path: "a.txt", Data: []byte("a\n")}}, Subject: "One", Author: who, When: start})
						if err != nil {
							t.Fatal(err)
						}
						if err := l.SetRef(context.Background(), "refs/heads/team/one", "", id, who, start, "x"); err != nil {
							t.Fatal(err)
						}
						l.SetCache("x", []byte("x"))
						if _, err := l.History().Of("a.txt", 0); err != nil {
							t.Fatal(err)
						}
					}
					made[i] = modes(t, filepath.Join(dir, ".git"))
				}
				for name, want := range map[string]string{"index": "index", "refs/heads/main": "refs/heads/main", "refs/heads/team": "refs/heads/team", "refs/heads/team/one": "refs/heads/team/one",
					"logs": "logs", "logs/HEAD": "logs/HEAD", "logs/refs/heads": "logs/refs/heads", "logs/refs/heads/main": "logs/refs/heads/main", "a blob": "a blob", "a blob's folder": "a blob's folder",
					"rigkeep": "refs/heads/team", "rigkeep/held": "refs/heads/team", "rigkeep/cache": "refs/heads/team", "rigkeep/cache/x": "logs/HEAD", "rigkeep/lock": "logs/HEAD"} {
					got, ok := made[1][name]
					if !ok || got != made[0][want] {
						t.Errorf("%s is %v, git gives %v", name, got, made[0][want])
					}
				}
				for name, got := range made[1] {
					if strings.HasPrefix(name, "rigkeep/") && !strings.HasPrefix(name, "rigkeep/cache") && got&fs.ModeDir == 0 && got != made[0]["logs/HEAD"] {
						t.Errorf("%s is %v, git gives %v", name, got, made[0]["logs/HEAD"])
					}
				}
			})
		}
	}
}

// TestSharedRepositoryValues: a value that git refuses is refused.
func TestSharedRepositoryValues(t *testing.T) {
	for _, value := range []string{"0444", "0060", "some", "99999999999999999999"} {
		dir := t.TempDir()
		git(t, dir, "init", "-q", "-b", "main")
		git(t, dir, "config", "core.sharedRepository", value)
		_, err := OpenWith(dir, Options{AnyRepository: true})
		_, gerr := tryGit(dir, "hash-object", "-w", "--stdin")
		if err == nil || !strings.Contains(err.Error(), value) || gerr == nil {
			t.Errorf("%s: %v; git: %v", value, err, gerr)
		}
	}
}

// modes gives the permissions of what is below a git folder; the one object of a.txt has the same name in each.
func modes(t *testing.T, dir string) map[string]fs.FileMode {
	out := map[string]fs.FileMode{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		st, err := d.Info()
		rel, _ := filepath.Rel(dir, p)
		rel = filepath.ToSlash(rel)
		switch rel {
		case "objects/78":
			rel = "a blob's folder"
		case "objects/78/981922613b2afb6025042ff6bd878ac1994e85":
			rel = "a blob"
		}
		out[rel] = st.Mode()
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}
