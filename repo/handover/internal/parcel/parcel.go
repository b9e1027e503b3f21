// Package parcel writes and reads the zip file that a handover travels in. It writes one form of
// zip and reads only that form: members one after another from the first byte, each header given
// twice and the same both times, no comments, no extra fields, no descriptors behind the data, no
// folders, links, encryption or 64-bit sizes. So no two programs can see different members in
// it, nothing can hide between them, and the same members give the same bytes.
//
// Source: APPNOTE.TXT 6.3 (PKWARE), sections 4.3.6 to 4.3.16, from memory.
package parcel

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"strings"
	"unicode/utf8"

	"rigkeep/schema"
)

// Member is one file in a parcel.
type Member struct {
	Name string
	Data []byte
}

// Limits bound what Unpack takes.
type Limits struct {
	Members int
	Each    int64 // bytes of one member, unpacked
	Total   int64 // bytes of all members, unpacked
}

// Default are the usual limits.
var Default = Limits{Members: 400, Each: 16 << 20, Total: 32 << 20}

// ErrForm is wrapped by every error that means the bytes are not a parcel.
var ErrForm = errors.New("not a handover that can be trusted")

func bad(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrForm}, args...)...)
}

const (
	localSig, centralSig, endSig = 0x04034b50, 0x02014b50, 0x06054b50
	localLen, centralLen, endLen = 30, 46, 22
	needVersion                  = 20
	madeBy                       = 3<<8 | needVersion // Unix, so that the mode counts
	day                          = 1<<5 | 1           // 1 January 1980, the first day that zip knows
	mode                         = 0o100644 << 16     // an ordinary file
	utf8Name                     = 1 << 11            // the flag of a name that is not ASCII (PKWARE appnote 4.4.4)
)

// maxPart is how many bytes a part of a name has at most: a file's name has 255.
const maxPart = 220

// nameFlag is the flags field that a member of this name has.
func nameFlag(name string) int64 {
	for _, c := range []byte(name) {
		if c >= utf8.RuneSelf {
			return utf8Name
		}
	}
	return 0
}

// validName says what a member may be called: parts of letters, digits, dot, dash and underscore
// that begin with a letter or digit and do not end in a dot, so no part is hidden, empty or a way
// up. Letters beyond ASCII have the one spelling of a library's names.
func validName(name string) bool {
	parts := strings.Split(name, "/")
	for _, part := range parts {
		if part == "" || len(part) > maxPart || strings.ContainsAny(part[:1], "._-") || part[len(part)-1] == '.' {
			return false
		}
		if utf8.RuneCountInString(part) > 100 {
			return false
		}
		if nameFlag(part) != 0 {
			if !schema.IsName(part) {
				return false
			}
			continue
		}
		for _, c := range []byte(part) {
			if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '.' && c != '_' && c != '-' {
				return false
			}
		}
	}
	return len(parts) <= 7
}

func checkNames(names []string) error {
	seen := map[string]bool{}
	for _, n := range names {
		low := schema.CanonicalName(n)
		switch {
		case !validName(n):
			return bad("a member is called %q; allowed are letters, digits, dots, dashes and slashes between them", clip(n))
		case seen[low]:
			return bad("the member %s is there twice", n)
		}
		seen[low] = true
	}
	return nil
}

func clip(s string) string {
	if len(s) > 80 {
		return s[:80] + "…"
	}
	return s
}

