//go:build unix

package main

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// What is not a file is written into, a link is followed, a folder is refused: nothing of them is
// replaced by a file.
func TestReplaceFileLeavesWhatIsNoFile(t *testing.T) {
	dir := t.TempDir()
	pipe, link, file := filepath.Join(dir, "pipe"), filepath.Join(dir, "link"), filepath.Join(dir, "file")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Skip(err)
	}
	got := make(chan []byte, 1)
	go func() {
		data, _ := os.ReadFile(pipe)
		got <- data
	}()
	if err := replaceFile(pipe, []byte("page")); err != nil {
		t.Fatal(err)
	}
	if s := string(<-got); s != "page" {
		t.Errorf("the pipe gave %q", s)
	}
	if info, err := os.Lstat(pipe); err != nil || info.Mode()&os.ModeNamedPipe == 0 {
		t.Errorf("the pipe is gone: %v, %v", info, err)
	}
	for _, text := range []string{"old", "new"} {
		if err := replaceFile(file, []byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("file", link); err != nil {
		t.Fatal(err)
	}
	if err := replaceFile(link, []byte("through")); err != nil {
		t.Fatal(err)
	}
	info, err := os.Lstat(link)
	text, rerr := os.ReadFile(file)
	if err != nil || rerr != nil || info.Mode()&os.ModeSymlink == 0 || string(text) != "through" {
		t.Errorf("the link is %v, its file holds %q (%v, %v)", info, text, err, rerr)
	}
	if err := replaceFile(dir, []byte("x")); codeOf(err) != exitUsage {
		t.Errorf("a folder: %v", err)
	}
}
