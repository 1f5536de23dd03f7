package store

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
	"ponderal.example/migrations"
)

// TestTreeInSQL: the database's own appending of a leaf is that of package merkle, byte for byte, for trees of every size from 0 to 70. (That package
// is held against RFC 6962 and golang.org/x/mod/sumdb/tlog.)
func TestTreeInSQL(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	super := connect(t, pgtest.New(t).SuperURL)
	var tree merkle.Edge
	for size := int64(0); size <= 70; size++ {
		before, err := tree.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		salt, content := bytes.Repeat([]byte{byte(size)}, 32), fmt.Sprintf(`{"n":%d,"ü":"\""}`, size)
		nodes, err := tree.Append(merkle.LeafHash(salt, []byte(content)))
		if err != nil {
			t.Fatal(err)
		}
		after, err := tree.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		var gotNodes, gotEdge []byte
		err = super.QueryRow(ctx, `SELECT t.nodes, t.edge FROM ponderal.tree_append($1, $2, sha256('\x00'::bytea || $3::bytea || convert_to($4, 'UTF8'))) t`,
			size, before, salt, content).Scan(&gotNodes, &gotEdge)
		if err != nil || !bytes.Equal(gotNodes, merkle.JoinNodes(nodes)) || !bytes.Equal(gotEdge, after) {
			t.Fatalf("size %d: nodes %x, edge %x, %v; want %x, %x", size, gotNodes, gotEdge, err, merkle.JoinNodes(nodes), after)
		}
	}
}

// TestMomentInSQL: a moment is spelled as records spell it.
func TestMomentInSQL(t *testing.T) {
	t.Parallel()
	super := connect(t, pgtest.New(t).SuperURL)
	exec(t, super, "SET timezone = 'America/Caracas'")
	for _, text := range []string{"2026-03-02T09:15:00Z", "2026-03-02T09:15:00.1Z", "2026-12-31T23:59:59.000001Z", "0999-01-01T00:00:00.12345Z", "9999-12-31T23:59:59.999999Z"} {
		var at record.Time
		if err := at.UnmarshalJSON([]byte(`"` + text + `"`)); err != nil {
			t.Fatal(err)
		}
		var got string
		if err := super.QueryRow(context.Background(), "SELECT ponderal.moment($1)", at.Std()).Scan(&got); err != nil || got != at.String() {
			t.Errorf("%s is spelled %s, %v", text, got, err)
		}
	}
}

