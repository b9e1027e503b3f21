package file

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	tomltest "github.com/toml-lang/toml-test/v2"
)

// Source of every text below: the toml-test corpus, github.com/toml-lang/toml-test/v2 v2.2.0, lists for TOML 1.0.0.

// corpus gives the texts of toml-test for TOML 1.0 below a folder, valid or invalid, by name.
func corpus(tb testing.TB, folder string) map[string][]byte {
	tb.Helper()
	files := tomltest.TestCases()
	r := tomltest.NewRunner(tomltest.Runner{Files: files, Version: "1.0.0"})
	names, err := r.List()
	if err != nil {
		tb.Fatal(err)
	}
	out := map[string][]byte{}
	for _, n := range names {
		if !strings.HasPrefix(n, folder+"/") {
			continue
		}
		data, err := fs.ReadFile(files, n+".toml")
		if err != nil {
			tb.Fatal(err)
		}
		out[n] = data
	}
	if len(out) < 150 {
		tb.Fatalf("only %d texts below %s", len(out), folder)
	}
	return out
}

func TestCorpusInvalid(t *testing.T) {
	for name, data := range corpus(t, "invalid") {
		_, err := Parse(name, data)
		if err == nil {
			t.Errorf("%s: taken\n%s", name, data)
			continue
		}
		lines := strings.Count(string(data), "\n") + 1
		for _, e := range List(err) {
			if e.Class != Damaged || e.File != name || e.Line < 1 || e.Line > lines || e.Col < 1 || e.What == "" || e.Want == "" || e.Fix == "" ||
				e.Want == "TOML 1.0" /* words for a complaint we do not know */ {
				t.Errorf("%s: incomplete error %+v", name, e)
			}
		}
		if len(List(err)) == 0 {
			t.Errorf("%s: %T is not a list of Error", name, err)
		}
		if _, verr := Values(name, data); verr == nil || verr.Error() != err.Error() {
			t.Errorf("%s: Values says %v, Parse %v", name, verr, err)
		}
		if testing.Verbose() {
			t.Log(err)
		}
	}
}

// TestCorpusValid holds what is read against the typed JSON that comes with each text.
func TestCorpusValid(t *testing.T) {
	files := tomltest.TestCases()
	refused := 0
	for name, data := range corpus(t, "valid") {
		d, err := Parse(name, data)
		if err != nil {
			// The one stated reason: NaN and infinities, each with its key.
			for _, e := range List(err) {
				if !strings.Contains(e.What, "not a number one can set") || e.Key == "" || e.Line == 0 {
					t.Errorf("%s: %v", name, err)
				}
			}
			refused++
			continue
		}
		raw, err := fs.ReadFile(files, name+".json")
		if err != nil {
			t.Fatal(err)
		}
		var want any
		if err := json.Unmarshal(raw, &want); err != nil {
			t.Fatal(err)
		}
		if err := matches(want, d.Tree()); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		values, err := Values(name, data)
		if err != nil || !same(values, d.tree, false) {
			t.Errorf("%s: Values gives %v, %v", name, values, err)
		}
	}
	if refused > 6 {
		t.Errorf("%d texts refused", refused)
	}
	t.Logf("%d refused for NaN or infinity", refused)
}

// matches compares a decoded value with toml-test's JSON for it.
func matches(want, got any) error {
	switch w := want.(type) {
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(w) {
			return fmt.Errorf("want %v, got %v", want, got)
		}
		for i := range w {
			if err := matches(w[i], g[i]); err != nil {
				return err
			}
		}
		return nil
	case map[string]any:
		typ, isValue := w["type"].(string)
		if !isValue {
			g, ok := got.(map[string]any)
			if !ok || len(g) != len(w) {
				return fmt.Errorf("want %v, got %v", want, got)
			}
			for k := range w {
				if err := matches(w[k], g[k]); err != nil {
					return fmt.Errorf("%s: %w", k, err)
				}
			}
			return nil
		}
		text := w["value"].(string)
		ok := false
		switch g := got.(type) {
		case string:
			ok = typ == "string" && g == text
		case int64:
			ok = typ == "integer" && strconv.FormatInt(g, 10) == text
		case float64:
			f, err := strconv.ParseFloat(text, 64)
			ok = typ == "float" && err == nil && (f == g || math.Abs(f-g) < 1e-15)
		case bool:
			ok = typ == "bool" && strconv.FormatBool(g) == text
		case time.Time:
			at, err := time.Parse(time.RFC3339Nano, text)
			ok = typ == "datetime" && err == nil && at.Equal(g)
		case DateTime:
			at, err := time.Parse("2006-01-02T15:04:05.999999999", text)
			ok = typ == "datetime-local" && err == nil && at.Equal(g.Time())
		case Date:
			ok = typ == "date-local" && g.String() == text
		case Clock:
			at, err := time.Parse("15:04:05.999999999", text)
			ok = typ == "time-local" && err == nil && at.Format("15:04:05.999999999") == g.String()
		}
		if !ok {
			return fmt.Errorf("want %s %q, got %T %v", typ, text, got, got)
		}
		return nil
	}
	return errors.New("no such thing in toml-test's JSON")
}
