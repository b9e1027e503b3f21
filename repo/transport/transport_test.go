package transport

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh/agent"

	"rigkeep/repo/store"
	"rigkeep/repo/transport/transporttest"
)

var (
	ctx  = context.Background()
	aCam = store.Person{Name: "A-cam operator", Email: "a-cam@example.org"}
	day  = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
)

func lib(t testing.TB) *store.Lib {
	t.Helper()
	l, err := store.Init(filepath.Join(t.TempDir(), "lib"), []store.File{{Path: "library.toml", Data: []byte("format = 1\n")}}, aCam, day)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func save(t testing.TB, l *store.Lib, path, text string) store.Rev {
	t.Helper()
	id, err := l.Writer().Save(ctx, store.SaveRequest{Files: []store.File{{Path: path, Data: []byte(text)}}, Subject: "Set " + path, Author: aCam, When: day.Add(time.Hour), WriteWork: true})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// env answers from a map and knows nothing else.
func env(pairs ...string) func(string) string {
	return func(k string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == k {
				return pairs[i+1]
			}
		}
		return ""
	}
}

func dial(t testing.TB, address string, opt Options) Remote {
	t.Helper()
	if opt.Getenv == nil {
		opt.Getenv = env()
	}
	r, err := Dial(address, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	return r
}

// exchange pushes to an empty repository, fetches into a second library, moves on, and is
// overtaken: what every transport has to do.
func exchange(t *testing.T, bare, address string, opt Options) {
	t.Helper()
	a, b := lib(t), lib(t)
	r := dial(t, address, opt)
	refs, err := r.Refs(ctx)
	if err != nil || len(refs.Heads) != 0 {
		t.Fatal(refs, err)
	}
	const ref = "refs/heads/main"
	first := save(t, a, "rigs/aa/x/main.toml", "pan = 41\n")
	if n, err := r.Push(ctx, a, Push{ref, "", first, aCam, day}); err != nil || n == 0 {
		t.Fatal(n, err)
	}
	transporttest.Git(t, bare, "fsck", "--strict")
	q := dial(t, address, opt)
	refs, err = q.Refs(ctx)
	if err != nil || refs.Heads[ref] != first || refs.Head != ref {
		t.Fatal(refs, err)
	}
	if n, err := q.Fetch(ctx, b, []store.Rev{first}, nil); err != nil || n == 0 {
		t.Fatal(n, err)
	}
	if err := b.Exchange().Complete([]store.Rev{first}, nil); err != nil {
		t.Fatal(err)
	}
	// A little more, with what both have left out.
	second := save(t, a, "rigs/aa/x/main.toml", "pan = 42\n")
	n, err := r.Push(ctx, a, Push{ref, first, second, aCam, day})
	if err != nil || n > 8 {
		t.Fatalf("%d objects sent for one changed file: %v", n, err)
	}
	if _, err = q.Refs(ctx); err != nil {
		t.Fatal(err)
	}
	n, err = q.Fetch(ctx, b, []store.Rev{second}, []store.Rev{first})
	if err != nil || n > 8 || !b.Revisions().Has(second) {
		t.Fatalf("%d objects fetched for one changed file: %v", n, err)
	}
	// Someone else was quicker.
	third := save(t, a, "rigs/aa/x/main.toml", "pan = 43\n")
	if _, err := r.Push(ctx, a, Push{ref, first, third, aCam, day}); !errors.Is(err, store.ErrDiverged) {
		t.Fatal(err)
	}
	if got := transporttest.Git(t, bare, "rev-parse", "main"); got != string(second) {
		t.Fatal(got)
	}
	transporttest.Git(t, bare, "fsck", "--strict")
	transporttest.Git(t, b.Root(), "fsck", "--strict")
}

func TestFolder(t *testing.T) {
	bare := transporttest.Bare(t, t.TempDir(), "tunes.git")
	t.Setenv("PATH", "") // no git program
	withPath := func() { t.Setenv("PATH", "/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin") }
	a := lib(t)
	id := save(t, a, "a.toml", "a = 1\n")
	r := dial(t, bare, Options{})
	if _, err := r.Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day}); err != nil {
		t.Fatal(err)
	}
	b := lib(t)
	if n, err := r.Fetch(ctx, b, []store.Rev{id}, nil); err != nil || n == 0 || !b.Revisions().Has(id) {
		t.Fatal(n, err)
	}
	withPath()
	bare = transporttest.Bare(t, t.TempDir(), "tunes.git")
	exchange(t, bare, bare, Options{})
	exchange(t, transporttest.Bare(t, filepath.Dir(bare), "two.git"), "file://"+filepath.Join(filepath.Dir(bare), "two.git"), Options{})
}

