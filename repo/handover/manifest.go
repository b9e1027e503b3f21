package handover

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/repo/handover/internal/parcel"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Format is the newest form of handover that this program reads, and the one it writes.
const Format = 1

const kind = "rigkeep-handover"

// Members of a handover.
const (
	ManifestName  = "manifest.json"
	SignatureName = "manifest.json.sig"
	SumsName      = "SHA256SUMS"
	ReadmeName    = "README.txt"
	CardName      = "card.html"
	BundleName    = "history.bundle"
	FilesDir      = "library/"
)

// Manifest says what a handover holds. Its text has one form only, so that no two readers can
// understand it differently.
type Manifest struct {
	Format   int          `json:"format"`
	Kind     string       `json:"kind"`
	Tool     string       `json:"tool"`
	Sender   Sender       `json:"sender"`
	Revision string       `json:"revision"` // the sender's newest revision that changed any of it
	Time     string       `json:"time"`     // of that revision, UTC, RFC 3339
	Tip      string       `json:"tip"`      // the same revision in the bundle
	Note     string       `json:"note"`
	Rigs     []RigEntry   `json:"rigs"`
	Members  []MemberSums `json:"members"` // all but the manifest, its signature and the sums
}

// Sender is who hands over.
type Sender struct {
	Name  string `json:"name"`
	Email string `json:"email"`
}

func (s Sender) String() string { return s.Name + " <" + s.Email + ">" }

// RigEntry is one rig of a handover.
type RigEntry struct {
	Fingerprint string   `json:"fingerprint"`
	Alias       string   `json:"alias"`
	Gimbal      string   `json:"gimbal"`
	Was         []string `json:"was"`   // earlier fingerprints, oldest first
	Whole       bool     `json:"whole"` // all its tunes, now and in the history
	Tunes       []string `json:"tunes"` // names, main first
}

// prints are all fingerprints that the rig has or had.
func (r RigEntry) prints() []string { return append(slices.Clone(r.Was), r.Fingerprint) }

// MemberSums is what a member must be.
type MemberSums struct {
	Name   string `json:"name"`
	Size   int    `json:"size"`
	SHA256 string `json:"sha256"`
}

func sum(data []byte) string {
	s := sha256.Sum256(data)
	return hex.EncodeToString(s[:])
}

// encode writes the manifest in its one form.
func (m Manifest) encode() ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(m)
	return b.Bytes(), err
}

// isRevision says whether s is a whole revision id. (A regular expression for it would be made at
// every start of the program.)
func isRevision(s string) bool { return len(s) == 40 && strings.Trim(s, "0123456789abcdef") == "" }

// isAddress says whether s can stand between the angle brackets of a mail address.
func isAddress(s string) bool { return s != "" && !strings.ContainsAny(s, "<> \t\n\f\r") }

// Limits of a manifest's own texts.
const (
	maxManifest = 256 << 10
	maxNote     = 4000 // characters
	maxRigs     = 50
)

// decodeManifest reads a manifest strictly. The error is an *store.Error of class ErrDamaged.
func decodeManifest(data []byte) (m Manifest, err error) {
	if len(data) > maxManifest {
		return m, damaged("its manifest is larger than %d bytes", maxManifest)
	}
	// the format comes first: a newer one may look different in everything else
	var head struct {
		Format *int    `json:"format"`
		Kind   *string `json:"kind"`
	}
	if err := json.Unmarshal(data, &head); err != nil || head.Format == nil || head.Kind == nil || *head.Kind != kind {
		return m, damaged("its manifest is not that of a handover")
	}
	if *head.Format > Format {
		return m, &store.Error{Kind: store.ErrForeign, Msg: fmt.Sprintf("this handover has format %d; this program reads up to %d", *head.Format, Format),
			Hint: "Nothing was read further. A newer Rigkeep reads it; its card.html and README.txt open without"}
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return m, damaged("unreadable manifest: %v", err)
	}
	again, err := m.encode()
	if err != nil || !bytes.Equal(again, data) {
		return m, damaged("its manifest is not written as handovers are (keys twice, out of order, or something behind it)")
	}
	if err := m.check(); err != nil {
		return m, damaged("its manifest has %v", err)
	}
	return m, nil
}

