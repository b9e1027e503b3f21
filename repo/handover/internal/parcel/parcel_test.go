package parcel

import (
	"archive/zip"
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func members() []Member {
	return []Member{{"library/jobs/2026-05-01-λιμένασ-港口.toml", []byte("x")},
		{"manifest.json", []byte(`{"format": 1}`)},
		{"README.txt", []byte(strings.Repeat("Read me. ", 200))},
		{"library/rigs/hx/hxdk37xyrz/bench/20260302T093000Z.toml", []byte("format = 1\n")},
		{"empty.txt", nil},
	}
}

func TestPackRoundTrip(t *testing.T) {
	data, err := Pack(members())
	if err != nil {
		t.Fatal(err)
	}
	again, err := Pack(members())
	if err != nil || !bytes.Equal(data, again) {
		t.Errorf("the same members gave other bytes (%v)", err)
	}
	ms, err := Unpack(data, Default)
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range members() {
		if ms[i].Name != m.Name || !bytes.Equal(ms[i].Data, m.Data) {
			t.Errorf("member %d is %s, %d bytes", i, ms[i].Name, len(ms[i].Data))
		}
	}
	// the other readers on this machine see the same
	name := filepath.Join(t.TempDir(), "x.zip")
	if err := os.WriteFile(name, data, 0o666); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("unzip", "-t", name).CombinedOutput(); err != nil {
		t.Errorf("unzip -t: %v\n%s", err, out)
	}
	zr, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil || len(zr.File) != len(ms) {
		t.Errorf("archive/zip: %v", err)
	}
}

func TestRefusedNames(t *testing.T) {
	for _, n := range []string{"", "/etc/passwd", "../x", "a/../x", "a//b", "a/", `a\b`, `..\x`, "C:x", "C:/x", `\\host\share\x`, "./a", ".hidden", "a/.git/x", "a.", "a./b", "a b", "Ä", "a\u0308", "a\u202eb", "όρμος", "a\x00b", "a\nb", "a\x1bb", "a\u202eb", "-rf", strings.Repeat("a", 101), "a/b/c/d/e/f/g/h", "~/x", "$HOME", "a*"} {
		if _, err := Pack([]Member{{n, nil}}); !errors.Is(err, ErrForm) {
			t.Errorf("%q: %v", n, err)
		}
	}
	for _, two := range [][2]string{{"a", "a"}, {"a", "A"}, {"x/README.txt", "X/readme.TXT"}} {
		if _, err := Pack([]Member{{two[0], nil}, {two[1], nil}}); !errors.Is(err, ErrForm) {
			t.Errorf("%q: %v", two, err)
		}
	}
}

func TestLimits(t *testing.T) {
	data, err := Pack(members())
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []Limits{{3, 1 << 20, 1 << 20}, {9, 100, 1 << 20}, {9, 1 << 20, 1800}} {
		if _, err := Unpack(data, l); !errors.Is(err, ErrForm) {
			t.Errorf("%v: %v", l, err)
		}
	}
}

// TestEveryBit: no byte of a parcel can change without notice, none can be missing, none added.
func TestEveryBit(t *testing.T) {
	data, err := Pack(members())
	if err != nil {
		t.Fatal(err)
	}
	same := func(ms []Member) bool {
		for i, m := range members() {
			if i >= len(ms) || ms[i].Name != m.Name || !bytes.Equal(ms[i].Data, m.Data) {
				return false
			}
		}
		return true
	}
	for i := range data {
		for bit := range 8 {
			x := bytes.Clone(data)
			x[i] ^= 1 << bit
			// names in both headers cannot change together; unpacked bytes are covered by the check sum
			if ms, err := Unpack(x, Default); err == nil && !same(ms) {
				t.Fatalf("bit %d of byte %d was changed and read as other members", bit, i)
			}
		}
		if _, err := Unpack(data[:i], Default); err == nil {
			t.Fatalf("read after %d of %d bytes", i, len(data))
		}
	}
	for _, x := range [][]byte{append([]byte("x"), data...), append(bytes.Clone(data), 'x')} {
		if _, err := Unpack(x, Default); err == nil {
			t.Error("read with a byte more")
		}
	}
}

func FuzzUnpack(f *testing.F) {
	data, err := Pack(members())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	x, _ := w.Create("a/../b")
	_, _ = x.Write([]byte("x"))
	_ = w.Close()
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		ms, err := Unpack(data, Limits{Members: 50, Each: 1 << 20, Total: 2 << 20})
		if err != nil {
			if !errors.Is(err, ErrForm) {
				t.Fatalf("not ErrForm: %v", err)
			}
			return
		}
		again, err := Pack(ms)
		if err != nil {
			t.Fatalf("read, but cannot be packed: %v", err)
		}
		back, err := Unpack(again, Default)
		if err != nil || len(back) != len(ms) {
			t.Fatalf("packed again it reads as %d members, %v", len(back), err)
		}
	})
}
