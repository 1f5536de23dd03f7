package archtest

import (
	"os"
	"path"
	"strings"
	"testing"
	"testing/fstest"
)

// TestRooms holds the module itself to the rules.
func TestRooms(t *testing.T) {
	files, err := Load(os.DirFS("../.."))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 100 {
		t.Fatalf("only %d source files found", len(files))
	}
	for _, line := range Check(files) {
		t.Error(line)
	}
}

// TestExceptionsAreNeeded fails for an exception whose function or file is gone or fits the budget again.
func TestExceptionsAreNeeded(t *testing.T) {
	files, err := Load(os.DirFS("../.."))
	if err != nil {
		t.Fatal(err)
	}
	kept := roomy
	defer func() { roomy = kept }()
	for name, reason := range kept {
		if reason == "" {
			t.Errorf("%s: no reason", name)
		}
		roomy = map[string]string{}
		needed := false
		for _, f := range files {
			for _, line := range checkSizes(f) {
				needed = needed || strings.Contains(line, name)
			}
		}
		if !needed {
			t.Errorf("%s: no longer over the budget", name)
		}
	}
}

// TestRules gives each rule a file in which it fires and one beside the border in which it does not.
func TestRules(t *testing.T) {
	long := "func f() {\n" + strings.Repeat("\tg()\n", maxFunctionLines-1) + "}\n"
	fits := "func f() {\n" + strings.Repeat("\tg()\n", maxFunctionLines-2) + "}\n"
	const doc = "// Package p is a fixture.\n"
	cases := map[string]struct {
		name, text string
		// want is part of the one line expected; empty where nothing is wrong.
		want string
	}{
		"unknown room":                 {"internal/fresh/a.go", doc + "package p\n", `"internal/fresh" is not in the table`},
		"known room":                   {"internal/fault/a.go", doc + "package p\n", ""},
		"arrow up":                     {"internal/store/a.go", doc + "package p\nimport \"ponderal.example/internal/casework\"\n", "imports internal/casework"},
		"arrow down":                   {"internal/casework/a.go", doc + "package p\nimport \"ponderal.example/internal/store\"\n", ""},
		"arrow up in a test":           {"internal/store/a_test.go", doc + "package p\nimport \"ponderal.example/internal/pgtest\"\n", ""},
		"engine sees the store":        {"internal/engine/score/a.go", doc + "package p\nimport \"ponderal.example/internal/store\"\n", "imports internal/store"},
		"engine sees the engine":       {"internal/engine/score/a.go", doc + "package p\nimport \"ponderal.example/internal/engine/accept\"\n", ""},
		"name that only begins alike":  {"internal/engine/score/a.go", doc + "package p\nimport \"ponderal.example/internal/masses\"\n", "imports internal/masses"},
		"pgx in rpc":                   {"internal/rpc/a.go", doc + "package p\nimport \"github.com/jackc/pgx/v5\"\n", "imports github.com/jackc/pgx/v5"},
		"pgx in store":                 {"internal/store/a.go", doc + "package p\nimport \"github.com/jackc/pgx/v5/pgconn\"\n", ""},
		"pgx in a test":                {"internal/auditcheck/a_test.go", doc + "package p\nimport \"github.com/jackc/pgx/v5\"\n", ""},
		"sql in store":                 {"internal/store/a.go", doc + "package p\nimport \"database/sql\"\n", "imports database/sql"},
		"migrate in serve":             {"internal/serve/a.go", doc + "package p\nimport \"github.com/golang-migrate/migrate/v4\"\n", "imports github.com/golang-migrate"},
		"codes in gateway":             {"internal/gateway/a.go", doc + "package p\nimport \"google.golang.org/grpc/codes\"\n", "grpc/codes"},
		"status in casework":           {"internal/casework/a.go", doc + "package p\nimport \"google.golang.org/grpc/status\"\n", "grpc/status"},
		"grpc in casework":             {"internal/casework/a.go", doc + "package p\nimport \"google.golang.org/grpc\"\n", "know no transport"},
		"grpc in gateway":              {"internal/gateway/a.go", doc + "package p\nimport \"google.golang.org/grpc\"\n", ""},
		"codes in rpc":                 {"internal/rpc/a.go", doc + "package p\nimport \"google.golang.org/grpc/codes\"\n", ""},
		"messages in rpc":              {"internal/rpc/a.go", doc + "package p\nimport pb \"ponderal.example/api/ponderal/v1\"\n", ""},
		"crypto/rand in store":         {"internal/store/a.go", doc + "package p\nimport \"crypto/rand\"\n", "crypto/rand"},
		"crypto/rand in cmd":           {"cmd/ponderal/a.go", doc + "package main\nimport \"crypto/rand\"\n", ""},
		"flag in config":               {"internal/config/a.go", doc + "package p\nimport \"flag\"\n", "flag"},
		"signal in serve":              {"internal/serve/a.go", doc + "package p\nimport \"os/signal\"\n", "os/signal"},
		"sha256 in casework":           {"internal/casework/a.go", doc + "package p\nimport \"crypto/sha256\"\n", "crypto/sha256"},
		"sha256 in canon":              {"internal/canon/a.go", doc + "package p\nimport \"crypto/sha256\"\n", ""},
		"unsafe anywhere":              {"internal/canon/a_test.go", doc + "package p\nimport _ \"unsafe\"\n", "unsafe"},
		"os.Exit in serve":             {"internal/serve/a.go", doc + "package p\nimport \"os\"\nfunc f() { os.Exit(1) }\n", "os.Exit"},
		"os.Exit in a test":            {"internal/serve/a_test.go", doc + "package p\nimport \"os\"\nfunc f() { os.Exit(1) }\n", "os.Exit"},
		"os.Exit in cmd":               {"cmd/ponderal/a.go", doc + "package main\nimport \"os\"\nfunc f() { os.Exit(1) }\n", ""},
		"os under another name":        {"internal/serve/a.go", doc + "package p\nimport sys \"os\"\nfunc f() { sys.Exit(1) }\n", "os.Exit"},
		"os.Getenv in localpg":         {"internal/localpg/a.go", doc + "package p\nimport \"os\"\nvar x = os.Getenv(\"A\")\n", "os.Getenv"},
		"os.ReadFile":                  {"internal/localpg/a.go", doc + "package p\nimport \"os\"\nvar x = os.ReadFile\n", ""},
		"time.Now as a value":          {"internal/casework/a.go", doc + "package p\nimport \"time\"\nvar now = time.Now\n", "time.Now"},
		"time.Now in a test":           {"internal/casework/a_test.go", doc + "package p\nimport \"time\"\nvar now = time.Now\n", ""},
		"Now of another package":       {"internal/casework/a.go", doc + "package p\nimport \"example.org/time2\"\nvar now = time2.Now\n", ""},
		"global rand in casework":      {"internal/casework/a.go", doc + "package p\nimport \"math/rand/v2\"\nvar n = rand.IntN(3)\n", "math/rand/v2.IntN"},
		"jitter in store":              {"internal/store/a.go", doc + "package p\nimport \"math/rand/v2\"\nvar n = rand.IntN(3)\n", ""},
		"seeded rand in casework":      {"internal/casework/a.go", doc + "package p\nimport \"math/rand/v2\"\nvar n = rand.New(nil)\n", ""},
		"uuid.New in casework":         {"internal/casework/a.go", doc + "package p\nimport \"github.com/google/uuid\"\nvar n = uuid.New()\n", "uuid.New"},
		"uuid from a reader":           {"internal/casework/a.go", doc + "package p\nimport \"github.com/google/uuid\"\nvar n = uuid.NewRandomFromReader\n", ""},
		"log.Fatal":                    {"cmd/ponderal/a.go", doc + "package main\nimport \"log\"\nfunc f() { log.Fatal() }\n", "log.Fatal"},
		"panic":                        {"internal/mass/a.go", doc + "package p\nfunc f() { panic(1) }\n", "panic"},
		"panic in a test":              {"internal/mass/a_test.go", doc + "package p\nfunc f() { panic(1) }\n", ""},
		"recover in auditlog":          {"internal/auditlog/a.go", doc + "package p\nfunc f() { recover() }\n", "recover"},
		"recover in rpc":               {"internal/rpc/a.go", doc + "package p\nfunc f() { recover() }\n", ""},
		"embed in rpc":                 {"internal/rpc/a.go", doc + "package p\n//go:embed x\nvar x string\n", "go:embed"},
		"embed in gateway":             {"internal/gateway/a.go", doc + "package p\n//go:embed x\nvar x string\n", ""},
		"float in mass":                {"internal/mass/a.go", doc + "package p\nvar x float64\n", "float64"},
		"float in record":              {"internal/record/a.go", doc + "package p\nvar x float64\n", ""},
		"import without a name":        {"internal/record/a.go", doc + "package p\nimport . \"strings\"\n", "without a name"},
		"long function":                {"internal/record/a.go", doc + "package p\n" + long, "internal/record.f has 61 lines"},
		"function at the budget":       {"internal/record/a.go", doc + "package p\n" + fits, ""},
		"long function in a test":      {"internal/record/a_test.go", doc + "package p\n" + long, ""},
		"long file":                    {"internal/record/a.go", doc + "package p\n" + strings.Repeat("\n", maxFileLines-1), "401 lines"},
		"file at the budget":           {"internal/record/a.go", doc + "package p\n" + strings.Repeat("\n", maxFileLines-2), ""},
		"long file that was generated": {"api/ponderal/v1/a.go", "// Code generated by x. DO NOT EDIT.\n\npackage p\n" + strings.Repeat("\n", maxFileLines), ""},
		"no package comment":           {"internal/record/a.go", "package p\n", "no file has a package comment"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			f, err := Parse(c.name, []byte(c.text))
			if err != nil {
				t.Fatal(err)
			}
			got := Check([]File{f})
			switch {
			case c.want == "" && len(got) > 0:
				t.Errorf("fires: %q", got)
			case c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)):
				t.Errorf("got %q, want one line with %q", got, c.want)
			}
		})
	}
}

// TestMessagesInCasework breaks two rules at once: the arrow and the place of generated messages.
func TestMessagesInCasework(t *testing.T) {
	f, err := Parse("internal/casework/a.go", []byte("// Package p is a fixture.\npackage p\nimport pb \"ponderal.example/api/ponderal/v1\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := Check([]File{f}); len(got) != 2 {
		t.Errorf("got %q, want two lines", got)
	}
}

// TestLoad reads the files that the go command would, and no other.
func TestLoad(t *testing.T) {
	files, err := Load(fstest.MapFS{
		"a/a.go": {Data: []byte("package a")}, "a/testdata/b.go": {Data: []byte("not go")}, ".git/c.go": {Data: []byte("not go")},
		"_d/d.go": {Data: []byte("not go")}, "a/e.txt": {Data: []byte("text")}, "a/a_test.go": {Data: []byte("package a")},
	})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range files {
		got = append(got, path.Join(f.Room, path.Base(f.Path)))
	}
	if strings.Join(got, " ") != "a/a.go a/a_test.go" {
		t.Errorf("files %q", got)
	}
	if _, err := Load(fstest.MapFS{"a.go": {Data: []byte("not go")}}); err == nil {
		t.Error("a file that does not parse is passed over")
	}
}
