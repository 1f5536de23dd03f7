package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"ponderal.example/internal/pgtest"
)

func exec(t testing.TB, conn *pgx.Conn, sql string) {
	t.Helper()
	if _, err := conn.Exec(context.Background(), sql); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// codeOf runs a statement and returns its SQLSTATE, empty where it succeeds.
func codeOf(t testing.TB, conn *pgx.Conn, sql string) string {
	t.Helper()
	_, err := conn.Exec(context.Background(), sql)
	var pg *pgconn.PgError
	if err != nil && !errors.As(err, &pg) {
		t.Fatalf("%s: %v", sql, err)
	}
	if pg == nil {
		return ""
	}
	return pg.Code
}

// counters are the tables of counts, which hold no records and which nobody may touch: limits_test.go is about them.
var counters = []string{"allowance", "sign_in_attempt"}

// tables lists every table of the schema that holds records, from the catalog.
func tables(t testing.TB, conn *pgx.Conn) []string {
	t.Helper()
	const list = `SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = 'ponderal' AND c.relkind IN ('r', 'p') ORDER BY 1`
	rows, err := conn.Query(context.Background(), list)
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	names = slices.DeleteFunc(names, func(name string) bool { return slices.Contains(counters, name) })
	if len(names) < 19 {
		t.Fatalf("only %d tables: %v", len(names), names)
	}
	return names
}

func TestNobodyChangesWhatIsStored(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	service, owner, super := connect(t, db.ServiceURL), connect(t, db.OwnerURL), connect(t, db.SuperURL)
	for _, conn := range []*pgx.Conn{service, owner} {
		exec(t, conn, "SET ponderal.clinic_id = '"+clinicA+"'")
	}
	const denied, refused = "42501", "23000" // insufficient_privilege, integrity_constraint_violation
	for _, table := range tables(t, super) {
		column := "clinic_id"
		if table == "feed_head" {
			column = "payer_id"
		}
		for _, sql := range []string{
			fmt.Sprintf("UPDATE ponderal.%s SET %s = %s", table, column, column),
			fmt.Sprintf("DELETE FROM ponderal.%s", table),
			fmt.Sprintf("TRUNCATE ponderal.%s CASCADE", table),
		} {
			if code := codeOf(t, service, sql); code != denied {
				t.Errorf("as the service: %s: SQLSTATE %q, want %s", sql, code, denied)
			}
			if code := codeOf(t, owner, sql); code != refused {
				t.Errorf("as the owner: %s: SQLSTATE %q, want %s", sql, code, refused)
			}
		}
	}
	// A head goes forward, for the owner too; a feed's by one.
	for sql, want := range map[string]string{
		"UPDATE ponderal.audit_head SET size = size - 1": refused, "UPDATE ponderal.audit_head SET size = size + 1": "",
		"UPDATE ponderal.feed_head SET size = size - 1": refused, "UPDATE ponderal.feed_head SET size = size + 2": refused,
		"UPDATE ponderal.feed_head SET size = size + 1": "",
	} {
		if code := codeOf(t, owner, sql); code != want {
			t.Errorf("as the owner: %s: SQLSTATE %q, want %q", sql, code, want)
		}
	}
	// Entries and heads are written through their functions alone.
	for _, table := range []string{"audit_entry", "audit_head", "feed_head"} {
		if code := codeOf(t, service, "INSERT INTO ponderal."+table+" DEFAULT VALUES"); code != denied {
			t.Errorf("insert into %s as the service: SQLSTATE %q, want %s", table, code, denied)
		}
	}
}

func TestEveryTableIsGuarded(t *testing.T) {
	t.Parallel()
	super := connect(t, pgtest.New(t).SuperURL)
	const guards = `SELECT c.relrowsecurity, c.relforcerowsecurity,
		EXISTS (SELECT 1 FROM pg_constraint k WHERE k.conrelid = c.oid AND k.contype = 'f' AND k.confrelid = 'ponderal.audit_entry'::regclass
			AND k.convalidated AND NOT EXISTS (SELECT 1 FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attnum = ANY (k.conkey) AND NOT a.attnotnull)),
		EXISTS (SELECT 1 FROM pg_trigger g WHERE g.tgrelid = c.oid AND g.tgname IN ('append_only', 'only_forward') AND g.tgenabled = 'O'),
		EXISTS (SELECT 1 FROM pg_trigger g WHERE g.tgrelid = c.oid AND g.tgname = 'no_truncate' AND g.tgenabled = 'O')
		FROM pg_class c WHERE c.oid = ('ponderal.' || $1)::regclass`
	heads := map[string]bool{"audit_entry": true, "audit_head": true, "feed_head": true}
	for _, table := range tables(t, super) {
		var enabled, forced, key, appendOnly, noTruncate bool
		if err := super.QueryRow(context.Background(), guards, table).Scan(&enabled, &forced, &key, &appendOnly, &noTruncate); err != nil {
			t.Fatal(err)
		}
		if !enabled || !forced {
			t.Errorf("%s: row-level security enabled %v, forced %v", table, enabled, forced)
		}
		if key == heads[table] {
			t.Errorf("%s: foreign key to the audit entry: %v", table, key)
		}
		if !appendOnly || !noTruncate {
			t.Errorf("%s: triggers against change %v, against truncation %v", table, appendOnly, noTruncate)
		}
	}
}

// Each table under its contract: two clinics with equal ids do not see each other, and whoever is bound to no clinic sees nothing.
func TestClinicsDoNotSeeEachOther(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	service, super := connect(t, db.ServiceURL), connect(t, db.SuperURL)
	count := func(conn *pgx.Conn, table, where string) (n int) {
		t.Helper()
		if err := conn.QueryRow(context.Background(), fmt.Sprintf("SELECT count(*) FROM ponderal.%s WHERE %s", table, where)).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, table := range tables(t, super) {
		if table == "feed_head" {
			continue // belongs to a payer; its number alone is seen, and by bound transactions alone
		}
		exec(t, service, "SET ponderal.clinic_id = ''")
		if n := count(service, table, "true"); n != 0 {
			t.Errorf("%s: %d rows seen by an unbound transaction", table, n)
		}
		for clinic, other := range map[string]string{clinicA: clinicB, clinicB: clinicA} {
			exec(t, service, "SET ponderal.clinic_id = '"+clinic+"'")
			own := count(service, table, "clinic_id = '"+clinic+"'")
			if want := count(super, table, "clinic_id = '"+clinic+"'"); own != want || own == 0 {
				t.Errorf("%s: %d own rows seen of %d", table, own, want)
			}
			if n := count(service, table, "clinic_id = '"+other+"'"); n != 0 {
				t.Errorf("%s: %d rows of the other clinic seen", table, n)
			}
		}
	}
	exec(t, service, "SET ponderal.clinic_id = ''")
	if n := count(service, "feed_head", "true"); n != 0 {
		t.Errorf("feed_head: %d rows seen by an unbound transaction", n)
	}
}

func TestWritesIntoAnotherClinicAreRefused(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	service, super := connect(t, db.ServiceURL), connect(t, db.SuperURL)
	exec(t, service, "SET ponderal.clinic_id = '"+clinicA+"'")
	for _, table := range tables(t, super) {
		if table == "audit_entry" || table == "audit_head" || table == "feed_head" {
			continue
		}
		// A copy of the other clinic's row: the policy speaks before any key does.
		sql := fmt.Sprintf("INSERT INTO ponderal.%[1]s SELECT (json_populate_record(NULL::ponderal.%[1]s, '%[2]s')).*", table, rowOf(t, super, table, clinicB))
		if code := codeOf(t, service, sql); code != "42501" {
			t.Errorf("%s: SQLSTATE %q, want 42501", table, code)
		}
	}
}

func rowOf(t testing.TB, super *pgx.Conn, table, clinic string) string {
	t.Helper()
	var row string
	sql := fmt.Sprintf("SELECT replace(row_to_json(r)::text, '''', '''''') FROM ponderal.%s r WHERE clinic_id = $1 LIMIT 1", table)
	if err := super.QueryRow(context.Background(), sql, clinic).Scan(&row); err != nil {
		t.Fatalf("%s: %v", table, err)
	}
	return row
}
