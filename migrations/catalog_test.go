package migrations_test

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
)

// catalog reads everything that the migrations can make, one line a thing, from
// Postgres' own catalog: schemas, relations, columns, constraints, indexes, functions,
// triggers, policies, types, and who may do what.
const catalog = `
WITH ours AS (
	SELECT oid, nspname, nspacl, nspowner FROM pg_namespace
	WHERE nspname !~ '^pg_' AND nspname <> 'information_schema'
), rel AS (
	SELECT c.*, n.nspname || '.' || c.relname AS name FROM pg_class c JOIN ours n ON n.oid = c.relnamespace
)
SELECT 'schema ' || nspname || ' owner ' || nspowner::regrole || ' acl ' || coalesce(nspacl::text, '-') FROM ours
UNION ALL
SELECT 'relation ' || name || ' kind ' || relkind::text || ' owner ' || relowner::regrole || ' acl ' || coalesce(relacl::text, '-')
	|| ' rls ' || relrowsecurity || ' force ' || relforcerowsecurity || ' options ' || coalesce(reloptions::text, '-')
	|| ' comment ' || coalesce(obj_description(oid, 'pg_class'), '-') FROM rel
UNION ALL
SELECT 'column ' || rel.name || ' ' || a.attnum || ' ' || a.attname || ' ' || format_type(a.atttypid, a.atttypmod)
	|| ' notnull ' || a.attnotnull || ' default ' || coalesce(pg_get_expr(d.adbin, d.adrelid), '-')
	|| ' storage ' || a.attstorage::text || a.attcompression::text || ' acl ' || coalesce(a.attacl::text, '-')
	FROM pg_attribute a JOIN rel ON rel.oid = a.attrelid LEFT JOIN pg_attrdef d ON d.adrelid = a.attrelid AND d.adnum = a.attnum
	WHERE a.attnum > 0 AND NOT a.attisdropped
UNION ALL
SELECT 'constraint ' || rel.name || ' ' || k.conname || ' ' || pg_get_constraintdef(k.oid) FROM pg_constraint k JOIN rel ON rel.oid = k.conrelid
UNION ALL
SELECT 'index ' || pg_get_indexdef(i.indexrelid) FROM pg_index i JOIN rel ON rel.oid = i.indexrelid
UNION ALL
SELECT 'function ' || p.oid::regprocedure || ' owner ' || p.proowner::regrole || ' acl ' || coalesce(p.proacl::text, '-') || ' '
	|| pg_get_functiondef(p.oid) FROM pg_proc p JOIN ours n ON n.oid = p.pronamespace WHERE p.prokind IN ('f', 'p')
UNION ALL
SELECT 'trigger ' || rel.name || ' enabled ' || t.tgenabled::text || ' ' || pg_get_triggerdef(t.oid) FROM pg_trigger t JOIN rel ON rel.oid = t.tgrelid
	WHERE NOT t.tgisinternal
UNION ALL
SELECT 'policy ' || rel.name || ' ' || p.polname || ' ' || p.polcmd::text || ' permissive ' || p.polpermissive || ' to ' || p.polroles::regrole[]::text
	|| ' using ' || coalesce(pg_get_expr(p.polqual, p.polrelid), '-') || ' check ' || coalesce(pg_get_expr(p.polwithcheck, p.polrelid), '-')
	FROM pg_policy p JOIN rel ON rel.oid = p.polrelid
UNION ALL
SELECT 'type ' || t.oid::regtype || ' ' || t.typtype::text FROM pg_type t JOIN ours n ON n.oid = t.typnamespace
	WHERE t.typrelid = 0 AND t.typelem = 0
UNION ALL
SELECT 'default acl ' || defaclrole::regrole || ' ' || defaclnamespace || ' ' || defaclobjtype::text || ' ' || defaclacl::text FROM pg_default_acl
UNION ALL
SELECT 'extension ' || extname FROM pg_extension
ORDER BY 1`

func readCatalog(t *testing.T, address string) []string {
	t.Helper()
	conn := connect(t, address)
	rows, err := conn.Query(context.Background(), catalog)
	if err != nil {
		t.Fatalf("read the catalog: %v", err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatalf("read the catalog: %v", err)
	}
	return lines
}

func connect(t *testing.T, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), address)
	if err != nil {
		t.Fatalf("connect: %v", err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func exec(t *testing.T, address, statement string) {
	t.Helper()
	if _, err := connect(t, address).Exec(context.Background(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}
