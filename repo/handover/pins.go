package handover

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"rigkeep/preset"
	"rigkeep/repo/handover/internal/seal"
	"rigkeep/repo/store"
)

// SignersPath is where a library proposes keys. Whoever may push to it may write there, so nothing
// in it counts before a person pinned it.
const SignersPath = preset.SignersPath

// Pins are the keys that count for one library on one machine, and which key each name signed with.
// They are kept in the person's own configuration.
type Pins struct {
	Format  int    `toml:"format"`
	Library string `toml:"library"` // its first revision
	Keys    []Pin  `toml:"key"`
	Names   []Name `toml:"name"`
}

// Pin is a key that counts.
type Pin struct {
	Signer   string    `toml:"signer"` // a line of OpenSSH's allowed_signers
	Print    string    `toml:"print"`  // SHA256:…
	Added    time.Time `toml:"added"`
	Revision string    `toml:"revision,omitempty"` // that proposed it; "" for one that came by other means
	By       string    `toml:"by,omitempty"`       // who made that revision
}

// Name binds a signer's name to the key that it first signed with here.
type Name struct {
	Mail  string    `toml:"mail"`
	Print string    `toml:"print"`
	Since time.Time `toml:"since"`
}

// ReadPins reads a file of pins; nil data is an empty one for the library.
//
// Errors: ErrDamaged, ErrForeign for a newer format.
func ReadPins(name string, data []byte, library store.Rev) (*Pins, error) {
	p := &Pins{Format: Format, Library: string(library)}
	if len(data) == 0 {
		return p, nil
	}
	bad := func(format string, a ...any) (*Pins, error) {
		return nil, &store.Error{Kind: store.ErrDamaged, Msg: name + ": " + fmt.Sprintf(format, a...), Hint: "Correct the file, or move it away and pin the keys again with `rigkeep trust add`"}
	}
	got := Pins{}
	md, err := toml.Decode(string(data), &got)
	switch {
	case err != nil:
		return bad("%v", err)
	case got.Format > Format:
		return nil, &store.Error{Kind: store.ErrForeign, Msg: fmt.Sprintf("%s has format %d; this rigkeep reads %d", name, got.Format, Format), Hint: "Use a newer rigkeep"}
	case got.Format != Format:
		return bad("format is %d", got.Format)
	case len(md.Undecoded()) > 0:
		return bad("unknown key %s", md.Undecoded()[0])
	case got.Library != string(library):
		return bad("it is of another library, which begins with %s", got.Library)
	}
	for _, k := range got.Keys {
		t, err := seal.ParseTrusted(name, []byte(k.Signer), time.UTC)
		if err != nil || strings.ContainsAny(k.Signer, "\r\n") || len(t.Signers()) != 1 || t.Signers()[0].Key.Print != k.Print {
			return bad("the signer of %s is not a line with that key", k.Print)
		}
	}
	return &got, nil
}

// Text is the file of pins.
func (p *Pins) Text() []byte {
	var b bytes.Buffer
	b.WriteString("# Keys that count for one library on this machine. rigkeep trust list/add/remove keeps this file.\n")
	e := toml.NewEncoder(&b)
	e.Indent = ""
	_ = e.Encode(p) // what it holds can always be written
	return b.Bytes()
}

// trusted is the list as OpenSSH has it; line n is key n.
func (p *Pins) trusted() *Trusted {
	var b strings.Builder
	for _, k := range p.Keys {
		b.WriteString(k.Signer + "\n")
	}
	t, err := seal.ParseTrusted("pins", []byte(b.String()), time.Local)
	if err != nil {
		return nil // ReadPins and Add let in only what can be read
	}
	return t
}

// Pinned gives the pin of a key, nil if it is not pinned.
func (p *Pins) Pinned(print string) *Pin {
	for i := range p.Keys {
		if p.Keys[i].Print == print {
			return &p.Keys[i]
		}
	}
	return nil
}

// Bound gives the key that a name first signed with, "" before it did.
func (p *Pins) Bound(mail string) string {
	for _, n := range p.Names {
		if strings.EqualFold(n.Mail, mail) {
			return n.Print
		}
	}
	return ""
}

// Bind notes the key that a name signed with, unless one is noted already.
func (p *Pins) Bind(mail, print string, now time.Time) (changed bool) {
	if p.Bound(mail) != "" {
		return false
	}
	p.Names = append(p.Names, Name{mail, print, now.UTC().Truncate(time.Second)})
	return true
}

