package handovertest

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/internal/parcel"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

var revisionLine = regexp.MustCompile("(?m)^revision = .*\n")

// Tampering is a handover that is put together by hand, so that every single thing in it can be a
// lie while all the rest fits it. Without a lie it is a good one.
type Tampering struct {
	Manifest handover.Manifest
	Files    map[string]string // below library/
	History  map[string]string // files of the one revision; nil: Files without jobs and units, and the marker
	Message  string            // of the revision
	Author   string
	Bundle   []byte // in place of the one made of History
	Readme   string
	Card     string
	Sign     func(manifest []byte) []byte
	// Later lies about what was made of it.
	OnManifest func(text []byte) []byte
	OnSums     func(text []byte) []byte
	OnMembers  func(ms []parcel.Member) []parcel.Member
	SameTip    bool // keep the manifest's tip as it is
	t          testing.TB
	packer     *flate.Writer
}

const stamp = "A-cam operator <a-cam@example.org> 1768208400 +0000"

// Tamper begins a forgery of a rig of the shop.
func (s *Fixture) Tamper(rig string) *Tampering {
	s.T.Helper()
	p, err := handover.Open(s.HandOver(rig), s.Cat)
	if err != nil {
		s.T.Fatal(err)
	}
	f := &Tampering{Manifest: p.Manifest, Files: map[string]string{}, Author: stamp, Readme: "Read me.\n", Card: "<!DOCTYPE html><title>card</title>\n", t: s.T}
	for path, text := range p.Files {
		if !strings.HasPrefix(path, "jobs/") { // they pin revisions of the real history
			f.Files[path] = string(text)
		}
		if strings.HasPrefix(path, "units/") { // so do their entries
			f.Files[path] = revisionLine.ReplaceAllString(f.Files[path], "")
		}
	}
	f.Manifest.Time = time.Unix(1768208400, 0).UTC().Format(time.RFC3339)
	f.Message = "Forged\n\n" + handover.Trailer + ": " + f.Manifest.Revision
	return f
}

// bundle makes a history of one revision.
func (f *Tampering) bundle() (data []byte, tip string) {
	files := f.History
	if files == nil {
		files = maps.Clone(f.Files)
		for p := range files {
			if strings.HasPrefix(p, "jobs/") || strings.HasPrefix(p, "units/") {
				delete(files, p)
			}
		}
	}
	if _, ok := files[preset.LibraryPath]; !ok {
		files[preset.LibraryPath] = handover.Marker
	}
	var objs []objects.Object
	var edits []tree.Edit
	for _, p := range slices.Sorted(maps.Keys(files)) {
		o := objects.New(plumbing.BlobObject, []byte(files[p]))
		if !slices.ContainsFunc(objs, func(x objects.Object) bool { return x.ID == o.ID }) {
			objs = append(objs, o)
		}
		edits = append(edits, tree.Edit{Path: p, Mode: tree.ModeFile, ID: o.ID})
	}
	made, err := tree.Update(nil, plumbing.ZeroHash, edits)
	if err != nil {
		f.t.Fatal(err)
	}
	objs = append(objs, made.Objects...)
	c := objects.New(plumbing.CommitObject, fmt.Appendf(nil, "tree %s\nauthor %s\ncommitter %s\n\n%s\n", made.Root, f.Author, stamp, f.Message))
	return Bundle(append(objs, c), c.ID.String()), c.ID.String()
}

// Bundle writes objects as a bundle with the usual refs.
func Bundle(objs []objects.Object, tip string) []byte {
	w, err := objects.WritePack(objs)
	if err != nil {
		panic(err)
	}
	return append(fmt.Appendf(nil, "# v2 git bundle\n%s HEAD\n%s refs/heads/main\n\n", tip, tip), w.Data...)
}

func sum(b []byte) string { return fmt.Sprintf("%x", sha256.Sum256(b)) }

// Members puts it together, with every sum right.
func (f *Tampering) Members() []parcel.Member {
	bundle, tip := f.Bundle, f.Manifest.Tip
	if bundle == nil {
		bundle, tip = f.bundle()
	}
	if !f.SameTip {
		f.Manifest.Tip = tip
	}
	ms := []parcel.Member{{Name: handover.ReadmeName, Data: []byte(f.Readme)}, {Name: handover.CardName, Data: []byte(f.Card)}, {Name: handover.BundleName, Data: bundle}}
	for _, p := range slices.Sorted(maps.Keys(f.Files)) {
		ms = append(ms, parcel.Member{Name: handover.FilesDir + p, Data: []byte(f.Files[p])})
	}
	return f.seal(ms)
}

