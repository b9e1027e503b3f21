package transport

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"time"

	"github.com/go-git/go-git/v5/plumbing/transport"
	githttp "github.com/go-git/go-git/v5/plumbing/transport/http"

	"rigkeep/repo/store"
)

// httpLogin finds a name and password. One in the address is sent at once. Else nothing is, until
// the server asks: then RIGKEEP_TOKEN (with RIGKEEP_USER or the address's name), if it is meant for
// this server, then what git's credential helpers say.
type httpLogin struct {
	w      *wire
	home   *url.URL // scheme and host of the address; a redirect changes w.ep
	user   string
	secret string
	from   string // "address", "environment", "helper"
	tried  bool   // the token
	asked  bool   // the helpers
	told   bool
	held   string // why the token was not sent

	prompter atomic.Pointer[string] // the origin that last asked for a password
}

func httpWay(w *wire) (transport.Transport, way) {
	home := &url.URL{Scheme: strings.ToLower(w.ep.Protocol), Host: w.ep.Host}
	if w.ep.Port != 0 {
		home.Host = net.JoinHostPort(strings.Trim(w.ep.Host, "[]"), itoa(w.ep.Port))
	}
	l := &httpLogin{w: w, home: home, user: w.ep.User}
	if w.ep.Password != "" {
		l.secret, l.from = w.ep.Password, "address"
	}
	w.ep.User, w.ep.Password = "", "" // the secret goes into a header, never into a URL that an error may show
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.DialContext = (&net.Dialer{Timeout: w.opt.Connect}).DialContext
	t.TLSHandshakeTimeout = w.opt.Connect
	if p := w.opt.Proxy; p != "" {
		if !strings.Contains(p, "://") {
			p = "http://" + p // as curl reads it
		}
		t.Proxy = func(*http.Request) (*url.URL, error) {
			u, err := url.Parse(p)
			if err != nil {
				return nil, &store.Error{Kind: store.ErrBadPath, Msg: "http.proxy of the library is not an address", Hint: "See it with `git config --get-regexp proxy`"}
			}
			return u, nil
		}
	}
	return githttp.NewClient(&http.Client{Transport: listening{t, l}, CheckRedirect: l.redirect}), l
}

// listening notes which server asks for a password.
type listening struct {
	http.RoundTripper
	l *httpLogin
}

func (t listening) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := t.RoundTripper.RoundTrip(r)
	if err == nil && res.StatusCode == http.StatusUnauthorized {
		from := originOf(r.URL)
		t.l.prompter.Store(&from)
	}
	return res, err
}

// redirect lets nobody lead a request with a password to another server.
func (l *httpLogin) redirect(r *http.Request, via []*http.Request) error {
	if to := originOf(r.URL); l.secret != "" && to != originOf(l.home) {
		return &store.Error{Kind: store.ErrRefused, Msg: l.w.shown + " leads to " + to + ", and your password is not taken there",
			Hint: "If that is where the library is, give its address; nothing here is lost or half done"}
	}
	return nil
}

// originOf is scheme, host and port, the port always said.
func originOf(u *url.URL) string {
	scheme, port := strings.ToLower(u.Scheme), u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[scheme]
	}
	return scheme + "://" + net.JoinHostPort(strings.ToLower(u.Hostname()), port)
}

// mayToken says whether RIGKEEP_TOKEN is meant for this server, and if not, what would make it so.
// RIGKEEP_TOKEN_HOST names servers (HOST, HOST:PORT or https://HOST, several with commas); any other
// has to be confirmed. Without encryption it takes http://HOST in so many words, or this machine.
func (l *httpLogin) mayToken() (ok bool, why string) {
	here := originOf(l.home)
	plain := strings.HasPrefix(here, "http:") && !loopback(l.home.Hostname())
	for name := range strings.FieldsFuncSeq(l.w.opt.Getenv("RIGKEEP_TOKEN_HOST"), func(r rune) bool { return r == ',' || r == ' ' }) {
		full := name
		if !strings.Contains(name, "://") {
			if plain {
				continue
			}
			full = l.home.Scheme + "://" + name
		}
		if u, err := url.Parse(full); err == nil && originOf(u) == here {
			return true, ""
		}
	}
	if plain {
		return false, "it would travel unencrypted; use an https address, or set RIGKEEP_TOKEN_HOST=" + l.home.Scheme + "://" + l.home.Host
	}
	if l.w.opt.Confirm != nil && l.w.opt.Confirm(here) {
		return true, ""
	}
	return false, "set RIGKEEP_TOKEN_HOST=" + l.home.Host + " if it is meant for that server"
}

func (l *httpLogin) auth() (transport.AuthMethod, error) {
	if l.secret == "" {
		return nil, nil
	}
	if l.home.Scheme == "http" && !l.told && !loopback(l.home.Hostname()) {
		l.told = true
		l.w.opt.Remark("Caution: the password is sent unencrypted. Use an https address.")
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
	if from := l.prompter.Load(); from != nil && *from != originOf(l.home) {
		l.held = "it is asked for by " + *from + ", to which the address leads; give that address if it is the right one"
		return false
	}
	if token := l.w.opt.Getenv("RIGKEEP_TOKEN"); token != "" && l.secret == "" && !l.tried {
		l.tried = true
		ok, why := l.mayToken()
		if l.held = why; ok {
			// servers that take a token ignore the name, but want one
			l.user, l.secret, l.from = cmp.Or(l.user, l.w.opt.Getenv("RIGKEEP_USER"), "token"), token, "environment"
			return true
		}
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
	e := &store.Error{Kind: store.ErrRefused, Msg: l.w.shown + " needs a user name and a password or token",
		Hint: "Put the token into RIGKEEP_TOKEN (and the name into RIGKEEP_USER, the server into RIGKEEP_TOKEN_HOST), or set up one of git's credential helpers; nothing here is lost or half done"}
	if l.held != "" && l.secret == "" {
		e.Msg += "; RIGKEEP_TOKEN was not sent: " + l.held
		e.Hint = "Nothing here is lost or half done"
	}
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
	var in bytes.Buffer
	put := func(key, value string) {
		if value != "" {
			in.WriteString(key + "=" + value + "\n")
		}
	}
	put("protocol", l.home.Scheme)
	put("host", l.home.Host)
	put("path", strings.TrimPrefix(l.w.ep.Path, "/"))
	put("username", l.user)
	if action != "fill" {
		put("password", l.secret)
	}
	in.WriteString("\n")
	cmd := exec.CommandContext(ctx, git, "credential", action)
	cmd.Stdin, cmd.Dir = &in, l.w.opt.Dir
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
