package main

import (
	"bytes"
	"encoding"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"rigkeep/cmd/rigkeep/device/devicetest"
	"rigkeep/diffview/safe"
)

// shapeCases are the commands by which each JSON shape is seen, in this order, in the
// demo library. A command that reads has a line here and so a schema in
// answers.json.
var shapeCases = []struct{ section, line string }{
	{"rig list", "rig list"},
	{"rig show", "rig show b-cam-85"},
	{"rig near", "rig near b-cam-85"},
	{"part list", "part list"},
	{"part show", "part show 50-mm-prime"},
	{"part export", "part export"},
	{"any command that changes something", "rig new bulk --gimbal quay-large --mass 2.3kg"},
	{"rig show, a balance point unknown", "rig show bulk"},
	{"gimbal list", "gimbal list"},
	{"gimbal show", "gimbal show skiff-small"},
	{"unit list", "unit list"},
	{"load", "load b-cam-85 --unit SK-0417 --done"},
	{"load", "load b-cam-85 --unit SK-0417 --read-back --shows tilt=11"},
	{"unit show", "unit show SK-0412"},
	{"compare --units", "compare b-cam-85 --units"},
	{"fit", "fit b-cam-85"},
	{"fit", "fit b-cam-85 --effort tilt=-3 --battery 98Wh --lens 35mm --sensor 24.9x18.7mm"},
	{"start", "start b-cam-18 --shots walk --lens 35mm --sensor 24.9x18.7mm"},
	{"start", "start b-cam-18 --write"},
	{"start --backtest", "start b-cam-85 --backtest"},
	{"gimbal measure", "gimbal measure tilt --unit QL-0031 --from ../stiffness.csv --dry-run"},
	{"show", "show b-cam-85"},
	{"show", "show b-cam-85@pilot-station"},
	{"history", "history b-cam-85"},
	{"history", "history b-cam-85 --key stiffness.tilt"},
	{"history", "history"},
	{"compare", "compare a-cam-prime@pilot-station a-cam-prime"},
	{"compare", "compare b-cam-85@~1 b-cam-85"},
	{"compare", "compare job:pilot-station job:tug-day"},
	{"explain", "explain"},
	{"explain KEY", "explain stiffness.tilt --rig b-cam-85"},
	{"find", "find prime"},
	{"photo list", "photo list b-cam-85"},
	{"job list", "job list"},
	{"job show", "job show pilot-station"},
	{"job pack", "job pack pilot-station"},
	{"check", "check"},
	{"check --install-drivers", "check --install-drivers"},
	{"sync", "sync ../shared.git"},
	{"balance", "balance a-cam-zoom --unit QL-0031"},
	{"balance", "balance a-cam-zoom --unit QL-0031 --mark plate=50 --effort tilt=2/1 --more"},
	{"balance --backtest", "balance --backtest"},
	{"bench", "bench a-cam-zoom --unit QL-0031 --axis pan --value 40 --saw clean"},
	{"bench", "bench a-cam-zoom --axis pan --value 45 --saw chatter --hz 14"},
	{"diagnose", "diagnose --axis tilt --feel chatter --when rest --rig b-cam-85"},
	{"diagnose", "diagnose --log ../desk/b-cam-shake.csv --rig b-cam-85"},
	{"follow", "follow b-cam-85 --style walk --against sweep --lens 50mm --sensor 24.9x18.7mm"},
	{"follow", "follow a-cam-prime --style walk --against walk"},
	{"follow --for", "follow b-cam-85 --for pilot-station --write --dry-run"},
	{"review", "review night-pilotage --since 2026-01-15"},
	{"review --rules", "review --rules"},
	{"review --explain", "review --explain onset-near"},
	{"card", "card b-cam-85 --html ../card.html"},
	{"open", "open b-cam-85"},
	{"pages", "pages ../pages"},
	{"serve", "serve --lan --addr 127.0.0.1:0"},
	{"handover write", "handover write b-cam-85 ../parcel.zip"},
	{"handover read", "handover read ../parcel.zip"},
	{"handover accept", "handover accept ../parcel.zip --unsigned --library ../other"},
	{"trust list", "trust list"},
	{"gimbal link", "gimbal link quay-large --from DEVICE"},
	{"unit read", "unit read QL-0044 --from DEVICE --style walk"},
	{"unit read", "unit read QL-0044 --from DEVICE --style walk --record"},
	{"load --link", "load a-cam-prime --unit QL-0044 --link --plan"},
	{"any command that changes something", "set b-cam-85 stiffness.tilt=9 --dry-run"},
	{"an error", "show nobody"},
}