// seal puts manifest, signature and sums before the members.
func (f *Tampering) seal(ms []parcel.Member) []parcel.Member {
	f.Manifest.Members = nil
	for _, m := range ms {
		f.Manifest.Members = append(f.Manifest.Members, handover.MemberSums{Name: m.Name, Size: len(m.Data), SHA256: sum(m.Data)})
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(f.Manifest); err != nil {
		f.t.Fatal(err)
	}
	text := b.Bytes()
	if f.OnManifest != nil {
		text = f.OnManifest(text)
	}
	head := []parcel.Member{{Name: handover.ManifestName, Data: text}}
	var sums bytes.Buffer
	for _, m := range append(head[:1:1], ms...) {
		fmt.Fprintf(&sums, "%s  %s\n", sum(m.Data), m.Name)
	}
	list := sums.Bytes()
	if f.OnSums != nil {
		list = f.OnSums(list)
	}
	if f.Sign != nil {
		head = append(head, parcel.Member{Name: handover.SignatureName, Data: f.Sign(text)})
	}
	out := append(append(head, parcel.Member{Name: handover.SumsName, Data: list}), ms...)
	if f.OnMembers != nil {
		out = f.OnMembers(out)
	}
	return out
}

// again begins another forgery of the same handover.
func (f *Tampering) again() *Tampering {
	g := *f
	g.Files = maps.Clone(f.Files)
	g.Manifest.Rigs = slices.Clone(f.Manifest.Rigs)
	return &g
}

// Data is the tampered file.
func (f *Tampering) Data() []byte {
	z := &Zip{packer: f.packer}
	for _, m := range f.Members() {
		z.Add(m.Name, m.Data)
	}
	return z.Data()
}

// Rev gives a revision id of one digit.
func Rev(digit string) string { return strings.Repeat(digit, 40) }

// Zip writes zip files in which every field can be wrong.
type Zip struct {
	Entries []*Entry
	Before  []byte // before the first member
	After   []byte // behind the end
	Gap     []byte // before the table of contents
	Comment []byte
	Count   int // added to the count of entries
	Disk    uint16
	End     []byte // put before the end record, as zip64 does

	packer *flate.Writer
}

// Entry is a member with both its headers.
type Entry struct {
	Name, LocalName string
	Data            []byte // as packed
	Method          uint16
	Flags           uint16
	Need            uint16
	Made            uint16
	CRC             uint32
	Packed, Size    uint32
	LocalSize       uint32
	Extra, Note     []byte
	Outer           uint32
	Date            uint16
	Behind          []byte // after the data, as a descriptor
	At              *int   // offset in the table of contents
}

// Add adds a member as handovers have it: deflated if that makes it smaller.
func (z *Zip) Add(name string, data []byte) *Entry {
	e := &Entry{Name: name, LocalName: name, Data: data, Need: 20, Made: 3<<8 | 20, CRC: crc32.ChecksumIEEE(data), Size: uint32(len(data)), LocalSize: uint32(len(data)), Outer: 0o100644 << 16, Date: 33}
	var b bytes.Buffer
	if z.packer == nil {
		z.packer, _ = flate.NewWriter(&b, flate.BestCompression)
	}
	z.packer.Reset(&b)
	_, _ = z.packer.Write(data)
	_ = z.packer.Close()
	if b.Len() < len(data) {
		e.Method, e.Data = 8, b.Bytes()
	}
	e.Packed = uint32(len(e.Data))
	z.Entries = append(z.Entries, e)
	return e
}

// Data is the file.
func (z *Zip) Data() []byte {
	var out bytes.Buffer
	put := func(b *bytes.Buffer, vs ...any) {
		for _, v := range vs {
			_ = binary.Write(b, binary.LittleEndian, v)
		}
	}
	out.Write(z.Before)
	var table bytes.Buffer
	for _, e := range z.Entries {
		at := out.Len()
		if e.At != nil {
			at = *e.At
		}
		put(&out, uint32(0x04034b50), e.Need, e.Flags, e.Method, uint16(0), e.Date, e.CRC, e.Packed, e.LocalSize, uint16(len(e.LocalName)), uint16(len(e.Extra)))
		out.WriteString(e.LocalName)
		out.Write(e.Extra)
		out.Write(e.Data)
		out.Write(e.Behind)
		put(&table, uint32(0x02014b50), e.Made, e.Need, e.Flags, e.Method, uint16(0), e.Date, e.CRC, e.Packed, e.Size, uint16(len(e.Name)), uint16(len(e.Extra)), uint16(len(e.Note)), uint16(0), uint16(0), e.Outer, uint32(at))
		table.WriteString(e.Name)
		table.Write(e.Extra)
		table.Write(e.Note)
	}
	out.Write(z.Gap)
	start := out.Len()
	out.Write(table.Bytes())
	size := out.Len() - start
	out.Write(z.End)
	n := uint16(len(z.Entries) + z.Count)
	put(&out, uint32(0x06054b50), z.Disk, z.Disk, n, n, uint32(size), uint32(start), uint16(len(z.Comment)))
	out.Write(z.Comment)
	out.Write(z.After)
	return out.Bytes()
}
