package file

import "testing"

func TestParseGivesKeysInOrder(t *testing.T) {
	d, err := Parse("main.toml", []byte(tune))
	if err != nil {
		t.Fatal(err)
	}
	keys := d.Keys()
	if keys[0] != "format" || keys[len(keys)-1] != "proof.notes" || len(keys) != 34 {
		t.Errorf("keys: %d %q", len(keys), keys)
	}
	if v, ok := d.Get("follow.walk.deadband.pan"); !ok || v != int64(6) {
		t.Errorf("follow.walk.deadband.pan = %v, %v", v, ok)
	}
	if line, col, ok := d.Pos("stiffness.roll"); line != 10 || col != 1 || !ok {
		t.Errorf("stiffness.roll at %d:%d, %v", line, col, ok)
	}
}