// many saves several hundred files at once.
func many(t *testing.T, l *store.Lib) store.Rev {
	var files []store.File
	for i := range 520 {
		files = append(files, store.File{Path: fmt.Sprintf("rigs/%02d/%d.toml", i%50, i), Data: fmt.Appendf(nil, "pan = %d\n", i)})
	}
	id, err := l.Writer().Save(ctx, store.SaveRequest{Files: files, Subject: "Many", Author: aCam, When: day, WriteWork: true})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// TestTellsHowFar: a long transfer says how far it is, both ways, and never backwards.
func TestTellsHowFar(t *testing.T) {
	base := t.TempDir()
	for name, at := range map[string]string{"folder": base + "/", "git": transporttest.Daemon(t, base), "http": transporttest.ServeHTTP(t, base, "", "").URL} {
		transporttest.Bare(t, base, name+".git")
		last := map[string]int64{}
		opt := Options{Tell: func(what string, done, total int64) {
			if done < last[what] || total > 0 && done > total {
				t.Errorf("%s: %s %d of %d after %d", name, what, done, total, last[what])
			}
			last[what] = done
		}}
		a, b := lib(t), lib(t)
		id := many(t, a)
		r := dial(t, at+name+".git", opt)
		if _, err := r.Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day}); err != nil {
			t.Fatal(err)
		}
		sent := last["sending"]
		clear(last)
		n, err := r.Fetch(ctx, b, []store.Rev{id}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if sent < 520 || last["receiving"] == 0 && last["sending"] < 520 || n < 520 {
			t.Errorf("%s: %d objects sent; then %v for %d objects", name, sent, last, n)
		}
	}
}

func TestFolderManyObjects(t *testing.T) {
	bare := transporttest.Bare(t, t.TempDir(), "tunes.git")
	a, b := lib(t), lib(t)
	id := many(t, a)
	r := dial(t, bare, Options{})
	if _, err := r.Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day}); err != nil {
		t.Fatal(err)
	}
	if n, err := r.Fetch(ctx, b, []store.Rev{id}, nil); err != nil || n < 520 {
		t.Fatal(n, err)
	}
	transporttest.Git(t, bare, "fsck", "--strict")
	stopped, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := r.Fetch(stopped, lib(t), []store.Rev{id}, nil); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
}

func TestDaemon(t *testing.T) {
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	at := transporttest.Daemon(t, base)
	exchange(t, bare, at+"tunes.git", Options{})
	if _, err := dial(t, at+"other.git", Options{}).Refs(ctx); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such repository: %v", err)
	}
}

func TestHTTP(t *testing.T) {
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	h := transporttest.ServeHTTP(t, base, "", "")
	exchange(t, bare, h.URL+"tunes.git", Options{})
	if _, err := dial(t, h.URL+"other.git", Options{}).Refs(ctx); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such repository: %v", err)
	}
}