// TestEraserCanDoNothingElse: the role that erases has its one function, and no right to any table, column, sequence or other function.
func TestEraserCanDoNothingElse(t *testing.T) {
	t.Parallel()
	super := connect(t, pgtest.New(t).SuperURL)
	names := func(sql string) []string {
		rows, err := super.Query(context.Background(), sql)
		if err != nil {
			t.Fatal(err)
		}
		got, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	want := []string{"erase_client"}
	if got := names(`SELECT p.proname::text FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace
		WHERE n.nspname NOT IN ('pg_catalog', 'information_schema') AND has_schema_privilege('ponderal_eraser', n.oid, 'USAGE')
			AND has_function_privilege('ponderal_eraser', p.oid, 'EXECUTE') ORDER BY 1`); !slices.Equal(got, want) {
		t.Errorf("the eraser may call %v, want %v: take EXECUTE of a new function from PUBLIC, as each step of the schema does", got, want)
	}
	if got := names(`SELECT c.oid::regclass::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		WHERE n.nspname NOT IN ('pg_catalog', 'information_schema', 'pg_toast') AND CASE WHEN c.relkind = 'S' THEN has_sequence_privilege('ponderal_eraser', c.oid, 'USAGE, SELECT, UPDATE')
			WHEN c.relkind IN ('r', 'p', 'v', 'm', 'f') THEN has_table_privilege('ponderal_eraser', c.oid, 'SELECT, INSERT, UPDATE, DELETE, TRUNCATE, REFERENCES, TRIGGER')
				OR has_any_column_privilege('ponderal_eraser', c.oid, 'SELECT, INSERT, UPDATE, REFERENCES') END`); len(got) > 0 {
		t.Errorf("the eraser has rights to %v", got)
	}
	if got := names(`SELECT r.rolname::text FROM pg_roles r WHERE r.rolname <> 'ponderal_eraser' AND pg_has_role('ponderal_eraser', r.oid, 'MEMBER')`); len(got) > 0 {
		t.Errorf("the eraser is a member of %v", got)
	}
	if got := names(`SELECT 'strong' FROM pg_roles WHERE rolname = 'ponderal_eraser' AND (rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolreplication OR rolcanlogin)`); len(got) > 0 {
		t.Error("the eraser has rights of its own")
	}
	if got := names(`SELECT 'x' WHERE has_schema_privilege('ponderal_eraser', 'ponderal', 'CREATE') OR has_function_privilege('ponderal_service',
		'ponderal.erase_client(uuid, uuid, text, text, text, timestamptz, bytea)', 'EXECUTE')`); len(got) > 0 {
		t.Error("the eraser may create, or the service may erase")
	}
}

// TestEraserIsRefused: what the catalog says, tried.
func TestEraserIsRefused(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, open(t, db), clinicA, "a")
	super, service := connect(t, db.SuperURL), connect(t, db.ServiceURL)
	all := tables(t, super)
	exec(t, super, "SET ROLE ponderal_eraser")
	exec(t, super, "SET ponderal.clinic_id = '"+clinicA+"'")
	exec(t, super, "SET ponderal.erasing = '0'")
	const denied = "42501"
	for _, table := range all {
		for _, sql := range []string{"SELECT 1 FROM ponderal.%s", "INSERT INTO ponderal.%s DEFAULT VALUES", "DELETE FROM ponderal.%s", "TRUNCATE ponderal.%s CASCADE"} {
			if code := codeOf(t, super, fmt.Sprintf(sql, table)); code != denied {
				t.Errorf("as the eraser: %s: SQLSTATE %q", fmt.Sprintf(sql, table), code)
			}
		}
	}
	for _, sql := range []string{"SELECT ponderal.lock_head()", "SELECT ponderal.open_log()", "SELECT ponderal.current_clinic()", "CREATE TABLE ponderal.mine (n int)",
		"SELECT ponderal.rows_of_client('" + id(103) + "')", "SELECT 1 FROM public.ponderal_schema_migrations"} {
		if code := codeOf(t, super, sql); code != denied {
			t.Errorf("as the eraser: %s: SQLSTATE %q", sql, code)
		}
	}
	const call = "SELECT ponderal.erase_client('" + clinicA + "', '" + clinicB + "', 'demand', 'who', 'operator', now(), sha256('x'))"
	if code := codeOf(t, super, call); code != "PE001" {
		t.Errorf("as the eraser: %s: SQLSTATE %q", call, code)
	}
	if code := codeOf(t, service, call); code != denied {
		t.Errorf("as the service: %s: SQLSTATE %q", call, code)
	}
	if _, err := Erase(context.Background(), db.ServiceURL, Erasure{ClinicID: clinicA, ClientID: clinicB, Demand: "demand", AskedBy: "who", Operator: "operator",
		At: now, Salt: make([]byte, 32)}); reasonOf(t, err) != "ROLE_NOT_ERASER" {
		t.Errorf("as the service: %v", err)
	}
}

// TestServiceThatMayEraseIsRefused: the service does not start with a role that reaches the eraser's.
func TestServiceThatMayEraseIsRefused(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	super := connect(t, db.SuperURL)
	exec(t, super, "GRANT EXECUTE ON FUNCTION ponderal.erase_client(uuid, uuid, text, text, text, timestamptz, bytea) TO ponderal_service")
	_, err := Open(context.Background(), Options{URL: db.ServiceURL})
	if !fault.Is(err, fault.Precondition) || reasonOf(t, err) != "ROLE_CAN_ERASE" {
		t.Errorf("%v, want ROLE_CAN_ERASE", err)
	}
	exec(t, super, "REVOKE EXECUTE ON FUNCTION ponderal.erase_client(uuid, uuid, text, text, text, timestamptz, bytea) FROM ponderal_service")
	open(t, db)
}

