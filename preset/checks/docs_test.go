package checks

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"
)

// models are the packages whose exported functions must each say where they come
// from.
var models = []string{"mass", "fit", "balance", "loop", "learn", "start", "bench", "frame", "follow", "vibration"}

// TestModelsNameTheirSources reads the docs: what computes must say by whose word.
func TestModelsNameTheirSources(t *testing.T) {
	for _, m := range models {
		dir := filepath.Join("..", m)
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(files), err)
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
				case "Error", "Unwrap", "String", "MarshalText", "UnmarshalText", "MarshalJSON":
					continue // writing, not computing
				}
				if !strings.Contains(fn.Doc.Text(), "Source:") {
					t.Errorf("%s: %s has no line \"Source:\" in its doc comment", file, fn.Name.Name)
				}
			}
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
	if g, ok := typ.(*ast.IndexExpr); ok {
		typ = g.X
	}
	id, ok := typ.(*ast.Ident)
	return ok && id.IsExported()
}