func TestHTTPLogin(t *testing.T) {
	base := t.TempDir()
	h := transporttest.ServeHTTP(t, base, "tech", "s3cret")
	bare := func(name string) string { return transporttest.Bare(t, base, name) }
	plain := h.URL + "a.git"
	exchange(t, bare("a.git"), h.With("tech", "s3cret")+"a.git", Options{})
	if h.Refused.Load() > 0 {
		t.Errorf("%d requests without the password that was at hand", h.Refused.Load())
	}
	exchange(t, bare("b.git"), h.URL+"b.git", Options{Getenv: env("RIGKEEP_TOKEN", "s3cret", "RIGKEEP_USER", "tech", "RIGKEEP_TOKEN_HOST", hostOf(h))})
	for _, c := range []struct {
		address string
		opt     Options
		says    string
	}{
		{plain, Options{}, "needs a user name and a password"},
		{plain, Options{Getenv: env("RIGKEEP_TOKEN", "wrong", "RIGKEEP_USER", "tech", "RIGKEEP_TOKEN_HOST", hostOf(h))}, "from RIGKEEP_TOKEN"},
		{h.With("tech", "wrong") + "a.git", Options{}, "from the address"},
	} {
		t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
		_, err := dial(t, c.address, c.opt).Refs(ctx)
		if !errors.Is(err, store.ErrRefused) || !strings.Contains(err.Error(), c.says) || store.ExitClass(err) != 4 {
			t.Errorf("%s: %v", c.address, err)
		}
		if err != nil && strings.Contains(err.Error(), "wrong") {
			t.Errorf("the error shows the password: %v", err)
		}
	}
	// git's credential helpers.
	dir := t.TempDir()
	log := filepath.Join(dir, "log")
	helper := filepath.Join(dir, "helper")
	if err := os.WriteFile(helper, []byte("#!/bin/sh\necho $1 >> "+log+"\ncat >> "+log+"\ntest $1 != get || { echo username=tech; echo password=$(cat "+dir+"/word); }\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(dir, "config")
	if err := os.WriteFile(conf, []byte("[credential]\n\thelper = "+helper+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	t.Setenv("GIT_CONFIG_GLOBAL", conf)
	for _, c := range []struct {
		word string
		want string // of the helper, after get
		ok   bool
	}{{"s3cret", "store", true}, {"stale", "erase", false}} {
		if err := os.WriteFile(filepath.Join(dir, "word"), []byte(c.word), 0o666); err != nil {
			t.Fatal(err)
		}
		_ = os.Remove(log)
		_, err := dial(t, plain, Options{}).Refs(ctx)
		if (err == nil) != c.ok || err != nil && !errors.Is(err, store.ErrRefused) {
			t.Errorf("%s: %v", c.word, err)
		}
		said, _ := os.ReadFile(log)
		if !strings.HasPrefix(string(said), "get\n") || !strings.Contains(string(said), c.want+"\n") {
			t.Errorf("%s: the helper was asked\n%s", c.word, said)
		}
	}
}

func hostOf(h *transporttest.HTTP) string {
	return strings.Trim(strings.TrimPrefix(h.URL, "http://"), "/")
}

// TestToken: RIGKEEP_TOKEN goes to nobody unasked, and of those who ask only to the server that it
// is meant for. It went along with 2 of 2 requests to a stranger.
func TestToken(t *testing.T) {
	t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "a.git")
	_ = bare
	h := transporttest.ServeHTTP(t, base, "tech", "s3cret")
	type seen struct{ host, auth string }
	var requests []seen
	var lead string // where the stranger leads to
	status := http.StatusUnauthorized
	stranger := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		requests = append(requests, seen{r.Host, r.Header.Get("Authorization")})
		if lead != "" {
			http.Redirect(w, r, lead+r.URL.RequestURI(), http.StatusFound)
			return
		}
		w.Header().Set("WWW-Authenticate", `Basic realm="x"`)
		w.WriteHeader(status)
	}))
	t.Cleanup(stranger.Close)
	at := strings.TrimPrefix(stranger.URL, "http://")
	var asked []string
	answer := false
	confirm := func(origin string) bool { asked = append(asked, origin); return answer }
	refs := func(address string, opt Options) error {
		requests, asked = nil, nil
		_, err := dial(t, address, opt).Refs(ctx)
		return err
	}
	token := func(host string) func(string) string {
		return env("RIGKEEP_TOKEN", "s3cret", "RIGKEEP_USER", "tech", "RIGKEEP_TOKEN_HOST", host)
	}
	sent := func() (n int) {
		for _, r := range requests {
			if r.auth != "" {
				n++
			}
		}
		return n
	}
	// a stranger that does not ask, one that asks, and one beside the right server
	for _, c := range []struct {
		status int
		host   string
	}{{http.StatusNotFound, ""}, {http.StatusUnauthorized, ""}, {http.StatusUnauthorized, hostOf(h)}, {http.StatusUnauthorized, "127.0.0.1"}, {http.StatusUnauthorized, "https://" + at}} {
		status = c.status
		err := refs(stranger.URL+"/a.git", Options{Getenv: token(c.host), Confirm: confirm})
		if err == nil || sent() > 0 || len(requests) == 0 {
			t.Errorf("%v: %v, %v", c, requests, err)
		}
		if c.status == http.StatusUnauthorized && (!strings.Contains(err.Error(), "RIGKEEP_TOKEN_HOST="+at) || len(asked) != 1 || asked[0] != stranger.URL || store.ExitClass(err) != 4) {
			t.Errorf("%v: asked %q, %v", c, asked, err)
		}
	}
	// one that is named, or confirmed, gets it once it has asked
	for _, c := range []struct {
		host string
		yes  bool
	}{{at, false}, {"x.example, " + at, false}, {"http://" + at, false}, {"", true}} {
		answer = c.yes
		err := refs(stranger.URL+"/a.git", Options{Getenv: token(c.host), Confirm: confirm})
		if err == nil || len(requests) != 2 || requests[0].auth != "" || requests[1].auth == "" {
			t.Errorf("%v: %v, %v", c, requests, err)
		}
	}
	answer = true
	// a redirect takes it nowhere: neither from the right server to a stranger, nor the other way
	lead = strings.TrimSuffix(h.URL, "/")
	if err := refs(stranger.URL+"/a.git", Options{Getenv: token(at), Confirm: confirm}); err == nil || sent() > 0 || !strings.Contains(err.Error(), "http://"+hostOf(h)) {
		t.Errorf("led on: %v, %v", requests, err)
	}
	first := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Authorization") == "" {
			w.Header().Set("WWW-Authenticate", `Basic realm="x"`)
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		http.Redirect(w, r, stranger.URL+r.URL.RequestURI(), http.StatusFound)
	}))
	t.Cleanup(first.Close)
	lead = ""
	for _, address := range []string{first.URL + "/a.git", strings.Replace(first.URL, "http://", "http://tech:s3cret@", 1) + "/a.git"} {
		err := refs(address, Options{Getenv: token(strings.TrimPrefix(first.URL, "http://")), Confirm: confirm})
		if err == nil || len(requests) > 0 || !strings.Contains(err.Error(), "leads to "+stranger.URL) || store.ExitClass(err) != 4 {
			t.Errorf("%s: %v, %v", address, requests, err)
		}
	}
	// without encryption it takes the address in so many words, and no question is put
	for _, c := range []struct {
		address, host string
		want          bool
	}{
		{"http://tunes.example/a.git", "tunes.example", false}, {"http://tunes.example/a.git", "http://tunes.example", true}, {"http://tunes.example/a.git", "", false},
		{"http://tunes.example:8080/a.git", "http://tunes.example", false}, {"http://tunes.example:8080/a.git", "http://tunes.example:8080", true},
		{"https://tunes.example/a.git", "tunes.example", true}, {"https://tunes.example/a.git", "TUNES.example:443", true}, {"https://tunes.example/a.git", "http://tunes.example", false},
		{"https://tunes.example:8443/a.git", "tunes.example", false}, {"https://tunes.example.org/a.git", "tunes.example", false}, {"https://127.0.0.1.example/a.git", "127.0.0.1", false},
	} {
		asked, answer = nil, false
		r := dial(t, c.address, Options{Getenv: token(c.host), Confirm: confirm})
		ok, why := r.(*wire).way.(*httpLogin).mayToken()
		if ok != c.want || ok == (why != "") || strings.HasPrefix(c.address, "http:") && len(asked) > 0 {
			t.Errorf("%v: %v %q, asked %q", c, ok, why, asked)
		}
	}
}

