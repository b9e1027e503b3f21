package transport

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"github.com/go-git/go-git/v5/plumbing/transport"
	gitssh "github.com/go-git/go-git/v5/plumbing/transport/ssh"
	"github.com/kevinburke/ssh_config"
	"github.com/skeema/knownhosts"
	sshagent "github.com/xanzy/ssh-agent"
	"golang.org/x/crypto/ssh"

	"rigkeep/repo/store"
	"rigkeep/schema"
)

// sshLogin proves who is asking by the keys of an agent and key files, and holds the server to
// the keys in known_hosts.
type sshLogin struct {
	w      *wire
	home   string
	user   string
	addr   string
	files  []string // key files
	named  bool     // a person named the key file
	locked []string // key files that need a passphrase
	keys   int      // keys offered
	bad    error    // why the server's key, or a key file, was refused
}

func sshWay(w *wire) (transport.Transport, way, error) {
	l := &sshLogin{w: w, home: firstOf(w.opt.Getenv("HOME"), w.opt.Getenv("USERPROFILE"))}
	conf := func(key string) []string { return l.config(w.ep.Host, key) }
	one := func(key string) string {
		if v := conf(key); len(v) > 0 {
			return v[0]
		}
		return ""
	}
	host, port := strings.Trim(w.ep.Host, "[]"), w.ep.Port
	l.user = firstOf(w.ep.User, one("User"), w.opt.Getenv("USER"), w.opt.Getenv("USERNAME"), "git")
	// scp-like addresses always come with port 22, so a configured one goes before that.
	if p, err := strconv.Atoi(one("Port")); err == nil && (port == 0 || port == gitssh.DefaultPort) {
		port = p
	}
	if port == 0 {
		port = gitssh.DefaultPort
	}
	host = firstOf(one("HostName"), host)
	w.ep.Host, w.ep.Port = host, port
	l.addr = net.JoinHostPort(host, itoa(port))
	if k := w.opt.Getenv("RIGKEEP_SSH_KEY"); k != "" {
		l.files, l.named = []string{l.expand(k)}, true
	} else {
		for _, f := range conf("IdentityFile") {
			l.files = append(l.files, l.expand(f))
		}
		for _, n := range []string{"id_ed25519", "id_ecdsa", "id_rsa"} {
			l.files = append(l.files, filepath.Join(l.home, ".ssh", n))
		}
	}
	ownConfig()
	return gitssh.NewClient(nil), l, nil
}

// ownConfig keeps go-git from reading the configuration again: it is read here,
// from the HOME that the options give. It is a global of go-git's, so it is set
// once, before any connection reads it.
var ownConfig = sync.OnceFunc(func() { gitssh.DefaultSSHConfig = nil })

// config reads ~/.ssh/config.
func (l *sshLogin) config(host, key string) []string {
	f, err := os.Open(filepath.Join(l.home, ".ssh", "config"))
	if err != nil {
		return nil
	}
	defer func() { _ = f.Close() }()
	c, err := ssh_config.Decode(f)
	if err != nil {
		return nil
	}
	v, _ := c.GetAll(host, key)
	return v
}

func (l *sshLogin) expand(name string) string {
	name = strings.Trim(name, `"`)
	if rest, ok := strings.CutPrefix(name, "~/"); ok {
		return filepath.Join(l.home, rest)
	}
	return name
}

func (l *sshLogin) auth() (transport.AuthMethod, error) { return l, nil }

// Name and String make a go-git AuthMethod of it.
func (l *sshLogin) Name() string { return gitssh.PublicKeysCallbackName }

func (l *sshLogin) String() string { return "user: " + l.user }

// ClientConfig gives the settings of one connection.
func (l *sshLogin) ClientConfig() (*ssh.ClientConfig, error) {
	known, err := l.knownHosts()
	if err != nil {
		return nil, err
	}
	c := &ssh.ClientConfig{
		User: l.user, Auth: []ssh.AuthMethod{ssh.PublicKeysCallback(l.signers)}, Timeout: l.w.opt.Connect,
		HostKeyCallback: func(host string, remote net.Addr, key ssh.PublicKey) error {
			l.bad = l.checkHost(known, host, remote, key)
			return l.bad
		},
	}
	if known != nil {
		c.HostKeyAlgorithms = known.HostKeyAlgorithms(l.addr)
	}
	return c, nil
}

// knownFiles are where host keys are looked up: SSH_KNOWN_HOSTS (a list of files), else ssh's own.
func (l *sshLogin) knownFiles() []string {
	if v := l.w.opt.Getenv("SSH_KNOWN_HOSTS"); v != "" {
		return filepath.SplitList(v)
	}
	return []string{filepath.Join(l.home, ".ssh", "known_hosts"), "/etc/ssh/ssh_known_hosts"}
}

