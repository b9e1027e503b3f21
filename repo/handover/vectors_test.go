package handover_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/handovertest"
	"rigkeep/schema"
)

// What examples/vectors/vectors.json says, for whoever writes another program.
type vectors struct {
	Format    int              `json:"format"`
	Rigs      []rigVector      `json:"rigs"`
	Tunes     []tuneVector     `json:"tunes"`
	Handovers []handoverVector `json:"handovers"`
}

type rigVector struct {
	File        string `json:"file"`
	Canonical   string `json:"canonical"`
	Fingerprint string `json:"fingerprint"`
}

type tuneVector struct {
	File   string            `json:"file"`
	Keys   []string          `json:"keys"`   // that are values of the tune; all else is not part of the digest
	Digest string            `json:"digest"` // of all values
	Groups map[string]string `json:"groups"` // of the values of each proof group
	In     map[string]string `json:"in"`     // which group a key is in
}

type handoverVector struct {
	File    string `json:"file"`
	What    string `json:"what"`
	Accept  bool   `json:"accept"`           // whether the file is sound
	Why     string `json:"why,omitempty"`    // what Rigkeep says of one that is not
	Digest  string `json:"digest,omitempty"` // SHA-256 of the manifest, of one that is
	Signers string `json:"signers,omitempty"`
	Trusted bool   `json:"trusted"` // by that list, on the day given
	On      string `json:"on,omitempty"`
}

// refusals are cases of the hostile corpus, one of each kind.
var refusals = []string{
	"a text", "the last byte missing", "a bit flipped in card.html", "a bit flipped in card.html, its check sum mended", "a member twice",
	"two headers with different sizes", "a wrong check sum", "something before it", "something behind it", "something between two members",
	"a member that the manifest does not name", "a size that is another", "a sum that is another", "sums that are others",
	"a key twice in the manifest", "an unknown key in the manifest", "a newer format", "another kind", "without history.bundle",
	"another tip than the bundle's", "another revision than the history's", "another fingerprint", "another alias", "a build that is another", "a file of no known place", "a file of another rig",
	"a unit with a note", "a unit that holds another rig", "a unit that holds other values than their digest", "a unit whose entry names a revision of nowhere", "a unit that no tune here needs", "a unit of another gimbal",
	"files that are not those of the history", "another library.toml in the history", "a trusted key in the history", "another rig in the history",
	"a revision that does not say what it was made from", "an escape in an author", "a reversed message", "a bundle cut short", "a bit flipped in the pack",
}

var vectorDir = filepath.Join("..", "..", "examples", "vectors")

