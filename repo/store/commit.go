package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
)

// Person is who made a revision: a name or role, and a mail address.
type Person struct{ Name, Email string }

func (p Person) String() string { return p.Name + " <" + p.Email + ">" }

// Trailer is one "Key: value" line at the end of a revision's message.
type Trailer struct{ Key, Value string }

// Commit is one revision.
type Commit struct {
	ID      Rev
	Parents []Rev
	Author  Person
	When    time.Time // the author's time, in the author's zone
	// OddTime is the recorded time and zone where they cannot be a time: When is then the nearest
	// that can, from 1970 to 9998, with UTC for a zone that is none. Else "". A revision that a handover
	// brought says it in a trailer.
	OddTime string
	Subject string // the first line of the message
	Body    string // the rest, without the trailers
	// Trailers are the "Key: value" lines of the message's last paragraph, in order.
	Trailers []Trailer

	tree plumbing.Hash
	date int64 // committer's time, seconds; orders the history
}

// Trailer gives the value of the first trailer named key (capitals do not matter), or "".
func (c *Commit) Trailer(key string) string {
	for _, t := range c.Trailers {
		if strings.EqualFold(t.Key, key) {
			return t.Value
		}
	}
	return ""
}

// Job gives the job that the revision was saved for, or "".
func (c *Commit) Job() string { return c.Trailer("Job") }

// clean makes a text fit for one field of a commit header, as git does: no line ends, no angle
// brackets, no crumbs at the ends.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == '<' || r == '>' || r == '\n' || r == '\r' || r == 0 {
			return -1
		}
		return r
	}, s)
	return strings.Trim(s, " \t.,:;\"\\'")
}

func signature(p Person, when time.Time) string {
	return fmt.Sprintf("%s <%s> %d %s", clean(p.Name), clean(p.Email), when.Unix(), when.Format("-0700"))
}

// encodeCommit writes a commit object.
func encodeCommit(root plumbing.Hash, parents []plumbing.Hash, author, committer Person, when time.Time, message string) objects.Object {
	var b bytes.Buffer
	fmt.Fprintf(&b, "tree %s\n", root)
	for _, p := range parents {
		fmt.Fprintf(&b, "parent %s\n", p)
	}
	fmt.Fprintf(&b, "author %s\ncommitter %s\n\n%s", signature(author, when), signature(committer, when), message)
	return objects.New(plumbing.CommitObject, b.Bytes())
}

// message lays out subject, body and trailers as git expects them.
func message(subject, body string, trailers []Trailer) string {
	var b strings.Builder
	b.WriteString(strings.Join(strings.Fields(subject), " "))
	b.WriteByte('\n')
	if body = strings.Trim(strings.ReplaceAll(body, "\r\n", "\n"), "\n"); body != "" {
		b.WriteByte('\n')
		for line := range strings.SplitSeq(body, "\n") {
			b.WriteString(strings.TrimRight(line, " \t"))
			b.WriteByte('\n')
		}
	}
	if len(trailers) > 0 {
		b.WriteByte('\n')
		for _, t := range trailers {
			fmt.Fprintf(&b, "%s: %s\n", t.Key, strings.Join(strings.Fields(t.Value), " "))
		}
	}
	return b.String()
}

func parseCommit(id plumbing.Hash, data []byte) (*Commit, error) {
	h, err := objects.ParseCommit(id, data)
	if err != nil {
		return nil, err
	}
	c := &Commit{ID: rev(id), tree: h.Tree, date: h.Date}
	for _, p := range h.Parents {
		c.Parents = append(c.Parents, rev(p))
	}
	c.Author, c.When, c.OddTime = parseSignature(string(h.Author))
	c.Subject, c.Body, c.Trailers = splitMessage(string(h.Message))
	if stamp := c.Trailer(recordedTime); c.OddTime == "" && stamp != "" {
		_, _, c.OddTime = parseSignature("<> " + stamp) // it came in a handover, under the nearest time
	}
	return c, nil
}

// parseSignature reads an author line. Git takes any digits for the time and the zone, also with
// fsck --strict; odd is what it says where that is not a time that JSON and a calendar can hold.
func parseSignature(s string) (p Person, t time.Time, odd string) {
	lt, gt := strings.LastIndexByte(s, '<'), strings.LastIndexByte(s, '>')
	if lt < 0 || gt < lt {
		return Person{Name: strings.TrimSpace(s)}, time.Unix(0, 0).UTC(), "none"
	}
	p.Name, p.Email = strings.TrimSpace(s[:lt]), s[lt+1:gt]
	stamp := strings.TrimSpace(s[gt+1:])
	num, zone, _ := strings.Cut(stamp, " ")
	sec, err := strconv.ParseInt(num, 10, 64)
	if err != nil || sec < 0 || sec > lastSecond {
		odd = cmp.Or(stamp, "none")
		if err == nil || errors.Is(err, strconv.ErrRange) {
			sec = min(max(sec, 0), lastSecond)
		}
	}
	t = time.Unix(sec, 0).UTC()
	if len(zone) == 5 && (zone[0] == '+' || zone[0] == '-') {
		n, err := strconv.ParseUint(zone[1:], 10, 16)
		if err != nil || n%100 > 59 || n > 2359 {
			return p, t, stamp
		}
		off := int(n/100*60+n%100) * 60
		if zone[0] == '-' {
			off = -off
		}
		if off != 0 && odd == "" {
			t = t.In(time.FixedZone("", off))
		}
	} else if zone != "" {
		odd = stamp
	}
	return p, t, odd
}

// lastSecond is the end of 9998: a time after it can be in a year that RFC 3339 cannot write, in
// some zone.
const lastSecond = 253370764799

func splitMessage(m string) (subject, body string, trailers []Trailer) {
	m = strings.Trim(m, "\n")
	head, rest, _ := strings.Cut(m, "\n\n")
	subject = strings.ReplaceAll(head, "\n", " ")
	rest = strings.Trim(rest, "\n")
	last := rest
	before := ""
	if i := strings.LastIndex(rest, "\n\n"); i >= 0 {
		before, last = rest[:i], rest[i+2:]
	}
	for line := range strings.SplitSeq(last, "\n") {
		key, value, ok := strings.Cut(line, ": ")
		if !ok || !isToken(key) {
			return subject, rest, nil
		}
		trailers = append(trailers, Trailer{key, strings.TrimSpace(value)})
	}
	return subject, strings.Trim(before, "\n"), trailers
}

func isToken(s string) bool {
	for _, c := range s {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return s != ""
}

// Commit gives one revision.
//
// Errors: ErrNotFound if rev is not a revision, ErrDamaged.
func (l Revisions) Commit(rev Rev) (*Commit, error) {
	id, err := rev.hash()
	if err != nil {
		return nil, err
	}
	var c *Commit
	err = l.with(func(r *objects.Reader) (err error) {
		c, err = l.commit(r, id)
		return err
	})
	return c, err
}

// commit reads a commit; the commits at the edge of a shallow clone have no parents here.
func (l Revisions) commit(r *objects.Reader, id plumbing.Hash) (*Commit, error) {
	data, err := r.Commit(id)
	if err != nil {
		return nil, err
	}
	c, err := parseCommit(id, data)
	if err == nil && l.shallow[id] {
		c.Parents = nil
	}
	return c, err
}