// check holds the manifest's own values to what they may be; whether they are true is for Open.
func (m Manifest) check() error {
	bad := func(format string, args ...any) error { return fmt.Errorf(format, args...) }
	when, err := time.Parse(time.RFC3339, m.Time)
	switch {
	case m.Format != Format:
		return bad("an impossible format")
	case !plainLine(m.Tool, 100) || m.Tool == "":
		return bad("no readable tool")
	case !plainLine(m.Sender.Name, 200) || strings.TrimSpace(m.Sender.Name) == "" || strings.ContainsAny(m.Sender.Name, "<>"):
		return bad("no readable sender")
	case !isAddress(m.Sender.Email) || !plainLine(m.Sender.Email, 200):
		return bad("no readable mail address of the sender")
	case !isRevision(m.Revision) || !isRevision(m.Tip):
		return bad("no revision")
	case err != nil || when.UTC().Format(time.RFC3339) != m.Time:
		return bad("no readable time")
	case len([]rune(m.Note)) > maxNote || store.PlainText(m.Note) != m.Note:
		return bad("a note that is too long or not plain text")
	case len(m.Rigs) == 0 || len(m.Rigs) > maxRigs:
		return bad("%d rigs; allowed are 1 to %d", len(m.Rigs), maxRigs)
	}
	prints := map[string]bool{}
	for _, r := range m.Rigs {
		for _, fp := range r.prints() {
			if len(fp) != preset.FingerprintLen || !preset.IsFingerprint(fp) {
				return bad("a fingerprint that is none: %q", fp)
			}
		}
		if prints[r.Fingerprint] {
			return bad("a rig twice: %s", r.Fingerprint)
		}
		prints[r.Fingerprint] = true
		if !preset.IsName(r.Alias) || !preset.IsName(r.Gimbal) || r.Was == nil || len(r.Tunes) == 0 {
			return bad("a rig without alias, gimbal or tune: %q", r.Fingerprint)
		}
		if !slices.Equal(r.Tunes, tuneOrder(r.Tunes)) {
			return bad("tunes out of order or twice")
		}
		for _, t := range r.Tunes {
			if !preset.IsName(t) {
				return bad("a tune called %q", t)
			}
		}
	}
	for _, s := range m.Members {
		if s.Size < 0 || len(s.SHA256) != 64 {
			return bad("no size or sum of a member")
		}
	}
	return nil
}

// plainLine accepts one line of text that nothing would obey.
func plainLine(s string, limit int) bool {
	return len(s) <= limit && store.PlainText(s) == s && !strings.ContainsAny(s, "\n\t")
}

// tuneOrder sorts tune names, main first, each once.
func tuneOrder(names []string) []string {
	out := slices.Clone(names)
	slices.SortFunc(out, preset.TuneOrder)
	return slices.Compact(out)
}

// sums writes SHA256SUMS, as sha256sum does.
func sums(ms []parcel.Member) []byte {
	var b bytes.Buffer
	for _, m := range ms {
		if m.Name != SumsName && m.Name != SignatureName {
			fmt.Fprintf(&b, "%s  %s\n", sum(m.Data), m.Name)
		}
	}
	return b.Bytes()
}

// damaged is what Open says of a file that it does not believe.
func damaged(format string, args ...any) error {
	return &store.Error{Kind: store.ErrDamaged, Msg: "not a valid handover (wrong file, damaged or altered): " + fmt.Sprintf(format, args...),
		Hint: "nothing accepted. Ask the sender to send it again another way"}
}

// distrust wraps an error of a lower layer.
func distrust(err error) error {
	var known *store.Error
	if errors.As(err, &known) && errors.Is(err, store.ErrForeign) {
		return err
	}
	e := damaged("%v", err).(*store.Error)
	e.Err = err
	return e
}

// allowed says whether the history of these rigs may hold a path.
func (m Manifest) allowed() func(path string) error {
	rigs := map[string]RigEntry{}
	for _, r := range m.Rigs {
		for _, fp := range r.Was {
			rigs[fp] = r
		}
	}
	for _, r := range m.Rigs { // a build that one rig had earlier may be another's now
		rigs[r.Fingerprint] = r
	}
	return func(path string) error {
		p, ok := preset.Locate(path)
		r, ours := rigs[p.Rig]
		switch {
		case !ok:
		case p.Kind == schema.KindLibrary, p.Kind == schema.KindGimbal:
			return nil
		case ours && (p.Kind != schema.KindTune || r.Whole || slices.Contains(r.Tunes, p.Name)):
			return nil
		}
		return fmt.Errorf("%q has no place in the history of these rigs", path)
	}
}