// TestOnlyAnErasureErases: neither the setting nor an erasure of an earlier transaction lets anybody empty a row, or change anything else in one that
// an erasure names; not the owner, and not a superuser whose triggers fire.
func TestOnlyAnErasureErases(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	super, owner := connect(t, db.SuperURL), connect(t, db.OwnerURL)
	exec(t, owner, "SET ponderal.clinic_id = '"+clinicA+"'")
	told := headSize(t, super, clinicA)
	const emptyEntry = "UPDATE ponderal.audit_entry SET content = NULL, salt = NULL WHERE number = 0"
	const emptyClient = "UPDATE ponderal.client SET body = '{}'"
	const refused = "23000"
	tell := fmt.Sprintf(`SELECT set_config('ponderal.clinic_id', '%[1]s', false), set_config('ponderal.erasing', '%[2]d', true),
		ponderal.write_erasure('%[3]s', 'reason', 'operator', now(), sha256('x'), ARRAY[0::bigint], ARRAY['client:%[3]s'])`, clinicA, told, id(103))
	for name, conn := range map[string]*pgx.Conn{"owner": owner, "superuser": super} {
		try := func(what, want string, statements ...string) {
			t.Helper()
			tx, err := conn.Begin(ctx)
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = tx.Rollback(ctx) }()
			for _, sql := range statements[:len(statements)-1] {
				exec(t, conn, sql)
			}
			if code := codeOf(t, conn, statements[len(statements)-1]); code != want {
				t.Errorf("%s, %s: SQLSTATE %q, want %q", name, what, code, want)
			}
		}
		for _, empty := range []string{emptyEntry, emptyClient} {
			try("nothing told", refused, empty)
			try("the setting alone", refused, "SET LOCAL ponderal.erasing = '0'", empty)
			try("told of, without the setting", refused, tell, "SET LOCAL ponderal.erasing = ''", empty)
			try("told of, and set to another entry", refused, tell, "SET LOCAL ponderal.erasing = '0'", empty)
			try("told of", "", tell, empty)
			try("told of under a savepoint that is not the transaction", refused, "SAVEPOINT a", tell, empty)
		}
		for _, more := range []string{
			"UPDATE ponderal.audit_entry SET content = '', salt = NULL WHERE number = 0", "UPDATE ponderal.audit_entry SET content = NULL, salt = NULL, action = 'x' WHERE number = 0",
			"UPDATE ponderal.audit_entry SET content = NULL, salt = NULL, nodes = content::bytea WHERE number = 0",
			"UPDATE ponderal.audit_entry SET content = NULL, salt = NULL WHERE number = 1", "UPDATE ponderal.client SET body = '{\"id\":1}'",
			"UPDATE ponderal.client SET body = '{}', revision = revision + 1", "UPDATE ponderal.client SET entry_number = 1, body = '{}'",
			"DELETE FROM ponderal.trial", "DELETE FROM ponderal.audit_entry WHERE number = 0", "UPDATE ponderal.checkpoint SET note = ''",
		} {
			try(more, refused, tell, more)
		}
	}
	// A transaction that told of it and ended lets no other do it.
	exec(t, super, tell)
	for _, empty := range []string{emptyEntry, emptyClient} {
		if code := codeOf(t, super, fmt.Sprintf("DO $$ BEGIN PERFORM set_config('ponderal.erasing', '%d', true); %s; END $$", told, empty)); code != refused {
			t.Errorf("told of before: %s: SQLSTATE %q", empty, code)
		}
	}
	born := fmt.Sprintf("SELECT ponderal.append_entries(%d, ARRAY[now()], ARRAY['x'], '{}', ARRAY[0], ARRAY[NULL], ARRAY[NULL::bytea], ARRAY[sha256('x')], '')",
		headSize(t, super, clinicA))
	if code := codeOf(t, owner, born); code != "23502" {
		t.Errorf("an entry that is born empty: SQLSTATE %q", code)
	}
}

