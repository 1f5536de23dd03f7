package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"testing"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
)

// reasonOf is the reason of the fault, empty for nil.
func reasonOf(t testing.TB, err error) string {
	t.Helper()
	if err == nil {
		return ""
	}
	var f *fault.Error
	if !errors.As(err, &f) {
		t.Errorf("%v is not a fault", err)
		return "?"
	}
	return f.Reason
}

func tryOpen(t testing.TB, url string) string {
	t.Helper()
	s, err := Open(context.Background(), Options{URL: url, MaxConns: 2})
	if err == nil {
		s.Close()
	}
	return reasonOf(t, err)
}

func TestOpenRefusesRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	for url, want := range map[string]string{db.ServiceURL: "", db.SuperURL: "ROLE_SUPERUSER", "postgres://[": "DATABASE_URL"} {
		if got := tryOpen(t, url); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if got := tryOpen(t, db.OwnerURL); got == "" {
		t.Error("opened as the owner")
	}
}

func TestOpenRefusesOtherRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	super := connect(t, db.SuperURL)
	for i, tt := range []struct{ attributes, grants, want string }{
		{"", "GRANT ponderal_service TO %[1]s", ""},
		{"", "", "ROLE_NOT_SERVICE"},
		{"NOINHERIT", "GRANT ponderal_service TO %[1]s", "ROLE_NOT_SERVICE"},
		{"BYPASSRLS", "GRANT ponderal_service TO %[1]s", "ROLE_BYPASSRLS"},
		{"CREATEROLE", "GRANT ponderal_service TO %[1]s", "ROLE_TOO_STRONG"},
		{"REPLICATION", "GRANT ponderal_service TO %[1]s", "ROLE_TOO_STRONG"},
		{"", "GRANT ponderal_service TO %[1]s; GRANT UPDATE ON ponderal.trial TO %[1]s", "ROLE_CAN_CHANGE"},
		{"", "GRANT ponderal_service TO %[1]s; GRANT UPDATE (body) ON ponderal.trial TO %[1]s", "ROLE_CAN_CHANGE"},
		{"", "GRANT ponderal_service TO %[1]s; GRANT DELETE ON ponderal.audit_head TO %[1]s", "ROLE_CAN_CHANGE"},
		{"", "GRANT ponderal_service TO %[1]s; GRANT TRUNCATE ON ponderal.result TO %[1]s", "ROLE_CAN_CHANGE"},
		{"", "GRANT ponderal_service TO %[1]s; ALTER TABLE ponderal.kit OWNER TO %[1]s", "ROLE_OWNER"},
	} {
		role := fmt.Sprintf("%s_r%d", db.Name, i)
		exec(t, super, fmt.Sprintf("CREATE ROLE %s LOGIN PASSWORD 'p' %s", role, tt.attributes))
		if tt.grants != "" {
			exec(t, super, fmt.Sprintf(tt.grants, role))
		}
		u, err := url.Parse(db.ServiceURL)
		if err != nil {
			t.Fatal(err)
		}
		u.User = url.UserPassword(role, "p")
		if got := tryOpen(t, u.String()); got != tt.want {
			t.Errorf("%s %s: got %q, want %q", tt.attributes, tt.grants, got, tt.want)
		}
		exec(t, super, fmt.Sprintf("REASSIGN OWNED BY %[1]s TO CURRENT_USER; DROP OWNED BY %[1]s; DROP ROLE %[1]s", role))
	}
}

func TestOpenAndReadyRefuseSchemas(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	super := connect(t, db.SuperURL)
	var latest int
	if err := super.QueryRow(ctx, "SELECT version FROM public.ponderal_schema_migrations").Scan(&latest); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ change, want string }{
		{"UPDATE public.ponderal_schema_migrations SET version = version", ""},
		{"UPDATE public.ponderal_schema_migrations SET version = version + 1", "SCHEMA_VERSION"},
		{fmt.Sprintf("UPDATE public.ponderal_schema_migrations SET version = %d, dirty = true", latest), "SCHEMA_DIRTY"},
		{"DELETE FROM public.ponderal_schema_migrations", "SCHEMA_MISSING"},
	} {
		exec(t, super, tt.change)
		if got := tryOpen(t, db.ServiceURL); got != tt.want {
			t.Errorf("open after %s: %q, want %q", tt.change, got, tt.want)
		}
		if got := reasonOf(t, s.Ready(ctx)); got != tt.want {
			t.Errorf("ready after %s: %q, want %q", tt.change, got, tt.want)
		}
	}
	exec(t, super, "DROP SCHEMA ponderal CASCADE")
	if got := tryOpen(t, db.ServiceURL); got != "SCHEMA_MISSING" {
		t.Errorf("without schema: %q", got)
	}
}
