package migrations_test

import (
	"context"
	"errors"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5/pgconn"

	"ponderal.example/internal/pgtest"
	"ponderal.example/migrations"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestUpDownUp(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.NewEmpty(t)
	before := readCatalog(t, db.SuperURL)
	checkVersion(t, db.OwnerURL, 0)

	must(t, "up", migrations.Up(ctx, db.OwnerURL))
	checkVersion(t, db.OwnerURL, latest(t))
	first := readCatalog(t, db.SuperURL)
	for _, kind := range []string{"relation ponderal.", "constraint ponderal.", "function ponderal.", "trigger ponderal.", "policy ponderal."} {
		if !slices.ContainsFunc(first, func(line string) bool { return strings.HasPrefix(line, kind) }) {
			t.Errorf("the catalog after up has no %q: the comparison below would prove nothing", kind)
		}
	}

	must(t, "down", migrations.Down(ctx, db.OwnerURL))
	checkVersion(t, db.OwnerURL, 0)
	down := slices.DeleteFunc(readCatalog(t, db.SuperURL), isVersionTable)
	if d := cmp.Diff(before, down); d != "" {
		t.Errorf("down leaves something (-before +after):\n%s", d)
	}

	must(t, "up again", migrations.Up(ctx, db.OwnerURL))
	checkVersion(t, db.OwnerURL, latest(t))
	if d := cmp.Diff(first, readCatalog(t, db.SuperURL)); d != "" {
		t.Errorf("up, down, up gives another schema than up (-up +up down up):\n%s", d)
	}
	must(t, "up with nothing to do", migrations.Up(ctx, db.OwnerURL))
}

// isVersionTable: the list of applied files is made by the first Up and stays.
func isVersionTable(line string) bool { return strings.Contains(line, "ponderal_schema_migrations") }

func TestParallelUp(t *testing.T) {
	t.Parallel()
	db := pgtest.NewEmpty(t)
	errs := make([]error, 4)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = migrations.Up(context.Background(), db.OwnerURL) })
	}
	wg.Wait()
	must(t, "parallel up", errors.Join(errs...))
	checkVersion(t, db.OwnerURL, latest(t))
}

func TestServiceMayReadTheVersion(t *testing.T) {
	t.Parallel()
	checkVersion(t, pgtest.New(t).ServiceURL, latest(t))
}

