//go:build unix

package migrations_test

import (
	"context"
	"crypto/rand"
	"errors"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/localpg"
	"ponderal.example/migrations"
)

// ownServer: these tests change the service's role, which all databases of a
// server share, so they do not use the server of the other tests.
func ownServer(t *testing.T) (server *localpg.Server, ownerURL, database string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "migrations-test-")
	must(t, "make folder", err)
	t.Cleanup(func() { must(t, "remove folder", os.RemoveAll(dir)) })
	must(t, "open folder", os.Chmod(dir, 0o755)) // Postgres may run as another user
	server, err = localpg.Start(context.Background(), localpg.Options{TempDir: dir, NoFsync: true, Random: rand.Reader})
	must(t, "start", err)
	t.Cleanup(func() { must(t, "close", server.Close(context.Background())) })
	database, ownerURL, err = server.MainDatabase(context.Background())
	must(t, "make database", err)
	return server, ownerURL, database
}

func TestGrantLogin(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	server, owner, database := ownServer(t)

	err := migrations.GrantLogin(ctx, owner, "x")
	if err == nil || !strings.Contains(err.Error(), "migrate first") {
		t.Errorf("before the role is there: %v, want: migrate first", err)
	}
	must(t, "up", migrations.Up(ctx, owner))
	if err := migrations.GrantLogin(ctx, owner, ""); err == nil || !strings.Contains(err.Error(), "password") {
		t.Errorf("empty password: %v, want a refusal", err)
	}
	for _, password := range []string{"plain", `it's a "test" \ $1 $$; DROP ROLE ponderal_service; --`, "ünïcode"} {
		must(t, "grant login", migrations.GrantLogin(ctx, owner, password))
		conn, err := pgx.Connect(ctx, server.RoleURL(migrations.ServiceRole, password, database))
		if err != nil {
			t.Fatalf("log in with %q: %v", password, err)
		}
		must(t, "close", conn.Close(ctx))
	}
	for _, right := range []string{"SUPERUSER", "BYPASSRLS", "CREATEROLE", "REPLICATION"} {
		exec(t, server.AdminURL(""), "ALTER ROLE "+migrations.ServiceRole+" "+right)
		if err := migrations.GrantLogin(ctx, server.AdminURL(""), "x"); err == nil || !strings.Contains(err.Error(), "must not") {
			t.Errorf("with %s: %v, want a refusal", right, err)
		}
		exec(t, server.AdminURL(""), "ALTER ROLE "+migrations.ServiceRole+" NO"+right)
	}
	must(t, "with the rights taken away", migrations.GrantLogin(ctx, server.AdminURL(""), "x"))
}

// TestParallelGrantLogin: many processes share a server's role. Each database
// is migrated and its login granted at the same moment.
func TestParallelGrantLogin(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	server, _, _ := ownServer(t)
	errs := make([]error, 6)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = migrateAndGrant(ctx, server) })
	}
	wg.Wait()
	must(t, "migrate and grant in parallel", errors.Join(errs...))
}

func migrateAndGrant(ctx context.Context, server *localpg.Server) error {
	name, err := server.FreshName("parallel")
	if err != nil {
		return err
	}
	owner, err := server.CreateDatabase(ctx, name)
	if err != nil {
		return err
	}
	if err := migrations.Up(ctx, owner); err != nil {
		return err
	}
	for range 5 {
		if err := migrations.GrantLogin(ctx, owner, server.ServicePassword()); err != nil {
			return err
		}
	}
	return nil
}
