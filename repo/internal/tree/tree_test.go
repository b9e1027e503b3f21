package tree

import (
	"errors"
	"fmt"
	"math/rand"
	"slices"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
)

// memory is a store of trees.
type memory map[plumbing.Hash][]byte

func (m memory) Tree(id plumbing.Hash) ([]byte, error) {
	b, ok := m[id]
	if !ok {
		return nil, errors.New("no tree " + id.String())
	}
	return b, nil
}

func (m memory) keep(r *Result) plumbing.Hash {
	for _, o := range r.Objects {
		m[o.ID] = o.Data
	}
	return r.Root
}

func blob(s string) plumbing.Hash { return plumbing.ComputeHash(plumbing.BlobObject, []byte(s)) }

func files(t testing.TB, m memory, root plumbing.Hash) map[string]plumbing.Hash {
	out := map[string]plumbing.Hash{}
	last := ""
	err := Walk(m, root, "", func(path string, mode uint32, id plumbing.Hash) error {
		out[path] = id
		last = path
		return nil
	})
	if err != nil {
		t.Fatal(err, last)
	}
	return out
}

// TestUpdateAndDiff edits a tree at random and compares with a plain map; and the difference of
// any two trees must be the difference of their maps.
func TestUpdateAndDiff(t *testing.T) {
	m := memory{}
	rnd := rand.New(rand.NewSource(4))
	model := map[string]plumbing.Hash{}
	var root plumbing.Hash
	type state struct {
		root  plumbing.Hash
		model map[string]plumbing.Hash
	}
	history := []state{{root, nil}}
	names := []string{"a", "a.b", "a-b", "ab", "b", "c"} // "a" as a folder sorts after "a-b" and "a.b"
	for i := range 300 {
		var edits []Edit
		used := map[string]bool{}
		for range 1 + rnd.Intn(4) {
			p := names[rnd.Intn(len(names))] + "/" + names[rnd.Intn(len(names))] + "/" + []string{"x", "y.toml", "x.toml"}[rnd.Intn(3)]
			if rnd.Intn(4) == 0 {
				p = names[rnd.Intn(len(names))] + ".toml"
			}
			if used[p] {
				continue
			}
			used[p] = true
			if _, there := model[p]; there && rnd.Intn(3) == 0 {
				edits = append(edits, Edit{Path: p})
				delete(model, p)
			} else {
				id := blob(fmt.Sprint(rnd.Intn(40)))
				edits = append(edits, Edit{p, ModeFile, id})
				model[p] = id
			}
		}
		r, err := Update(m, root, edits)
		if err != nil {
			t.Fatal(err)
		}
		root = m.keep(r)
		if len(model) == 0 {
			continue
		}
		got := files(t, m, root)
		if fmt.Sprint(got) != fmt.Sprint(model) {
			t.Fatalf("step %d: %v\nwanted %v", i, got, model)
		}
		for p, id := range model {
			if e, err := Lookup(m, root, p); err != nil || e.ID != id {
				t.Fatal(p, err)
			}
		}
		copied := map[string]plumbing.Hash{}
		for k, v := range model {
			copied[k] = v
		}
		history = append(history, state{root, copied})
		old := history[rnd.Intn(len(history))]
		var changes []string
		last := ""
		if err := Diff(m, old.root, root, func(c Change) error {
			if old.model[c.Path] != c.Old || model[c.Path] != c.New || c.Old == c.New {
				t.Fatalf("%+v", c)
			}
			changes = append(changes, c.Path)
			last = c.Path
			return nil
		}); err != nil {
			t.Fatal(err, last)
		}
		want := 0
		for p, id := range model {
			if old.model[p] != id {
				want++
			}
		}
		for p := range old.model {
			if _, ok := model[p]; !ok {
				want++
			}
		}
		slices.Sort(changes)
		if len(slices.Compact(changes)) != want {
			t.Fatalf("%d differences, %d expected", len(changes), want)
		}
	}
}

func TestUpdateRefusals(t *testing.T) {
	m := memory{}
	r, err := Update(m, plumbing.ZeroHash, []Edit{{"rigs/aa/main.toml", ModeFile, blob("1")}})
	if err != nil {
		t.Fatal(err)
	}
	root := m.keep(r)
	var clash *ErrCaseClash
	for _, p := range []string{"rigs/AA/x.toml", "Rigs/aa/x.toml", "rigs/aa/MAIN.toml"} {
		if _, err := Update(m, root, []Edit{{p, ModeFile, blob("2")}}); !errors.As(err, &clash) {
			t.Errorf("%s: %v", p, err)
		}
	}
	for _, p := range []string{"rigs", "rigs/aa", "rigs/aa/main.toml/x"} {
		if _, err := Update(m, root, []Edit{{p, ModeFile, blob("2")}}); err == nil {
			t.Errorf("%s was taken", p)
		}
	}
	if _, err := Update(m, root, []Edit{{"x", ModeFile, blob("2")}, {"x", 0, plumbing.ZeroHash}}); err == nil {
		t.Error("a path given twice was taken")
	}
	r, err = Update(m, root, []Edit{{Path: "rigs/aa/main.toml"}})
	if err != nil || r.Root.String() != "4b825dc642cb6eb9a060e54bf8d69288fbee4904" { // git's empty tree
		t.Error(r, err)
	}
}

func FuzzParse(f *testing.F) {
	id := blob("x")
	f.Add([]byte("100644 a.toml\x00"+string(id[:])+"40000 b\x00"+string(id[:])), []byte("100644 a.toml\x00"+string(id[:])))
	f.Add([]byte("40000 \x00"), []byte{})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		es, err := Parse(a)
		if err == nil {
			back, err := Parse(Format(es))
			if err != nil || len(back) != len(es) {
				t.Fatal(err)
			}
			_, _ = find(a, "a.toml")
		} else if !errors.Is(err, objects.ErrDamaged) {
			t.Fatal(err)
		}
		ia, ib := plumbing.ComputeHash(plumbing.TreeObject, a), plumbing.ComputeHash(plumbing.TreeObject, b)
		m := memory{ia: a, ib: b}
		n := 0
		err = Diff(m, ia, ib, func(c Change) error {
			if c.Old == c.New && c.OldMode == c.NewMode {
				return fmt.Errorf("no difference at %q", c.Path)
			}
			if n++; n > 10000 {
				return errors.New("without end")
			}
			return nil
		})
		if err != nil && (strings.Contains(err.Error(), "without end") || strings.Contains(err.Error(), "no difference")) {
			t.Fatal(err)
		}
	})
}
