package handover

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"rigkeep/repo/handover/internal/parcel"
	"rigkeep/repo/handover/internal/seal"
	"rigkeep/repo/store"
)

// Namespace is that of the signatures, for `ssh-keygen -Y verify -n`.
const Namespace = seal.Namespace

// Seal makes the file: the contents, the card as a page, and the sender's signature if there is a
// signer. tool names the program. What Seal makes, Open reads; that is checked before it is given.
func Seal(c *Contents, card []byte, tool string, signer SigningKey) ([]byte, Manifest, error) {
	m := Manifest{
		Format: Format, Kind: kind, Tool: tool, Sender: c.Sender, Revision: string(c.Revision), Time: c.Time.UTC().Format(time.RFC3339),
		Tip: string(c.History.Tip), Note: c.Note, Rigs: c.entries(),
	}
	fail := func(err error) ([]byte, Manifest, error) { return nil, m, err }
	members := []parcel.Member{{Name: ReadmeName, Data: readme(m)}, {Name: CardName, Data: card}, {Name: BundleName, Data: c.History.Encode()}}
	for _, p := range c.Paths() {
		members = append(members, parcel.Member{Name: FilesDir + p, Data: c.Files[p]})
	}
	for _, x := range members {
		m.Members = append(m.Members, MemberSums{x.Name, len(x.Data), sum(x.Data)})
	}
	if err := m.check(); err != nil {
		return fail(&store.Error{Kind: store.ErrBadPath, Msg: "this cannot be handed over: the manifest would have " + err.Error(),
			Hint: "Name the sender with --as \"ROLE <MAIL>\", and keep the note short"})
	}
	text, err := m.encode()
	if err != nil {
		return fail(err)
	}
	head := []parcel.Member{{Name: ManifestName, Data: text}}
	if signer != nil {
		sig, err := seal.Sign(text, signer)
		if err != nil {
			return fail(&store.Error{Kind: store.ErrDevice, Msg: "signing failed", Err: err, Hint: "Check the key, or the ssh-agent that holds it"})
		}
		head = append(head, parcel.Member{Name: SignatureName, Data: sig})
	}
	head = append(head, parcel.Member{Name: SumsName, Data: sums(append(head[:1:1], members...))})
	data, err := parcel.Pack(append(head, members...))
	if err != nil {
		return fail(tooLarge(err))
	}
	return data, m, nil
}

func tooLarge(err error) error {
	return &store.Error{Kind: store.ErrBadPath, Msg: "this is more than one handover holds", Err: err, Hint: "Hand over fewer rigs at a time, or single tunes (RIG/TUNE)"}
}

// readme tells a person what they have, in plain ASCII for any editor.
func readme(m Manifest) []byte {
	var b bytes.Buffer
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("HANDOVER OF STABILISER TUNES")
	p("")
	p("From      %s", ascii(m.Sender.String()))
	p("As of     %s, revision %s", m.Time, m.Revision[:10])
	for _, r := range m.Rigs {
		p("Rig       %s (fingerprint %s) on gimbal %s", r.Alias, r.Fingerprint, r.Gimbal)
		p("          tunes: %s", strings.Join(r.Tunes, ", "))
	}
	p("Made by   %s", ascii(m.Tool))
	if m.Note != "" {
		p("")
		for line := range strings.SplitSeq(m.Note, "\n") {
			p("    %s", ascii(line))
		}
	}
	p("")
	p("WITHOUT RIGKEEP")
	p("")
	p("card.html        Open it in any browser: every value with its unit, the balance, the")
	p("                 proof, and what changed last. It needs no network and runs no script.")
	p("library/         The files themselves, as text, and the newest photos. Any editor reads")
	p("                 the text.")
	p("history.bundle   The history of these rigs and of nothing else:")
	p("                     git clone history.bundle rig-history")
	p("SHA256SUMS       The check sums of all this:")
	p("                     sha256sum -c SHA256SUMS")
	p("manifest.json    What is in here. If there is a manifest.json.sig, it is the sender's")
	p("                 signature; with a list of the keys you trust it is checked by")
	p("                     ssh-keygen -Y verify -f allowed_signers -I %s \\", ascii(m.Sender.Email))
	p("                         -n %s -s manifest.json.sig < manifest.json", Namespace)
	p("")
	p("WITH RIGKEEP")
	p("")
	p("    rigkeep handover read FILE       what is in it and what would change in your library")
	p("    rigkeep handover accept FILE     takes it in")
	p("")
	p("CAUTION")
	p("")
	p("Values from another unit, operator or build are low starting points.")
	p("start, from below. Accepting them proves nothing: balance first, start low, keep a hand at")
	p("the motor switch, and test the rig handheld before the shoot. The maker's manual, local")
	p("codes and qualified crew come first.")
	return b.Bytes()
}

// ascii shows letters that not every editor can show as ?.
func ascii(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r > 0x7e {
			return '?'
		}
		return r
	}, s)
}