// Pack writes the members in the given order: each deflated if that makes it smaller.
func Pack(ms []Member) ([]byte, error) {
	var names []string
	for _, m := range ms {
		names = append(names, m.Name)
	}
	if err := checkNames(names); err != nil {
		return nil, err
	}
	var out, body bytes.Buffer
	w := zip.NewWriter(&out)
	fw, err := flate.NewWriter(&body, flate.BestCompression)
	if err != nil {
		return nil, err
	}
	for _, m := range ms {
		body.Reset()
		fw.Reset(&body)
		_, err := fw.Write(m.Data)
		if err = errors.Join(err, fw.Close()); err != nil {
			return nil, err
		}
		h := &zip.FileHeader{
			//lint:ignore SA1019 CreateRaw takes the header as it stands
			Name: m.Name, Flags: uint16(nameFlag(m.Name)), Method: zip.Deflate, CreatorVersion: madeBy, ReaderVersion: needVersion, ExternalAttrs: mode, ModifiedDate: day,
			CRC32: crc32.ChecksumIEEE(m.Data), UncompressedSize64: uint64(len(m.Data)),
		}
		data := body.Bytes()
		if len(data) >= len(m.Data) {
			h.Method, data = zip.Store, m.Data
		}
		h.CompressedSize64 = uint64(len(data))
		to, err := w.CreateRaw(h)
		if err == nil {
			_, err = to.Write(data)
		}
		if err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	// What we cannot read ourselves must not leave the house.
	_, err = Unpack(out.Bytes(), Default)
	return out.Bytes(), err
}

// fields cuts little-endian numbers of two and four bytes off a header.
type fields []byte

func (f *fields) two() int64 {
	v := binary.LittleEndian.Uint16(*f)
	*f = (*f)[2:]
	return int64(v)
}

func (f *fields) four() int64 {
	v := binary.LittleEndian.Uint32(*f)
	*f = (*f)[4:]
	return int64(v)
}

// facts are what both headers of a member say.
type facts struct{ need, flags, method, time, date, crc, packed, size int64 }

func (f *fields) facts() facts {
	return facts{f.two(), f.two(), f.two(), f.two(), f.two(), f.four(), f.four(), f.four()}
}

// Unpack reads a parcel whole. Sizes are held against the limits before anything is unpacked.
// The error wraps ErrForm.
func Unpack(data []byte, lim Limits) ([]Member, error) {
	if len(data) < endLen {
		return nil, bad("it is too short to be a zip file")
	}
	at := int64(len(data)) - endLen
	end := fields(data[at:])
	if end.four() != endSig {
		return nil, bad("it does not end as a zip file of ours does (cut short, or something was added)")
	}
	disk, disks, n, all, size, start, comment := end.two(), end.two(), end.two(), end.two(), end.four(), end.four(), end.two()
	switch {
	case disk != 0 || disks != 0 || n != all || comment != 0 || start+size != at:
		return nil, bad("its table of contents is not where it should be")
	case n == 0 || n > int64(lim.Members):
		return nil, bad("it claims %d members; allowed are 1 to %d", n, lim.Members)
	}
	table := data[start:at]
	var next, total int64 // where the next local header is expected; bytes unpacked so far
	var out []Member
	var names []string
	for range n {
		if len(table) < centralLen {
			return nil, bad("its table of contents is cut short")
		}
		c := fields(table)
		if c.four() != centralSig {
			return nil, bad("its table of contents is damaged")
		}
		made := c.two()
		f := c.facts()
		nameLen, extra, note, disk, inner, outer, off := c.two(), c.two(), c.two(), c.two(), c.two(), c.four(), c.four()
		if int64(len(c)) < nameLen {
			return nil, bad("its table of contents is cut short")
		}
		called := string(c[:nameLen])
		table = c[nameLen:]
		names = append(names, called)
		switch {
		case f.flags&1 != 0:
			return nil, bad("the member %q is encrypted", clip(called))
		case f.method != int64(zip.Store) && f.method != int64(zip.Deflate):
			return nil, bad("the member %q is packed in a way that handovers do not use", clip(called))
		case made == madeBy && outer != mode:
			return nil, bad("the member %q is not an ordinary file (a folder, link or device)", clip(called))
		case made != madeBy || outer != mode || f.need != needVersion || f.flags != nameFlag(called) || f.time != 0 || f.date != day || extra != 0 || note != 0 || disk != 0 || inner != 0:
			return nil, bad("the header of the member %q is not as handovers write it", clip(called))
		case f.size > lim.Each:
			return nil, bad("the member %q claims %d bytes; at most %d are allowed", clip(called), f.size, lim.Each)
		case off != next:
			return nil, bad("the member %q does not begin where the one before ends", clip(called))
		}
		if total += f.size; total > lim.Total {
			return nil, bad("it claims to unpack to more than %d bytes", lim.Total)
		}
		if off+localLen+nameLen+f.packed > start {
			return nil, bad("the member %q does not lie before the table of contents", clip(called))
		}
		l := fields(data[off:])
		sig, lf, ln, lx := l.four(), l.facts(), l.two(), l.two()
		if sig != localSig || lf != f || ln != nameLen || lx != 0 || string(l[:nameLen]) != called {
			return nil, bad("the member %q has two headers that disagree", clip(called))
		}
		body := l[nameLen : nameLen+f.packed]
		next = off + localLen + nameLen + f.packed
		b, err := unpack(body, f)
		if err != nil {
			return nil, bad("the member %q %v", clip(called), err)
		}
		out = append(out, Member{called, b})
	}
	if len(table) != 0 || next != start {
		return nil, bad("something lies between its members and its table of contents")
	}
	return out, checkNames(names)
}

func unpack(body []byte, f facts) ([]byte, error) {
	b := body
	if f.method == int64(zip.Deflate) {
		src := bytes.NewReader(body)
		r := flate.NewReader(src)
		// grows with what is really there, so that a claimed size alone costs nothing
		var err error
		if b, err = io.ReadAll(io.LimitReader(r, f.size+1)); err != nil {
			return nil, errors.New("cannot be unpacked")
		}
		if src.Len() != 0 {
			return nil, errors.New("has something behind its data")
		}
	}
	switch {
	case int64(len(b)) != f.size:
		return nil, errors.New("is not as long as its header says")
	case int64(crc32.ChecksumIEEE(b)) != f.crc:
		return nil, errors.New("does not have its check sum")
	}
	return b, nil
}
