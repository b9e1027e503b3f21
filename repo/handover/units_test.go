package handover_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/handovertest"
	"rigkeep/repo/merge"
	"rigkeep/schema"
)

func unitOf(s *handovertest.Fixture, gimbal, serial string) schema.Unit {
	s.T.Helper()
	u, err := s.Units().Find(gimbal + "/" + serial)
	if err != nil {
		s.T.Fatal(err)
	}
	return u.Unit
}

// A unit goes along that is pinned, named or holds a tune; another does not. Of its record go
// what concerns the rigs, and what else is in it now goes without what it is.
func TestUnitsGoAlong(t *testing.T) {
	t.Parallel()
	s := handovertest.Filled(t, handovertest.ACam)
	why := func(name string, want ...string) {
		t.Helper()
		var got []string
		for _, u := range open(t, s.HandOver("walk-build")).Units {
			got = append(got, u.Serial)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: units %v, want %v", name, got, want)
		}
	}
	why("pinned", "U-01")
	s.Replace(preset.UnitPath("pier-one", "U-02"), "kind = \"unit\"\n", "kind = \"unit\"\nlabel = \"Second\"\nnote = \"of no concern\"\ntrouble = \"Clicks on roll.\"\n\n[link]\naddress = \"tcp:192.0.2.7:5760\"\n", "unit:U-02", "Label")
	why("still pinned alone", "U-01")
	s.Set("walk-build", "For the second", "unit=Second")
	why("named", "U-01", "U-02")
	s.Set("walk-build", "For any", "unit=U-01")
	s.Hold("U-02", "walk-build")
	why("held", "U-01", "U-02")

	p := open(t, s.HandOver("walk-build"))
	text := string(p.Files[preset.UnitPath("pier-one", "U-02")])
	for _, secret := range []string{"of no concern", "192.0.2.7"} {
		if strings.Contains(text, secret) {
			t.Errorf("the record has %q:\n%s", secret, text)
		}
	}
	u := p.Units[1]
	if u.Label != "Second" || u.Trouble != "Clicks on roll." || len(u.Held) != 1 {
		t.Errorf("%+v", u.Unit)
	}
	if _, ok := p.History.Commit(p.History.Tip); !ok || u.Held[0].Revision == "" {
		t.Errorf("the entry names no revision of the history: %+v", u.Held[0])
	}

	// another rig's tune went over it: it does not hold ours any more, and nothing is said of theirs
	s.Hold("U-01", "secret-build")
	s.Hold("U-02", "secret-build")
	why("over it", "U-01")
	p = open(t, s.HandOver("walk-build"))
	held := p.Units[0].Held
	if len(held) != 2 || held[1].Rig != "" || held[1].Digest != "" || len(held[1].Values) != 0 {
		t.Errorf("held %+v", held)
	}
	if now, _ := p.Units[0].Holds(0); now.Rig != "" {
		t.Errorf("it seems to hold %s still", now.Rig)
	}
	other := mustFind(s, "secret-build")
	for path, data := range p.Files {
		if strings.Contains(string(data), other.Fingerprint) {
			t.Errorf("%s speaks of the other rig", path)
		}
	}
}

