//go:build linux

package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// unixUser runs programs as another user of this machine.
type unixUser struct {
	name     string
	uid, gid uint32
	groups   []uint32
	home     string
	bin      string
}

// run runs a program in a folder with the umask 022.
func (u *unixUser) run(dir string, words ...string) (code int, out string) {
	c := exec.Command("/bin/sh", append([]string{"-c", `umask 022; exec "$@"`, "sh"}, words...)...)
	c.Dir = dir
	c.Env = []string{"PATH=" + u.bin + ":" + os.Getenv("PATH"), "HOME=" + u.home, "GIT_CONFIG_NOSYSTEM=1", "GORACE=atexit_sleep_ms=0", "NO_COLOR=1", "TZ=UTC",
		"RIGKEEP_AUTHOR=" + u.name + " <" + u.name + "@example.org>", "GIT_AUTHOR_NAME=" + u.name, "GIT_AUTHOR_EMAIL=" + u.name + "@example.org", "GIT_COMMITTER_NAME=" + u.name, "GIT_COMMITTER_EMAIL=" + u.name + "@example.org"}
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: u.uid, Gid: u.gid, Groups: u.groups}}
	text, err := c.CombinedOutput()
	if c.ProcessState == nil {
		return -1, err.Error()
	}
	return c.ProcessState.ExitCode(), string(text)
}

func (u *unixUser) ok(t *testing.T, dir string, words ...string) string {
	t.Helper()
	code, out := u.run(dir, words...)
	if code != 0 {
		t.Fatalf("%s: %v: exit %d\n%s", u.name, words, code, out)
	}
	return out
}

// unixUsers makes a folder that everybody can enter, with the program in it, and users with their
// homes. It fails where it may not become somebody else: only real users show what a second user meets.
func unixUsers(t *testing.T, names ...string) (top string, users []*unixUser) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Fatal("this test runs programs as several users of the machine and must be run as root, as .ci/test is: sudo go test ./cmd/rigkeep -run 'TestTwoUsers'")
	}
	top, err := os.MkdirTemp("", "rigkeep-users-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(top) })
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.Chmod(top, 0o755))
	bin := filepath.Join(top, "bin")
	must(os.Mkdir(bin, 0o755))
	self, err := os.Executable()
	must(err)
	from, err := os.Open(self)
	must(err)
	to, err := os.OpenFile(filepath.Join(bin, "rigkeep"), os.O_WRONLY|os.O_CREATE, 0o755)
	must(err)
	_, err = io.Copy(to, from)
	must(err)
	must(to.Close())
	must(from.Close())
	for i, name := range names {
		u := &unixUser{name: name, uid: uint32(61001 + i), gid: uint32(61001 + i), home: filepath.Join(top, name), bin: bin}
		must(os.Mkdir(u.home, 0o755))
		must(os.Chown(u.home, int(u.uid), int(u.gid)))
		users = append(users, u)
	}
	return top, users
}

const teamGroup = 61100

// shareAndDesk makes a folder that the team's group shares, and beside it one with the example sheets.
func shareAndDesk(t testing.TB, top string) (share string) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	share, desk := filepath.Join(top, "share"), filepath.Join(top, "desk")
	must(os.Mkdir(share, 0o755))
	must(os.Chown(share, 0, teamGroup))
	must(os.Chmod(share, 0o775|os.ModeSetgid))
	must(os.Mkdir(desk, 0o755))
	must(unpack(desk))
	return share
}

