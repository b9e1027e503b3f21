package library

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/schema"
)

// typedMounts is a build whose part without a mount goes on the first that takes it: by the file the
// one on top, by name the one at the side.
const typedMounts = `format = 1
kind = "rig"
alias = "typed"
gimbal = "quay-large"

[[part]]
slot = "body"
name = "Body Typed"
mass_g = 900
cg_mm = [0, 0, 40]

[part.mount.zenith]
at_mm = [0, 0, 90]
takes = ["accessory"]

[part.mount.cheek]
at_mm = [0, 60, 40]
takes = ["accessory"]

[[part]]
slot = "accessory"
name = "Clip"
from = "clip"
mass_g = 60
cg_mm = [0, 0, 5]
`

func typedRig(t *testing.T, text string) preset.Rig {
	t.Helper()
	r, err := preset.QuickRig(schema.Default(), "", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestFirstMountInTheOrderOfTheFile: wherever a build is read, a part that names no mount goes on the
// first one in the file that takes it. Read by name, the same file gave another fingerprint here and there.
func TestFirstMountInTheOrderOfTheFile(t *testing.T) {
	l, _ := shop(t, 1)
	named := typedRig(t, strings.Replace(typedMounts, "cg_mm = [0, 0, 5]\n", "cg_mm = [0, 0, 5]\non = \"body.zenith\"\n", 1))
	want := named.Fingerprint()
	aside := typedRig(t, strings.Replace(typedMounts, "cg_mm = [0, 0, 5]\n", "cg_mm = [0, 0, 5]\non = \"body.cheek\"\n", 1))
	if aside.Fingerprint() == want {
		t.Fatal("both mounts give one fingerprint: this tests nothing")
	}
	seated := func(what string, r preset.Rig) {
		t.Helper()
		if got := r.Parts[1].SitsOn; got != "body.zenith" || r.Fingerprint() != want {
			t.Errorf("%s: on %s, fingerprint %s; by the file on body.zenith, %s", what, got, r.Fingerprint(), want)
		}
	}
	r, err := l.Edits().AddRig("typed.toml", []byte(typedMounts))
	if err != nil {
		t.Fatal(err)
	}
	seated("rig add", r)
	part := func(name, text string) {
		t.Helper()
		save(t, l, preset.PartPath(name), []byte("format = 1\nkind = \"part\"\n"+text))
	}
	part("body-typed", "name = \"Body Typed\"\nslot = \"body\"\nmass_g = 900\ncg_mm = [0, 0, 40]\n\n[mount.zenith]\nat_mm = [0, 0, 90]\ntakes = [\"accessory\"]\n\n[mount.cheek]\nat_mm = [0, 60, 40]\ntakes = [\"accessory\"]\n")
	part("clip", "name = \"Clip\"\nslot = \"accessory\"\nmass_g = 60\ncg_mm = [0, 0, 5]\n")
	part("light", "name = \"Light\"\nslot = \"accessory\"\nmass_g = 90\ncg_mm = [0, 0, 9]\n")
	b, err := l.Builds().NewBuild(BuildRequest{Alias: "joined", Gimbal: "quay-large", Parts: []string{"body-typed", "clip"}})
	if err != nil {
		t.Fatal(err)
	}
	seated("rig new", b.Rig)
	save(t, l, preset.RigPath(want), []byte(typedMounts))

	p, err := named.Properties()
	if err != nil {
		t.Fatal(err)
	}
	rigs, err := l.Names().Rigs()
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range rigs {
		if q, ok := x.props.properties(); x.Fingerprint == want && (!ok || q.CG != p.CG) {
			t.Errorf("the summary balances at %v, the build at %v", q.CG, p.CG)
		}
	}
	d, err := l.Names().Load("typed", false)
	if err != nil {
		t.Fatal(err)
	}
	seated("load", d.Rig)
	rr, ok := l.Names().Named("typed")
	if !ok || rr.Fingerprint != want {
		t.Fatalf("%+v", rr)
	}
	if r, err = l.Rig("", want); err != nil {
		t.Fatal(err)
	}
	seated("read", r)
	c, err := l.Builds().CloneBuild(r, "lit", []Replace{{"accessory", "light"}})
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Rig.Parts[1].SitsOn; got != "body.zenith" {
		t.Errorf("clone: on %s", got)
	}
	part("clip", "name = \"Clip\"\nslot = \"accessory\"\nmass_g = 85\ncg_mm = [0, 0, 5]\n")
	again, _, err := l.Builds().Refresh(rr)
	if err != nil || again == nil || again.Rig.Parts[1].SitsOn != "body.zenith" {
		t.Errorf("refresh: %+v %v", again, err)
	}

	// edited by hand: the same two mounts the other way round are another build, and check finds none amiss
	i, j := strings.Index(typedMounts, "[part.mount.zenith]"), strings.Index(typedMounts, "[part.mount.cheek]")
	k := j + strings.Index(typedMounts[j:], "[[part]]")
	turned := typedMounts[:i] + typedMounts[j:k] + typedMounts[i:j] + typedMounts[k:]
	if err := os.WriteFile(filepath.Join(l.Store.Root(), filepath.FromSlash(preset.RigPath(want))), []byte(turned), 0o644); err != nil {
		t.Fatal(err)
	}
	if d, err = l.Names().Load("typed", false); err != nil || d.Rig.Parts[1].SitsOn != "body.cheek" || d.Rig.Edited != aside.Fingerprint() {
		t.Errorf("turned round: on %s, %s (%v)", d.Rig.Parts[1].SitsOn, d.Rig.Edited, err)
	}
}
