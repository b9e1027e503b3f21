package handover

import (
	"bytes"
	"errors"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"rigkeep/preset"
	"rigkeep/repo/handover/internal/parcel"
	"rigkeep/repo/handover/internal/seal"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// MaxSize is the largest handover file, in bytes.
const MaxSize = 32 << 20

// Package is a handover that has been read whole and found sound. Whether to trust its sender is
// another question: TrustLevel.
type Package struct {
	Contents
	Manifest Manifest
	Digest   string // SHA-256 of the manifest: identifies the handover
	Size     int
	Signed   bool
	Key      Key // that signed
}

// Key is a public key.
type Key = seal.Key

// Trusted is a list of keys and whose they are.
type Trusted = seal.Trusted

// Verdict is what a list of trusted keys says of a handover's signature.
type Verdict = seal.Verdict

// TrustLevel is the word for it.
type TrustLevel = seal.TrustLevel

// Standings of a handover's sender.
const (
	Good     = seal.Good
	Unsigned = TrustLevel("unsigned")
)

// ParseTrusted reads a list of trusted keys in OpenSSH's allowed_signers form. Times in it that
// do not say their zone are in loc.
//
// Errors: ErrDamaged, with the line.
func ParseTrusted(name string, data []byte, loc *time.Location) (*Trusted, error) {
	t, err := seal.ParseTrusted(name, data, loc)
	if err != nil {
		return nil, &store.Error{Kind: store.ErrDamaged, Msg: err.Error(), Hint: "correct the line; an unreadable list trusts no one"}
	}
	return t, nil
}

// SigningKey signs a handover.
type SigningKey = ssh.Signer

// Signer finds the key to sign with: a private key without a passphrase, or a public key whose
// private half the agent at agentSocket holds. close ends the connection to the agent.
//
// Errors: ErrNotFound, ErrBadPath.
func Signer(name, agentSocket string) (s SigningKey, close func(), err error) {
	s, close, err = seal.Signer(name, agentSocket)
	if errors.Is(err, os.ErrNotExist) {
		return nil, close, &store.Error{Kind: store.ErrNotFound, Msg: "no key file " + name, Hint: "Name a private key, or a .pub file whose key an ssh-agent holds"}
	}
	if err != nil {
		return nil, close, &store.Error{Kind: store.ErrBadPath, Msg: err.Error()}
	}
	return s, close, nil
}

// TrustLevel judges the sender at a moment by a list of trusted keys, nil for none.
func (p *Package) TrustLevel(t *Trusted, now time.Time) Verdict {
	if !p.Signed {
		return Verdict{TrustLevel: Unsigned}
	}
	return t.Judge(p.Key, p.Sender.Email, now)
}

// Open reads a handover and checks all of it; nothing is written anywhere.
//
// Errors: ErrDamaged for whatever is not exactly as Seal makes it, ErrForeign for a newer format.
func Open(data []byte, cat *schema.Catalogue) (*Package, error) {
	if len(data) > MaxSize {
		return nil, damaged("it is larger than %d MB", MaxSize>>20)
	}
	ms, err := parcel.Unpack(data, parcel.Default)
	if err != nil {
		return nil, distrust(err)
	}
	p := &Package{Size: len(data)}
	p.Files = map[string][]byte{}
	by := map[string][]byte{}
	for _, m := range ms {
		by[m.Name] = m.Data
	}
	for _, name := range []string{ManifestName, SumsName, ReadmeName, CardName, BundleName} {
		if _, ok := by[name]; !ok {
			return nil, damaged("it has no %s", name)
		}
	}
	if p.Manifest, err = decodeManifest(by[ManifestName]); err != nil {
		return nil, err
	}
	p.Digest = sum(by[ManifestName])
	if err := p.members(ms, by); err != nil {
		return nil, err
	}
	if sig, ok := by[SignatureName]; ok {
		if p.Key, err = seal.Verify(sig, by[ManifestName]); err != nil {
			return nil, distrust(err)
		}
		p.Signed = true
	}
	if p.History, err = store.ReadBundle(by[BundleName], store.DefaultBundleLimits, p.Manifest.allowed()); err != nil {
		return nil, distrust(err)
	}
	for name, text := range by {
		if path, ok := strings.CutPrefix(name, FilesDir); ok {
			p.Files[path] = text
		}
	}
	p.Sender, p.Note = p.Manifest.Sender, p.Manifest.Note
	if err := p.history(); err != nil {
		return nil, err
	}
	if err := p.decode(cat, p.Manifest.Rigs); err != nil {
		return nil, distrust(err)
	}
	return p, nil
}

// members holds the file's members against the manifest and the sums.
func (p *Package) members(ms []parcel.Member, by map[string][]byte) error {
	order := []string{ManifestName}
	if _, ok := by[SignatureName]; ok {
		order = append(order, SignatureName)
	}
	order = append(order, SumsName)
	for _, s := range p.Manifest.Members {
		data, ok := by[s.Name]
		switch {
		case !ok:
			return damaged("the member %s is missing", s.Name)
		case len(data) != s.Size || sum(data) != s.SHA256:
			return damaged("the member %s is not the one that the manifest speaks of", s.Name)
		}
		order = append(order, s.Name)
	}
	for i, m := range ms {
		if i >= len(order) || order[i] != m.Name {
			return damaged("the member %s is not in the manifest, or not where it should be", m.Name)
		}
		known := slices.Contains([]string{ManifestName, SignatureName, SumsName, ReadmeName, CardName, BundleName}, m.Name)
		if !known && !strings.HasPrefix(m.Name, FilesDir) {
			return damaged("the member %s is none that handovers have", m.Name)
		}
	}
	if len(order) != len(ms) {
		return damaged("it has fewer members than its manifest")
	}
	files := slices.Clone(order[slices.Index(order, BundleName)+1:])
	if !slices.IsSorted(files) || !slices.Equal(order[len(order)-len(files)-3:len(order)-len(files)], []string{ReadmeName, CardName, BundleName}) {
		return damaged("its members are not in order")
	}
	if !bytes.Equal(by[SumsName], sums(ms)) {
		return damaged("its SHA256SUMS are not those of its members")
	}
	return nil
}

// history holds the bundle against the manifest and the files.
func (p *Package) history() error {
	tip, _ := p.History.Commit(p.History.Tip)
	when, _ := time.Parse(time.RFC3339, p.Manifest.Time)
	switch {
	case string(p.History.Tip) != p.Manifest.Tip:
		return damaged("its history ends at another revision than its manifest says")
	case tip.Trailer(Trailer) != p.Manifest.Revision || !tip.When.Equal(when):
		return damaged("its manifest and its history do not agree on revision and time")
	}
	p.Revision, p.Time = store.Rev(p.Manifest.Revision), tip.When
	for _, c := range p.History.Commits() {
		if !isRevision(c.Trailer(Trailer)) {
			return damaged("the revision %s of its history does not say what it was made from", c.ID.Short())
		}
		if string(p.History.Contents(p.History.File(c.ID, preset.LibraryPath))) != Marker {
			return damaged("its history has a library.toml that no handover has")
		}
	}
	files, err := p.History.Files(p.History.Tip)
	if err != nil {
		return distrust(err)
	}
	n := 0
	for _, f := range files {
		text := p.History.Contents(f.Blob)
		if f.Path == preset.LibraryPath {
			continue
		}
		if have, ok := p.Files[f.Path]; !ok || !bytes.Equal(text, have) {
			return damaged("%s is not as its history has it", f.Path)
		}
		n++
	}
	for path := range p.Files {
		if isExtra(path) {
			n++
		}
	}
	if n != len(p.Files) {
		return damaged("it holds a file that its history does not")
	}
	return nil
}

// isExtra reports whether a path is of what goes along without its history: jobs, units and photos.
func isExtra(path string) bool {
	p, ok := preset.Locate(path)
	if !ok {
		_, ok = preset.LocatePhoto(path)
		return ok
	}
	return p.Kind == schema.KindJob || p.Kind == schema.KindUnit
}
