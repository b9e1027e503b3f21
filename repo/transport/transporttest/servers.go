// Package transporttest starts real git servers on loopback, for tests only: git daemon, git
// http-backend behind a small server that asks for a password, and sshd with throw-away keys.
// A test that needs one which is not installed fails, unless RIGKEEP_NO_SERVERS is set.
package transporttest

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cgi"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"
)

// need finds a program, or ends the test.
func need(t testing.TB, what string, where ...string) string {
	t.Helper()
	for _, w := range where {
		if filepath.IsAbs(w) {
			if _, err := os.Stat(w); err == nil {
				return w
			}
		} else if p, err := exec.LookPath(w); err == nil {
			return p
		}
	}
	if os.Getenv("RIGKEEP_NO_SERVERS") != "" {
		t.Skipf("%s is not installed, and RIGKEEP_NO_SERVERS is set", what)
	}
	t.Fatalf("%s is not installed; on Debian: apt-get install git openssh-server. RIGKEEP_NO_SERVERS=1 leaves the tests with servers out", what)
	return ""
}

// Env is the environment of a plain git without anybody's settings.
func Env() []string {
	var out []string
	for _, kv := range os.Environ() {
		if !strings.HasPrefix(kv, "GIT_") && !strings.HasPrefix(kv, "HOME=") {
			out = append(out, kv)
		}
	}
	return append(out, "GIT_CONFIG_GLOBAL="+os.DevNull, "GIT_CONFIG_NOSYSTEM=1", "HOME=/nonexistent", "LC_ALL=C", "GIT_TERMINAL_PROMPT=0",
		"GIT_AUTHOR_NAME=Plain git", "GIT_AUTHOR_EMAIL=git@example.org", "GIT_COMMITTER_NAME=Plain git", "GIT_COMMITTER_EMAIL=git@example.org")
}

// Git runs the real git in dir.
func Git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	cmd := exec.Command("git", args...)
	cmd.Dir, cmd.Env = dir, Env()
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

