package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/schema"
	"rigkeep/schema/schematest"
)

// TestNewParameter runs the program with a copy of the catalogue that has one
// more parameter: every command that reads the catalogue knows it, with no other
// change. The shipped program refuses the same files.
func TestNewParameter(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	dir := filepath.Join(top, "lib")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	cat := schematest.Catalogue()
	do := func(c *schema.Catalogue, want int, args ...string) string {
		t.Helper()
		var out bytes.Buffer
		e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Dir: dir, Catalogue: c, Now: osEnv().Now,
			Getenv: func(k string) string {
				return map[string]string{"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>"}[k]
			}}
		if code := Main(append([]string{"rigkeep"}, args...), e); code != want {
			t.Fatalf("rigkeep %s: exit %d, want %d\n%s", strings.Join(args, " "), code, want, out.String())
		}
		return out.String()
	}
	has := func(text, want string) {
		t.Helper()
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	// the sample sheet is the template of the extended catalogue, its dial filled in
	sheet, err := os.ReadFile(filepath.Join("..", "..", "examples", "gimbals", "quay-large.toml"))
	if err != nil {
		t.Fatal(err)
	}
	extra := "\n[dial.recovery.tilt]\nmin = 0\nmax = 100\ncoarse = 5\nfine = 1\nup = \"quicker recovery\"\n"
	for name, text := range map[string]string{"quay-large.toml": string(sheet) + extra, "rig.toml": strings.Replace(goodRig, "skiff-small", "quay-large", 1)} {
		if err := os.WriteFile(filepath.Join(top, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	do(cat, 0, "init", ".")
	has(do(nil, exitDamaged, "gimbal", "add", "../quay-large.toml"), "unknown")
	do(cat, 0, "gimbal", "add", "../quay-large.toml")
	do(cat, 0, "rig", "add", "../rig.toml")
	do(cat, 0, "start", "b-cam-85", "--write")
	do(cat, 0, "set", "b-cam-85", schematest.Key+"=20")
	has(do(cat, exitUsage, "set", "b-cam-85", schematest.Key+"=200"), "outside the dial")
	do(cat, 0, "save", "b-cam-85", "-m", "First")
	has(do(cat, 0, "show", "b-cam-85", "--all"), schematest.Key)
	do(cat, 0, "set", "b-cam-85", schematest.Key+"=30")
	has(do(cat, exitFindings, "compare", "b-cam-85", "--all"), "recovery, tilt")
	has(do(cat, exitFindings, "compare", "b-cam-85", "--json"), `"key": "recovery.tilt"`)
	has(do(cat, 0, "save", "b-cam-85", "-m", "Second"), "recovery.tilt 20 → 30")
	has(do(cat, 0, "history", "b-cam-85", "--key", schematest.Key), "20")
	has(do(cat, 0, "explain", schematest.Key, "--rig", "b-cam-85"), "quicker recovery")
	has(do(cat, 0, "explain"), schematest.Key)
	has(do(cat, 0, "schema", "tune"), `"recovery"`)
	has(do(cat, 0, "gimbal", "new"), "recovery")
	has(do(cat, 0, "check"), "no findings")
	has(do(cat, 0, "__complete", "set", "b-cam-85", "reco"), schematest.Key+"=")
	has(do(cat, 0, "__complete", "explain", "reco"), schematest.Key)
	// the program that ships knows nothing of it and says so, with the place
	has(do(nil, exitFindings, "check"), "unknown")
}
