package handovertest

import (
	"bytes"
	"compress/flate"
	"compress/zlib"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"

	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/internal/parcel"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// Case is one bad handover.
type Case struct {
	Name string
	Data []byte
	// Signers is an allowed_signers file to accept it with; with one, nothing else is waived.
	Signers string
	// Heavy says that it tries to use up memory or time.
	Heavy bool
	// Sound says that the file is a good handover and only its sender or its age is wrong, so that
	// it can be read.
	Sound bool
}

// Evil is what a text from outside may try on a terminal and a page.
const Evil = `"'><script>alert(1)</script><img src=x onerror=alert(2)>` + "\u202e\u2066{{.}}</style></title>"

// Corpus makes the bad handovers of a rig. older is a handover of it that is older than what the
// library they are tried on holds.
func (s *Fixture) Corpus(rig string, older []byte) []Case {
	s.T.Helper()
	g := s.forger(rig)
	g.otherFiles()
	g.damaged()
	g.memberNames()
	g.memberKinds()
	g.zipFile()
	g.bombs()
	g.members()
	g.manifestFile()
	g.manifestValues()
	g.texts()
	g.unitsAndJobs()
	g.history()
	g.bundles()
	g.signatures()
	g.out = append(g.out, Case{Name: "an older handover over a newer tune", Data: older, Sound: true})

	// a list of names that would hide what is missing
	seen := map[string]bool{}
	for _, c := range g.out {
		if seen[c.Name] {
			g.t.Fatalf("two cases are called %q", c.Name)
		}
		seen[c.Name] = true
	}
	return g.out
}

// forger makes the cases, each from a good handover of the rig with one lie in it.
type forger struct {
	t      testing.TB
	good   []byte
	ms     []parcel.Member // of good
	packer *flate.Writer
	honest *Tampering
	out    []Case

	// the rig's fingerprint, and the files of good
	fp, rigPath, tunePath, sheetPath, unitPath string
}

// forger starts on a rig. It stops the test if what it makes without a lie is not good.
func (s *Fixture) forger(rig string) *forger {
	t := s.T
	t.Helper()
	g := &forger{t: t, good: s.HandOver(rig)}
	var err error
	if g.ms, err = parcel.Unpack(g.good, parcel.Default); err != nil {
		t.Fatal(err)
	}
	if g.packer, err = flate.NewWriter(nil, flate.BestCompression); err != nil {
		t.Fatal(err)
	}
	if data := g.zip(func(*Zip) {}); !bytes.Equal(data, g.good) {
		t.Fatal("the forger's zip is not the writer's: the cases below would fail for another reason than theirs")
	}
	g.honest = s.Tamper(rig)
	g.honest.packer = g.packer
	if _, err := handover.Open(g.tamper(func(*Tampering) {}), s.Cat); err != nil {
		t.Fatalf("a forgery without a lie is refused: %v", err)
	}
	g.fp = g.honest.Manifest.Rigs[0].Fingerprint
	g.rigPath, g.tunePath, g.sheetPath = preset.RigPath(g.fp), preset.TunePath(g.fp, "main"), preset.GimbalPath("pier-one")
	g.unitPath = preset.UnitPath("pier-one", "U-01")
	return g
}

func (g *forger) add(name string, data []byte) {
	g.out = append(g.out, Case{Name: name, Data: data})
}

func (g *forger) heavy(name string, data []byte) {
	g.out = append(g.out, Case{Name: name, Data: data, Heavy: true})
}

// zip is the good handover with its zip file changed.
func (g *forger) zip(change func(z *Zip)) []byte {
	z := &Zip{packer: g.packer}
	for _, m := range g.ms {
		z.Add(m.Name, m.Data)
	}
	change(z)
	return z.Data()
}

// last is the good handover with its last member's entry changed.
func (g *forger) last(change func(e *Entry)) []byte {
	return g.zip(func(z *Zip) { change(z.Entries[len(z.Entries)-1]) })
}

// tamper is the good handover with its contents changed, and sealed as if nothing were wrong.
func (g *forger) tamper(change func(f *Tampering)) []byte {
	f := g.honest.again()
	change(f)
	return f.Data()
}

// lie replaces a text in the manifest.
func (g *forger) lie(old, new string) []byte {
	return g.tamper(func(f *Tampering) {
		f.OnManifest = func(b []byte) []byte {
			if !bytes.Contains(b, []byte(old)) {
				g.t.Fatalf("the manifest has no %q", old)
			}
			return bytes.Replace(b, []byte(old), []byte(new), 1)
		}
	})
}

// text replaces a text in a file.
func (g *forger) text(path, old, new string) []byte {
	return g.tamper(func(f *Tampering) {
		if !strings.Contains(f.Files[path], old) {
			g.t.Fatalf("%s has no %q", path, old)
		}
		f.Files[path] = strings.Replace(f.Files[path], old, new, 1)
	})
}

// otherFiles are what is no handover at all.
func (g *forger) otherFiles() {
	g.add("nothing", nil)
	g.add("one byte", []byte("P"))
	g.add("a text", []byte("Dear A-cam operator, the tune is in the other file.\n"))
	g.add("a page", []byte("<!DOCTYPE html><script>alert(1)</script>"))
	g.add("an end record alone", zipOf(&Zip{}))
	g.heavy("a file larger than any handover", bytes.Repeat([]byte("x"), handover.MaxSize+1))
}

// damaged are handovers cut short, and handovers with a changed bit.
func (g *forger) damaged() {
	for n := 1024; n < len(g.good); n += 1024 {
		g.add(fmt.Sprintf("cut after %d kB", n/1024), g.good[:n])
	}
	g.add("the last byte missing", g.good[:len(g.good)-1])
	at := 0
	for i, m := range g.ms {
		e := (&Zip{packer: g.packer}).Add(m.Name, m.Data)
		x := bytes.Clone(g.good)
		x[at+30+len(m.Name)+len(e.Data)/2] ^= 1
		g.add("a bit flipped in "+m.Name, x)
		at += 30 + len(m.Name) + len(e.Data)
		if len(m.Data) == 0 {
			continue
		}
		g.add("a bit flipped in "+m.Name+", its check sum mended", g.zip(func(z *Zip) {
			changed := bytes.Clone(m.Data)
			changed[len(changed)/2] ^= 1
			*z.Entries[i] = *(&Zip{packer: g.packer}).Add(m.Name, changed)
		}))
	}
}

// memberNames are members named as what may harm where it is unpacked.
func (g *forger) memberNames() {
	for _, n := range []struct{ what, name string }{
		{"a way up", "../evil.toml"}, {"a way up below", "library/../../evil.toml"}, {"a way up at the end", "library/.."}, {"an absolute path", "/tmp/evil.toml"},
		{"a drive", `C:\evil.toml`}, {"a drive with a slash", "C:/evil.toml"}, {"a drive alone", "C:evil.toml"}, {"a share", `\\host\share\evil.toml`}, {"a backslash", `library\rigs\evil.toml`},
		{"a way up by backslash", `..\evil.toml`}, {"a dot", "./evil.toml"}, {"a double slash", "library//evil.toml"}, {"a folder", "library/evil/"}, {"an empty name", ""}, {"a hidden file", ".profile"},
		{"git's folder", "library/.git/hooks/post-checkout"}, {"a stream", "library/x.toml:evil"}, {"a NUL", "library/x\x00.toml"}, {"an escape", "library/\x1b[2Jx.toml"}, {"a line feed", "library/x\n.toml"},
		{"a reversed name", "library/x\u202elmot.toml"}, {"not UTF-8", "library/x\xff.toml"}, {"an option", "-rf"}, {"a home", "~/evil"}, {"a dot at the end", "library/x."}, {"a space at the end", "library/x.toml "}, {"a long name", "library/" + strings.Repeat("x", 300)}, {"a wildcard", "library/*.toml"},
	} {
		g.add("a member named with "+n.what, g.zip(func(z *Zip) { z.Add(n.name, []byte("format = 1\n")) }))
	}
}

// memberKinds are members that are more than a file, or there twice.
func (g *forger) memberKinds() {
	for _, k := range []struct {
		what  string
		outer uint32
	}{{"a symbolic link", 0o120777 << 16}, {"a character device", 0o020666 << 16}, {"a block device", 0o060666 << 16}, {"a pipe", 0o010644 << 16}, {"a socket", 0o140755 << 16}, {"a folder", 0o040755<<16 | 0x10}, {"a set-user-id program", 0o104755 << 16}} {
		g.add("a member that is "+k.what, g.last(func(e *Entry) { e.Outer = k.outer }))
	}
	g.add("a member twice", g.zip(func(z *Zip) { m := g.ms[len(g.ms)-1]; z.Add(m.Name, m.Data) }))
	g.add("a member twice but for capitals", g.zip(func(z *Zip) { z.Add("Manifest.JSON", g.ms[0].Data) }))
}

// zipFile are lies of the zip file itself.
func (g *forger) zipFile() {
	g.add("two headers with different names", g.last(func(e *Entry) { e.LocalName = "x" + e.Name[1:] }))
	g.add("two headers with different sizes", g.last(func(e *Entry) { e.LocalSize++ }))
	g.add("a wrong check sum", g.last(func(e *Entry) { e.CRC ^= 1 }))
	g.add("a size one too large", g.last(func(e *Entry) { e.Size++; e.LocalSize++ }))
	g.add("a size one too small", g.last(func(e *Entry) { e.Size--; e.LocalSize-- }))
	g.add("an encrypted member", g.last(func(e *Entry) { e.Flags = 1 }))
	g.add("a descriptor behind the data", g.last(func(e *Entry) { e.Flags = 8; e.Behind = make([]byte, 16) }))
	g.add("a descriptor that is announced and missing", g.last(func(e *Entry) { e.Flags = 8 }))
	g.add("a name said to be UTF-8", g.last(func(e *Entry) { e.Flags = 0x800 }))
	g.add("another way of packing", g.last(func(e *Entry) { e.Method = 12 }))
	g.add("64-bit sizes", g.last(func(e *Entry) {
		e.Extra = append([]byte{1, 0, 16, 0}, make([]byte, 16)...)
		e.Packed, e.Size, e.LocalSize = 1<<32-1, 1<<32-1, 1<<32-1
	}))
	g.add("a 64-bit end record", g.zip(func(z *Zip) {
		z.End = append([]byte("PK\x06\x06"), make([]byte, 52)...)
		z.End = append(append(z.End, []byte("PK\x06\x07")...), make([]byte, 16)...)
	}))
	g.add("extra fields", g.last(func(e *Entry) { e.Extra = []byte{0x55, 0x54, 1, 0, 0} }))
	g.add("a remark on a member", g.last(func(e *Entry) { e.Note = []byte("see ../evil") }))
	g.add("a remark on the file", g.zip(func(z *Zip) { z.Comment = []byte("PK\x05\x06") }))
	g.add("another time", g.last(func(e *Entry) { e.Date = 100 }))
	g.add("made by another system", g.last(func(e *Entry) { e.Made = 20; e.Outer = 0x20 }))
	g.add("something before it", g.zip(func(z *Zip) { z.Before = []byte("#!/bin/sh\n") }))
	g.add("something behind it", g.zip(func(z *Zip) { z.After = []byte("more") }))
	g.add("something between members and contents", g.zip(func(z *Zip) { z.Gap = []byte("hidden") }))
	g.add("something between two members", g.zip(func(z *Zip) { z.Entries[1].Behind = []byte("hidden") }))
	g.add("members that overlap", g.zip(func(z *Zip) { zero := 0; z.Entries[1].At = &zero }))
	g.add("an offset beyond the end", g.zip(func(z *Zip) { far := 1 << 30; z.Entries[1].At = &far }))
	g.add("members in another order", g.zip(func(z *Zip) { n := len(z.Entries); z.Entries[n-1], z.Entries[n-2] = z.Entries[n-2], z.Entries[n-1] }))
	g.add("a member more than are counted", g.zip(func(z *Zip) { z.Count = -1 }))
	g.add("more members counted than there are", g.zip(func(z *Zip) { z.Count = 60000 }))
	g.add("several disks", g.zip(func(z *Zip) { z.Disk = 1 }))
}

// bombs are small files that grow when they are unpacked.
func (g *forger) bombs() {
	g.heavy("a bomb by ratio", g.zip(func(z *Zip) { z.Add("bomb.toml", make([]byte, 20<<20)) }))
	g.heavy("a bomb that claims to be small", g.zip(func(z *Zip) { e := z.Add("bomb.toml", make([]byte, 20<<20)); e.Size, e.LocalSize = 100, 100 }))
	g.heavy("a bomb in many members", g.zip(func(z *Zip) {
		for i := range 5 {
			z.Add(fmt.Sprintf("library/bomb%d.toml", i), make([]byte, 8<<20))
		}
	}))
	g.heavy("a bomb by count", g.zip(func(z *Zip) {
		for i := range 20000 {
			z.Add(fmt.Sprintf("library/%d.toml", i), nil)
		}
	}))
	g.add("a claim of four gigabytes", g.last(func(e *Entry) { e.Size, e.LocalSize = 1<<32-2, 1<<32-2 }))
	g.heavy("a handover in a handover", g.zip(func(z *Zip) { z.Add("inner.zip", g.good) }))
}

// members are members that are missing, too many, or not what the manifest says of them.
func (g *forger) members() {
	drop := func(name string) []byte {
		return g.tamper(func(f *Tampering) {
			f.OnMembers = func(ms []parcel.Member) []parcel.Member {
				var out []parcel.Member
				for _, m := range ms {
					if m.Name != name {
						out = append(out, m)
					}
				}
				return out
			}
		})
	}
	for _, n := range []string{handover.ManifestName, handover.SumsName, handover.ReadmeName, handover.CardName, handover.BundleName, handover.FilesDir + preset.GimbalPath("pier-one")} {
		g.add("without "+n, drop(n))
	}
	g.add("a member that the manifest does not name", g.tamper(func(f *Tampering) {
		f.OnMembers = func(ms []parcel.Member) []parcel.Member { return append(ms, parcel.Member{Name: "library/evil.toml"}) }
	}))
	g.add("a member of no known kind", g.tamper(func(f *Tampering) {
		f.OnMembers = func(ms []parcel.Member) []parcel.Member {
			return f.seal0(append(ms[2:], parcel.Member{Name: "install.sh", Data: []byte("#!/bin/sh\n")}))
		}
	}))
	g.add("a size that is another", g.lie(`"size": 9`, `"size": 8`))
	g.add("a sum that is another", g.tamper(func(f *Tampering) {
		f.OnManifest = func(b []byte) []byte { i := bytes.Index(b, []byte(`"sha256": "`)) + 11; b[i] ^= 1; return b }
	}))
	g.add("sums that are others", g.tamper(func(f *Tampering) { f.OnSums = func(b []byte) []byte { b[3] ^= 1; return b } }))
	g.add("sums of a file outside", g.tamper(func(f *Tampering) {
		f.OnSums = func(b []byte) []byte { return append(b, strings.Repeat("0", 64)+"  ../../etc/passwd\n"...) }
	}))
}

// manifestFile are manifests that are not the JSON they have to be.
func (g *forger) manifestFile() {
	g.add("a key twice in the manifest", g.lie(`"tip":`, `"tip": "x", "tip":`))
	g.add("an unknown key in the manifest", g.lie(`"note":`, `"run": "rm -rf", "note":`))
	g.add("a manifest with something behind it", g.tamper(func(f *Tampering) { f.OnManifest = func(b []byte) []byte { return append(b, "{}"...) } }))
	g.add("a manifest that is no JSON", g.tamper(func(f *Tampering) { f.OnManifest = func(b []byte) []byte { return b[:len(b)/2] } }))
	g.add("a manifest nested without end", g.tamper(func(f *Tampering) {
		f.OnManifest = func([]byte) []byte { return bytes.Repeat([]byte(`{"a":`), 40_000) }
	}))
	g.heavy("a manifest of 12 MB", g.tamper(func(f *Tampering) { f.OnManifest = func([]byte) []byte { return bytes.Repeat([]byte(" "), 12<<20) } }))
	g.add("a byte-order mark in the manifest", g.lie("{\n", "\ufeff{\n"))
}

// manifestValues are values in the manifest that are wrong, or would harm a terminal or a path.
func (g *forger) manifestValues() {
	manifest := func(change func(m *handover.Manifest)) []byte {
		return g.tamper(func(f *Tampering) { change(&f.Manifest) })
	}
	g.add("a newer format", manifest(func(m *handover.Manifest) { m.Format = 2 }))
	g.add("format zero", manifest(func(m *handover.Manifest) { m.Format = 0 }))
	g.add("a format in quotes", g.lie(`"format": 1`, `"format": "1"`))
	g.add("another kind", manifest(func(m *handover.Manifest) { m.Kind = "rigkeep-library" }))
	g.add("an escape in the sender", manifest(func(m *handover.Manifest) { m.Sender.Name = "A\x1b[2J\x1b]0;x\x07" }))
	g.add("a reversed sender", manifest(func(m *handover.Manifest) { m.Sender.Name = "\u202erotarepo" }))
	g.add("a sender of two lines", manifest(func(m *handover.Manifest) { m.Sender.Name = "A\nTRUSTED" }))
	g.add("a sender with another's address in the name", manifest(func(m *handover.Manifest) { m.Sender.Name = "A <a-cam@example.org>" }))
	g.add("no sender", manifest(func(m *handover.Manifest) { m.Sender = handover.Sender{} }))
	g.add("an impossible time", manifest(func(m *handover.Manifest) { m.Time = "2026-02-30T00:00:00Z" }))
	g.add("another time than the revision's", manifest(func(m *handover.Manifest) { m.Time = "2027-01-01T00:00:00Z" }))
	g.add("another revision than the history's", manifest(func(m *handover.Manifest) { m.Revision = Rev("a") }))
	g.add("another tip than the bundle's", g.tamper(func(f *Tampering) { f.Manifest.Tip, f.SameTip = Rev("b"), true }))
	g.add("no rigs", manifest(func(m *handover.Manifest) { m.Rigs = []handover.RigEntry{} }))
	g.add("a rig twice", manifest(func(m *handover.Manifest) { m.Rigs = append(m.Rigs, m.Rigs[0]) }))
	g.add("another fingerprint", manifest(func(m *handover.Manifest) { m.Rigs[0].Fingerprint = "0123456789" }))
	g.add("a fingerprint that is a path", manifest(func(m *handover.Manifest) { m.Rigs[0].Fingerprint = "../../../.." }))
	g.add("another alias", manifest(func(m *handover.Manifest) { m.Rigs[0].Alias = "other" }))
	g.add("an alias that is a path", manifest(func(m *handover.Manifest) { m.Rigs[0].Alias = "../x" }))
	g.add("another past", manifest(func(m *handover.Manifest) { m.Rigs[0].Was = []string{} }))
	g.add("tunes that are not there", manifest(func(m *handover.Manifest) { m.Rigs[0].Tunes = []string{"main", "night"} }))
	g.add("a tune named as a path", manifest(func(m *handover.Manifest) { m.Rigs[0].Tunes = []string{"../../x"} }))
	g.add("a note without end", manifest(func(m *handover.Manifest) { m.Note = strings.Repeat("x", 5000) }))
	g.add("an escape in the note", manifest(func(m *handover.Manifest) { m.Note = "\x1b]8;;http://x\x07click\x1b]8;;\x07" }))
	g.add("a reversed note", manifest(func(m *handover.Manifest) { m.Note = "\u202edaer" }))
	g.add("an escape in the tool", manifest(func(m *handover.Manifest) { m.Tool = "rigkeep \x9b31m" }))
}

// texts are lies in the library's files.
func (g *forger) texts() {
	g.add("a TOML 1.1 escape", g.text(g.tunePath, `note = "Cable`, `note = "\e[2JCable`))
	g.add("another TOML 1.1 escape", g.text(g.tunePath, `note = "Cable`, `note = "\x1b[2JCable`))
	g.add("a table over two lines as TOML 1.1 has it", g.text(g.tunePath, "deadband = { pan = 12,", "deadband = { pan = 12,\n"))
	g.add("a raw escape in a text", g.text(g.tunePath, `note = "Cable`, "note = \"\x1b[2JCable"))
	g.add("a value twice", g.text(g.tunePath, "[stiffness]", "[stiffness]\npan = 1"))
	g.add("a value that is not a number", g.text(g.tunePath, "roll = 25", "roll = nan"))
	g.add("an infinite value", g.text(g.tunePath, "roll = 25", "roll = inf"))
	g.add("a value off the dial", g.text(g.tunePath, "roll = 25", "roll = 2500"))
	g.add("an unknown key", g.text(g.tunePath, "[stiffness]", "[stiffness]\nyaw = 3"))
	g.add("an integer of a hundred digits", g.text(g.tunePath, "roll = 25", "roll = "+strings.Repeat("9", 100)))
	g.add("a file of another kind", g.text(g.tunePath, `kind = "tune"`, `kind = "job"`))
	g.add("a file of a newer format", g.text(g.tunePath, "format = 1", "format = 9"))
	g.add("a tune for another rig", g.text(g.tunePath, g.fp, "0123456789"))
	g.add("a build that is another", g.text(g.rigPath, "mass_kg = 1.25", "mass_kg = 2.25"))
	g.add("a build of no mass", g.text(g.rigPath, "mass_kg = 1.25", "mass_kg = 0"))
	g.add("a build on another gimbal", g.text(g.rigPath, `gimbal = "pier-one"`, `gimbal = "pier-two"`))
	g.add("a gimbal named as a path", g.text(g.rigPath, `gimbal = "pier-one"`, `gimbal = "../pier-one"`))
	g.add("an escape in a part's name", g.text(g.rigPath, `"Body K"`, `"Body \u001b[2J"`))
	g.add("a sheet whose range is inverted", g.text(g.sheetPath, "min = 0\nmax = 100", "min = 100\nmax = 0"))
	g.add("a sheet without a needed key", g.text(g.sheetPath, "max_kg = 5.0", ""))
	g.add("a file that is not UTF-8", g.text(g.tunePath, "Cable", "Ca\xffble"))
	g.add("a file with a NUL", g.text(g.tunePath, "Cable", "Ca\x00ble"))
	g.add("an empty file", g.tamper(func(f *Tampering) { f.Files[g.tunePath] = "" }))
	g.heavy("a file of two megabytes", g.tamper(func(f *Tampering) { f.Files[g.tunePath] += strings.Repeat("# x\n", 1<<19) }))
	g.heavy("arrays nested without end", g.text(g.tunePath, "[stiffness]", "x = "+strings.Repeat("[", 200_000)+strings.Repeat("]", 200_000)+"\n[stiffness]"))
	g.heavy("a hundred thousand keys", g.tamper(func(f *Tampering) {
		var b strings.Builder
		for i := range 60_000 {
			fmt.Fprintf(&b, "k%d=1\n", i)
		}
		f.Files[g.tunePath] = b.String() + f.Files[g.tunePath]
	}))
	g.add("a file of no known place", g.tamper(func(f *Tampering) { f.Files["library.toml"] = handover.Marker }))
	g.add("a file of another rig", g.tamper(func(f *Tampering) {
		f.Files[preset.TunePath("0123456789", "main")] = strings.Replace(f.Files[g.tunePath], g.fp, "0123456789", 1)
	}))
	g.add("a sheet that no rig needs", g.tamper(func(f *Tampering) { f.Files[preset.GimbalPath("pier-two")] = f.Files[g.sheetPath] }))
}

// unitsAndJobs are lies in the records of units and jobs.
func (g *forger) unitsAndJobs() {
	unit := func(name string, change func(text string) string) {
		g.add(name, g.tamper(func(f *Tampering) {
			now := change(f.Files[g.unitPath])
			if now == f.Files[g.unitPath] {
				g.t.Fatalf("%s: the record is as it was:\n%s", name, now)
			}
			f.Files[g.unitPath] = now
		}))
	}
	unit("a unit with a note", func(text string) string { return strings.Replace(text, "firmware", "note = \"ours\"\nfirmware", 1) })
	unit("a unit with a link", func(text string) string { return text + "\n[link]\naddress = \"tcp:192.0.2.7:5760\"\n" })
	unit("a unit that holds another rig", func(text string) string { return strings.Replace(text, "rig = \""+g.fp, "rig = \"0123456789", 1) })
	unit("a unit that holds other values than their digest", func(text string) string { return strings.Replace(text, "pan = 35", "pan = 36", 1) })
	unit("a unit whose entry names a revision of nowhere", func(text string) string {
		return strings.Replace(text, "digest = ", "revision = \""+Rev("c")+"\"\ndigest = ", 1)
	})
	g.add("a unit that no tune here needs", g.tamper(func(f *Tampering) { f.Files[preset.UnitPath("pier-one", "U-09")] = "format = 1\nkind = \"unit\"\n" }))
	g.add("a unit of another gimbal", g.tamper(func(f *Tampering) { f.Files[preset.UnitPath("pier-two", "U-01")] = f.Files[g.unitPath] }))
	job := func(pin string) []byte {
		return g.tamper(func(f *Tampering) {
			f.Files[preset.JobPath("2026-01-01-x")] = "format = 1\nkind = \"job\"\nname = \"x\"\nfrom = 2026-01-01\nstate = \"open\"\n\n[[pin]]\n" + pin
		})
	}
	g.add("a job that pins another rig", job("rig = \"0123456789\"\ntune = \"main\"\n"))
	g.add("a job that pins a revision of nowhere", job(fmt.Sprintf("rig = %q\ntune = \"main\"\nrevision = %q\n", g.fp, Rev("c"))))
}

// history are lies in the commits, and a history that is not that of the files.
func (g *forger) history() {
	g.add("files that are not those of the history", g.tamper(func(f *Tampering) {
		f.History = map[string]string{}
		for p, text := range f.Files {
			f.History[p] = text
		}
		f.Files[g.tunePath] = strings.Replace(f.Files[g.tunePath], "roll = 25", "roll = 24", 1)
	}))
	extra := func(path, text string) []byte {
		return g.tamper(func(f *Tampering) {
			f.History = map[string]string{path: text}
			for p, text := range f.Files {
				if p != path {
					f.History[p] = text
				}
			}
		})
	}
	g.add("attributes of git in the history", extra(".gitattributes", "* filter=evil\n"))
	g.add("a module of git in the history", extra(".gitmodules", "[submodule \"x\"]\n\tpath = x\n\turl = -evil\n"))
	g.add("another library.toml in the history", extra("library.toml", "format = 1\nkind = \"library\"\nname = \"Other\"\n"))
	g.add("a trusted key in the history", extra("trust/allowed_signers", "* ssh-ed25519 AAAA\n"))
	g.add("another rig in the history", extra(preset.RigPath("0123456789"), "x"))
	g.add("a revision that does not say what it was made from", g.tamper(func(f *Tampering) { f.Message = "Forged" }))
	g.add("an escape in an author", g.tamper(func(f *Tampering) { f.Author = "A\x1b[2J <a@example.org> 1768208400 +0000" }))
	g.add("an escape in a message", g.tamper(func(f *Tampering) { f.Message = "\x1b]0;x\x07" + f.Message }))
	g.add("a reversed message", g.tamper(func(f *Tampering) { f.Message = "\u202e" + f.Message }))
}

// bundles are lies in the bundle and in its pack.
func (g *forger) bundles() {
	b, tip := g.honest.again().bundle()
	bundle := func(change func(b []byte) []byte) []byte {
		return g.tamper(func(f *Tampering) { f.Bundle = change(bytes.Clone(b)); f.Manifest.Tip = tip })
	}
	swap := func(old, new string) []byte {
		return bundle(func(b []byte) []byte { return bytes.Replace(b, []byte(old), []byte(new), 1) })
	}
	g.add("a bundle whose base is missing", swap("git bundle\n", "git bundle\n-"+Rev("1")+" base\n"))
	g.add("a ref with control characters", swap("refs/heads/main", "refs/heads/m\x1b[2Jn"))
	g.add("a ref that is a path", swap("refs/heads/main", "refs/heads/../../../x"))
	g.add("a ref that is an option", swap("refs/heads/main", "--upload-pack=x"))
	g.add("a thousand refs", bundle(func(b []byte) []byte {
		return bytes.Replace(b, []byte("git bundle\n"), []byte("git bundle\n"+strings.Repeat(tip+" refs/heads/x\n", 1000)), 1)
	}))
	g.add("a bundle of version 3", swap("# v2", "# v3"))
	g.add("a bundle that is empty", bundle(func([]byte) []byte { return []byte{} }))
	g.add("a bundle cut short", bundle(func(b []byte) []byte { return b[:len(b)/2] }))
	g.add("a bit flipped in the pack", bundle(func(b []byte) []byte { b[len(b)/2] ^= 4; return b }))
	pack := func(name string, kind byte, size uint64, body []byte, count uint32) {
		g.heavy(name, bundle(func(b []byte) []byte {
			i := bytes.Index(b, []byte("PACK"))
			p := binary.BigEndian.AppendUint32([]byte("PACK\x00\x00\x00\x02"), count)
			c := kind<<4 | byte(size&15)
			for size >>= 4; size > 0; size >>= 7 {
				p = append(p, c|0x80)
				c = byte(size & 0x7f)
			}
			p = append(p, c)
			var z bytes.Buffer
			w := zlib.NewWriter(&z)
			_, _ = w.Write(body)
			_ = w.Close()
			p = append(p, z.Bytes()...)
			h := plumbing.NewHasher(plumbing.BlobObject, 0)
			h.Reset()
			_, _ = h.Write(p)
			return append(b[:i], append(p, h.Hash.Sum(nil)...)...)
		}))
	}
	pack("a pack of four thousand million objects", 3, 1, []byte("x"), 1<<32-1)
	pack("a pack with a bomb in it", 3, 20<<20, make([]byte, 20<<20), 1)
	pack("a pack with a bomb that claims to be small", 3, 10, make([]byte, 20<<20), 1)
	pack("a pack that claims petabytes", 3, 1<<50, []byte("x"), 1)
	g.heavy("folders nested to a thousand million files", bundle(func([]byte) []byte {
		blob := objects.New(plumbing.BlobObject, []byte("x"))
		objs := []objects.Object{blob}
		e := tree.Entry{Mode: tree.ModeFile, Name: []byte("a"), ID: blob.ID}
		for range 6 {
			var es []tree.Entry
			for i := range 40 {
				x := e
				x.Name = fmt.Appendf(nil, "d%02d", i)
				es = append(es, x)
			}
			o := objects.New(plumbing.TreeObject, tree.Format(es))
			objs = append(objs, o)
			e = tree.Entry{Mode: tree.ModeDir, ID: o.ID}
		}
		c := objects.New(plumbing.CommitObject, fmt.Appendf(nil, "tree %s\nauthor %s\ncommitter %s\n\nx\n", e.ID, stamp, stamp))
		return Bundle(append(objs, c), c.ID.String())
	}))
}

// signatures are those that are nothing, or of a key that may not sign it.
func (g *forger) signatures() {
	key, listed := newKey(g.t), newKey(g.t)
	sign := func(k ssh.Signer, namespace string, what func(m []byte) []byte) func([]byte) []byte {
		return func(m []byte) []byte {
			sig, err := sshsig.Sign(bytes.NewReader(what(m)), k, sshsig.HashSHA512, namespace)
			if err != nil {
				g.t.Fatal(err)
			}
			return sshsig.Armor(sig)
		}
	}
	itself := func(m []byte) []byte { return m }
	signed := func(name string, sound bool, f func([]byte) []byte, signers string) {
		g.out = append(g.out, Case{Name: name, Data: g.tamper(func(x *Tampering) { x.Sign = f }), Signers: signers, Sound: sound})
	}
	line := func(who, options string, k ssh.Signer) string {
		return strings.TrimSpace(who+" "+options) + " " + string(ssh.MarshalAuthorizedKey(k.PublicKey()))
	}
	const sender = "a-cam@example.org"
	ours := line(sender, "", listed)
	signed("a signature over another file", false, sign(listed, handover.Namespace, func([]byte) []byte { return []byte("other") }), ours)
	signed("a signature made for something else", false, sign(listed, "git", itself), ours)
	signed("an empty signature", false, func([]byte) []byte { return nil }, ours)
	signed("a signature that is a text", false, func([]byte) []byte { return []byte("signed, A-cam operator\n") }, ours)
	signed("a signature with something behind it", false, func(m []byte) []byte { return append(sign(listed, handover.Namespace, itself)(m), "x\n"...) }, ours)
	signed("a signature of 100 kB", false, func([]byte) []byte { return bytes.Repeat([]byte("-"), 100_000) }, ours)
	signed("a key that no list knows", true, sign(key, handover.Namespace, itself), ours)
	signed("nobody's list", true, sign(key, handover.Namespace, itself), "# nobody\n")
	signed("an expired key", true, sign(listed, handover.Namespace, itself), line(sender, `valid-before="20200101Z"`, listed))
	signed("a key that is not valid yet", true, sign(listed, handover.Namespace, itself), line(sender, `valid-after="20990101Z"`, listed))
	signed("a key of somebody else", true, sign(listed, handover.Namespace, itself), line("b-cam@example.org", "", listed))
	signed("a key trusted for other things", true, sign(listed, handover.Namespace, itself), line(sender, `namespaces="git"`, listed))
	signed("a certificate authority's key", true, sign(listed, handover.Namespace, itself), line(sender, "cert-authority", listed))
	g.out = append(g.out, Case{Name: "no signature at all", Data: g.good, Signers: ours, Sound: true})
}

// seal0 seals members once more, with those that are there already left as they are.
func (f *Tampering) seal0(ms []parcel.Member) []parcel.Member {
	on := f.OnMembers
	f.OnMembers = nil
	defer func() { f.OnMembers = on }()
	return f.seal(ms)
}

func zipOf(z *Zip) []byte { return z.Data() }

func newKey(t testing.TB) ssh.Signer {
	t.Helper()
	_, k, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s, err := ssh.NewSignerFromKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Harmless makes sound handovers with Evil in every text that may hold it: they can be read, and
// nothing in them may reach a terminal or a page unescaped.
func (s *Fixture) Harmless(rig string) []byte {
	f := s.Tamper(rig)
	quoted, _ := json.Marshal(Evil)
	evil := strings.NewReplacer(`\u003c`, "<", `\u003e`, ">").Replace(string(quoted))
	evil = evil[:len(evil)-1] + `\u001b[2J\u009b31m\u202e"`
	for p, text := range f.Files {
		text = strings.Replace(text, `note = "Cable tie on the monitor arm."`, "note = "+evil, 1)
		if strings.HasSuffix(p, "/rig.toml") {
			text = strings.Replace(text, "gimbal = ", "note = "+evil+"\ngimbal = ", 1)
			text = strings.Replace(text, `slot = "body"`, "slot = \"body\"\nnote = "+evil, 1)
			text = "# " + Evil + "\n" + text
		}
		if strings.HasPrefix(p, "gimbals/") {
			text = strings.Replace(text, "[payload]", "note = "+evil+"\n\n[payload]", 1)
			text = strings.Replace(text, `serial = "U-01"`, "serial = \"U-01\"\nnote = "+evil, 1)
		}
		f.Files[p] = text
	}
	f.Manifest.Note = strings.ReplaceAll(strings.ReplaceAll(Evil, "\u202e", ""), "\u2066", "")
	f.Manifest.Sender.Name = `"'&{{.}};$(x)` + "`x`"
	f.Message = strings.ReplaceAll(strings.ReplaceAll(Evil, "\u202e", ""), "\u2066", "") + "\n\n" + handover.Trailer + ": " + f.Manifest.Revision
	f.Card, f.Readme = "<script>alert(1)</script>", "\x1b[2J"+Evil
	return f.Data()
}
