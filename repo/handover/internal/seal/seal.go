// Package seal signs what is handed over with an SSH key, and says whose key signed it. The
// signatures are those of `ssh-keygen -Y sign`, and the list of trusted keys is OpenSSH's
// allowed_signers file, so that anyone can check them without Rigkeep.
//
// Source: PROTOCOL.sshsig and ssh-keygen(1), section ALLOWED SIGNERS, of OpenSSH.
package seal

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"
)

// Namespace keeps a signature made for something else from passing here, and ours from passing elsewhere.
const Namespace = "rigkeep-handover@v1"

// MaxSignature bounds a signature's text; the largest RSA keys need about 6 kB.
const MaxSignature = 16 << 10

// ErrSignature is wrapped by every error that means a signature does not hold.
var ErrSignature = errors.New("the signature does not hold")

// Key is a public key that signed.
type Key struct {
	Type  string // "ssh-ed25519"
	Print string // "SHA256:…", as ssh-keygen -l shows it
	blob  []byte
}

func keyOf(k ssh.PublicKey) Key { return Key{k.Type(), ssh.FingerprintSHA256(k), k.Marshal()} }

// Public is the key as a line of an allowed_signers file ends with it.
func (k Key) Public() string {
	return k.Type + " " + base64.StdEncoding.EncodeToString(k.blob)
}

// Sign signs a message.
func Sign(msg []byte, s ssh.Signer) ([]byte, error) {
	sig, err := sshsig.Sign(bytes.NewReader(msg), s, sshsig.HashSHA512, Namespace)
	if err != nil {
		return nil, err
	}
	return sshsig.Armor(sig), nil
}

// Verify checks that an armoured signature is of this message, and gives the key that made it.
// Whose key that is, it does not say.
func Verify(armoured, msg []byte) (Key, error) { return verify(armoured, msg, Namespace, "a handover") }

func verify(armoured, msg []byte, namespace, use string) (Key, error) {
	fail := func(what string) (Key, error) { return Key{}, fmt.Errorf("%w: %s", ErrSignature, what) }
	if len(armoured) > MaxSignature {
		return fail("it is longer than any key makes one")
	}
	const first, last = "-----BEGIN SSH SIGNATURE-----\n", "\n-----END SSH SIGNATURE-----\n"
	text := string(armoured)
	if !strings.HasPrefix(text, first) || !strings.HasSuffix(text, last) || strings.Count(text, "-----") != 4 {
		return fail("it is not in the form of an SSH signature")
	}
	sig, err := sshsig.Unarmor(armoured)
	if err != nil {
		return fail(err.Error())
	}
	if sig.Namespace != namespace {
		return fail(fmt.Sprintf("it was made for %q and not for %s (%s)", sig.Namespace, use, namespace))
	}
	if err := sshsig.Verify(bytes.NewReader(msg), sig, sig.PublicKey, sig.HashAlgorithm, namespace); err != nil {
		return fail("it belongs to another file, or the file was changed after it was signed")
	}
	return keyOf(sig.PublicKey), nil
}

// GitNamespace is that of the signatures which git puts into commits. Source: git-commit(1) and
// gitformat-signature(5), gpg.format=ssh.
const GitNamespace = "git"

// VerifyCommit checks the SSH signature of a commit's bytes, as `git commit -S` makes it with
// gpg.format=ssh, and gives the key that made it. ok is false where there is none.
func VerifyCommit(raw []byte) (k Key, ok bool, err error) {
	head, body, _ := bytes.Cut(raw, []byte("\n\n"))
	var rest, sig []byte
	in := false
	for line := range bytes.SplitSeq(head, []byte("\n")) {
		switch text, found := bytes.CutPrefix(line, []byte("gpgsig ")); {
		case found && sig != nil:
			return k, true, fmt.Errorf("%w: there is more than one", ErrSignature)
		case found:
			in, sig = true, append(bytes.Clone(text), '\n')
		case in && len(line) > 0 && line[0] == ' ':
			sig = append(append(sig, line[1:]...), '\n')
		default:
			in, rest = false, append(append(rest, line...), '\n')
		}
	}
	if sig == nil {
		return k, false, nil
	}
	k, err = verify(sig, append(append(rest, '\n'), body...), GitNamespace, "a commit")
	return k, true, err
}

// ErrKey is wrapped by every error that means a key cannot be used to sign.
var ErrKey = errors.New("this key cannot sign")

// Signer finds the key to sign with. name is a private key without a passphrase, or a public
// key whose private half an ssh-agent holds; agentSocket is the agent's address, "" for none.
// close ends the connection to the agent.
func Signer(name, agentSocket string) (s ssh.Signer, close func(), err error) {
	close = func() {}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, close, fmt.Errorf("%w: %w", ErrKey, err)
	}
	if pub, _, _, _, err := ssh.ParseAuthorizedKey(data); err == nil {
		return agentSigner(pub, agentSocket)
	}
	s, err = ssh.ParsePrivateKey(data)
	var locked *ssh.PassphraseMissingError
	switch {
	case errors.As(err, &locked):
		if locked.PublicKey != nil && agentSocket != "" {
			if s, close, err := agentSigner(locked.PublicKey, agentSocket); err == nil {
				return s, close, nil
			}
		}
		return nil, close, fmt.Errorf("%w: %s has a passphrase; add it to an agent with ssh-add, or name the .pub file of a key that the agent holds", ErrKey, name)
	case err != nil:
		return nil, close, fmt.Errorf("%w: %s is neither a private nor a public SSH key", ErrKey, name)
	}
	return s, close, nil
}

func agentSigner(pub ssh.PublicKey, socket string) (ssh.Signer, func(), error) {
	none := func() {}
	if socket == "" {
		return nil, none, fmt.Errorf("%w: it is a public key, and no ssh-agent is running (SSH_AUTH_SOCK is not set)", ErrKey)
	}
	conn, err := net.Dial("unix", socket)
	if err != nil {
		return nil, none, fmt.Errorf("%w: the ssh-agent does not answer: %w", ErrKey, err)
	}
	signers, err := agent.NewClient(conn).Signers()
	if err != nil {
		conn.Close()
		return nil, none, fmt.Errorf("%w: the ssh-agent does not answer: %w", ErrKey, err)
	}
	for _, s := range signers {
		if bytes.Equal(s.PublicKey().Marshal(), pub.Marshal()) {
			return s, func() { conn.Close() }, nil
		}
	}
	conn.Close()
	return nil, none, fmt.Errorf("%w: the ssh-agent does not hold %s", ErrKey, ssh.FingerprintSHA256(pub))
}