func TestEndedContextStopsBeforeAnyFile(t *testing.T) {
	t.Parallel()
	db := pgtest.NewEmpty(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := migrations.Up(ctx, db.OwnerURL); !errors.Is(err, context.Canceled) {
		t.Errorf("Up = %v, want context.Canceled", err)
	}
	checkVersion(t, db.OwnerURL, 0)
}

func TestBadURLIsNotRepeated(t *testing.T) {
	t.Parallel()
	err := migrations.Up(context.Background(), "postgres://u:secret-word@h:port/x")
	if err == nil || strings.Contains(err.Error(), "secret-word") {
		t.Errorf("Up = %v, want an error without the password", err)
	}
}

func file(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }

func TestFailingFileIsNamedAndUndone(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.NewEmpty(t)
	from := fstest.MapFS{
		"0001_a.up.sql":   file("CREATE SCHEMA s;"),
		"0001_a.down.sql": file("DROP SCHEMA s;"),
		"0003_b.up.sql":   file("CREATE TABLE s.kept (n int);\nCREATE TABLE s.broken (n nonsense);"),
		"0003_b.down.sql": file("SELECT 1;\nSELECT 1/0;"),
	}
	err := migrations.UpFrom(ctx, db.OwnerURL, from)
	checkFailure(t, err, "0003_b.up.sql line 2", "42704") // undefined_object
	checkVersion(t, db.OwnerURL, 1)
	if slices.ContainsFunc(readCatalog(t, db.SuperURL), func(l string) bool { return strings.Contains(l, "s.kept") }) {
		t.Error("half of the failed file is left")
	}

	from["0003_b.up.sql"] = file("CREATE TABLE s.kept (n int);")
	must(t, "up with the file put right", migrations.UpFrom(ctx, db.OwnerURL, from))
	checkVersion(t, db.OwnerURL, 3)

	err = migrations.DownFrom(ctx, db.OwnerURL, from)
	checkFailure(t, err, "0003_b.down.sql", "22012") // division_by_zero
	checkVersion(t, db.OwnerURL, 3)
	from["0003_b.down.sql"] = file("DROP TABLE s.kept;")
	must(t, "down with the file put right", migrations.DownFrom(ctx, db.OwnerURL, from))
	checkVersion(t, db.OwnerURL, 0)
}

func TestFirstFileFailing(t *testing.T) {
	t.Parallel()
	db := pgtest.NewEmpty(t)
	from := fstest.MapFS{
		"0001_a.up.sql":   file("CREATE TABLE without_schema (n int);"),
		"0001_a.down.sql": file("SELECT 1;"),
	}
	// The search_path is empty: a name without a schema has nowhere to go.
	checkFailure(t, migrations.UpFrom(context.Background(), db.OwnerURL, from), "0001_a.up.sql", "3F000")
	checkVersion(t, db.OwnerURL, 0)
}

// TestUnknownVersionIsRefused: a database that a newer program migrated.
func TestUnknownVersionIsRefused(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.NewEmpty(t)
	newer := fstest.MapFS{
		"0001_a.up.sql": file("SELECT 1;"), "0001_a.down.sql": file("SELECT 1;"),
		"0002_b.up.sql": file("SELECT 1;"), "0002_b.down.sql": file("SELECT 1;"),
	}
	older := fstest.MapFS{"0001_a.up.sql": newer["0001_a.up.sql"], "0001_a.down.sql": newer["0001_a.down.sql"]}
	must(t, "up", migrations.UpFrom(ctx, db.OwnerURL, newer))
	if err := migrations.UpFrom(ctx, db.OwnerURL, older); err == nil {
		t.Error("Up took a database of a version that it does not know")
	}
	if err := migrations.DownFrom(ctx, db.OwnerURL, older); err == nil {
		t.Error("Down took a database of a version that it does not know")
	}
	checkVersion(t, db.OwnerURL, 2)
}

// TestCutShortFileIsRefused: the mark that a file was begun and never ended.
func TestCutShortFileIsRefused(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.NewEmpty(t)
	must(t, "up", migrations.Up(ctx, db.OwnerURL))
	exec(t, db.OwnerURL, "UPDATE public.ponderal_schema_migrations SET dirty = true")
	for name, run := range map[string]func(context.Context, string) error{"Up": migrations.Up, "Down": migrations.Down} {
		if err := run(ctx, db.OwnerURL); err == nil || !strings.Contains(err.Error(), "Dirty") {
			t.Errorf("%s = %v, want: dirty", name, err)
		}
	}
	if _, dirty, err := migrations.Version(ctx, db.OwnerURL); err != nil || !dirty {
		t.Errorf("Version: dirty %v, %v; want dirty", dirty, err)
	}
}

func checkFailure(t *testing.T, err error, name, code string) {
	t.Helper()
	var pgErr *pgconn.PgError
	if !errors.As(err, &pgErr) || pgErr.Code != code {
		t.Fatalf("error = %v, want SQLSTATE %s", err, code)
	}
	if !strings.Contains(err.Error(), name) {
		t.Errorf("error = %v, does not name %s", err, name)
	}
}

func TestFilesAreWellFormed(t *testing.T) {
	t.Parallel()
	names, err := fs.Glob(migrations.Files, "*")
	if err != nil {
		t.Fatal(err)
	}
	form := regexp.MustCompile(`^\d{4}_[a-z0-9_]+\.(up|down)\.sql$`)
	// Each file is one transaction; a statement of its own would end it early.
	control := regexp.MustCompile(`(?im)^\s*(BEGIN|START\s+TRANSACTION|COMMIT|ROLLBACK|END)\s*;`)
	body := regexp.MustCompile(`(?s)\$\$.*?\$\$`)
	for _, name := range names {
		if !form.MatchString(name) {
			t.Errorf("file %s: want NNNN_name.up.sql or NNNN_name.down.sql", name)
		}
		twin := strings.Replace(name, ".up.", ".down.", 1)
		if twin == name {
			twin = strings.Replace(name, ".down.", ".up.", 1)
		}
		if !slices.Contains(names, twin) {
			t.Errorf("file %s: %s is missing", name, twin)
		}
		text, err := fs.ReadFile(migrations.Files, name)
		if err != nil {
			t.Fatal(err)
		}
		if found := control.Find(body.ReplaceAll(text, nil)); found != nil {
			t.Errorf("file %s: has transaction control %q", name, found)
		}
	}
}

func TestLatestNeedsNumbers(t *testing.T) {
	t.Parallel()
	if _, err := migrations.LatestIn(fstest.MapFS{"first.up.sql": file("")}); err == nil {
		t.Error("LatestIn took a file without a number")
	}
	got, err := migrations.LatestIn(fstest.MapFS{"0002_b.up.sql": file(""), "0010_a.up.sql": file(""), "0011_a.down.sql": file("")})
	if err != nil || got != 10 {
		t.Errorf("LatestIn = %d, %v, want 10", got, err)
	}
}

func latest(t *testing.T) uint {
	t.Helper()
	n, err := migrations.Latest()
	must(t, "latest", err)
	if n == 0 {
		t.Fatal("there are no migrations")
	}
	return n
}

func checkVersion(t *testing.T, address string, want uint) {
	t.Helper()
	got, dirty, err := migrations.Version(context.Background(), address)
	if err != nil || got != want || dirty {
		t.Fatalf("Version = %d, dirty %v, %v; want %d, clean", got, dirty, err, want)
	}
}

func must(t *testing.T, what string, err error) {
	t.Helper()
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}
