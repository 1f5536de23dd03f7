//go:build !js

package portable

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// enginePackages are the folders of all packages of the engine: whichever has floats, they may reach a finding.
func enginePackages(t *testing.T) []string {
	t.Helper()
	var dirs []string
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && d.Name() != "testdata" {
			if names, _ := filepath.Glob(filepath.Join(path, "*.go")); len(names) > 0 {
				dirs = append(dirs, path)
			}
		}
		return err
	})
	if err != nil || len(dirs) < 20 {
		t.Fatalf("found the packages %v: %v", dirs, err)
	}
	return dirs
}

// TestEveryProductIsRounded reads the source: a float product (or a quotient by a constant, which is compiled as one) stands directly in a float64 conversion, or is itself the operand of a
// product or a quotient, so that no compiler may fuse it with an addition; no float is multiplied in place; and of package math
// only what is the same to the bit everywhere is called.
func TestEveryProductIsRounded(t *testing.T) {
	fset := token.NewFileSet()
	std := importer.ForCompiler(fset, "source", nil)
	for _, dir := range enginePackages(t) {
		names, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(names) == 0 {
			t.Errorf("%s: no source (%v)", dir, err)
		}
		checkSources(t, fset, std, names, nil)
	}
}

// TestUnroundedProductsAreFound: each rule fires.
func TestUnroundedProductsAreFound(t *testing.T) {
	for source, want := range map[string]int{
		"func f(a, b, c float64) float64 { return a*b + c }":                                 1,
		"func f(a, b, c float64) float64 { t := a * b; return t + c }":                       1,
		"func f(a, b, c float64) float64 { a *= b; return a + c }":                           1,
		"func f(a, b, c float64) float64 { return float64(a*b) + c }":                        0,
		"func f(a, b, c float64) float64 { return float64(float64(a*b*c) / 2) }":             0,
		"func f(a, b float64) float64 { return 1 - a/2 + b }":                                1,
		"func f(a, b float64) float64 { return 1 - a/b }":                                    0,
		"func f(a, b int) int { a *= b; return a*b + 1 }":                                    0,
		"func f() float64 { return 2 * 3.5 }":                                                0,
		"import \"math\"\nfunc f(a float64) float64 { return math.Exp(a) }":                  1,
		"import \"math\"\nfunc f(a float64) float64 { return math.FMA(a, a, a) }":            1,
		"import \"math\"\nfunc f(a float64) float64 { return math.Sqrt(a) + math.Floor(a) }": 0,
	} {
		fset := token.NewFileSet()
		found := findings(t, fset, importer.ForCompiler(fset, "source", nil), nil, "package p\n"+source)
		if len(found) != want {
			t.Errorf("%s: found %v, want %d", source, found, want)
		}
	}
}

func checkSources(t *testing.T, fset *token.FileSet, imp types.Importer, names []string, src any) {
	t.Helper()
	for _, f := range findings(t, fset, imp, names, src) {
		t.Error(f)
	}
}

// findings type-checks the files (or the one source text) and lists what breaks the rules.
func findings(t *testing.T, fset *token.FileSet, imp types.Importer, names []string, src any) []string {
	t.Helper()
	if src != nil {
		names = []string{"source.go"}
	}
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(fset, name, src, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
	if _, err := (&types.Config{Importer: imp}).Check("p", fset, files, info); err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, file := range files {
		v := visitor{info: info, report: func(n ast.Node, text string) {
			out = append(out, fset.Position(n.Pos()).String()+": "+text)
		}}
		ast.Walk(v, file)
	}
	return out
}

// visitor walks with the parent (parentheses left out) of the node at hand.
type visitor struct {
	info   *types.Info
	parent ast.Node
	report func(n ast.Node, text string)
}

func (v visitor) Visit(n ast.Node) ast.Visitor {
	switch e := n.(type) {
	case *ast.ParenExpr:
		return v
	case *ast.BinaryExpr:
		if v.multiplies(e) && v.isFloat(e) && !v.keeps() {
			v.report(e, "this product can be fused with an addition: write float64(a*b)")
		}
	case *ast.AssignStmt:
		if (e.Tok == token.MUL_ASSIGN || e.Tok == token.QUO_ASSIGN) && v.isFloat(e.Lhs[0]) {
			v.report(e, "a product or quotient in place can be fused with an addition: write x = float64(x*y)")
		}
	case *ast.SelectorExpr:
		v.checkMath(e)
	}
	v.parent = n
	return v
}

// multiplies reports whether e is compiled as a product: a division by a constant power of two is.
func (v visitor) multiplies(e *ast.BinaryExpr) bool {
	return e.Op == token.MUL || e.Op == token.QUO && v.info.Types[e.Y].Value != nil
}

// isFloat reports whether the expression is a float that is not constant.
func (v visitor) isFloat(e ast.Expr) bool {
	tv := v.info.Types[e]
	if tv.Value != nil || tv.Type == nil {
		return false
	}
	basic, ok := tv.Type.Underlying().(*types.Basic)
	return ok && basic.Info()&types.IsFloat != 0
}

// keeps reports whether the parent rounds the product or multiplies or divides it further.
func (v visitor) keeps() bool {
	switch p := v.parent.(type) {
	case *ast.CallExpr:
		return v.info.Types[p.Fun].IsType()
	case *ast.BinaryExpr:
		return p.Op == token.MUL || p.Op == token.QUO
	}
	return false
}

// portableMath are the functions of package math with one possible result on every machine.
var portableMath = map[string]bool{
	"Sqrt": true, "Abs": true, "Floor": true, "Ceil": true, "Trunc": true, "IsNaN": true, "IsInf": true, "Inf": true, "NaN": true,
	"Float64bits": true, "Float64frombits": true, "Frexp": true, "Ldexp": true, "Signbit": true, "Copysign": true, "Min": true, "Max": true,
}

func (v visitor) checkMath(e *ast.SelectorExpr) {
	used := v.info.Uses[e.Sel]
	if _, isFunc := used.(*types.Func); !isFunc || used.Pkg() == nil || used.Pkg().Path() != "math" {
		return
	}
	if !portableMath[used.Name()] {
		v.report(e, "math."+used.Name()+" may differ between machines")
	}
}