// TestLibrarySettings: git's http.proxy and credential.helper of the library count here too.
func TestLibrarySettings(t *testing.T) {
	t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
	base := t.TempDir()
	transporttest.Bare(t, base, "a.git")
	h := transporttest.ServeHTTP(t, base, "tech", "s3cret")
	dir := t.TempDir()
	transporttest.Git(t, dir, "init", "-q")
	transporttest.Git(t, dir, "config", "credential.helper", "!f() { test $1 != get || { echo username=tech; echo password=s3cret; }; }; f")
	if _, err := dial(t, h.URL+"a.git", Options{}).Refs(ctx); !errors.Is(err, store.ErrRefused) {
		t.Errorf("without a helper: %v", err)
	}
	if _, err := dial(t, h.URL+"a.git", Options{Dir: dir}).Refs(ctx); err != nil {
		t.Errorf("the library's helper: %v", err)
	}
	asked := ""
	proxy := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked = r.URL.String()
		http.NotFound(w, r)
	}))
	t.Cleanup(proxy.Close)
	for _, p := range []string{proxy.URL, strings.TrimPrefix(proxy.URL, "http://")} {
		asked = ""
		if _, err := dial(t, "http://tunes.example/a.git", Options{Proxy: p}).Refs(ctx); !errors.Is(err, store.ErrNotFound) || !strings.HasPrefix(asked, "http://tunes.example/a.git/info/refs") {
			t.Errorf("through %s: asked %q, %v", p, asked, err)
		}
	}
}

