// Package checks runs the published check values against every model. It holds
// tests only: testdata/checks.toml and checks-2.toml have cases with their sources,
// testdata/more.toml those that more.py beside it computes; set RIGKEEP_CHECKS to
// one or more further files of the same form (separated as in PATH) to run those
// as well.
package checks

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// inputs is one case's input table with the folder its file names are relative to.
type inputs struct {
	m   map[string]any
	dir string
}

// runner computes the expected values of one kind of case. A field that the
// model does not give is left out and then fails the case.
type runner func(in inputs) (map[string]any, error)

// runners is filled by the init functions of the files beside this one, one
// file per group of models.
var runners = map[string]runner{}

func register(kind string, r runner) {
	if _, ok := runners[kind]; ok {
		panic("two runners for check kind " + kind)
	}
	runners[kind] = r
}

type checkCase struct {
	ID        string               `toml:"id"`
	Group     string               `toml:"group"`
	Kind      string               `toml:"kind"`
	Source    string               `toml:"source"`
	Note      string               `toml:"note"`
	RTol      float64              `toml:"rtol"`
	ATol      float64              `toml:"atol"`
	Inputs    map[string]any       `toml:"inputs"`
	Expected  map[string]any       `toml:"expected"`
	Published map[string]any       `toml:"published"`
	Tol       map[string][]float64 `toml:"tol"`
}

func TestPublishedValues(t *testing.T) {
	files := []string{filepath.Join("testdata", "checks.toml"), filepath.Join("testdata", "checks-2.toml"), filepath.Join("testdata", "more.toml")}
	files = append(files, filepath.SplitList(os.Getenv("RIGKEEP_CHECKS"))...)
	for _, file := range files {
		var doc struct {
			Case []checkCase `toml:"case"`
		}
		if _, err := toml.DecodeFile(file, &doc); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		if len(doc.Case) == 0 {
			t.Fatalf("%s: no cases", file)
		}
		for _, c := range doc.Case {
			t.Run(filepath.Base(file)+"/"+c.ID+"/"+c.Kind, func(t *testing.T) {
				run, ok := runners[c.Kind]
				if !ok {
					t.Fatalf("no runner for kind %q (source: %s)", c.Kind, c.Source)
				}
				got, err := run(inputs{c.Inputs, filepath.Dir(file)})
				if err != nil {
					t.Fatalf("%v (source: %s)", err, c.Source)
				}
				for _, k := range slices.Sorted(maps.Keys(c.Expected)) {
					c.compare(t, k, k, got[k], c.Expected[k])
				}
				for _, k := range slices.Sorted(maps.Keys(c.Published)) {
					c.printed(t, k, got, number(c.Published[k]))
				}
			})
		}
	}
}

// compare walks want and fails t for every leaf of got that is outside the
// tolerance of the nearest named key.
func (c checkCase) compare(t *testing.T, path, name string, got, want any) {
	t.Helper()
	switch w := want.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok {
			t.Errorf("%s: got %v (%T), want a table", path, got, got)
			return
		}
		for _, k := range slices.Sorted(maps.Keys(w)) {
			n := k
			if _, ok := c.Tol[k]; !ok {
				if _, ok := c.Tol[name]; ok {
					n = name
				}
			}
			c.compare(t, path+"."+k, n, g[k], w[k])
		}
	case []map[string]any:
		l := make([]any, len(w))
		for i := range w {
			l[i] = w[i]
		}
		c.compare(t, path, name, got, l)
	case []any:
		g := list(got)
		if len(g) != len(w) {
			t.Errorf("%s: got %d values %v, want %d", path, len(g), got, len(w))
			return
		}
		for i := range w {
			c.compare(t, path+"["+strconv.Itoa(i)+"]", name, g[i], w[i])
		}
	case bool, string:
		if got != want {
			t.Errorf("%s: got %v, want %v", path, got, want)
		}
	default:
		wf, g := number(want), number(got)
		rtol, atol := c.RTol, c.ATol
		if tt, ok := c.Tol[name]; ok && len(tt) == 2 {
			rtol, atol = tt[0], tt[1]
		}
		if math.IsInf(wf, 0) {
			if g != wf {
				t.Errorf("%s: got %v, want %v", path, got, want)
			}
			return
		}
		// a value that is zero by definition is allowed rounding noise
		if wf == 0 && atol == 0 {
			atol = 1e-12
		}
		if math.IsNaN(g) || math.Abs(g-wf) > atol+rtol*math.Abs(wf) {
			t.Errorf("%s: got %.12g, want %.12g within %.3g relative + %.3g absolute (source: %s)", path, g, wf, rtol, atol, c.Source)
		}
	}
}

// printed holds a result against what the source prints, to the digits it prints.
// A key with a dot names a field of a table; one that is not there is looked for in
// the only table there is.
func (c checkCase) printed(t *testing.T, key string, got map[string]any, want float64) {
	t.Helper()
	var v any = got
	if _, ok := got[key]; !ok && len(got) == 1 {
		for _, only := range got {
			v = only
		}
	}
	for _, k := range strings.Split(key, ".") {
		m, _ := v.(map[string]any)
		v = m[k]
	}
	_, decimals, _ := strings.Cut(strconv.FormatFloat(want, 'f', -1, 64), ".")
	half := 0.501 * math.Pow(10, -float64(len(decimals)))
	rtol, atol := c.RTol, c.ATol
	if tt, ok := c.Tol[key]; ok && len(tt) == 2 {
		rtol, atol = tt[0], tt[1]
	}
	if g := number(v); !(math.Abs(g-want) <= math.Max(half, atol+rtol*math.Abs(want))) {
		t.Errorf("%s: got %.12g, the source prints %v (%s)", key, g, want, c.Source)
	}
}

func number(v any) float64 {
	switch x := v.(type) {
	case int64:
		return float64(x)
	case int:
		return float64(x)
	case float64:
		return x
	}
	return math.NaN()
}

func list(v any) []any {
	switch x := v.(type) {
	case []any:
		return x
	case []float64:
		out := make([]any, len(x))
		for i := range x {
			out[i] = x[i]
		}
		return out
	case [][]float64:
		out := make([]any, len(x))
		for i := range x {
			out[i] = x[i]
		}
		return out
	case []map[string]any:
		out := make([]any, len(x))
		for i := range x {
			out[i] = x[i]
		}
		return out
	}
	return nil
}

// num, nums and str read an input; a missing number is def.
func (in inputs) num(key string, def float64) float64 {
	v, ok := in.m[key]
	if !ok {
		return def
	}
	return number(v)
}

func (in inputs) nums(key string) []float64 {
	l := list(in.m[key])
	if l == nil {
		return nil
	}
	out := make([]float64, len(l))
	for i, v := range l {
		out[i] = number(v)
	}
	return out
}

func (in inputs) str(key string) string { s, _ := in.m[key].(string); return s }

func (in inputs) table(key string) inputs {
	m, _ := in.m[key].(map[string]any)
	return inputs{m, in.dir}
}

// tables reads an array of tables.
func (in inputs) tables(key string) []inputs {
	var out []inputs
	for _, v := range list(in.m[key]) {
		m, ok := v.(map[string]any)
		if !ok {
			panic(fmt.Sprintf("input %s: want tables, got %T", key, v))
		}
		out = append(out, inputs{m, in.dir})
	}
	return out
}
