package transport

import (
	"testing"

	"golang.org/x/crypto/ssh"
)

func parseKey(t *testing.T, b []byte) any {
	t.Helper()
	k, err := ssh.ParseRawPrivateKey(b)
	if err != nil {
		t.Fatal(err)
	}
	return k
}