// TestRequests: a sync has to be possible over a slow line.
func TestRequests(t *testing.T) {
	base := t.TempDir()
	transporttest.Bare(t, base, "tunes.git")
	h := transporttest.ServeHTTP(t, base, "tech", "x")
	a, b := lib(t), lib(t)
	opt := Options{Getenv: env("RIGKEEP_TOKEN", "x", "RIGKEEP_USER", "tech", "RIGKEEP_TOKEN_HOST", hostOf(h))}
	count := func(want int64, what string, fn func() error) {
		t.Helper()
		before := h.Requests.Load()
		if err := fn(); err != nil {
			t.Fatal(err)
		}
		if n := h.Requests.Load() - before; n > want {
			t.Errorf("%s: %d requests, %d were expected", what, n, want)
		}
	}
	id := save(t, a, "a.toml", "a = 1\n")
	r := dial(t, h.URL+"tunes.git", opt)
	count(3, "push", func() error {
		_, err := r.Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day})
		return err
	})
	count(1, "refs", func() error { _, err := r.Refs(ctx); return err })
	count(1, "fetch after refs", func() error { _, err := r.Fetch(ctx, b, []store.Rev{id}, nil); return err })
}

// TestBrokenOff: whatever breaks off leaves nothing behind, and says what to do.
func TestBrokenOff(t *testing.T) {
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	h := transporttest.ServeHTTP(t, base, "", "")
	a := lib(t)
	id := save(t, a, "a.toml", strings.Repeat("a = 1 # and so on\n", 3000))
	if _, err := dial(t, bare, Options{}).Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day}); err != nil {
		t.Fatal(err)
	}
	for _, at := range []int{0, 5, 30, 60, 200} {
		for _, which := range []string{"info/refs", "git-upload-pack"} {
			h.Break(func(r *http.Request) int {
				if strings.HasSuffix(r.URL.Path, which) {
					return at
				}
				return -1
			})
			b := lib(t)
			r := dial(t, h.URL+"tunes.git", Options{})
			_, err := r.Refs(ctx)
			if err == nil {
				_, err = r.Fetch(ctx, b, []store.Rev{id}, nil)
			}
			if err == nil && which == "info/refs" && at == 200 {
				continue // the whole list of refs is shorter
			}
			if store.ExitClass(err) != 6 && store.ExitClass(err) != 5 || b.Revisions().Has(id) {
				t.Errorf("%s cut at %d: %v", which, at, err)
			}
			entries, _ := filepath.Glob(filepath.Join(b.ObjectFolder(), "pack", "*"))
			if len(entries) > 0 {
				t.Errorf("left behind: %v", entries)
			}
		}
	}
	h.Break(nil)
	// The other side takes a push, and the line breaks before it says so.
	next := save(t, a, "a.toml", "a = 2\n")
	n := 0
	h.Break(func(r *http.Request) int {
		if strings.HasSuffix(r.URL.Path, "git-receive-pack") && r.Method == http.MethodPost {
			n++
			return 0
		}
		return -1
	})
	if _, err := dial(t, h.URL+"tunes.git", Options{}).Push(ctx, a, Push{"refs/heads/main", id, next, aCam, day}); err != nil || n != 1 {
		t.Errorf("%d pushes: %v", n, err)
	}
}

