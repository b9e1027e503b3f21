package store

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A folder to share is begun whole, as the git program takes it, and never over what is there.
func TestMakeShared(t *testing.T) {
	top := t.TempDir()
	dir := filepath.Join(top, "shared")
	if err := MakeShared(dir); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("git", "-C", dir, "fsck", "--strict").CombinedOutput(); err != nil {
		t.Errorf("git fsck: %v\n%s", err, out)
	}
	if out, err := exec.Command("git", "-C", dir, "rev-parse", "--is-bare-repository").Output(); err != nil || strings.TrimSpace(string(out)) != "true" {
		t.Errorf("bare: %s, %v", out, err)
	}
	if _, err := OpenShared(dir, Options{}); err != nil {
		t.Error(err)
	}
	if err := MakeShared(dir); !errors.Is(err, ErrBadPath) {
		t.Errorf("over a folder with something in it: %v", err)
	}
	empty := filepath.Join(top, "empty")
	if err := os.Mkdir(empty, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := MakeShared(empty); err != nil {
		t.Error(err)
	}
	if err := MakeShared(filepath.Join(top, "no", "such")); !errors.Is(err, ErrNotFound) {
		t.Errorf("in a folder that is not there: %v", err)
	}
	es, err := os.ReadDir(top)
	if err != nil || len(es) != 2 {
		t.Errorf("left behind: %v, %v", es, err)
	}
}