func (l *sshLogin) knownHosts() (*knownhosts.HostKeyDB, error) {
	var files []string
	for _, f := range l.knownFiles() {
		if _, err := os.Stat(f); err == nil {
			files = append(files, f)
		}
	}
	if len(files) == 0 {
		return nil, nil
	}
	db, err := knownhosts.NewDB(files...)
	if err != nil {
		return nil, &store.Error{Kind: store.ErrUntrusted, Msg: "unreadable list of known servers", Err: err, Hint: "correct it: it verifies servers"}
	}
	return db, nil
}

// checkHost refuses a server whose key is not known, or not the known one.
func (l *sshLogin) checkHost(known *knownhosts.HostKeyDB, host string, remote net.Addr, key ssh.PublicKey) error {
	var err error
	if known != nil {
		if err = known.HostKeyCallback()(host, remote, key); err == nil {
			return nil
		}
	}
	print := key.Type() + " " + ssh.FingerprintSHA256(key)
	line := knownhosts.Line([]string{knownhosts.Normalize(host)}, key)
	file := l.knownFiles()[0]
	switch {
	case known != nil && knownhosts.IsHostKeyChanged(err):
		return &store.Error{Kind: store.ErrUntrusted, Msg: fmt.Sprintf("host key of %s has changed: now %s", host, print),
			Hint: fmt.Sprintf("Another machine may be answering in its place. Ask the server's administrator; only if the key was changed on purpose, take the old line out of %s (ssh-keygen -R '%s') and put this one in: %s", file, knownhosts.Normalize(host), line)}
	case known == nil || knownhosts.IsHostUnknown(err):
		return &store.Error{Kind: store.ErrUntrusted, Msg: fmt.Sprintf("the server %s is not known yet; it shows the key %s", host, print),
			Hint: fmt.Sprintf("compare it with the administrator's. If it matches, add this line to %s and repeat the command: %s", file, line)}
	}
	return &store.Error{Kind: store.ErrUntrusted, Msg: "the key of the server " + host + " was refused", Err: err}
}

// signers are the keys to offer: those of the agent, then those in files.
func (l *sshLogin) signers() ([]ssh.Signer, error) {
	var out []ssh.Signer
	if l.w.opt.Getenv("SSH_AUTH_SOCK") != "" || sshagent.Available() {
		if a, conn, err := sshagent.New(); err == nil {
			if s, err := a.Signers(); err == nil {
				out = append(out, s...)
			}
			_ = conn // stays open: the agent signs later
		}
	}
	l.locked = nil
	for _, f := range l.files {
		b, err := os.ReadFile(f)
		if err != nil {
			if l.named {
				l.bad = &store.Error{Kind: store.ErrNotFound, Msg: "unreadable key file (RIGKEEP_SSH_KEY)", Err: err}
				return nil, l.bad
			}
			continue
		}
		s, err := ssh.ParsePrivateKey(b)
		var need *ssh.PassphraseMissingError
		switch {
		case errors.As(err, &need):
			l.locked = append(l.locked, f)
		case err == nil:
			out = append(out, s)
		case l.named:
			l.bad = &store.Error{Kind: store.ErrDamaged, Msg: "the key file named in RIGKEEP_SSH_KEY is none", Err: err}
			return nil, l.bad
		}
	}
	l.keys = len(out)
	return out, nil
}

func (l *sshLogin) again(context.Context, error) bool { return false }
func (l *sshLogin) accepted(context.Context)          {}

func (l *sshLogin) explain(err error) error {
	if l.bad != nil {
		return l.bad
	}
	if err == nil || !strings.Contains(err.Error(), "unable to authenticate") {
		return nil
	}
	e := &store.Error{Kind: store.ErrRefused, Msg: fmt.Sprintf("%s does not accept the keys of %s (%d offered)", l.w.shown, l.user, l.keys),
		Hint: "Give the server's administrator your public key, or name another key file in RIGKEEP_SSH_KEY"}
	if l.keys == 0 {
		e.Msg = fmt.Sprintf("no key to show to %s", l.w.shown)
		e.Hint = "Make one with `ssh-keygen -t ed25519` and give the .pub file to the server's administrator, or name a key file in RIGKEEP_SSH_KEY"
	}
	if len(l.locked) > 0 {
		e.Msg += "; " + schema.List(l.locked) + " needs a passphrase"
		e.Hint = "Unlock it with `ssh-add " + l.locked[0] + "`, or " + strings.ToLower(e.Hint[:1]) + e.Hint[1:]
	}
	return e
}

func firstOf(list ...string) string {
	for _, s := range list {
		if s != "" {
			return s
		}
	}
	return ""
}

func itoa(n int) string { return strconv.Itoa(n) }
