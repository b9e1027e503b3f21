package store

import (
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
)

// Git runs the machine's own git in the library with args and the given streams, and gives its
// exit status. It is the escape hatch: everything in a library can also be done, or undone, with it.
//
// Errors: ErrNotFound if no git is installed.
func (l *Lib) Git(ctx context.Context, in io.Reader, out, errw io.Writer, args ...string) (status int, err error) {
	path, err := exec.LookPath("git")
	if err != nil {
		return 0, &Error{Kind: ErrNotFound, Msg: "no git program is installed here", Hint: "rigkeep does not need one, but this command does: install git"}
	}
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Dir = l.d.Work
	cmd.Stdin, cmd.Stdout, cmd.Stderr = in, out, errw
	cmd.Env = cleanGitEnv(os.Environ())
	err = cmd.Run()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return exit.ExitCode(), nil
	}
	return 0, err
}

// cleanGitEnv drops what would point git at another repository, as inside one of its hooks.
func cleanGitEnv(env []string) []string {
	var out []string
	for _, kv := range env {
		switch key, _, _ := strings.Cut(kv, "="); key {
		case "GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE", "GIT_COMMON_DIR", "GIT_OBJECT_DIRECTORY", "GIT_PREFIX":
		default:
			out = append(out, kv)
		}
	}
	return out
}
