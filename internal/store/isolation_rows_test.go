package store

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// seen are the tables of which a connection sees rows.
func seen(t *testing.T, service *pgx.Conn, all []string) (tables []string) {
	t.Helper()
	for _, table := range all {
		var n int
		if err := service.QueryRow(context.Background(), "SELECT count(*) FROM ponderal."+table).Scan(&n); err != nil {
			t.Fatal(err)
		}
		if n > 0 {
			tables = append(tables, table)
		}
	}
	return tables
}

func oneText(t *testing.T, conn *pgx.Conn, sql string) (text string) {
	t.Helper()
	if err := conn.QueryRow(context.Background(), sql).Scan(&text); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return text
}

// TestOtherSettingsShowNoMore: the settings that are no clinic's show the tables that they are for, and of those only what they name.
func TestOtherSettingsShowNoMore(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	put := DocRow{Kind: record.KindClinic, ID: id(900), Revision: 1, Body: []byte(`{}`)}
	add(t, s, clinicA, "clinic.put", Write{Docs: []DocRow{put}})
	service, all := connect(t, db.ServiceURL), tables(t, connect(t, db.SuperURL))
	for _, tt := range []struct {
		name, value string
		tables      []string
		// of these, what else must hold of every row
		strays string
	}{
		{"token_id", id(400), []string{"token", "token_revocation"},
			"SELECT (SELECT count(*) FROM ponderal.token WHERE id <> '" + id(400) + "') + (SELECT count(*) FROM ponderal.token_revocation WHERE id <> '" + id(400) + "')"},
		{"token_id", id(404), nil, "SELECT count(*) FROM ponderal.token"},
		{"payer_id", payer, []string{"feed_item"}, "SELECT count(*) FROM ponderal.feed_item WHERE payer_id <> '" + payer + "'"},
		{"payer_id", id(404), nil, "SELECT count(*) FROM ponderal.feed_item"},
		{"network", "on", []string{"audit_entry", "audit_head", "clinic", "payer"},
			"SELECT count(*) FROM ponderal.audit_entry WHERE action NOT IN ('clinic.put', 'payer.put')"},
		{"network", "off", nil, "SELECT count(*) FROM ponderal.clinic"},
	} {
		exec(t, service, fmt.Sprintf("SET ponderal.%s = '%s'", tt.name, tt.value))
		if got := seen(t, service, all); !slices.Equal(got, tt.tables) {
			t.Errorf("%s %s shows rows of %v, want %v", tt.name, tt.value, got, tt.tables)
		}
		if n := oneText(t, service, "SELECT ("+tt.strays+")::text"); n != "0" {
			t.Errorf("%s %s shows %s rows that it is not for", tt.name, tt.value, n)
		}
		// None of them lets anything be written.
		for _, table := range tt.tables {
			if table == "audit_entry" || table == "audit_head" {
				continue // written through functions alone
			}
			sql := fmt.Sprintf("INSERT INTO ponderal.%[1]s SELECT * FROM ponderal.%[1]s", table)
			if code := codeOf(t, service, sql); code != "42501" {
				t.Errorf("%s %s: insert into %s: SQLSTATE %q, want 42501", tt.name, tt.value, table, code)
			}
		}
		exec(t, service, fmt.Sprintf("SET ponderal.%s = ''", tt.name))
	}
}