// Accepting merges records by moment and person, ours first; a second handover of the same rig
// brings what became of the unit since.
func TestAcceptUnits(t *testing.T) {
	t.Parallel()
	a, b := handovertest.Filled(t, handovertest.ACam), handovertest.Empty(t, handovertest.BCam)
	got := accept(b, a.HandOver("walk-build"), handover.Options{})
	if len(got.Units) != 1 || !got.Units[0].New || got.Units[0].Words() != "unit U-01: new here, 1 entry of what it held" {
		t.Errorf("%+v", got.Units)
	}
	u := unitOf(b, "pier-one", "U-01")
	if u.Firmware != "2.4" || len(u.Held) != 1 || u.Held[0].By != handovertest.ACam.Name {
		t.Errorf("%+v", u)
	}
	d, err := b.Names().Load("walk-build", true)
	if err != nil {
		t.Fatal(err)
	}
	if u.Held[0].Rig != d.Rig.ID || u.Held[0].Digest != d.Tune.Digest() {
		t.Errorf("it holds %+v, the tune is %s of %s", u.Held[0], d.Tune.Digest(), d.Rig.ID)
	}
	// both go on: entries are united, our own words stay
	b.Replace(preset.UnitPath("pier-one", "U-01"), "firmware = \"2.4\"", "firmware = \"2.5\"", "unit:U-01", "New firmware")
	b.Hold("U-01", "walk-build")
	a.Replace(preset.UnitPath("pier-one", "U-01"), "kind = \"unit\"\n", "kind = \"unit\"\ntrouble = \"Fan is loud.\"\n", "unit:U-01", "Trouble")
	a.Hold("U-01", "secret-build")
	got = accept(b, a.HandOver("walk-build"), handover.Options{}) // of the rig there is nothing new
	u = unitOf(b, "pier-one", "U-01")
	if len(u.Held) != 3 || u.Firmware != "2.5" || u.Trouble != "Fan is loud." || len(got.Units) != 1 || got.Units[0].Entries != 1 {
		t.Errorf("%+v\n%+v", u, got.Units)
	}
	if !slices.ContainsFunc(got.Notes, func(n merge.Note) bool { return strings.Contains(n.Text, "firmware is \"2.5\" here and stays") }) {
		t.Errorf("nothing is said of the other firmware: %+v", got.Notes)
	}
	// the other rig comes too: what was only said to be something is said in full, once
	before := len(u.Held)
	accept(b, a.HandOver("walk-build", "secret-build"), handover.Options{})
	u = unitOf(b, "pier-one", "U-01")
	full := 0
	for _, h := range u.Held {
		if h.Rig != "" {
			full++
		}
	}
	if len(u.Held) != before || full != before {
		t.Errorf("%d entries, %d in full, want %d: %+v", len(u.Held), full, before, u.Held)
	}
	// and once more there is nothing to do
	var old *handover.Old
	if _, err := handover.Accept(b.Library, open(t, a.HandOver("walk-build")), handover.Options{}); !errors.As(err, &old) || !old.Same {
		t.Errorf("accepted again: %v", err)
	}
}

// The receiver has the gimbal under another name: the unit goes there, and holds the rig as it is
// called there. On another gimbal it stays out.
func TestAcceptUnitsOn(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	shown := strings.NewReplacer("up = \"stiffer\"", "up = \"stiffer\"\nshown_as = \"Brace\"", "up = \"heavier\"", "up = \"heavier\"\nshown_as = \"Damp\"",
		"up = \"wider\"", "up = \"wider\"\nshown_as = \"Slip\"", "up = \"longer\"", "up = \"longer\"\nshown_as = \"Trail\"")
	named := func(text string) string {
		out := shown.Replace(text)
		for i, n := 0, 0; ; n++ { // names are of one dial each
			at := strings.Index(out[i:], "shown_as = \"")
			if at < 0 {
				return out
			}
			i += at + len("shown_as = \"")
			out = out[:i] + string(rune('A'+n)) + " " + out[i:]
		}
	}
	sheet := handovertest.Sheet(handovertest.Dials{Max: 100, Fine: 1, SI: 200})
	a.Replace(preset.GimbalPath("pier-one"), sheet, named(sheet), "gimbal:pier-one", "Names")
	data := a.HandOver("walk-build")

	b := handovertest.Empty(t, handovertest.BCam)
	b.Add("Their name", map[string]string{preset.GimbalPath("glen"): named(sheet)})
	got := accept(b, data, handover.Options{On: "glen"})
	u := unitOf(b, "glen", "U-01")
	rr := mustFind(b, "walk-build")
	if len(got.Units) != 1 || len(u.Held) != 1 || u.Held[0].Rig != rr.Fingerprint || rr.Gimbal != "glen" {
		t.Errorf("%+v %+v, rig %+v", got.Units, u, rr)
	}
	c := handovertest.Empty(t, handovertest.BCam)
	c.Add("Another gimbal", map[string]string{preset.GimbalPath("big"): handovertest.Sheet(handovertest.Dials{Max: 50, Fine: 0.5, SI: 400})})
	got = accept(c, data, handover.Options{On: "big"})
	if all, _, err := c.Units().All(); err != nil || len(all) != 0 || len(got.Units) != 0 {
		t.Errorf("units on another gimbal: %+v, %v", all, err)
	}
}