// TestTwoUsers has several users of one machine share a folder: a bare repository of a group, made
// as git makes it, under the umask 022. Each syncs in turn, with plain git between, and nobody locks
// another out. Without core.sharedRepository the second user's sync failed 6 of 6.
func TestTwoUsers(t *testing.T) {
	t.Parallel()
	top, us := unixUsers(t, "a-cam", "b-cam", "guest")
	a, b, guest := us[0], us[1], us[2]
	a.groups, b.groups = []uint32{teamGroup}, []uint32{teamGroup}
	share := shareAndDesk(t, top)
	team := filepath.Join(share, "tunes.git")
	a.ok(t, top, "git", "init", "-q", "--bare", "-b", "main", "--shared=all", team)
	at := map[*unixUser]string{a: filepath.Join(a.home, "lib"), b: filepath.Join(b.home, "lib")}
	a.ok(t, a.home, "rigkeep", "init", "lib", "--name", "Harbour rentals")
	a.ok(t, at[a], "rigkeep", "gimbal", "add", "../../desk/quay-large.toml")
	a.ok(t, at[a], "rigkeep", "rig", "add", "../../desk/a-cam-prime.toml")
	a.ok(t, at[a], "rigkeep", "start", "a-cam-prime", "--write")
	a.ok(t, at[a], "rigkeep", "save", "a-cam-prime", "-m", "First tune")
	a.ok(t, at[a], "rigkeep", "sync", team)
	b.ok(t, b.home, "rigkeep", "init", "lib", "--from", team)
	n := 0
	for round := range 6 {
		for _, u := range []*unixUser{b, a} {
			n++
			if n%3 == 0 { // plain git in between
				u.ok(t, at[u], "git", "config", "--global", "safe.directory", "*")
				u.ok(t, at[u], "git", "pull", "-q", "--no-edit", "--no-rebase", team, "main")
				u.ok(t, at[u], "git", "commit", "-q", "--allow-empty", "-m", fmt.Sprint("Plain ", n))
				u.ok(t, at[u], "git", "push", "-q", team, "main")
				continue
			}
			u.ok(t, at[u], "rigkeep", "sync")
			u.ok(t, at[u], "rigkeep", "set", "a-cam-prime", fmt.Sprintf("stiffness.pan=%d", 10+n))
			u.ok(t, at[u], "rigkeep", "save", "a-cam-prime", "-m", fmt.Sprintf("Round %d", round))
			u.ok(t, at[u], "rigkeep", "sync")
		}
	}
	// whoever is not of the group reads, and is refused in so many words when it writes
	guest.ok(t, guest.home, "rigkeep", "init", "lib", "--from", team)
	lib := filepath.Join(guest.home, "lib")
	guest.ok(t, lib, "rigkeep", "set", "a-cam-prime", "stiffness.pan=50")
	guest.ok(t, lib, "rigkeep", "save", "a-cam-prime", "-m", "Mine")
	if code, out := guest.run(lib, "rigkeep", "sync"); code == 0 || !strings.Contains(out, "permission denied") && !strings.Contains(out, "takes nothing from you") {
		t.Errorf("the guest's sync: exit %d\n%s", code, out)
	}
	if out := a.ok(t, team, "git", "-c", "safe.directory=*", "fsck", "--strict", "--no-dangling"); strings.TrimSpace(out) != "" {
		t.Error(out)
	}
	groupWrites(t, team)
}

// TestTwoUsersOneLibrary has two users of a group work in one folder, files and all.
func TestTwoUsersOneLibrary(t *testing.T) {
	t.Parallel()
	top, us := unixUsers(t, "a-cam", "b-cam")
	a, b := us[0], us[1]
	a.gid, b.gid = teamGroup, teamGroup
	share := shareAndDesk(t, top)
	lib := filepath.Join(share, "lib")
	a.ok(t, share, "rigkeep", "init", "lib", "--name", "Harbour rentals")
	a.ok(t, lib, "git", "config", "core.sharedRepository", "group")
	a.ok(t, lib, "chmod", "-R", "g+rwX", ".")
	for _, u := range us {
		u.ok(t, u.home, "git", "config", "--global", "safe.directory", lib)
	}
	a.ok(t, lib, "rigkeep", "gimbal", "add", "../../desk/quay-large.toml")
	a.ok(t, lib, "rigkeep", "rig", "add", "../../desk/a-cam-prime.toml")
	for n, u := range []*unixUser{a, b, a, b, b, a} {
		if n == 0 {
			u.ok(t, lib, "rigkeep", "start", "a-cam-prime", "--write")
		}
		u.ok(t, lib, "rigkeep", "set", "a-cam-prime", fmt.Sprintf("stiffness.pan=%d", 20+n))
		u.ok(t, lib, "rigkeep", "save", "a-cam-prime", "-m", fmt.Sprint("Round ", n))
		u.ok(t, lib, "rigkeep", "history", "a-cam-prime")
		u.ok(t, lib, "rigkeep", "job", "open", fmt.Sprint("Night ", n), "--from", "2026-04-01", "--to", "2026-04-02")
		// (git commit itself serves one user only in a work tree: its COMMIT_EDITMSG is not shared.)
		u.ok(t, lib, "git", "add", "-A")
		u.ok(t, lib, "git", "status", "--porcelain")
	}
	// git asks for leave before it works in somebody else's library: that is no damage
	b.ok(t, b.home, "git", "config", "--global", "--unset-all", "safe.directory")
	if code, out := b.run(lib, "rigkeep", "check", "--git"); code != exitConflict || !strings.Contains(out, "another owner") || !strings.Contains(out, "git config --global --add safe.directory "+lib) || strings.Contains(out, "damage") {
		t.Errorf("check --git by another owner: exit %d\n%s", code, out)
	}
	b.ok(t, b.home, "git", "config", "--global", "safe.directory", lib)
	if out := b.ok(t, lib, "rigkeep", "check", "--git"); strings.Contains(out, "repaired") {
		t.Error(out)
	}
	groupWrites(t, lib)
}

// groupWrites checks that the group may write all that may be written at all.
func groupWrites(t *testing.T, dir string) {
	t.Helper()
	var bad bytes.Buffer
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		st, err := d.Info()
		if m := st.Mode(); err == nil && m&0o200 != 0 && m&0o020 == 0 || m.IsDir() && m&os.ModeSetgid == 0 {
			fmt.Fprintf(&bad, "%v %s\n", m, p)
		}
		return err
	})
	if err != nil || bad.Len() > 0 {
		t.Errorf("%v\n%s", err, bad.String())
	}
}