// TestVectors holds examples/vectors to what this program says, and to a second reader in Python
// that knows the documents alone. RIGKEEP_UPDATE=1 writes the vectors anew.
func TestVectors(t *testing.T) {
	if os.Getenv("RIGKEEP_UPDATE") != "" {
		writeVectors(t, cat)
	}
	data, err := os.ReadFile(filepath.Join(vectorDir, "vectors.json"))
	if err != nil {
		t.Fatal(err)
	}
	var v vectors
	if err := json.Unmarshal(data, &v); err != nil || v.Format != 1 || len(v.Rigs) < 6 || len(v.Tunes) < 2 || len(v.Handovers) < len(refusals)+2 {
		t.Fatalf("%v: %d rigs, %d tunes, %d handovers", err, len(v.Rigs), len(v.Tunes), len(v.Handovers))
	}
	read := func(name string) []byte {
		t.Helper()
		data, err := os.ReadFile(filepath.Join(vectorDir, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	for _, x := range v.Rigs {
		r := rigOf(t, x.File, read(x.File))
		if r.Canonical() != x.Canonical || r.Fingerprint() != x.Fingerprint {
			t.Errorf("%s: %s\n%s", x.File, r.Fingerprint(), r.Canonical())
		}
	}
	for _, x := range v.Tunes {
		u := tuneOf(t, cat, x.File, read(x.File))
		if u.Digest() != x.Digest || len(u.Keys()) != len(x.Keys) {
			t.Errorf("%s: digest %s of %d values", x.File, u.Digest(), len(u.Keys()))
		}
		for g, want := range x.Groups {
			if got := u.GroupDigest(g); got != want {
				t.Errorf("%s: group %s has %s", x.File, g, got)
			}
		}
	}
	for _, x := range v.Handovers {
		p, err := handover.Open(read(x.File), cat)
		if (err == nil) != x.Accept || err != nil && x.Why == "" || err == nil && p.Digest != x.Digest {
			t.Errorf("%s: %v", x.File, err)
			continue
		}
		if x.Signers == "" {
			continue
		}
		list, err := handover.ParseTrusted(x.Signers, read(x.Signers), time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		on, err := time.Parse(time.DateOnly, x.On)
		if err != nil {
			t.Fatal(err)
		}
		if got := p.TrustLevel(list, on).TrustLevel == handover.Good; got != x.Trusted {
			t.Errorf("%s: trusted is %v", x.File, got)
		}
	}
	out, err := exec.Command("python3", filepath.Join("testdata", "vectors.py"), vectorDir).CombinedOutput()
	if err != nil || !strings.Contains(string(out), fmt.Sprintf("agrees with %d", len(v.Rigs)+len(v.Tunes)+len(v.Handovers))) {
		t.Errorf("the second reader: %v\n%s", err, out)
	}
}

func rigOf(t *testing.T, name string, data []byte) preset.Rig {
	t.Helper()
	r, err := preset.UncheckedRig(name, data)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func tuneOf(t *testing.T, cat *schema.Catalogue, name string, data []byte) preset.Tune {
	t.Helper()
	x, err := preset.UncheckedTune(cat, name, data)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// writeVectors makes the vectors from the test library and its hostile corpus.
func writeVectors(t *testing.T, cat *schema.Catalogue) {
	t.Helper()
	var v vectors
	v.Format = 1
	put := func(name string, data []byte) {
		t.Helper()
		p := filepath.Join(vectorDir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	rig := func(name, text string) {
		put(name, []byte(text))
		r := rigOf(t, name, []byte(text))
		v.Rigs = append(v.Rigs, rigVector{name, r.Canonical(), r.Fingerprint()})
	}
	part := func(slot, name, mass, at string) string {
		s := "\n[[part]]\nslot = \"" + slot + "\"\nname = \"" + name + "\"\nmass_kg = " + mass + "\n"
		if at != "" {
			s += "place_mm = " + at + "\n"
		}
		return s
	}
	head := "format = 1\nkind = \"rig\"\nalias = \"bow-prime\"\ngimbal = \"Quay  Large\"\n"
	rig("rigs/plain.toml", head+part("body", "Body", "2.1", "[0.0, 0.0, 40.0]")+part("lens", "35 mm", "0.82", "[112.0, 0.0, 38.0]"))
	rig("rigs/moved.toml", "# the same build, typed from another point and in another order\n"+head+part("lens", "35  MM", "0.822", "[212.0, 3.0, 138.0]")+part("body", "body", "2.098", "[100.0, 3.0, 140.0]"))
	rig("rigs/unplaced.toml", head+part("body", "Body | spare", "2.1", "")+part("lens", "35 mm", "0.82", ""))
	rig("rigs/equal.toml", head+part("battery", "Left", "0.5", "[0.0, 60.0, 0.0]")+part("battery", "Right", "0.5", "[0.0, -62.6, 0.0]"))
	body := part("body", "Body", "2.1", "") + "cg_mm = [4.0, 1.0, 52.0]\n\n[part.mount.top]\nat_mm = [10.0, 0.0, 104.0]\nturn_deg = [0.0, 0.0, 90.0]\n\n" +
		"[part.mount.front]\nat_mm = [61.0, 0.0, 51.0]\ntakes = [\"lens\"]\n\n[part.mount.side]\nat_mm = [0.0, 40.0, 50.0]\n"
	lens := part("lens", "35 mm", "0.82", "") + "cg_mm = [42.0, 0.0, 1.0]\n"
	rig("rigs/mounts.toml", "# parts on mounts of others: named, turned and shifted, found by what a mount takes, and one on one\n"+head+body+lens+
		part("bracket", "Swan neck", "0.19", "")+"on = \"body.top\"\nshift_mm = [22.0, 0.0, 0.0]\nturn_deg = [0.0, -30.0, 0.0]\ncg_mm = [0.0, 0.0, 31.0]\n\n[part.mount.end]\nat_mm = [0.0, 0.0, 66.0]\nturn_deg = [15.0, 0.0, 0.0]\n"+
		part("monitor", "Small", "0.31", "")+"on = \"bracket.end\"\ncg_mm = [3.0, 8.0, 41.0]\n"+
		part("cable", "Without a balance point", "0.05", "")+"on = \"body.side\"\n")
	clip := func(slot string) string {
		return "takes = [\"" + slot + "\"]\n"
	}
	rig("rigs/first.toml", "# the first mount in the file that takes the slot, which is neither the first by name nor the only one\n"+head+part("body", "Body", "2.1", "")+"cg_mm = [4.0, 1.0, 52.0]\n\n"+
		"[part.mount.zenith]\nat_mm = [0.0, 0.0, 104.0]\n"+clip("accessory")+"\n[part.mount.cheek]\nat_mm = [0.0, 60.0, 52.0]\n"+clip("accessory")+
		"\n[part.mount.brow]\nat_mm = [61.0, 0.0, 90.0]\n"+clip("lens")+part("accessory", "Clip", "0.06", "")+"cg_mm = [0.0, 0.0, 5.0]\n"+part("accessory", "Second clip", "0.08", "")+"cg_mm = [0.0, 0.0, 5.0]\n")
	rig("rigs/apart.toml", "# two parts sit on nothing, so nobody knows where they lie from each other\n"+head+body+lens+part("battery", "Loose", "0.4", "")+"cg_mm = [0.0, 0.0, 30.0]\n")

	s := handovertest.Filled(t, handovertest.ACam)
	name := "walk-build"
	rr, err := s.Names().Find(name)
	if err != nil {
		t.Fatal(err)
	}
	text, err := s.Store.Work().Read(preset.TunePath(rr.Fingerprint, preset.MainTune))
	if err != nil {
		t.Fatal(err)
	}
	tune := func(name string, text []byte) {
		put(name, text)
		u := tuneOf(t, cat, name, text)
		x := tuneVector{File: name, Keys: u.Keys(), Digest: u.Digest(), Groups: map[string]string{}, In: map[string]string{}}
		for _, k := range u.Keys() {
			g := preset.GroupOf(k)
			x.In[k], x.Groups[g] = g, u.GroupDigest(g)
		}
		v.Tunes = append(v.Tunes, x)
	}
	tune("tunes/main.toml", text)
	tune("tunes/spelled.toml", append([]byte("# layout, comments and 25 against 25.0 do not count\n"), bytes.Replace(text, []byte("roll = 25\n"), []byte("roll    =   25.0 # Nm/rad\n"), 1)...))

	good := s.HandOver(name)
	sound := func(file, what string, data []byte) *handoverVector {
		put(file, data)
		p, err := handover.Open(data, cat)
		if err != nil {
			t.Fatal(err)
		}
		v.Handovers = append(v.Handovers, handoverVector{File: file, What: what, Accept: true, Digest: p.Digest})
		return &v.Handovers[len(v.Handovers)-1]
	}
	sound("handovers/good.zip", "sound, not signed", good)
	key := filepath.Join(t.TempDir(), "key")
	if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "vector", "-f", key).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	signer, done, err := handover.Signer(key, "")
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	signed, _, err := handover.Seal(s.Gather(name), []byte("<!DOCTYPE html><title>card</title>\n"), "rigkeep test", signer)
	if err != nil {
		t.Fatal(err)
	}
	pub, err := os.ReadFile(key + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	fields := strings.Fields(string(pub))
	line := fields[0] + " " + fields[1] + "\n"
	put("handovers/signers", []byte(handovertest.ACam.Email+" "+line))
	put("handovers/other-signers", []byte("b-cam@example.org "+line))
	x := sound("handovers/signed.zip", "sound, signed by a key of the list", signed)
	x.Signers, x.Trusted, x.On = "handovers/signers", true, "2026-03-02"
	x = sound("handovers/signed.zip", "sound, signed by a key that the list has for somebody else", signed)
	x.Signers, x.On = "handovers/other-signers", "2026-03-02"
	bad := map[string]handovertest.Case{}
	for _, c := range s.Corpus(name, good) {
		bad[c.Name] = c
	}
	for i, what := range refusals {
		c, ok := bad[what]
		if !ok {
			t.Fatalf("the corpus has no %q", what)
		}
		_, err := handover.Open(c.Data, cat)
		if err == nil {
			t.Fatalf("%s is taken in", what)
		}
		file := fmt.Sprintf("handovers/bad-%02d.zip", i+1)
		put(file, c.Data)
		v.Handovers = append(v.Handovers, handoverVector{File: file, What: what, Why: err.Error()})
	}
	out, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	put("vectors.json", append(out, '\n'))
}