// Bare makes an empty bare repository base/name that servers export and let be pushed to.
func Bare(t testing.TB, base, name string) string {
	t.Helper()
	dir := filepath.Join(base, name)
	Git(t, base, "init", "-q", "--bare", "-b", "main", dir)
	Git(t, dir, "config", "http.receivepack", "true")
	if err := os.WriteFile(filepath.Join(dir, "git-daemon-export-ok"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Save commits a file in a clone and sends it to the main branch of where the clone is from, as
// somebody with plain git does.
func Save(t testing.TB, clone, name, text, subject string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(clone, name), []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	Git(t, clone, "add", ".")
	Git(t, clone, "commit", "-qm", subject)
	Git(t, clone, "push", "-q", "origin", "HEAD:main")
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port
}

// serve runs a server until the test ends, and waits till it answers.
func serve(t testing.TB, port int, cmd *exec.Cmd) {
	t.Helper()
	log, err := os.Create(filepath.Join(t.TempDir(), "server.log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_, _ = cmd.Process.Wait()
		_ = log.Close()
		if t.Failed() {
			text, _ := os.ReadFile(log.Name())
			t.Logf("%s said: %s", cmd.Path, text)
		}
	})
	for range 200 {
		c, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), time.Second)
		if err == nil {
			_ = c.Close()
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	text, _ := os.ReadFile(log.Name())
	t.Fatalf("%s does not answer: %s", cmd.Path, text)
}

// Daemon serves base by git daemon and gives the address in front of a repository's name.
func Daemon(t testing.TB, base string) string {
	t.Helper()
	git := need(t, "git", "git")
	path, err := exec.Command(git, "--exec-path").Output()
	if err != nil {
		t.Fatal(err)
	}
	port := freePort(t)
	cmd := exec.Command(need(t, "git daemon", filepath.Join(strings.TrimSpace(string(path)), "git-daemon")), "--listen=127.0.0.1", fmt.Sprintf("--port=%d", port),
		"--base-path="+base, "--export-all", "--enable=receive-pack", "--reuseaddr", base)
	cmd.Env = Env()
	serve(t, port, cmd)
	return fmt.Sprintf("git://127.0.0.1:%d/", port)
}

// HTTP is a git http-backend behind a server that asks for a name and password.
type HTTP struct {
	URL      string // http://127.0.0.1:PORT/
	Requests atomic.Int64
	Refused  atomic.Int64
	broken   atomic.Pointer[func(r *http.Request) int]
}

// Break has fn asked for each request from now on how many bytes of the answer to let through
// before breaking off; below 0 is all. nil asks nobody.
func (h *HTTP) Break(fn func(r *http.Request) int) {
	if fn == nil {
		h.broken.Store(nil)
		return
	}
	h.broken.Store(&fn)
}

// With gives the address with a name and password in it.
func (h *HTTP) With(user, password string) string {
	return strings.Replace(h.URL, "http://", "http://"+user+":"+password+"@", 1)
}

// ServeHTTP serves base over HTTP; user "" asks nobody for a password.
func ServeHTTP(t testing.TB, base, user, password string) *HTTP {
	t.Helper()
	git := need(t, "git", "git")
	path, err := exec.Command(git, "--exec-path").Output()
	if err != nil {
		t.Fatal(err)
	}
	backend := need(t, "git http-backend", filepath.Join(strings.TrimSpace(string(path)), "git-http-backend"))
	h := &HTTP{}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.Requests.Add(1)
		u, p, ok := r.BasicAuth()
		if user != "" && (!ok || u != user || p != password) {
			h.Refused.Add(1)
			w.Header().Set("WWW-Authenticate", `Basic realm="tunes"`)
			http.Error(w, "\x1b[31mname and password\x1b[0m", http.StatusUnauthorized)
			return
		}
		env := append(Env(), "GIT_PROJECT_ROOT="+base, "GIT_HTTP_EXPORT_ALL=1", "REMOTE_USER="+user)
		c := &cgi.Handler{Path: backend, Env: env, Stderr: io.Discard}
		if fn := h.broken.Load(); fn != nil {
			if n := (*fn)(r); n >= 0 {
				w = &breaking{w, n}
			}
		}
		c.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	h.URL = s.URL + "/"
	return h
}

// breaking breaks an answer off.
type breaking struct {
	http.ResponseWriter
	left int
}

func (b *breaking) Write(p []byte) (int, error) {
	if len(p) > b.left {
		_, _ = b.ResponseWriter.Write(p[:b.left])
		if f, ok := b.ResponseWriter.(http.Flusher); ok {
			f.Flush()
		}
		panic(http.ErrAbortHandler)
	}
	b.left -= len(p)
	return b.ResponseWriter.Write(p)
}

// SSH is an sshd with throw-away keys.
type SSH struct {
	URL         string // ssh://USER@127.0.0.1:PORT
	Home        string // with .ssh/id_ed25519 and .ssh/known_hosts
	KnownHosts  string // its known_hosts file
	KnownLine   string // the line that belongs into it
	Fingerprint string // of the server's key
	Port        int
}

// ServeSSH serves this machine's repositories by sshd, for one key.
func ServeSSH(t testing.TB) *SSH {
	t.Helper()
	sshd := need(t, "sshd", "/usr/sbin/sshd", "sshd")
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	s := &SSH{Home: filepath.Join(dir, "home"), Port: freePort(t)}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.MkdirAll(filepath.Join(s.Home, ".ssh"), 0o700))
	host := key(t, filepath.Join(dir, "host"))
	mine := key(t, filepath.Join(s.Home, ".ssh", "id_ed25519"))
	must(os.WriteFile(filepath.Join(dir, "allowed"), ssh.MarshalAuthorizedKey(mine), 0o600))
	s.Fingerprint = ssh.FingerprintSHA256(host)
	s.KnownLine = fmt.Sprintf("[127.0.0.1]:%d %s", s.Port, ssh.MarshalAuthorizedKey(host))
	s.KnownHosts = filepath.Join(s.Home, ".ssh", "known_hosts")
	must(os.WriteFile(s.KnownHosts, []byte(s.KnownLine), 0o600))
	conf := filepath.Join(dir, "conf")
	must(os.WriteFile(conf, fmt.Appendf(nil, "ListenAddress 127.0.0.1:%d\nHostKey %s\nAuthorizedKeysFile %s\nStrictModes no\nUsePAM no\nPidFile none\nPasswordAuthentication no\nKbdInteractiveAuthentication no\nPermitRootLogin yes\nMaxStartups 100\nLogLevel VERBOSE\n",
		s.Port, filepath.Join(dir, "host"), filepath.Join(dir, "allowed")), 0o600))
	if os.Getuid() == 0 {
		_ = os.MkdirAll("/run/sshd", 0o755) // sshd wants it; packages make it at boot
	}
	cmd := exec.Command(sshd, "-D", "-e", "-f", conf)
	serve(t, s.Port, cmd)
	user := os.Getenv("USER")
	if out, err := exec.Command("id", "-un").Output(); err == nil {
		user = strings.TrimSpace(string(out))
	}
	s.URL = fmt.Sprintf("ssh://%s@127.0.0.1:%d", user, s.Port)
	return s
}

// key writes a new private key and gives the public one.
func key(t testing.TB, name string) ssh.PublicKey {
	t.Helper()
	_, priv, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return WriteKey(t, name, priv, "")
}

// WriteKey writes a private key, locked with a passphrase if there is one.
func WriteKey(t testing.TB, name string, priv ed25519.PrivateKey, passphrase string) ssh.PublicKey {
	t.Helper()
	block, err := ssh.MarshalPrivateKey(priv, "")
	if passphrase != "" {
		block, err = ssh.MarshalPrivateKeyWithPassphrase(priv, "", []byte(passphrase))
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
		t.Fatal(err)
	}
	pub, err := ssh.NewPublicKey(priv.Public())
	if err != nil {
		t.Fatal(err)
	}
	return pub
}
