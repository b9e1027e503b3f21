package handover

import (
	"bytes"
	"errors"
	"testing"

	"rigkeep/repo/store"
	"rigkeep/schema"
)

func seedManifest() []byte {
	m := Manifest{Format: 1, Kind: kind, Tool: "rigkeep test", Sender: Sender{"A-cam operator", "a-cam@example.org"}, Revision: "0123456789012345678901234567890123456789",
		Time: "2026-01-12T09:00:00Z", Tip: "0123456789012345678901234567890123456789", Rigs: []RigEntry{{"hxdk37xyrz", "walk-build", "pier-one", []string{}, true, []string{"main"}}},
		Members: []MemberSums{{"README.txt", 3, sum(nil)}}}
	b, err := m.encode()
	if err != nil {
		panic(err)
	}
	return b
}

// FuzzManifest: a manifest that is read is written again as the same bytes, so no two readers can
// understand it differently.
func FuzzManifest(f *testing.F) {
	good := seedManifest()
	if _, err := decodeManifest(good); err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(bytes.Replace(good, []byte(`"note": ""`), []byte(`"note": "\u202e\u001b"`), 1))
	f.Add([]byte(`{"format":2,"kind":"rigkeep-handover"}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := decodeManifest(data)
		if err != nil {
			if !errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrForeign) {
				t.Fatalf("of no class: %v", err)
			}
			return
		}
		again, err := m.encode()
		if err != nil || !bytes.Equal(again, data) {
			t.Fatalf("written again it is\n%s\n%v", again, err)
		}
		permit := m.allowed()
		if permit("../x") == nil || permit(".git/config") == nil {
			t.Fatal("it permits what nobody may")
		}
	})
}

// FuzzOpen: whatever the file is, Open gives a parcel or a plain refusal.
func FuzzOpen(f *testing.F) {
	f.Add([]byte("PK\x05\x06" + "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
	cat := schema.Default()
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := Open(data, cat); err != nil && !errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrForeign) {
			t.Fatalf("of no class: %v", err)
		}
	})
}
