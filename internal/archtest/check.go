package archtest

import (
	"fmt"
	"go/ast"
	"go/token"
	"slices"
	"strings"
)

// arrowOf finds the longest room of the table that a package is in.
func arrowOf(room string) (arrow, bool) {
	var best arrow
	found := false
	for _, a := range arrows {
		if under(room, []string{a.room}) && (!found || len(a.room) > len(best.room)) {
			best, found = a, true
		}
	}
	return best, found
}

// checkArrows holds what a file imports of our own against the table of rooms. Test files are free: they stand outside the service.
func checkArrows(f File) []string {
	rule, known := arrowOf(f.Room)
	if !known {
		return []string{fmt.Sprintf("%s: the room %q is not in the table of rooms", f.Path, f.Room)}
	}
	if f.Test {
		return nil
	}
	var broken []string
	for p, at := range f.Imports() {
		target, ours := strings.CutPrefix(p, Module+"/")
		if !ours || under(target, rule.may) {
			continue
		}
		broken = append(broken, fmt.Sprintf("%s: imports %s: %s", f.Line(at), target, rule.reason))
	}
	slices.Sort(broken)
	return broken
}

// importRuleOf finds the longest rule that fits a path, so that a package inside another may be stricter.
func importRuleOf(p string) (importRule, bool) {
	var best importRule
	found := false
	for _, r := range importRules {
		if (p == r.prefix || strings.HasPrefix(p, r.prefix+"/")) && (!found || len(r.prefix) > len(best.prefix)) {
			best, found = r, true
		}
	}
	return best, found
}

func checkImports(f File) []string {
	if f.Generated {
		return nil
	}
	var broken []string
	for p, at := range f.Imports() {
		rule, known := importRuleOf(p)
		if known && !under(f.Room, rule.in) && !(rule.tests && (f.Test || under(f.Room, testRooms))) {
			broken = append(broken, fmt.Sprintf("%s: imports %s: %s", f.Line(at), p, rule.reason))
		}
	}
	slices.Sort(broken)
	return broken
}

// namesOf gives the names under which a file knows the packages that it imports.
func namesOf(f File) map[string]string {
	names := make(map[string]string, len(f.Tree.Imports))
	for _, spec := range f.Tree.Imports {
		p := strings.Trim(spec.Path.Value, `"`)
		switch {
		case spec.Name != nil:
			names[spec.Name.Name] = p
		case strings.HasSuffix(p, "/v2"):
			names[base(strings.TrimSuffix(p, "/v2"))] = p
		default:
			names[base(p)] = p
		}
	}
	return names
}

func base(p string) string { return p[strings.LastIndex(p, "/")+1:] }

// checkWords looks at every selector, builtin, type name and directive of a file.
func checkWords(f File) []string {
	if f.Generated {
		return nil
	}
	names := namesOf(f)
	var broken []string
	say := func(at token.Pos, what, reason string) {
		broken = append(broken, fmt.Sprintf("%s: %s: %s", f.Line(at), what, reason))
	}
	if at, dotted := names["."]; dotted {
		broken = append(broken, fmt.Sprintf("%s: imports %s without a name: a reader must see where a word comes from", f.Path, at))
	}
	ast.Inspect(f.Tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if pkg, ok := n.X.(*ast.Ident); ok {
				checkSelector(f, names[pkg.Name], n, say)
			}
		case *ast.CallExpr:
			if fn, ok := n.Fun.(*ast.Ident); ok {
				checkBuiltin(f, fn, say)
			}
		case *ast.Ident:
			if (n.Name == "float64" || n.Name == "float32") && !f.Test && under(f.Room, floatFree) {
				say(n.Pos(), n.Name, floatReason)
			}
		case *ast.Comment:
			if strings.HasPrefix(n.Text, "//go:embed") && !under(f.Room, embedRooms) {
				say(n.Pos(), "go:embed", embedReason)
			}
		}
		return true
	})
	return broken
}

func checkSelector(f File, pkg string, n *ast.SelectorExpr, say func(token.Pos, string, string)) {
	for _, r := range wordRules {
		if r.pkg == pkg && slices.Contains(r.names, n.Sel.Name) && !under(f.Room, r.in) && !(r.tests && (f.Test || under(f.Room, testRooms))) {
			say(n.Pos(), pkg+"."+n.Sel.Name, r.reason)
		}
	}
}

func checkBuiltin(f File, fn *ast.Ident, say func(token.Pos, string, string)) {
	for _, r := range builtinRules {
		if r.name == fn.Name && !under(f.Room, r.in) && !(r.tests && f.Test) {
			say(fn.Pos(), fn.Name, r.reason)
		}
	}
}

// checkSizes holds functions and files to the budget.
func checkSizes(f File) []string {
	if f.Test || f.Generated {
		return nil
	}
	var broken []string
	if f.lines > maxFileLines && roomy[f.Path] == "" {
		broken = append(broken, fmt.Sprintf("%s: %d lines, more than %d", f.Path, f.lines, maxFileLines))
	}
	for _, d := range f.Tree.Decls {
		fn, ok := d.(*ast.FuncDecl)
		if !ok || fn.Body == nil {
			continue
		}
		n := f.set.Position(fn.End()).Line - f.set.Position(fn.Pos()).Line + 1
		name := functionName(f, fn)
		if n > maxFunctionLines && roomy[name] == "" {
			broken = append(broken, fmt.Sprintf("%s: %s has %d lines, more than %d", f.Line(fn.Pos()), name, n, maxFunctionLines))
		}
	}
	return broken
}

func functionName(f File, fn *ast.FuncDecl) string {
	name := f.Room + "."
	if fn.Recv != nil && len(fn.Recv.List) == 1 {
		t := fn.Recv.List[0].Type
		if star, ok := t.(*ast.StarExpr); ok {
			t = star.X
		}
		if ident, ok := t.(*ast.Ident); ok {
			name += ident.Name + "."
		}
	}
	return name + fn.Name.Name
}

// checkComments wants a package comment in every package that has more than tests.
func checkComments(files []File) []string {
	has := make(map[string]bool)
	for _, f := range files {
		if !f.Test {
			has[f.Room] = has[f.Room] || f.Generated || f.Tree.Doc.Text() != ""
		}
	}
	var broken []string
	for room, commented := range has {
		if !commented {
			broken = append(broken, fmt.Sprintf("%s: no file has a package comment: a package says what it is for", room))
		}
	}
	slices.Sort(broken)
	return broken
}