// TestShapes holds the JSON that the commands print against answers.json, the schemas that
// `rigkeep schema --answers` prints. RIGKEEP_UPDATE=1 writes them as they are now; a change
// that takes a field away or turns it into another type raises "format" instead.
func TestShapes(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	clock := time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC)
	var seen any
	play := func(dir, line string) string {
		var out, errs bytes.Buffer
		e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Dir: dir, Now: func() time.Time { return clock }, Answered: func(v any) { seen = v },
			Getenv: func(k string) string {
				return map[string]string{"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>", "HOME": top, "PATH": os.Getenv("PATH")}[k]
			}}
		seen = nil
		Main(append([]string{"rigkeep"}, cutWords(line)...), e)
		clock = clock.Add(time.Minute)
		return out.String() + map[bool]string{true: errs.String()}[out.Len() == 0]
	}
	play(top, "demo made --quiet")
	play(top, "init made/other")
	dir := filepath.Join(top, "made", "library")
	if out, err := exec.Command("git", "init", "-q", "--bare", "-b", "main", filepath.Join(top, "made", "shared.git")).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, rig := range []string{"b-cam-85", "b-cam-18"} { // two proofs to test the starting tunes against
		play(dir, "start b-cam-18 --write")
		play(dir, "prove "+rig+" --unit SK-0412 --place hand --onset tilt=20 --effort tilt=1")
	}
	if err := os.WriteFile(filepath.Join(top, "made", "stiffness.csv"), []byte("dial,mass_g,arm_mm,up_deg,down_deg\n10,300,140,3.1,2.3\n25,600,140,2.6,2.0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	types := map[string]reflect.Type{}
	var order []string
	covered := map[string]bool{}
	device := ""
	for _, p := range shapeCases {
		if strings.Contains(p.line, "DEVICE") && device == "" {
			device = devicetest.Start(t, "udp", "--table", linkTable(t), "--heartbeat", "300").Address()
			linkedSheet(t, &fixture{dir: dir}, "by value", "on command")
		}
		out := play(dir, strings.ReplaceAll(p.line, "DEVICE", device)+" --json")
		var doc map[string]any
		if err := json.Unmarshal([]byte(out), &doc); err != nil {
			t.Errorf("%s: %v\n%s", p.line, err, out)
			continue
		}
		if doc["format"] != 1.0 {
			t.Errorf("%s: format is %v", p.line, doc["format"])
		}
		if seen == nil {
			t.Errorf("%s: no answer was seen", p.line)
			continue
		}
		typ := reflect.TypeOf(seen)
		noNull(t, p.line, typ, doc)
		if was := types[p.section]; was == nil {
			order = append(order, p.section)
		} else if was != typ {
			t.Errorf("%s answers in another shape than before", p.section)
		}
		types[p.section] = typ
		words := strings.Fields(p.line)
		for n := 1; n <= min(2, len(words)); n++ {
			covered[strings.Join(words[:n], " ")] = true
		}
	}
	for path := range leaves(newApp(Env{Getenv: func(string) string { return "" }}, nil).Commands, "") {
		if findVerb(strings.Fields(path)).reads && !covered[path] {
			t.Errorf("%s reads and its JSON shape is not documented: add it to shapeCases", path)
		}
	}

	var b bytes.Buffer
	b.WriteString("{")
	for i, s := range order {
		if i > 0 {
			b.WriteString(",")
		}
		w := answerSchema{t: t, section: s}
		text, err := json.Marshal(w.of(types[s], ""))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "\n%q: %s", s, text)
	}
	b.WriteString("\n}\n")
	if bytes.Equal(b.Bytes(), answers) {
		return
	}
	if os.Getenv("RIGKEEP_UPDATE") == "" {
		t.Fatal("answers.json is not what the commands print; RIGKEEP_UPDATE=1 go test ./cmd/rigkeep -run TestShapes rewrites it")
	}
	if err := os.WriteFile("answers.json", b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

var textMarshaler = reflect.TypeFor[encoding.TextMarshaler]()

// noNull fails where a list or table is null rather than empty.
func noNull(t *testing.T, at string, typ reflect.Type, v any) {
	for typ.Kind() == reflect.Pointer {
		typ = typ.Elem()
	}
	if v == nil && (typ.Kind() == reflect.Slice || typ.Kind() == reflect.Map) {
		t.Errorf("%s is null, not empty", at)
	}
	switch x := v.(type) {
	case map[string]any:
		if typ.Kind() == reflect.Struct {
			for _, f := range jsonFields(typ) {
				if w, ok := x[f.name]; ok {
					noNull(t, at+"."+f.name, f.typ, w)
				}
			}
		}
	case []any:
		if typ.Kind() == reflect.Slice {
			for i, w := range x {
				noNull(t, fmt.Sprintf("%s[%d]", at, i), typ.Elem(), w)
			}
		}
	}
}

type jsonField struct {
	name     string
	typ      reflect.Type
	optional bool
}

// jsonFields are the members of a struct as encoding/json writes them.
func jsonFields(t reflect.Type) []jsonField {
	var out []jsonField
	for i := range t.NumField() {
		f := t.Field(i)
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" {
			out = append(out, jsonFields(f.Type)...)
			continue
		}
		if !f.IsExported() || name == "-" {
			continue
		}
		if name == "" {
			name = f.Name
		}
		out = append(out, jsonField{name, f.Type, strings.Contains(opts, "omit")})
	}
	return out
}

var snake = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// answerSchema writes a type as the JSON Schema of what it prints.
type answerSchema struct {
	t       *testing.T
	section string
	open    []reflect.Type // that the writer is inside of
}

func (w *answerSchema) of(t reflect.Type, at string) map[string]any {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch {
	case t == reflect.TypeFor[time.Time]():
		return map[string]any{"type": "string", "format": "date-time"}
	case t.Implements(textMarshaler):
		return map[string]any{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Struct:
		if slices.Contains(w.open, t) {
			return map[string]any{"type": "object"}
		}
		w.open = append(w.open, t)
		defer func() { w.open = w.open[:len(w.open)-1] }()
		props, required := map[string]any{}, []string{}
		for _, f := range jsonFields(t) {
			if !snake.MatchString(f.name) {
				w.t.Errorf("%s: %s%s is not in small letters and underscores", w.section, at, f.name)
			}
			s := w.of(f.typ, at+f.name+".")
			if kind, ok := s["type"]; ok && f.typ.Kind() == reflect.Pointer && !f.optional {
				s["type"] = []any{kind, "null"}
			}
			props[f.name] = s
			if !f.optional {
				required = append(required, f.name)
			}
		}
		return map[string]any{"type": "object", "properties": props, "required": required}
	case reflect.Slice:
		return map[string]any{"type": "array", "items": w.of(t.Elem(), at)}
	case reflect.Array:
		return map[string]any{"type": "array", "items": w.of(t.Elem(), at), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": w.of(t.Elem(), at)}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Interface:
		return map[string]any{}
	}
	return map[string]any{"type": "number"}
}

// TestJSONIsSafe: text from outside stands escaped in an answer as well.
func TestJSONIsSafe(t *testing.T) {
	var b bytes.Buffer
	in := outcome{Format: 1, Command: "save", Subject: "a\u202eb\u009b31m\x1b[2J", Words: []string{}, Files: []string{}}
	if err := safe.WriteJSON(&b, in); err != nil {
		t.Fatal(err)
	}
	if safe.Text(b.String()) != b.String() {
		t.Errorf("%q", b.String())
	}
	var back outcome
	if err := json.Unmarshal(b.Bytes(), &back); err != nil || !reflect.DeepEqual(back, in) {
		t.Errorf("%v %+v", err, back)
	}
	keys := []string{"format", "command", "dry_run", "subject", "words", "files"}
	var m map[string]any
	_ = json.Unmarshal(b.Bytes(), &m)
	var got []string
	for k := range m {
		got = append(got, k)
	}
	sort.Strings(keys)
	sort.Strings(got)
	if !reflect.DeepEqual(got, keys) {
		t.Errorf("%v", got)
	}
}