func TestOffline(t *testing.T) {
	dead, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := dead.Addr().(*net.TCPAddr).Port
	_ = dead.Close()
	mute, err := net.Listen("tcp", "127.0.0.1:0") // answers nothing
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = mute.Close() }()
	go func() {
		for {
			c, err := mute.Accept()
			if err != nil {
				return
			}
			go func() { _, _ = io.Copy(io.Discard, c) }()
		}
	}()
	quiet := mute.Addr().(*net.TCPAddr).Port
	opt := Options{Getenv: env("HOME", t.TempDir()), Connect: 300 * time.Millisecond}
	for _, s := range []string{"git", "http", "https", "ssh"} {
		for _, p := range []int{port, quiet} {
			_, err := dial(t, fmt.Sprintf("%s://127.0.0.1:%d/tunes.git", s, p), opt).Refs(ctx)
			if !errors.Is(err, store.ErrNetwork) || store.ExitClass(err) != 6 {
				t.Errorf("%s, port %d: %v", s, p, err)
			}
		}
		stopped, cancel := context.WithCancel(ctx)
		cancel()
		if _, err := dial(t, fmt.Sprintf("%s://127.0.0.1:%d/tunes.git", s, quiet), opt).Refs(stopped); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", s, err)
		}
	}
	if _, err := Dial(filepath.Join(t.TempDir(), "stick", "tunes.git"), opt); store.ExitClass(err) != 6 {
		t.Error(err)
	}
}

// TestStall: a transfer in which nothing comes any more is given up.
func TestStall(t *testing.T) {
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	h := transporttest.ServeHTTP(t, base, "", "")
	a := lib(t)
	id := save(t, a, "a.toml", "a = 1\n")
	if _, err := dial(t, bare, Options{}).Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day}); err != nil {
		t.Fatal(err)
	}
	release := make(chan struct{})
	h.Break(func(r *http.Request) int {
		if strings.HasSuffix(r.URL.Path, "git-upload-pack") {
			<-release
		}
		return -1
	})
	defer close(release)
	r := dial(t, h.URL+"tunes.git", Options{Idle: 200 * time.Millisecond})
	if _, err := r.Refs(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Fetch(ctx, lib(t), []store.Rev{id}, nil); !errors.Is(err, store.ErrNetwork) || !strings.Contains(err.Error(), "nothing came for") {
		t.Fatal(err)
	}
}

