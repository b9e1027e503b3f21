package seal

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"
)

var msg = []byte("{\"format\": 1}\n")

func signers(t testing.TB) map[string]any {
	t.Helper()
	_, ed, err1 := ed25519.GenerateKey(rand.Reader)
	ec, err2 := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	rs, err3 := rsa.GenerateKey(rand.Reader, 2048)
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	return map[string]any{"ed25519": ed, "ecdsa": ec, "rsa": rs}
}

func signer(t testing.TB, key any) ssh.Signer {
	t.Helper()
	s, err := ssh.NewSignerFromKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func authorized(s ssh.Signer) string {
	return strings.TrimSpace(string(ssh.MarshalAuthorizedKey(s.PublicKey())))
}

// sshKeygen has the real ssh-keygen verify a signature.
func sshKeygen(t testing.TB, allowed, who, namespace string, sig, msg []byte) error {
	t.Helper()
	dir := t.TempDir()
	for name, data := range map[string][]byte{"allowed": []byte(allowed), "sig": sig} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c := exec.Command("ssh-keygen", "-Y", "verify", "-f", filepath.Join(dir, "allowed"), "-I", who, "-n", namespace, "-s", filepath.Join(dir, "sig"))
	c.Stdin = bytes.NewReader(msg)
	out, err := c.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}

// TestSshKeygen: what we sign the real ssh-keygen verifies, and the other way round.
func TestSshKeygen(t *testing.T) {
	for kind, key := range signers(t) {
		s := signer(t, key)
		sig, err := Sign(msg, s)
		if err != nil {
			t.Fatal(kind, err)
		}
		allowed := "a-cam@example.org " + authorized(s) + "\n"
		if err := sshKeygen(t, allowed, "a-cam@example.org", Namespace, sig, msg); err != nil {
			t.Errorf("%s: ssh-keygen refuses ours: %v", kind, err)
		}
		if err := sshKeygen(t, allowed, "a-cam@example.org", Namespace, sig, append(msg, 'x')); err == nil {
			t.Errorf("%s: ssh-keygen takes another message: this tests nothing", kind)
		}
		k, err := Verify(sig, msg)
		if err != nil || k.Print != ssh.FingerprintSHA256(s.PublicKey()) {
			t.Errorf("%s: %v, %v", kind, k, err)
		}

		dir := t.TempDir()
		block, err := ssh.MarshalPrivateKey(key, "")
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(dir, "key")
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
		c := exec.Command("ssh-keygen", "-Y", "sign", "-f", name, "-n", Namespace)
		c.Stdin = bytes.NewReader(msg)
		theirs, err := c.Output()
		if err != nil {
			t.Fatal(kind, err)
		}
		if k, err := Verify(theirs, msg); err != nil || k.Print != ssh.FingerprintSHA256(s.PublicKey()) {
			t.Errorf("%s: we refuse ssh-keygen's: %v", kind, err)
		}
		if got, done, err := Signer(name, ""); err != nil || !bytes.Equal(got.PublicKey().Marshal(), s.PublicKey().Marshal()) {
			t.Errorf("%s: the key file gives %v", kind, err)
		} else {
			done()
		}
	}
}

func TestVerifyRefuses(t *testing.T) {
	s := signer(t, signers(t)["ed25519"])
	good, err := Sign(msg, s)
	if err != nil {
		t.Fatal(err)
	}
	other, err := sshsig.Sign(bytes.NewReader(msg), s, sshsig.HashSHA512, "git")
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		sig  []byte
		msg  []byte
		want string
	}{
		"another file":       {good, []byte("other"), "another file"},
		"empty":              {nil, msg, "form"},
		"no armour":          {[]byte("SSHSIG"), msg, "form"},
		"another namespace":  {sshsig.Armor(other), msg, `"git"`},
		"something before":   {append([]byte("x\n"), good...), msg, "form"},
		"something behind":   {append(bytes.Clone(good), "x\n"...), msg, "form"},
		"two signatures":     {append(bytes.Clone(good), good...), msg, "form"},
		"broken base64":      {bytes.Replace(good, []byte("U1NIU0lH"), []byte("!!!!!!!!"), 1), msg, ""},
		"a megabyte":         {bytes.Repeat([]byte("x"), 1<<20), msg, "longer"},
		"a private key":      {pem.EncodeToMemory(&pem.Block{Type: "OPENSSH PRIVATE KEY", Bytes: []byte("x")}), msg, "form"},
		"armour around junk": {pem.EncodeToMemory(&pem.Block{Type: "SSH SIGNATURE", Bytes: []byte("junk")}), msg, ""},
	} {
		if _, err := Verify(c.sig, c.msg); !errors.Is(err, ErrSignature) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for i := range good {
		x := bytes.Clone(good)
		x[i] ^= 1
		if k, err := Verify(x, msg); err == nil && k.Print != ssh.FingerprintSHA256(s.PublicKey()) {
			t.Fatalf("byte %d changed: verified as another key's", i)
		}
	}
}

// TestTrusted holds our reading of allowed_signers against the real ssh-keygen's.
func TestTrusted(t *testing.T) {
	ks := signers(t)
	s, stranger := signer(t, ks["ed25519"]), signer(t, ks["ecdsa"])
	sig, err := Sign(msg, s)
	if err != nil {
		t.Fatal(err)
	}
	k, err := Verify(sig, msg)
	if err != nil {
		t.Fatal(err)
	}
	pub, foreign := authorized(s), authorized(stranger)
	const who = "a-cam@example.org"
	now := time.Now()
	past, future := now.AddDate(0, 0, -2).UTC().Format("20060102Z"), now.AddDate(0, 0, 2).UTC().Format("20060102150405Z")
	for _, c := range []struct {
		list string
		want TrustLevel
	}{
		{who + " " + pub, Good},
		{"# a remark\n\n" + who + " " + pub + " a comment", Good},
		{"*@example.org " + pub, Good},
		{"x@example.org,a-???@*.org " + pub, Good},
		{`"` + who + `" ` + pub, Good},
		{who + ` namespaces="git,rigkeep-*" ` + pub, Good},
		{who + ` valid-after="` + past + `",valid-before="` + future + `" ` + pub, Good},
		{"", Unknown},
		{who + " " + foreign, Unknown},
		{"b-cam@example.org " + pub, Misnamed},
		{"!a-cam@example.org,*@example.org " + pub, Misnamed},
		{who + ` namespaces="git" ` + pub, Elsewhere},
		{who + ` valid-before="` + past + `" ` + pub, Expired},
		{who + ` VALID-BEFORE="` + past + `" ` + pub, Expired},
		{who + ` valid-after="` + future + `" ` + pub, NotYet},
		{who + ` cert-authority ` + pub, Unknown},
		{who + ` valid-before="` + past + `" ` + pub + "\n" + who + " " + pub, Good},
	} {
		l, err := ParseTrusted("allowed_signers", []byte(c.list), time.UTC)
		if err != nil {
			t.Errorf("%q: %v", c.list, err)
			continue
		}
		if v := l.Judge(k, who, now); v.TrustLevel != c.want {
			t.Errorf("%q: %s, want %s", c.list, v.TrustLevel, c.want)
		}
		if err := sshKeygen(t, c.list+"\n", who, Namespace, sig, msg); (err == nil) != (c.want == Good) {
			t.Errorf("%q: we say %s, ssh-keygen says %v", c.list, c.want, err)
		}
	}
	for _, bad := range []string{who, who + " ssh-ed25519 !!!", who + " unheard-of " + pub, who + ` valid-before="soon" ` + pub, who + ` valid-after="` + future + `",valid-before="` + past + `" ` + pub} {
		if _, err := ParseTrusted("allowed_signers", []byte("\n"+bad), time.UTC); err == nil || !strings.HasPrefix(err.Error(), "allowed_signers:2: ") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// TestAgent signs with a key that only an agent holds.
func TestAgent(t *testing.T) {
	key := signers(t)["rsa"]
	s := signer(t, key)
	ring := agent.NewKeyring()
	if err := ring.Add(agent.AddedKey{PrivateKey: key}); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	socket := filepath.Join(dir, "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { _ = agent.ServeAgent(ring, c) }()
		}
	}()
	pub := filepath.Join(dir, "key.pub")
	if err := os.WriteFile(pub, []byte(authorized(s)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	held, done, err := Signer(pub, socket)
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	sig, err := Sign(msg, held)
	if err != nil {
		t.Fatal(err)
	}
	if err := sshKeygen(t, "x "+authorized(s)+"\n", "x", Namespace, sig, msg); err != nil {
		t.Error(err)
	}
	if _, _, err := Signer(pub, ""); !errors.Is(err, ErrKey) {
		t.Errorf("without an agent: %v", err)
	}
	block, err := ssh.MarshalPrivateKeyWithPassphrase(key.(*rsa.PrivateKey), "", []byte("secret"))
	if err != nil {
		t.Fatal(err)
	}
	locked := filepath.Join(dir, "locked")
	if err := os.WriteFile(locked, pem.EncodeToMemory(block), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Signer(locked, ""); !errors.Is(err, ErrKey) || !strings.Contains(err.Error(), "passphrase") {
		t.Errorf("a key with a passphrase: %v", err)
	}
	if _, done, err := Signer(locked, socket); err != nil {
		t.Errorf("a key with a passphrase that the agent holds: %v", err)
	} else {
		done()
	}
}

func FuzzParseTrusted(f *testing.F) {
	s := signer(f, signers(f)["ed25519"])
	f.Add("a@b " + authorized(s))
	f.Add(`"a b" namespaces="x,y",valid-before="20260101Z" ` + authorized(s) + " c")
	f.Add("# x\n\n!a*,?b cert-authority " + authorized(s))
	f.Fuzz(func(t *testing.T, text string) {
		l, err := ParseTrusted("x", []byte(text), time.UTC)
		if err == nil {
			l.Judge(keyOf(s.PublicKey()), "a@b", time.Unix(0, 0))
		}
	})
}
