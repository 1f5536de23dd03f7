// Package pgtest gives every test a Postgres database of its own.
//
// One server per test process is started at the first use (see package
// localpg), or the one that PONDERAL_TEST_DATABASE_URL names is used. The
// schema is migrated once into a template, of which each test gets a copy;
// a copy takes tens of milliseconds, so tests may be many and parallel.
//
// A package that uses it needs
//
//	func TestMain(m *testing.M) { pgtest.Main(m) }
//
// which stops the server after the tests and fails if goroutines are left.
// Where there is no Postgres tests fail, with the command that installs it;
// they are never skipped.
//
// This package is test support. It is the one place outside cmd that reads the
// environment, and it keeps the process' one server in a package variable,
// because tests have no other common owner.
package pgtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"ponderal.example/internal/localpg"
	"ponderal.example/migrations"
)

const (
	// URLVariable names a server for the tests, whose user is a superuser.
	URLVariable = "PONDERAL_TEST_DATABASE_URL"
	// ImageVariable names the container image for machines without Postgres programs.
	ImageVariable = "PONDERAL_TEST_CONTAINER_IMAGE"

	startLimit = 2 * time.Minute
	stepLimit  = time.Minute
)

// DB is one test's database.
type DB struct {
	// Name of the database.
	Name string
	// SuperURL logs in as the server's superuser, whom nothing stops.
	SuperURL string
	// OwnerURL logs in as the role that owns the schema and runs migrations.
	OwnerURL string
	// ServiceURL logs in as the service does: row security applies. Empty in a
	// database of NewEmpty.
	ServiceURL string
}

// New gives a fresh, migrated database, which is dropped when the test ends.
func New(t testing.TB) *DB {
	t.Helper()
	s := running(t)
	template, err := s.migrated()
	if err != nil {
		t.Fatalf("prepare the template database: %v", err)
	}
	db := create(t, s, func(ctx context.Context, name string) error {
		_, err := s.server.CloneDatabase(ctx, name, template)
		return err
	})
	db.ServiceURL = s.server.RoleURL(migrations.ServiceRole, s.server.ServicePassword(), db.Name)
	return db
}

// NewEmpty gives a fresh database without any schema, for tests of the
// migrations themselves. It is dropped when the test ends.
func NewEmpty(t testing.TB) *DB {
	t.Helper()
	s := running(t)
	// The template is needed here too: it holds on to the service's role, which
	// belongs to the whole server and which the last schema to go would drop.
	if _, err := s.migrated(); err != nil {
		t.Fatalf("prepare the template database: %v", err)
	}
	return create(t, s, func(ctx context.Context, name string) error {
		_, err := s.server.CreateDatabase(ctx, name)
		return err
	})
}

func create(t testing.TB, s *state, make func(context.Context, string) error) *DB {
	t.Helper()
	name, err := s.server.FreshName("ponderal_test")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), stepLimit)
	defer cancel()
	if err := make(ctx, name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { drop(t, s, name) })
	return &DB{Name: name, SuperURL: s.server.AdminURL(name), OwnerURL: s.server.OwnerURL(name)}
}

func drop(t testing.TB, s *state, name string) {
	ctx, cancel := context.WithTimeout(context.Background(), stepLimit)
	defer cancel()
	if err := s.server.DropDatabase(ctx, name); err != nil {
		t.Errorf("clean up after the test: %v", err)
	}
}

// state is the server of this test process. Every field but the two once-functions
// is set before it is shared.
type state struct {
	server   *localpg.Server
	migrated func() (template string, err error)
}

var (
	mu      sync.Mutex // guards the next three
	managed bool       // Main is running, so that the server will be stopped
	current *state
	failure error // why the server could not be started; told to every test
)

// Main runs the tests of a package, stops the server, fails when goroutines
// are left, and ends the process.
func Main(m *testing.M) { goleak.VerifyTestMain(withServer{m}) }

// withServer is the test run followed by the end of the server.
type withServer struct{ m *testing.M }

func (w withServer) Run() int {
	mu.Lock()
	managed = true
	mu.Unlock()
	code := w.m.Run()
	if err := stop(); err != nil {
		fmt.Fprintln(os.Stderr, "pgtest:", err)
		return max(code, 1)
	}
	return code
}

func stop() error {
	mu.Lock()
	defer mu.Unlock()
	managed = false
	if current == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), stepLimit)
	defer cancel()
	err := current.server.Close(ctx)
	current = nil
	return err
}

func running(t testing.TB) *state {
	t.Helper()
	mu.Lock()
	defer mu.Unlock()
	if !managed {
		t.Fatal("pgtest: the package needs: func TestMain(m *testing.M) { pgtest.Main(m) }")
	}
	if current == nil && failure == nil {
		current, failure = start()
	}
	if failure != nil {
		t.Fatalf("pgtest: %v", failure)
	}
	return current
}

func start() (*state, error) {
	ctx, cancel := context.WithTimeout(context.Background(), startLimit)
	defer cancel()
	server, err := localpg.Start(ctx, localpg.Options{
		URL:     os.Getenv(URLVariable),
		Image:   os.Getenv(ImageVariable),
		NoFsync: true,
		Random:  rand.Reader,
	})
	if err != nil {
		return nil, err
	}
	return &state{
		server:   server,
		migrated: sync.OnceValues(func() (string, error) { return makeTemplate(server) }),
	}, nil
}

// makeTemplate migrates one database, and lets the service's role log in.
func makeTemplate(server *localpg.Server) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), stepLimit)
	defer cancel()
	name, err := server.FreshName("ponderal_template")
	if err != nil {
		return "", err
	}
	owner, err := server.CreateDatabase(ctx, name)
	if err != nil {
		return "", err
	}
	err = migrations.Up(ctx, owner)
	if err == nil {
		err = migrations.GrantLogin(ctx, server.AdminURL(""), server.ServicePassword())
	}
	if err != nil {
		return "", errors.Join(err, server.DropDatabase(ctx, name))
	}
	return name, nil
}
