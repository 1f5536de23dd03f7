package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/migrations"
)

// rights asks what the role of this connection, and the one that logged in, could do beyond the service's role. A role reaches whatever it
// is a member of, inherited or not.
const rights = `
WITH me AS (SELECT oid FROM pg_catalog.pg_roles WHERE rolname IN (current_user, session_user)),
reached AS (SELECT r.* FROM pg_catalog.pg_roles r WHERE EXISTS (SELECT 1 FROM me WHERE pg_catalog.pg_has_role(me.oid, r.oid, 'MEMBER'))),
relation AS (SELECT c.oid, c.relowner FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
	WHERE n.nspname = 'ponderal' AND c.relkind IN ('r', 'p', 'v', 'm', 'S', 'f'))
SELECT
	EXISTS (SELECT 1 FROM reached WHERE rolsuper),
	EXISTS (SELECT 1 FROM reached WHERE rolbypassrls),
	EXISTS (SELECT 1 FROM reached WHERE rolcreaterole OR rolreplication),
	EXISTS (SELECT 1 FROM relation JOIN reached ON reached.oid = relation.relowner),
	EXISTS (SELECT 1 FROM relation, reached WHERE pg_catalog.has_table_privilege(reached.oid, relation.oid, 'UPDATE, DELETE, TRUNCATE')
		OR pg_catalog.has_any_column_privilege(reached.oid, relation.oid, 'UPDATE')),
	EXISTS (SELECT 1 FROM pg_catalog.pg_proc p JOIN pg_catalog.pg_namespace n ON n.oid = p.pronamespace, reached
		WHERE n.nspname = 'ponderal' AND p.proname = 'erase_client' AND pg_catalog.has_function_privilege(reached.oid, p.oid, 'EXECUTE')),
	EXISTS (SELECT 1 FROM relation),
	EXISTS (SELECT 1 FROM pg_catalog.pg_roles r, me WHERE r.rolname = $1 AND pg_catalog.pg_has_role(me.oid, r.oid, 'USAGE'))`

const useServiceRole = "let the service log in as " + migrations.ServiceRole + ", which `ponderal migrate` makes"

// checkOpen fails closed: whatever cannot be read is a refusal.
func (s *Store) checkOpen(ctx context.Context) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	var super, bypass, strong, owns, changes, erases, relations, member bool
	err = conn.QueryRow(ctx, rights, migrations.ServiceRole).Scan(&super, &bypass, &strong, &owns, &changes, &erases, &relations, &member)
	if err != nil {
		return translate("read the role's rights", lost(conn.Conn(), err))
	}
	for _, refused := range []struct {
		when         bool
		reason, text string
	}{
		{super, "ROLE_SUPERUSER", "the database role is, or is a member of, a superuser: " + useServiceRole},
		{bypass, "ROLE_BYPASSRLS", "the database role can bypass row-level security: " + useServiceRole},
		{strong, "ROLE_TOO_STRONG", "the database role can make roles or replicate: " + useServiceRole},
		{!relations, "SCHEMA_MISSING", "the database has no schema ponderal: run `ponderal migrate` first"},
		{owns, "ROLE_OWNER", "the database role owns the schema's relations: " + useServiceRole},
		{changes, "ROLE_CAN_CHANGE", "the database role may UPDATE, DELETE or TRUNCATE in the schema: revoke that, or " + useServiceRole},
		{erases, "ROLE_CAN_ERASE", "the database role may erase clients: that is for a login of its own; " + useServiceRole},
		{!member, "ROLE_NOT_SERVICE", "the database role is not " + migrations.ServiceRole + " and does not inherit it: " + useServiceRole},
	} {
		if refused.when {
			return fault.New(fault.Precondition, refused.reason, refused.text)
		}
	}
	return checkVersion(ctx, conn.Conn())
}

// checkSchema compares the schema's version with this build's.
func (s *Store) checkSchema(ctx context.Context) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	return checkVersion(ctx, conn.Conn())
}

func checkVersion(ctx context.Context, conn *pgx.Conn) error {
	want, err := migrations.Latest()
	if err != nil {
		return fault.Wrap(fault.Internal, "SCHEMA_UNKNOWN", "this build does not know its schema", err)
	}
	var got int64
	var dirty bool
	err = conn.QueryRow(ctx, "SELECT version, dirty FROM public.ponderal_schema_migrations").Scan(&got, &dirty)
	if errors.Is(err, pgx.ErrNoRows) {
		return fault.New(fault.Precondition, "SCHEMA_MISSING", "the database has no schema version: run `ponderal migrate` first")
	}
	if err != nil {
		return translate("read schema version", lost(conn, err))
	}
	if dirty {
		return fault.New(fault.Precondition, "SCHEMA_DIRTY", fmt.Sprintf("schema version %d was cut short: run `ponderal migrate` again", got))
	}
	if got != int64(want) {
		return fault.Newf(fault.Precondition, "SCHEMA_VERSION",
			"the database has schema version %d, this build needs %d: run `ponderal migrate` of this build, or start the build of that version", got, want)
	}
	return nil
}