func TestSSH(t *testing.T) {
	s := transporttest.ServeSSH(t)
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	home := Options{Getenv: env("HOME", s.Home)}
	exchange(t, bare, s.URL+bare, home)

	spaced := transporttest.Bare(t, base, "prep bay's tunes.git")
	if _, err := dial(t, s.URL+strings.ReplaceAll(spaced, " ", "%20"), home).Refs(ctx); err != nil {
		t.Errorf("blanks and quotes in the path: %v", err)
	}
	if _, err := dial(t, s.URL+base+"/other.git", home).Refs(ctx); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such repository: %v", err)
	}

	// Host keys.
	empty := t.TempDir()
	key := filepath.Join(s.Home, ".ssh", "id_ed25519")
	_, err := dial(t, s.URL+bare, Options{Getenv: env("HOME", empty, "RIGKEEP_SSH_KEY", key)}).Refs(ctx)
	if !errors.Is(err, store.ErrUntrusted) || store.ExitClass(err) != 5 || !strings.Contains(err.Error(), "not known yet") || !strings.Contains(err.Error(), s.Fingerprint) || !strings.Contains(err.Error(), strings.TrimSpace(s.KnownLine)) {
		t.Errorf("unknown server: %v", err)
	}
	other := transporttest.ServeSSH(t)
	wrong := filepath.Join(empty, "wrong")
	line := strings.Replace(other.KnownLine, fmt.Sprint(other.Port), fmt.Sprint(s.Port), 1)
	if err := os.WriteFile(wrong, []byte(line), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = dial(t, s.URL+bare, Options{Getenv: env("HOME", empty, "RIGKEEP_SSH_KEY", key, "SSH_KNOWN_HOSTS", wrong)}).Refs(ctx)
	if !errors.Is(err, store.ErrUntrusted) || !strings.Contains(err.Error(), "has changed: now") || !strings.Contains(err.Error(), s.Fingerprint) {
		t.Errorf("changed key: %v", err)
	}

	// Keys: the wrong one, none, a locked one, the agent's.
	_, stranger, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	strange, locked := filepath.Join(empty, "strange"), filepath.Join(empty, ".ssh", "id_ed25519")
	transporttest.WriteKey(t, strange, stranger, "")
	for _, c := range []struct {
		env  []string
		says string
	}{
		{[]string{"HOME", empty, "RIGKEEP_SSH_KEY", strange}, "does not accept the keys"},
		{[]string{"HOME", empty}, "no key to show"},
		{[]string{"HOME", empty, "RIGKEEP_SSH_KEY", filepath.Join(empty, "none")}, "unreadable key file"},
	} {
		_, err := dial(t, s.URL+bare, Options{Getenv: env(append(c.env, "SSH_KNOWN_HOSTS", s.KnownHosts)...)}).Refs(ctx)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v", c.env, err)
		}
	}
	if err := os.MkdirAll(filepath.Dir(locked), 0o700); err != nil {
		t.Fatal(err)
	}
	transporttest.WriteKey(t, locked, stranger, "open sesame")
	if _, err := dial(t, s.URL+bare, Options{Getenv: env("HOME", empty, "SSH_KNOWN_HOSTS", s.KnownHosts)}).Refs(ctx); err == nil || !strings.Contains(err.Error(), "needs a passphrase") {
		t.Errorf("locked key: %v", err)
	}
	sock := agentWith(t, key)
	t.Setenv("SSH_AUTH_SOCK", sock)
	if _, err := dial(t, s.URL+bare, Options{Getenv: env("HOME", t.TempDir(), "SSH_AUTH_SOCK", sock, "SSH_KNOWN_HOSTS", s.KnownHosts)}).Refs(ctx); err != nil {
		t.Errorf("agent: %v", err)
	}
	// ~/.ssh/config: another name for host, port, user and key.
	alias := t.TempDir()
	if err := os.MkdirAll(filepath.Join(alias, ".ssh"), 0o700); err != nil {
		t.Fatal(err)
	}
	user := strings.TrimSuffix(strings.TrimPrefix(s.URL, "ssh://"), fmt.Sprintf("@127.0.0.1:%d", s.Port))
	conf := fmt.Sprintf("Host prep\n  HostName 127.0.0.1\n  Port %d\n  User %s\n  IdentityFile %s\n", s.Port, user, key)
	if err := os.WriteFile(filepath.Join(alias, ".ssh", "config"), []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{"ssh://prep" + bare, "prep:" + bare} {
		if _, err := dial(t, address, Options{Getenv: env("HOME", alias, "SSH_KNOWN_HOSTS", s.KnownHosts)}).Refs(ctx); err != nil {
			t.Errorf("%s: %v", address, err)
		}
	}
}

// agentWith runs an ssh agent that holds one key.
func agentWith(t *testing.T, keyFile string) string {
	t.Helper()
	b, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	priv := parseKey(t, b)
	ring := agent.NewKeyring()
	if err := ring.Add(agent.AddedKey{PrivateKey: priv}); err != nil {
		t.Fatal(err)
	}
	dir, err := os.MkdirTemp("", "agent") // t.TempDir may be too long for a socket
	if err != nil {
		t.Fatal(err)
	}
	sock := filepath.Join(dir, "s")
	l, err := net.Listen("unix", sock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close(); _ = os.RemoveAll(dir) })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { _ = agent.ServeAgent(ring, c) }()
		}
	}()
	return sock
}

