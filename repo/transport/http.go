package transport

import (
	"bytes"
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing/transport"
	githttp "github.com/go-git/go-git/v5/plumbing/transport/http"

	"rigkeep/repo/store"
)

// httpLogin finds a name and password: in the address, then in RIGKEEP_TOKEN (with RIGKEEP_USER
// or the address's name), then from git's credential helpers, which are asked only after the
// server has asked.
type httpLogin struct {
	w      *wire
	user   string
	secret string
	from   string // "address", "environment", "helper"
	asked  bool
	told   bool
}

func httpWay(w *wire) (transport.Transport, way) {
	l := &httpLogin{w: w}
	switch {
	case w.ep.Password != "":
		l.user, l.secret, l.from = w.ep.User, w.ep.Password, "address"
	case w.opt.Getenv("RIGKEEP_TOKEN") != "":
		l.user, l.secret, l.from = w.ep.User, w.opt.Getenv("RIGKEEP_TOKEN"), "environment"
		if l.user == "" {
			l.user = w.opt.Getenv("RIGKEEP_USER")
		}
		if l.user == "" {
			l.user = "token" // servers that take a token ignore the name, but want one
		}
	}
	name := w.ep.User
	w.ep.User, w.ep.Password = "", "" // the secret goes into a header, never into a URL that an error may show
	if l.user == "" {
		l.user = name
	}
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.DialContext = (&net.Dialer{Timeout: w.opt.Connect}).DialContext
	t.TLSHandshakeTimeout = w.opt.Connect
	return githttp.NewClient(&http.Client{Transport: t}), l
}

func (l *httpLogin) auth() (transport.AuthMethod, error) {
	if l.secret == "" {
		return nil, nil
	}
	if l.w.ep.Protocol == "http" && !l.told && !loopback(l.w.ep.Host) {
		l.told = true
		l.w.opt.Remark("caution: the password travels unencrypted; ask for an https address")
	}
	return &githttp.BasicAuth{Username: l.user, Password: l.secret}, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (l *httpLogin) again(ctx context.Context, err error) bool {
	if !errors.Is(err, transport.ErrAuthenticationRequired) {
		return false
	}
	if l.from == "helper" {
		l.helper(ctx, "reject")
	}
	if l.asked {
		return false
	}
	l.asked = true
	user, secret := l.helper(ctx, "fill")
	if secret == "" || user == l.user && secret == l.secret {
		return false
	}
	l.user, l.secret, l.from = user, secret, "helper"
	return true
}

func (l *httpLogin) accepted(ctx context.Context) {
	if l.from == "helper" {
		l.helper(ctx, "approve")
		l.from = "helper, kept"
	}
}

func (l *httpLogin) explain(err error) error {
	if !errors.Is(err, transport.ErrAuthenticationRequired) {
		return nil
	}
	e := &store.Error{Kind: store.ErrRefused, Msg: l.w.shown + " wants a name and a password or token",
		WayOut: "Put the token into RIGKEEP_TOKEN (and the name into RIGKEEP_USER), or set up one of git's credential helpers; nothing here is lost or half done"}
	if l.secret != "" {
		e.Msg = l.w.shown + " does not accept the name and password or token from " + map[string]string{"address": "the address", "environment": "RIGKEEP_TOKEN"}[l.from]
		if l.from == "helper" {
			e.Msg = l.w.shown + " does not accept the name and password from git's credential helper"
		}
	}
	return e
}

// helper runs git's credential helpers, if there is a git. Source: git-credential(1).
func (l *httpLogin) helper(ctx context.Context, action string) (user, secret string) {
	git, err := exec.LookPath("git")
	if err != nil {
		return "", ""
	}
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	host := l.w.ep.Host
	if l.w.ep.Port != 0 {
		host = net.JoinHostPort(strings.Trim(host, "[]"), itoa(l.w.ep.Port))
	}
	var in bytes.Buffer
	put := func(key, value string) {
		if value != "" {
			in.WriteString(key + "=" + value + "\n")
		}
	}
	put("protocol", l.w.ep.Protocol)
	put("host", host)
	put("path", strings.TrimPrefix(l.w.ep.Path, "/"))
	put("username", l.user)
	if action != "fill" {
		put("password", l.secret)
	}
	in.WriteString("\n")
	cmd := exec.CommandContext(ctx, git, "credential", action)
	cmd.Stdin = &in
	cmd.Env = os.Environ()
	if !l.w.opt.Ask {
		cmd.Env = append(cmd.Env, "GIT_TERMINAL_PROMPT=0", "GIT_ASKPASS=", "SSH_ASKPASS=")
	}
	out, err := cmd.Output()
	if err != nil || action != "fill" {
		return "", ""
	}
	for line := range strings.Lines(string(out)) {
		switch key, value, _ := strings.Cut(strings.TrimRight(line, "\r\n"), "="); key {
		case "username":
			user = value
		case "password":
			secret = value
		}
	}
	return user, secret
}
