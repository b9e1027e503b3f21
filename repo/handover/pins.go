package handover

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/handover/internal/seal"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// SignersPath is where a library proposes keys. Whoever may push to it may write there, so nothing
// in it counts before a person pinned it.
const SignersPath = preset.SignersPath

// Pins are the keys that count for one library on one machine, and which key each name signed with.
// They are kept in the person's own configuration.
type Pins struct {
	Format  int
	Library string // its first revision
	Keys    []Pin
	Names   []Name
}

// Pin is a key that counts.
type Pin struct {
	Signer   string // a line of OpenSSH's allowed_signers
	Print    string // SHA256:…
	Added    time.Time
	Revision string // that proposed it; "" for one that came by other means
	By       string // who made that revision
}

// Name binds a signer's name to the key that it first signed with here.
type Name struct {
	Mail  string
	Print string
	Since time.Time
}

// ReadPins reads a file of pins; nil data is an empty one for the library.
//
// Errors: ErrDamaged, ErrForeign for a newer format.
func ReadPins(name string, data []byte, library store.Rev) (*Pins, error) {
	p := &Pins{Format: Format, Library: string(library)}
	if len(data) == 0 {
		return p, nil
	}
	damaged := func(err error) (*Pins, error) {
		return nil, &store.Error{Kind: store.ErrDamaged, Msg: err.Error(), Hint: "Correct the file, or move it away and pin the keys again with `rigkeep trust add`"}
	}
	doc, err := file.Parse(name, data)
	if err != nil {
		return damaged(err)
	}
	f := pinFile{doc: doc, asked: map[string]bool{}}
	got := Pins{Format: f.whole("format"), Library: f.text("library")}
	if got.Format > Format {
		return nil, &store.Error{Kind: store.ErrForeign, Msg: fmt.Sprintf("%s has format %d; this rigkeep reads %d", name, got.Format, Format), Hint: "Use a newer rigkeep"}
	}
	for i := range f.tables("key") {
		at := fmt.Sprintf("key[%d].", i)
		got.Keys = append(got.Keys, Pin{f.text(at + "signer"), f.text(at + "print"), f.time(at + "added"), f.text(at + "revision"), f.text(at + "by")})
	}
	for i := range f.tables("name") {
		at := fmt.Sprintf("name[%d].", i)
		got.Names = append(got.Names, Name{f.text(at + "mail"), f.text(at + "print"), f.time(at + "since")})
	}
	f.unknown()
	if got.Format != Format {
		f.fault("format", fmt.Sprintf("the format is %d", got.Format), fmt.Sprint(Format))
	}
	if got.Library != string(library) {
		f.fault("library", fmt.Sprintf("this is of another library, which begins with %q", got.Library), fmt.Sprintf("%q", library))
	}
	for i, k := range got.Keys {
		t, err := seal.ParseTrusted(name, []byte(k.Signer), time.UTC)
		if err != nil || strings.ContainsAny(k.Signer, "\r\n") || len(t.Signers()) != 1 || t.Signers()[0].Key.Print != k.Print {
			f.fault(fmt.Sprintf("key[%d].signer", i), "this is no line with the key "+k.Print, "PRINCIPALS KEYTYPE KEY")
		}
	}
	if err := f.faults.Err(); err != nil {
		return damaged(err)
	}
	return &got, nil
}

// pinFile reads a file of pins key by key, and gathers what is amiss with it.
type pinFile struct {
	doc    *file.Doc
	asked  map[string]bool
	faults file.Errors
}

func (f *pinFile) fault(key, what, want string) {
	f.faults = append(f.faults, f.doc.Fault(key, what, want, ""))
}

func (f *pinFile) get(key string) (any, bool) {
	f.asked[key] = true
	return f.doc.Get(key)
}

func (f *pinFile) whole(key string) int {
	v, there := f.get(key)
	n, ok := v.(int64)
	if there && !ok {
		f.fault(key, "this is no whole number", "a whole number")
	}
	return int(n)
}

func (f *pinFile) text(key string) string {
	v, there := f.get(key)
	s, ok := v.(string)
	if there && !ok {
		f.fault(key, "this is no text", "text in double quotes")
	}
	return s
}

func (f *pinFile) time(key string) time.Time {
	v, there := f.get(key)
	t, form := schema.Moment(v)
	if there && form == schema.NoTime {
		f.fault(key, "this is no time", "a date and time")
	}
	return t
}

// tables is the number of tables in a list.
func (f *pinFile) tables(key string) int {
	v, there := f.get(key)
	list, ok := v.([]any)
	for i, e := range list {
		f.asked[fmt.Sprintf("%s[%d]", key, i)] = true
		if _, table := e.(map[string]any); !table {
			ok = false
		}
	}
	if there && !ok {
		f.fault(key, "this is no list of tables", "[["+key+"]]")
	}
	return len(list)
}

// unknown names the keys that nobody asked for.
func (f *pinFile) unknown() {
	for _, k := range append(f.doc.Keys(), f.doc.Tables()...) {
		if !f.asked[k] {
			f.faults = append(f.faults, f.doc.KeyFault(k, "unknown key", "", "take it out"))
		}
	}
}

// Text is the file of pins.
//
// Errors: those of file.Writer, as for a name that is not UTF-8.
func (p *Pins) Text() ([]byte, error) {
	w := file.NewWriter("")
	w.Key("format", p.Format)
	w.Key("library", p.Library)
	for _, k := range p.Keys {
		w.ArrayTable("key")
		w.Key("signer", k.Signer)
		w.Key("print", k.Print)
		w.Key("added", k.Added)
		if k.Revision != "" {
			w.Key("revision", k.Revision)
		}
		if k.By != "" {
			w.Key("by", k.By)
		}
	}
	for _, n := range p.Names {
		w.ArrayTable("name")
		w.Key("mail", n.Mail)
		w.Key("print", n.Print)
		w.Key("since", n.Since)
	}
	doc, err := w.Doc()
	if err != nil {
		return nil, err
	}
	const head = "# Keys that count for one library on this machine. rigkeep trust list/add/remove keeps this file.\n"
	return append([]byte(head), doc.Text()...), nil
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

// Origin says which revision made a proposal, who made that and on which day of a zone, and which
// pinned key signed it.
func (p *Proposal) Origin(zone *time.Location) string {
	if p.Revision == "" {
		return "an unsaved edit"
	}
	s := fmt.Sprintf("revision %s of %s, %s", p.Revision.Short(), p.By, schema.SayDay(p.When, zone))
	if p.Vouched != "" {
		return s + ", signed with the pinned key " + p.Vouched
	}
	return s + ", not signed with a pinned key"
}
