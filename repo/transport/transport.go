// Package transport carries revisions between a library and another repository: a folder (bare
// repository on a shared disk or a stick, no git program needed), git://, http(s):// with a
// password or token, and ssh:// with an agent or key file and checked host keys.
//
// It imports go-git's transports, which bring in net/http and ssh; what that costs at the start
// of every command is in DEVELOPERS.md. Nothing in here moves the library's branch.
package transport

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"time"

	"rigkeep/repo/store"
)

// Remote is another repository.
type Remote interface {
	// Shown is the address as it may be shown: without a password.
	Shown() string
	// Refs gives the branches with where they are, and the full name of the one the other side
	// regards as its main one ("" if it does not say).
	Refs(ctx context.Context) (Refs, error)
	// Fetch brings into the library what the revisions in want need, given that the library has
	// all that those in have need. No ref moves. want must be among Refs.
	Fetch(ctx context.Context, lib *store.Lib, want, have []store.Rev) (objects int, err error)
	// Push sends what revision to needs and moves the branch ref from old ("" if it must not
	// exist) to it, if it still is at old: else the error is store.ErrDiverged.
	Push(ctx context.Context, lib *store.Lib, p Push) (objects int, err error)
	Close() error
}

// Refs are a repository's branches by full name.
type Refs struct {
	Heads map[string]store.Rev
	Head  string
}

// Push says which branch is to move where, and who moves it when (for a folder's reflog).
type Push struct {
	Ref     string
	Old, To store.Rev
	Who     store.Person
	When    time.Time
}

// Options say how to reach a remote. The zero value is right for tests only: Getenv is needed.
type Options struct {
	Getenv func(string) string
	// Ask lets git's credential helpers ask at the terminal.
	Ask bool
	// Dir is where git's credential helpers are asked: a library, whose settings then count; "" is
	// the working folder.
	Dir string
	// Proxy is the proxy for http and https, as git's http.proxy names it; "" leaves it to the environment.
	Proxy string
	// Confirm is asked whether RIGKEEP_TOKEN may go to a server, as in "https://host:443", that
	// asks for a password and is not in RIGKEEP_TOKEN_HOST; nil is no.
	Confirm func(origin string) bool
	// Tell is told how far a transfer is; may be nil.
	Tell store.Progress
	// Remark is told what the other side says, line by line, not made safe for a terminal.
	Remark func(line string)
	// Connect bounds the wait for an answer, Idle the time without a byte; 0 means 20 and 60
	// seconds.
	Connect, Idle time.Duration
}

func (o *Options) fill() {
	if o.Connect == 0 {
		o.Connect = 20 * time.Second
	}
	if o.Idle == 0 {
		o.Idle = 60 * time.Second
	}
	if o.Remark == nil {
		o.Remark = func(string) {}
	}
}

var (
	scheme = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z][A-Za-z0-9+.-]*://`) })
	helper = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z0-9]+::`) })
	scp    = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^([^/:@]+@)?[^/:]+:`) }) // user@host:path, as git and scp have it
)

// IsFolder says whether an address is a folder of this machine and not a server.
func IsFolder(address string) bool {
	if scheme().MatchString(address) {
		return strings.HasPrefix(strings.ToLower(address), "file://")
	}
	if runtime.GOOS == "windows" && len(address) > 1 && address[1] == ':' {
		return true
	}
	return !scp().MatchString(address)
}

// Folder is the path in the address of a folder.
func Folder(address string) string {
	if u, err := url.Parse(address); err == nil && strings.EqualFold(u.Scheme, "file") {
		p := u.Path
		if runtime.GOOS == "windows" {
			p = strings.TrimPrefix(p, "/")
		}
		return filepath.FromSlash(p)
	}
	return address
}

// Shown is an address without its password.
func Shown(address string) string {
	if !scheme().MatchString(address) {
		return address
	}
	u, err := url.Parse(address)
	if err != nil || u.User == nil {
		return address
	}
	u.User = url.User(u.User.Username())
	return u.String()
}

// Dial makes ready to talk to the repository at an address. It does not connect yet.
//
// Errors: store.ErrBadPath for an address that is none; those of store.OpenShared for a folder.
func Dial(address string, opt Options) (Remote, error) {
	opt.fill()
	if strings.ContainsAny(address, "\x00\n\r") {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: "the address of the remote has a line break in it"}
	}
	if helper().MatchString(address) {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: "addresses that run a helper program (NAME::…) are not taken", Hint: addressHelp}
	}
	if IsFolder(address) {
		return openFolder(Folder(address), opt)
	}
	return dialWire(address, opt)
}

// fail puts an error of the network into words and a class of package repo.
func fail(shown, doing string, err error) error {
	var known *store.Error
	switch {
	case err == nil || errors.As(err, &known):
		return err
	case errors.Is(err, context.Canceled):
		return err
	}
	return &store.Error{Kind: store.ErrNetwork, Msg: fmt.Sprintf("%s %s failed: %s", doing, shown, plainCause(err)),
		Hint: "Check the network and the address, and repeat the command; nothing here is lost or half done"}
}

// plainCause drops the layers' own prefixes from a network error.
func plainCause(err error) string {
	s := strings.TrimSpace(err.Error())
	for _, p := range []string{"unexpected client error: ", "error decoding upload-pack response: "} {
		s = strings.TrimPrefix(s, p)
	}
	switch {
	case s == "EOF", strings.HasSuffix(s, ": EOF"), strings.Contains(s, "unexpected EOF"):
		return "the connection broke off"
	case errors.Is(err, context.DeadlineExceeded):
		return "no answer in time"
	}
	return s
}
