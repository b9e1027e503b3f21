package checks

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// models are the packages whose exported functions must each say where they come
// from.
var models = []string{"mass", "fit", "balance", "loop", "learn", "start", "bench", "frame", "follow", "vibration", "identify", "diagnose", "dial", "assembly"}

// tying are the files of package preset that tie rigs, sheets and tunes to the models.
var tying = []string{"models.go", "styles.go", "hold.go", "lens.go", "balancepoint.go", "shake.go", "sights.go", "readings.go"}

// TestModelsNameTheirSources reads the docs: what computes must say by whose word.
func TestModelsNameTheirSources(t *testing.T) {
	for _, m := range append(models, tying...) {
		pattern := filepath.Join("..", m)
		if filepath.Ext(m) == "" {
			pattern = filepath.Join(pattern, "*.go")
		}
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range f.Decls {
				fn, ok := d.(*ast.FuncDecl)
				if !ok || !fn.Name.IsExported() || !receiverExported(fn) {
					continue
				}
				switch fn.Name.Name {
				case "Error", "Unwrap", "String", "Text", "MarshalText", "UnmarshalText", "MarshalJSON":
					continue // writing, not computing
				}
				if !strings.Contains(fn.Doc.Text(), "Source:") {
					t.Errorf("%s: %s has no line \"Source:\" in its doc comment", file, fn.Name.Name)
				}
			}
		}
	}
}

// Every folder below preset is a model in the list, or known to be none.
func TestModelsAreAllListed(t *testing.T) {
	none := []string{"checks", "domain", "file", "unit", "internal", "review", "testdata", "link", "csvtable", "partlist", "photo"}
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.IsDir() && !slices.Contains(models, e.Name()) && !slices.Contains(none, e.Name()) {
			t.Errorf("preset/%s is not in the list of models", e.Name())
		}
	}
}

func receiverExported(fn *ast.FuncDecl) bool {
	if fn.Recv == nil {
		return true
	}
	typ := fn.Recv.List[0].Type
	if s, ok := typ.(*ast.StarExpr); ok {
		typ = s.X
	}
	switch g := typ.(type) { // one type parameter, or several
	case *ast.IndexExpr:
		typ = g.X
	case *ast.IndexListExpr:
		typ = g.X
	}
	id, ok := typ.(*ast.Ident)
	return ok && id.IsExported()
}
