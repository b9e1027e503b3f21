package schema

import (
	"math"
	"math/rand"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"
)

// grower makes arbitrary trees out of bytes: names and values are drawn from
// what the catalogue knows and from what no file should hold.
type grower struct {
	data  []byte
	names []string
}

func (g *grower) next() int {
	if len(g.data) == 0 {
		return 0
	}
	b := g.data[0]
	g.data = g.data[1:]
	return int(b)
}

func (g *grower) name() string {
	odd := []string{"", "*", "part[0]", "[", "]", "a.b", "\"", "\\", "\x00", "\xff\xfe", "ünï", "follow[]", strings.Repeat("n", 300)}
	i := g.next() | g.next()<<8
	if i%8 == 0 {
		return odd[i/8%len(odd)]
	}
	return g.names[i%len(g.names)]
}

type localDate struct{ t time.Time }

func (d localDate) Time() time.Time { return d.t }
func (d localDate) String() string  { return "2026-03-02" }

func (g *grower) value(depth int) any {
	switch n := g.next(); n % 16 {
	case 0, 1, 2, 3:
		if depth > 6 {
			return int64(n)
		}
		m := Tree{}
		for range g.next() % 8 {
			m[g.name()] = g.value(depth + 1)
		}
		return m
	case 4, 5:
		var l []any
		for range g.next() % 6 {
			l = append(l, g.value(depth+1))
		}
		return l
	case 6:
		var l []map[string]any
		for range g.next() % 4 {
			m, _ := g.value(depth + 1).(map[string]any)
			l = append(l, m)
		}
		return l
	case 7:
		return []float64{nan, inf, -inf, math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 0, math.Copysign(0, -1)}[g.next()%8]
	case 8:
		return []any{nil, true, false, int(3), uint8(3), float32(3), struct{}{}, []string{"x"}, map[string]int{"x": 1}, error(nil)}[g.next()%10]
	case 9:
		return []any{time.Time{}, time.Unix(1e9, 0), time.Date(-5, 1, 1, 0, 0, 0, 0, time.FixedZone("date-local", 0)), localDate{time.Unix(0, 0)}}[g.next()%4]
	case 10, 11:
		return g.name()
	case 12:
		return float64(g.next()) / 4
	case 13:
		return []int64{math.MinInt64, math.MaxInt64, 0, -1}[g.next()%4]
	}
	return int64(g.next()) - 20
}

func allNames(c *Catalogue) []string {
	seen := map[string]bool{}
	names := []string{"hand", "box", "linear", "table", "Nm/rad", "Hz", "stiffer", "lighter", "pan", "walk"}
	for _, kind := range Kinds {
		k, _ := c.Kind(kind)
		for _, f := range k.Fields {
			for _, s := range strings.Split(strings.ReplaceAll(f.Path, "[]", ""), ".") {
				if !seen[s] {
					seen[s] = true
					names = append(names, s)
				}
			}
		}
	}
	return names
}

// anything checks what must hold of every document.
func anything(t *testing.T, c *Catalogue, kind string, doc Tree, sheet *Sheet) {
	ps := c.Validate(kind, doc, sheet)
	if len(ps) > maxProblems+1 {
		t.Fatalf("%d problems", len(ps))
	}
	if again := c.Validate(kind, doc, sheet); !reflect.DeepEqual(ps, again) {
		t.Fatalf("two looks differ:\n%v\n%v", ps, again)
	}
	for _, p := range ps {
		if p.What == "" || p.Fix == "" {
			t.Fatalf("a problem without a hint: %+v", p)
		}
		_ = p.Error()
	}
	f := Flatten(doc)
	for _, k := range f.Keys() {
		f.Num(k)
		f.Time(k)
		f.Nums(k)
		f.Strs(k)
		c.Param(k)
		c.Field(kind, k)
		c.Explain(k)
	}
	f.Names("follow")
	f.Len("part")
	if kind == KindGimbal {
		if s, _ := c.Sheet("x", doc); s != nil {
			for _, d := range s.Dials {
				for _, v := range []float64{d.Min, (d.Min + d.Max) / 2, d.Max} {
					if d.Map == nil {
						continue
					}
					if si, err := d.ToSI(v); err != nil || math.IsNaN(si) || math.IsInf(si, 0) || si < 0 {
						t.Fatalf("%+v, %+v at %v: %v %v", d, d.Map, v, si, err)
					}
				}
			}
		}
	}
}

func FuzzValidate(f *testing.F) {
	c := Default()
	names := allNames(c)
	r := rand.New(rand.NewSource(1))
	for i := range 40 {
		b := make([]byte, 20*i)
		r.Read(b)
		f.Add(uint8(i), b)
	}
	f.Fuzz(func(t *testing.T, which uint8, data []byte) {
		kind := Kinds[int(which)%len(Kinds)]
		g := &grower{data: data, names: names}
		// begin from a valid document, so that the rules behind the keys are reached
		doc := base(t, kind)
		for range 1 + g.next()%12 {
			var path string
			if len(doc) > 0 && g.next()%2 == 0 {
				keys := Flatten(doc).Keys()
				path = keys[(g.next()|g.next()<<8)%len(keys)]
				if strings.Contains(path, `"`) {
					continue
				}
				change(t, doc, path, g.value(0))
				continue
			}
			doc[g.name()] = g.value(0)
		}
		var sheet *Sheet
		if which&64 != 0 {
			sheet = testSheet(t)
		}
		anything(t, c, kind, doc, sheet)
		if m, ok := g.value(0).(Tree); ok {
			m["format"], m["kind"] = int64(1), kind
			anything(t, c, kind, m, sheet)
		}
		c.CheckValue(g.name(), g.value(0), sheet)
	})
}

// The same, seeded, as part of every run; more with RIGKEEP_STORM.
func TestValidateArbitraryTrees(t *testing.T) {
	c := Default()
	names := allNames(c)
	n := 1500
	if s, err := strconv.Atoi(os.Getenv("RIGKEEP_STORM")); err == nil {
		n *= s
	}
	r := rand.New(rand.NewSource(2))
	for i := range n {
		b := make([]byte, r.Intn(400))
		r.Read(b)
		g := &grower{data: b, names: names}
		m, ok := g.value(0).(Tree)
		if !ok {
			m = Tree{}
		}
		kind := Kinds[i%len(Kinds)]
		m["format"], m["kind"] = int64(1), kind
		anything(t, c, kind, m, nil)
	}
}
