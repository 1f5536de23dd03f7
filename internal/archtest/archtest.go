// Package archtest holds the rules about which room a line of code stands in: which package may import which, and where a word such as
// os.Exit or time.Now may stand. The rules are tables with the reason for each; the package's test reads every source file of the module.
//
// Only source text is parsed. Nothing is built, so the rules hold for every platform's files at once.
package archtest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"strconv"
	"strings"
)

// Module is the path of our module.
const Module = "ponderal.example"

// File is one source file. Room is its package's path inside the module: "cmd/ponderal", "internal/store", "" for the module's root.
type File struct {
	Path, Room string
	Test       bool
	Generated  bool
	Tree       *ast.File
	set        *token.FileSet
	lines      int
}

// Line is a position in the file as the reader of a report wants it: path:line.
func (f File) Line(at token.Pos) string { return fmt.Sprintf("%s:%d", f.Path, f.set.Position(at).Line) }

// Imports are the paths that the file imports, with where.
func (f File) Imports() map[string]token.Pos {
	found := make(map[string]token.Pos, len(f.Tree.Imports))
	for _, spec := range f.Tree.Imports {
		if p, err := strconv.Unquote(spec.Path.Value); err == nil {
			found[p] = spec.Pos()
		}
	}
	return found
}

// Load parses every Go file under the root of fsys, except in folders that the go command ignores too.
func Load(fsys fs.FS) ([]File, error) {
	var files []File
	err := fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := path.Base(name)
		if d.IsDir() {
			if name != "." && (strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_") || base == "testdata" || base == "vendor") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(name, ".go") || strings.HasPrefix(base, "_") || strings.HasPrefix(base, ".") {
			return nil
		}
		text, err := fs.ReadFile(fsys, name)
		if err != nil {
			return err
		}
		f, err := Parse(name, text)
		if err != nil {
			return err
		}
		files = append(files, f)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("load sources: %w", err)
	}
	return files, nil
}

// Parse reads one file; name is its path from the module's root, with slashes.
func Parse(name string, text []byte) (File, error) {
	set := token.NewFileSet()
	tree, err := parser.ParseFile(set, name, text, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return File{}, fmt.Errorf("parse: %w", err)
	}
	room := path.Dir(name)
	if room == "." {
		room = ""
	}
	return File{Path: name, Room: room, Test: strings.HasSuffix(name, "_test.go"), Generated: ast.IsGenerated(tree), Tree: tree, set: set,
		lines: strings.Count(string(text), "\n")}, nil
}

// under reports whether a room is one of those named or stands inside one of them. The name "" is the module's root and nothing else.
func under(room string, names []string) bool {
	for _, n := range names {
		if room == n || n != "" && strings.HasPrefix(room, n+"/") {
			return true
		}
	}
	return false
}

// Check applies every rule and returns what breaks them, one line each: where, what, and why not.
func Check(files []File) []string {
	var broken []string
	for _, f := range files {
		broken = append(broken, checkArrows(f)...)
		broken = append(broken, checkImports(f)...)
		broken = append(broken, checkWords(f)...)
		broken = append(broken, checkSizes(f)...)
	}
	return append(broken, checkComments(files)...)
}