// Add pins a line of an allowed_signers file. A name that it gives in full is bound to this key from
// now on; was is the key that it was bound to.
//
// Errors: ErrBadPath for a line that is none.
func (p *Pins) Add(line string, from store.Rev, by string, now time.Time) (print, was string, err error) {
	t, err := seal.ParseTrusted("the key", []byte(line), time.Local)
	if err == nil && len(t.Signers()) != 1 {
		err = fmt.Errorf("a certificate cannot be pinned")
	}
	if err != nil {
		return "", "", &store.Error{Kind: store.ErrBadPath, Msg: err.Error()}
	}
	s := t.Signers()[0]
	p.Keys = slices.DeleteFunc(p.Keys, func(k Pin) bool { return k.Print == s.Key.Print })
	p.Keys = append(p.Keys, Pin{strings.TrimSpace(line), s.Key.Print, now.UTC().Truncate(time.Second), string(from), by})
	for _, name := range s.Principals {
		if b := p.Bound(name); b != "" && b != s.Key.Print {
			was = b
			p.Names = slices.DeleteFunc(p.Names, func(n Name) bool { return strings.EqualFold(n.Mail, name) })
			p.Bind(name, s.Key.Print, now)
		}
	}
	return s.Key.Print, was, nil
}

// Remove unpins a key and frees the names that were bound to it.
func (p *Pins) Remove(print string) {
	p.Keys = slices.DeleteFunc(p.Keys, func(k Pin) bool { return k.Print == print })
	p.Names = slices.DeleteFunc(p.Names, func(n Name) bool { return n.Print == print })
}

// Rebound and Proposed are verdicts that only pins give.
const (
	Rebound  = TrustLevel("another key than before") // the name signed with another key here
	Proposed = TrustLevel("proposed, not pinned")    // the library names the key; nobody here pinned it
)

// Judge says what the pins hold of a handover's signature. pin is the key's, if it has one.
func (p *Pins) Judge(x *Package, now time.Time) (v Verdict, pin *Pin) {
	v = x.TrustLevel(p.trusted(), now)
	if !x.Signed {
		return v, nil
	}
	if b := p.Bound(x.Sender.Email); v.TrustLevel == Good && b != "" && b != x.Key.Print {
		v.TrustLevel = Rebound
	}
	return v, p.Pinned(x.Key.Print)
}

// Proposal is a key that the library names for somebody.
type Proposal struct {
	Signer     string // the line
	Principals []string
	Key        Key
	Revision   store.Rev // that added the line; "" if it is in no revision yet
	By         store.Person
	When       time.Time
	Vouched    string // the pinned key that signed that revision; "" for none
	Pinned     bool
}

// mostRevisions bounds how far back the revision that added a line is looked for.
const mostRevisions = 2000

// Proposals lists what trust/allowed_signers of the work tree names, with where each line came from.
// Lines that OpenSSH would not understand are left out and counted.
//
// Errors: those of the store.
func Proposals(l *store.Lib, pins *Pins, now time.Time) (out []Proposal, bad int, err error) {
	data, err := l.Work().Read(SignersPath)
	if errors.Is(err, store.ErrNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, err
	}
	seen := map[string]bool{}
	for line := range strings.Lines(string(data)) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' || seen[line] {
			continue
		}
		seen[line] = true
		t, err := seal.ParseTrusted(SignersPath, []byte(line), time.Local)
		if err != nil || len(t.Signers()) != 1 {
			bad++
			continue
		}
		s := t.Signers()[0]
		p := Proposal{Signer: line, Principals: s.Principals, Key: s.Key}
		if pin := pins.Pinned(s.Key.Print); pin != nil {
			p.Pinned = pin.Signer == line
		}
		out = append(out, p)
	}
	revs, err := l.History().Of(SignersPath, mostRevisions)
	if err != nil {
		return nil, bad, err
	}
	trusted := pins.trusted()
	done := map[string]bool{}
	for _, r := range revs { // newest first: a line came with the last revision that still has it
		has := map[string]bool{}
		if r.Blob != "" {
			text, err := l.Revisions().ReadBlob(r.Blob)
			if err != nil {
				return nil, bad, err
			}
			for line := range strings.Lines(string(text)) {
				has[strings.TrimSpace(line)] = true
			}
		}
		for i := range out {
			p := &out[i]
			switch {
			case done[p.Signer]:
			case !has[p.Signer]:
				done[p.Signer] = true
			default:
				p.Revision, p.By, p.When, p.Vouched = r.ID, r.Author, r.When, ""
			}
		}
	}
	for i := range out {
		p := &out[i]
		if p.Revision == "" {
			continue
		}
		raw, err := l.Revisions().CommitBytes(p.Revision)
		if err != nil {
			return nil, bad, err
		}
		if k, ok, err := seal.VerifyCommit(raw); ok && err == nil && trusted.JudgeCommit(k, p.By.Email, now).TrustLevel == Good {
			p.Vouched = k.Print
		}
	}
	return out, bad, nil
}

// Origin says which revision made a proposal, who made that, and which pinned key signed it.
func (p *Proposal) Origin() string {
	if p.Revision == "" {
		return "an edit that is in no revision"
	}
	s := fmt.Sprintf("revision %s of %s, %s", p.Revision.Short(), p.By, p.When.UTC().Format("2006-01-02"))
	if p.Vouched != "" {
		return s + ", signed with the pinned key " + p.Vouched
	}
	return s + ", not signed with a pinned key"
}