// TestErasedReads: of a record that was erased every read says so, and lists leave it out.
func TestErasedReads(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	super := connect(t, db.SuperURL)
	exec(t, super, "SET session_replication_role = replica")
	for _, table := range []string{"client", "referral", "session", "finding", "trial", "result"} {
		exec(t, super, "UPDATE ponderal."+table+" SET body = '{}'")
	}
	exec(t, super, "UPDATE ponderal.audit_entry SET content = NULL, salt = NULL WHERE number = 0")
	add(t, s, clinicA, record.ActionClientErase, Write{}, "session:"+id(200))
	exec(t, super, `UPDATE ponderal.audit_entry SET content = '{"erased":[0]}' WHERE action = 'client.erase'`)
	err := s.ReadClinic(ctx, clinicA, func(tx *Tx) error {
		for name, read := range map[string]func() error{
			"newest":  func() error { _, err := tx.Newest(ctx, record.KindClient, id(103)); return err },
			"at":      func() error { _, err := tx.At(ctx, record.KindReferral, id(104), 1); return err },
			"session": func() error { _, err := tx.Newest(ctx, record.KindSession, id(200)); return err },
			"result":  func() error { _, err := tx.Result(ctx, id(300)); return err },
		} {
			if err := read(); !fault.Is(err, fault.NotFound) || reasonOf(t, err) != ReasonErased {
				t.Errorf("%s: %v, want ERASED", name, err)
			}
		}
		clients, err := tx.ListNewest(ctx, record.KindClient, "", 10)
		sessions, err2 := tx.ListByEntry(ctx, record.KindSession, -1, 10)
		results, err3 := tx.ListResults(ctx, -1, 10)
		if err != nil || err2 != nil || err3 != nil || len(clients)+len(sessions)+len(results) != 0 {
			t.Errorf("listed: %v, %v, %v; %v, %v, %v", clients, sessions, results, err, err2, err3)
		}
		entries, err := tx.EntriesOfSession(ctx, id(200))
		if err != nil {
			return err
		}
		var got []string
		for _, e := range entries {
			got = append(got, fmt.Sprint(e.Number, e.Action, e.ErasedBy, e.Content == nil, e.Salt == nil, len(e.Nodes)))
		}
		last := headSize(t, super, clinicA) - 1
		want := []string{fmt.Sprint(0, "everything", last, true, true, 32), fmt.Sprint(last, "client.erase", 0, false, false, 32)}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("entries of the session (-want +got):\n%s", diff)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestDownWithErasedEntries: the schema can be taken back also where something was erased.
func TestDownWithErasedEntries(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, open(t, db), clinicA, "a")
	super := connect(t, db.SuperURL)
	exec(t, super, "SET session_replication_role = replica")
	exec(t, super, "UPDATE ponderal.audit_entry SET content = NULL, salt = NULL WHERE number = 0")
	if err := migrations.Down(context.Background(), db.OwnerURL); err != nil {
		t.Error(err)
	}
	if err := migrations.Up(context.Background(), db.OwnerURL); err != nil {
		t.Error(err)
	}
}

// TestSharedEntriesAreNobodysToErase: an entry that also wrote what is not known to be the client's keeps the client from being erased.
func TestSharedEntriesAreNobodysToErase(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, open(t, db), clinicA, "a") // one entry wrote a record of every kind
	super := connect(t, db.SuperURL)
	exec(t, super, "SET session_replication_role = replica")
	exec(t, super, "DELETE FROM ponderal.legal_hold")
	exec(t, super, "SET session_replication_role = origin")
	before := prints(t, super)
	exec(t, super, "SET ROLE ponderal_eraser")
	call := "SELECT ponderal.erase_client('" + clinicA + "', '" + id(103) + "', 'demand', 'who', 'operator', now(), sha256('x'))"
	if code := codeOf(t, super, call); code != "PE007" {
		t.Errorf("SQLSTATE %q, want PE007", code)
	}
	exec(t, super, "RESET ROLE")
	if after := prints(t, super); after != before {
		t.Error("something changed")
	}
}