// TestServerSpeaks: what a server says reaches the person line by line, and a refusal with its reason.
func TestServerSpeaks(t *testing.T) {
	base := t.TempDir()
	bare := transporttest.Bare(t, base, "tunes.git")
	hook := filepath.Join(bare, "hooks", "pre-receive")
	if err := os.WriteFile(hook, []byte("#!/bin/sh\nprintf 'counting 1%%\\rcounting 2%%\\rdone \\033[31mred\\n'\necho closed for the weekend\nexit 1\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	var said []string
	r := dial(t, transporttest.Daemon(t, base)+"tunes.git", Options{Remark: func(l string) { said = append(said, l) }})
	a := lib(t)
	id := save(t, a, "a.toml", "a = 1\n")
	_, err := r.Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day})
	if !errors.Is(err, store.ErrRefused) || !strings.Contains(err.Error(), "hook declined") {
		t.Error(err)
	}
	if len(said) != 2 || said[0] != "done \x1b[31mred" || said[1] != "closed for the weekend" {
		t.Errorf("%q", said)
	}
}

// TestReadOnlyServer: a server that gives and does not take says that, not that there is nothing.
func TestReadOnlyServer(t *testing.T) {
	base := t.TempDir()
	for name, c := range map[string][2]string{"git": {transporttest.Daemon(t, base), "daemon.receivepack"}, "http": {transporttest.ServeHTTP(t, base, "", "").URL, "http.receivepack"}} {
		bare := transporttest.Bare(t, base, name+".git")
		transporttest.Git(t, bare, "config", c[1], "false")
		a := lib(t)
		id := save(t, a, "a.toml", "a = 1\n")
		r := dial(t, c[0]+name+".git", Options{})
		if _, err := r.Refs(ctx); err != nil {
			t.Fatal(name, err)
		}
		_, err := r.Push(ctx, a, Push{"refs/heads/main", "", id, aCam, day})
		if !errors.Is(err, store.ErrRefused) || store.ExitClass(err) != 4 || !strings.Contains(err.Error(), "is read-only for you") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestFolderHooks: a folder cannot ask the hooks that guard it, so it is not written past them.
func TestFolderHooks(t *testing.T) {
	bare := transporttest.Bare(t, t.TempDir(), "tunes.git")
	hook := filepath.Join(bare, "hooks", "update")
	if err := errors.Join(os.MkdirAll(filepath.Dir(hook), 0o777), os.WriteFile(hook, []byte("#!/bin/sh\nexit 0\n"), 0o755)); err != nil {
		t.Fatal(err)
	}
	a := lib(t)
	p := Push{"refs/heads/main", "", save(t, a, "a.toml", "a = 1\n"), aCam, day}
	r := dial(t, bare, Options{})
	if _, err := r.Push(ctx, a, p); !errors.Is(err, store.ErrRefused) || !strings.Contains(err.Error(), "rigkeep git push") {
		t.Fatal(err)
	}
	if err := os.Chmod(hook, 0o644); err != nil { // git does not run it either
		t.Fatal(err)
	}
	if _, err := r.Push(ctx, a, p); err != nil {
		t.Fatal(err)
	}
}

func TestAddresses(t *testing.T) {
	for address, folder := range map[string]bool{
		"/mnt/share/tunes.git": true, "tunes.git": true, "./a:b": true, "../x": true, "file:///mnt/share/tunes.git": true,
		"git://h/p": false, "https://h/p": false, "ssh://u@h/p": false, "u@h:p": false, "h:p": false,
	} {
		if IsFolder(address) != folder {
			t.Errorf("%s: folder %v", address, !folder)
		}
	}
	if got := Folder("file:///mnt/a%20b/tunes.git"); got != "/mnt/a b/tunes.git" {
		t.Error(got)
	}
	if got := Shown("https://tech:s3cret@h/p"); got != "https://tech@h/p" {
		t.Error(got)
	}
	for _, bad := range []string{"ftp://h/p", "ext::sh -c x", "https://h/p\nhost=evil", "https://%zz/"} {
		if _, err := Dial(bad, Options{Getenv: env()}); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
	if _, err := exec.LookPath("git"); err != nil {
		t.Log("no git")
	}
}
