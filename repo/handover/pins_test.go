package handover_test

import (
	"crypto/ed25519"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"rigkeep/repo/handover"
	"rigkeep/repo/store"
)

// keyLine is a line of allowed_signers for a key that is always the same.
func keyLine(t *testing.T, who string) string {
	t.Helper()
	k, err := ssh.NewPublicKey(ed25519.NewKeyFromSeed([]byte(strings.Repeat("k", ed25519.SeedSize))).Public())
	if err != nil {
		t.Fatal(err)
	}
	return who + " " + strings.TrimSpace(string(ssh.MarshalAuthorizedKey(k)))
}

const pinsLibrary = store.Rev("0123456789abcdef0123456789abcdef01234567")

// pinsText is a file of pins as every version of Rigkeep wrote it, and what it says.
func pinsText(t *testing.T) (string, *handover.Pins) {
	t.Helper()
	p := &handover.Pins{Format: handover.Format, Library: string(pinsLibrary)}
	print, _, err := p.Add(keyLine(t, "a-cam@example.org"), "89abcdef", `A-cam "one"`, time.Date(2026, 1, 10, 10, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	p.Bind("a-cam@example.org", print, time.Date(2026, 1, 11, 9, 30, 0, 0, time.UTC))
	return `# Keys that count for one library on this machine. rigkeep trust list/add/remove keeps this file.
format = 1
library = "` + string(pinsLibrary) + `"

[[key]]
signer = "` + keyLine(t, "a-cam@example.org") + `"
print = "` + print + `"
added = 2026-01-10T10:00:00Z
revision = "89abcdef"
by = "A-cam \"one\""

[[name]]
mail = "a-cam@example.org"
print = "` + print + `"
since = 2026-01-11T09:30:00Z
`, p
}

// What is kept is read back as it was, and is written as it always was.
func TestPinsText(t *testing.T) {
	want, p := pinsText(t)
	text, err := p.Text()
	if err != nil || string(text) != want {
		t.Errorf("%v\n%s\nwant\n%s", err, text, want)
	}
	got, err := handover.ReadPins("pins.toml", text, pinsLibrary)
	if err != nil || !reflect.DeepEqual(got, p) {
		t.Errorf("%v\n%+v\nwant\n%+v", err, got, p)
	}
	none, err := handover.ReadPins("pins.toml", nil, pinsLibrary)
	if err != nil || none.Format != handover.Format || none.Library != string(pinsLibrary) || len(none.Keys) != 0 {
		t.Errorf("%v, %+v", err, none)
	}
	p.Bind("\xff@example.org", "SHA256:x", time.Now())
	if text, err := p.Text(); err == nil {
		t.Errorf("a name that is not UTF-8 was written:\n%s", text)
	}
}

// A file that is not as trust keeps it counts for nothing, and says where.
func TestPinsRefused(t *testing.T) {
	good, _ := pinsText(t)
	for _, c := range []struct{ what, old, new, says string }{
		{"no TOML", "format = 1", "format = ", "pins.toml:2:"},
		{"a key of its own", "\n[[key]]", "odd = 1\n\n[[key]]", "pins.toml:4:1: odd: unknown key"},
		{"a key of its own in a pin", "added = ", "odd = 1\nadded = ", "pins.toml:8:1: key[0].odd: unknown key"},
		{"a table of its own", "[[name]]", "[odd]\n[[name]]", "pins.toml:12:2: odd: unknown key"},
		{"a wrong type", `revision = "89abcdef"`, "revision = 3", "pins.toml:9:12: key[0].revision: this is no text"},
		{"a time that is none", "since = 2026-01-11T09:30:00Z", `since = "soon"`, "pins.toml:15:9: name[0].since: this is no time"},
		{"names that are no tables", "[[name]]", "[name]", "pins.toml:12:2: name: this is no list of tables"},
		{"another key", `print = "SHA256:`, `print = "SHA256:x`, "key[0].signer: this is no line with the key"},
		{"no signer", "signer = ", "# signer = ", "key[0].signer: this is no line with the key"},
		{"no format", "format = 1\n", "", "format: the format is 0"},
		{"another library", `library = "0`, `library = "f`, "pins.toml:3:11: library: this is of another library"},
	} {
		text := strings.Replace(good, c.old, c.new, 1)
		if text == good {
			t.Fatal(c.what)
		}
		_, err := handover.ReadPins("pins.toml", []byte(text), pinsLibrary)
		if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
	_, err := handover.ReadPins("pins.toml", []byte(strings.Replace(good, "format = 1", "format = 9\nodd = 1", 1)), pinsLibrary)
	if !errors.Is(err, store.ErrForeign) {
		t.Errorf("a newer format: %v", err)
	}
}