// TestNothingGoesRoundThePolicies: functions that run with their owner's rights are few and known, and a view would show what its owner sees.
func TestNothingGoesRoundThePolicies(t *testing.T) {
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
	// Each works on the bound clinic alone: TestQueriesUnderAnotherClinicsSetting and TestUnboundMethods call them all. Those of limits touch the counters,
	// which are no clinic's and hold no record: limits_test.go and attempts_test.go.
	want := []string{"append_entries", "begin_attempt", "end_attempt", "has_webhook", "lock_head", "next_feed_number", "open_log", "take"}
	if got := names(`SELECT DISTINCT p.proname::text FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace WHERE n.nspname = 'ponderal' AND p.prosecdef
		AND has_function_privilege('ponderal_service', p.oid, 'EXECUTE') ORDER BY 1`); !slices.Equal(got, want) {
		t.Errorf("the service may call with the owner's rights: %v, want %v; of a new one say in a test whose rows it touches", got, want)
	}
	if got := names(`SELECT c.relname::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = 'ponderal' AND c.relkind IN ('v', 'm', 'f')`); len(got) > 0 {
		t.Errorf("relations without policies of their own: %v", got)
	}
	// The owner of those functions is under the policies too, because they are forced; whoever is not must not own them.
	if got := names(`SELECT DISTINCT r.rolname::text FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace JOIN pg_roles r ON r.oid = p.proowner
		WHERE n.nspname = 'ponderal' AND p.prosecdef AND (r.rolsuper OR r.rolbypassrls)`); len(got) > 0 {
		t.Errorf("functions with the owner's rights belong to %v, whom no policy binds", got)
	}
}

// storeUses are the methods of the store that are not a clinic's transaction, each with the setting that its policy asks for.
var storeUses = map[string]string{
	"FindHolder": "clinic_id", "FindToken": "token_id", "FindFeedItem": "payer_id", "ReadFeed": "payer_id", "ReadNetwork": "network", "ListClinicIDs": "network",
	"HasReleased": "payer_id", "FindCertificateIdentity": "clinic_id", "Limits": "",
	"InClinic": "clinic_id", "ReadClinic": "clinic_id", "Ready": "", "Close": "",
	// Wake-ups carry a clinic's id and no rows.
	"Watch": "", "RunWakes": "", "Connections": "",
	// Jobs are ids and no clinic's rows; those of a payer are told apart by the statement.
	"RunJobs": "", "Deliveries": "payer_id",
}

// TestStoreMethodsAreKnown: a new way to the database is not let by without a word on what binds it.
func TestStoreMethodsAreKnown(t *testing.T) {
	t.Parallel()
	for _, name := range exported[*Store]() {
		if _, known := storeUses[name]; !known {
			t.Errorf("Store.%s: say in storeUses which setting binds it, and try that in TestOtherSettingsShowNoMore", name)
		}
	}
}

// TestPayersAndTokensAreBound: a payer's reads show its own feed, whichever result it asks for, and a token's look-up that one token.
func TestPayersAndTokensAreBound(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	if rows, err := s.ReadFeed(ctx, payer, 0, 10); err != nil || len(rows) != 2 {
		t.Errorf("the payer's own feed: %d items, %v", len(rows), err)
	}
	if rows, err := s.ReadFeed(ctx, id(404), 0, 10); err != nil || len(rows) != 0 {
		t.Errorf("another payer's feed: %d items, %v", len(rows), err)
	}
	if _, err := s.FindFeedItem(ctx, payer, id(300)); err != nil {
		t.Error(err)
	}
	for who, want := range map[string]bool{payer: true, id(404): false} {
		if got, err := s.HasReleased(ctx, who, clinicA); err != nil || got != want {
			t.Errorf("has clinic A released anything to %s: %v, %v, want %v", who, got, err, want)
		}
	}
	for _, who := range []string{id(404), clinicA, ""} {
		if _, err := s.FindFeedItem(ctx, who, id(300)); reasonOf(t, err) != "NOT_FOUND" {
			t.Errorf("payer %q finds another's item: %v", who, err)
		}
	}
	if got, err := s.FindToken(ctx, id(401)); err != nil || string(got.Token) != `{"mark":"b"}` {
		t.Errorf("%s, %v", got.Token, err)
	}
	if _, err := s.FindToken(ctx, id(402)); reasonOf(t, err) != "NOT_FOUND" {
		t.Errorf("a token that is not there: %v", err)
	}
}
