package auditcheck

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

func TestNothingAltered(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var told []Progress
	r := must(Run(w.ctx, Options{Store: w.store, Ring: w.ring, LogName: logName, Progress: func(p Progress) { told = append(told, p) }}))(t)
	if !r.OK() {
		t.Fatalf("problems in a log that nobody touched: %v", r.Problems)
	}
	entries := w.ask("SELECT count(*)::text FROM ponderal.audit_entry")[0]
	if r.Logs != 3 || fmt.Sprint(r.Entries) != entries || r.Records < 60 || r.Checkpoints < 8 {
		t.Errorf("looked at %d logs, %d of %s entries, %d records, %d checkpoints", r.Logs, r.Entries, entries, r.Records, r.Checkpoints)
	}
	if last := told[len(told)-1]; last.Entries != last.Total || last.Log != last.Logs || last.Entries == 0 {
		t.Errorf("last progress %+v, want everything done", last)
	}
	var text bytes.Buffer
	if err := r.WriteText(&text); err != nil || !strings.Contains(text.String(), "Everything stored is what the audit log recorded.") {
		t.Errorf("report %q, %v", text.String(), err)
	}
}

// tableWords say what names a row of a table in a problem.
type tableWords struct{ kind, key string }

// tables are all tables that hold what was recorded, with what names a row of each in a problem. Left out are
// feed_head, a counter: see TestFeedCounters; and cosignature, which no entry records: see TestTamperedCosignedHeads.
var tables = tablesOf()

func tablesOf() map[string]tableWords {
	const revised = "id || ' revision ' || revision"
	all := map[string]tableWords{
		"audit_entry": {"audit entry", "number::text"},
		"audit_head":  {"audit head", "''"},
		"checkpoint":  {"checkpoint", "'of size ' || size"},
		"session":     {"session", revised},
		"trial":       {"trial", "session_id || '/' || series_number || '/' || trial_number || ' revision ' || revision"},
		"result":      {"result", "id::text"},
		"feed_item":   {"feed_item", "number || ' of payer ' || payer_id"},
	}
	for _, kind := range store.ScanKinds() {
		all[kind] = tableWords{kind, revised}
	}
	return all
}

// edits change a value of a type into another of that type, by one step where it can.
var edits = map[string]string{
	"uuid":                     "'018fffff-0000-7000-8000-0000000000ff'::uuid",
	"bigint":                   "%[1]s + 1",
	"integer":                  "%[1]s + 1",
	"smallint":                 "%[1]s + 7",
	"timestamp with time zone": "%[1]s + interval '1 microsecond'",
	"bytea":                    "set_byte(%[1]s, %[2]d %% length(%[1]s), (get_byte(%[1]s, %[2]d %% length(%[1]s)) + 1) %% 256)",
	"ARRAY":                    "%[1]s || ARRAY['client:other']",
	"text":                     "overlay(%[1]s placing chr((ascii(substr(%[1]s, 1 + %[2]d %% length(%[1]s), 1)) - 31) %% 90 + 35) from 1 + %[2]d %% length(%[1]s) for 1)",
}

// TestFeedCounters: a payer's counter that is not what its feed has is named, and it alone; one clinic's check cannot judge it.
func TestFeedCounters(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clean()
	options := Options{Store: w.store, Ring: w.ring, LogName: logName}
	for _, change := range []string{"UPDATE ponderal.feed_head SET size = size + 1", "UPDATE ponderal.feed_head SET size = size - 1",
		"DELETE FROM ponderal.feed_head", "UPDATE ponderal.feed_head SET payer_id = '" + id("ba", 2) + "'"} {
		w.exec("CREATE TABLE kept AS SELECT * FROM ponderal.feed_head")
		w.exec(change)
		r := must(Run(w.ctx, options))(t)
		if len(r.Problems) == 0 || slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.Table != "feed head" }) {
			t.Errorf("%s: %v, want the counter named alone", change, r.Problems)
		}
		o := options
		o.Clinics = []string{east}
		if r := must(Run(w.ctx, o))(t); len(r.Problems) != 0 {
			t.Errorf("%s: one clinic's check: %v", change, r.Problems)
		}
		w.exec("DELETE FROM ponderal.feed_head")
		w.exec("INSERT INTO ponderal.feed_head SELECT * FROM kept")
		w.exec("DROP TABLE kept")
		w.clean()
	}
}

// TestEveryColumnOfEveryTable edits one random row in one column at a time, as a superuser does whom no trigger, key or policy stops. Each
// edit must be found, and the row named.
func TestEveryColumnOfEveryTable(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.further()
	w.clean()
	r := rand.New(rand.NewPCG(1, 2))
	known := w.ask("SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'ponderal' AND table_name NOT IN ('feed_head', 'cosignature', 'allowance', 'sign_in_attempt') ORDER BY 1")
	if len(known) != len(tables) {
		t.Fatalf("the schema has %d tables, this test knows %d: %v", len(known), len(tables), known)
	}
	w.exec("DO $$ DECLARE c record; BEGIN FOR c IN SELECT conrelid::regclass AS t, conname FROM pg_constraint WHERE contype = 'c' " +
		"AND connamespace = 'ponderal'::regnamespace LOOP EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I', c.t, c.conname); END LOOP; END $$")
	w.dropIndexes()
	for _, table := range known {
		columns := w.ask(`SELECT column_name || '|' || data_type FROM information_schema.columns
			WHERE table_schema = 'ponderal' AND table_name = $1 ORDER BY ordinal_position`, table)
		for _, c := range columns {
			column, kind, _ := strings.Cut(c, "|")
			w.edit(r, table, column, kind)
		}
	}
	w.clean()
}

// dropIndexes drops every unique index but the primary keys, and those that read bodies.
func (w *world) dropIndexes() {
	w.exec("DO $$ DECLARE i record; BEGIN FOR i IN SELECT indexrelid::regclass AS x FROM pg_index JOIN pg_class c ON c.oid = indrelid " +
		"WHERE c.relnamespace = 'ponderal'::regnamespace AND (indisunique AND NOT indisprimary OR indexprs IS NOT NULL) LOOP EXECUTE format('DROP INDEX %s', i.x); END LOOP; END $$")
}

func (w *world) edit(r *rand.Rand, table, column, kind string) {
	w.t.Helper()
	where := ""
	switch {
	case table == "audit_head" && column == "edge":
		where = "WHERE length(edge) > 0"
	case table == "result" && column == "path":
		where = "WHERE length(path) > 0"
	}
	rows := w.ask("SELECT ctid::text FROM ponderal." + table + " " + where + " ORDER BY ctid")
	at := rows[r.IntN(len(rows))]
	was := w.ask("SELECT clinic_id || '|' || "+tables[table].key+" FROM ponderal."+table+" WHERE ctid = $1::text::tid", at)[0]
	gone := w.ask("SELECT clinic_id || '|' || "+goneKey(table)+" FROM ponderal."+table+" WHERE ctid = $1::text::tid", at)[0]
	w.exec("BEGIN")
	w.exec("CREATE TEMP TABLE kept ON COMMIT PRESERVE ROWS AS SELECT * FROM ponderal." + table)
	edit := edits[kind]
	if column == "number" || column == "revision" || column == "size" {
		edit = "%[1]s + 1000" // beyond the keys that are taken
	}
	if strings.Contains(edit, "%[2]d") {
		edit = fmt.Sprintf(edit, column, r.IntN(1<<20))
	} else if strings.Contains(edit, "%[1]s") {
		edit = fmt.Sprintf(edit, column)
	}
	if edit == "" {
		w.t.Fatalf("%s.%s: no edit for type %s", table, column, kind)
	}
	now := w.ask("UPDATE ponderal."+table+" SET "+column+" = "+edit+" WHERE ctid = $1::text::tid RETURNING clinic_id || '|' || "+tables[table].key, at)
	w.exec("COMMIT")
	report := w.check()
	clinic, key, _ := strings.Cut(was, "|")
	_, goneName, _ := strings.Cut(gone, "|")
	newClinic, newKey, _ := strings.Cut(now[0], "|")
	if !names(report, clinic, tables[table].kind, key) && !names(report, newClinic, tables[table].kind, newKey) &&
		!namedGone(report, table, clinic, goneName) {
		w.t.Errorf("%s.%s of %s: not named in %v", table, column, was, report.Problems)
	}
	if len(report.Problems) > 12 {
		w.t.Errorf("%s.%s of %s: one cause makes %d problems: %v", table, column, was, len(report.Problems), report.Problems)
	}
	w.exec("BEGIN")
	w.exec("DELETE FROM ponderal." + table)
	w.exec("INSERT INTO ponderal." + table + " SELECT * FROM kept")
	w.exec("DROP TABLE kept")
	w.exec("COMMIT")
}

// goneKey is what names a row in a problem when it is no longer there: the log knows a feed item by its result.
func goneKey(table string) string {
	if table == "feed_item" {
		return "'of result ' || result_id"
	}
	return tables[table].key
}

// namedGone reports whether a row that is no longer there is named; a checkpoint is by the result that it proves.
func namedGone(r Report, table, clinic, name string) bool {
	if table != "checkpoint" {
		return names(r, clinic, tables[table].kind, name)
	}
	return len(r.Problems) == 1 && r.Problems[0].Clinic == clinic &&
		strings.Contains(r.Problems[0].What, "the checkpoint "+name+" that it is proved by is missing")
}

// TestRowsTakenOut deletes one random row of each table.
func TestRowsTakenOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.further()
	r := rand.New(rand.NewPCG(3, 4))
	for table := range tables {
		w.exec("CREATE TEMP TABLE kept AS SELECT * FROM ponderal." + table)
		where := ""
		if table == "audit_head" {
			where = "WHERE size > 0"
		}
		rows := w.ask("SELECT ctid::text FROM ponderal." + table + " " + where + " ORDER BY ctid")
		gone := w.ask("DELETE FROM ponderal."+table+" WHERE ctid = $1::text::tid RETURNING clinic_id || '|' || "+goneKey(table), rows[r.IntN(len(rows))])[0]
		clinic, name, _ := strings.Cut(gone, "|")
		report := w.check()
		if !namedGone(report, table, clinic, name) {
			t.Errorf("%s %s taken out: not named in %v", table, gone, report.Problems)
		}
		w.exec("DELETE FROM ponderal." + table)
		w.exec("INSERT INTO ponderal." + table + " SELECT * FROM kept")
		w.exec("DROP TABLE kept")
	}
	w.clean()
}

// TestRowsPutIn forges one further row of each table of records, under an entry that is there.
func TestRowsPutIn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.further()
	w.dropIndexes()
	for table, words := range tables {
		var set, key string
		switch table {
		case "audit_entry", "audit_head", "checkpoint":
			continue
		case "trial":
			set, key = "trial_number = 9", words.key
		case "result":
			set, key = "id = '018fffff-0000-7000-8000-0000000000ff'", words.key
		case "feed_item":
			set, key = "number = 99", words.key
		default:
			set, key = "revision = 9", words.key
		}
		// A forger who owns the database takes what stands in the way.
		w.exec("ALTER TABLE ponderal." + table + " DROP CONSTRAINT IF EXISTS " + table + "_revision_check")
		w.exec("CREATE TEMP TABLE forged AS SELECT * FROM ponderal." + table + " LIMIT 1")
		forged := w.ask("UPDATE forged SET " + set + " RETURNING clinic_id || '|' || " + key)[0]
		w.exec("INSERT INTO ponderal." + table + " SELECT * FROM forged")
		clinic, name, _ := strings.Cut(forged, "|")
		if report := w.check(); !names(report, clinic, words.kind, name) || len(report.Problems) != 1 {
			t.Errorf("%s %s put in: want it named alone, got %v", table, forged, report.Problems)
		}
		w.exec("DELETE FROM ponderal." + table + " WHERE " + set)
		w.exec("DROP TABLE forged")
	}
	w.clean()
}

// TestBodiesSwapped swaps the bodies of two trials of one session, which are both genuine.
func TestBodiesSwapped(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.exec(`UPDATE ponderal.trial a SET body = b.body FROM ponderal.trial b WHERE a.clinic_id = $1 AND b.clinic_id = $1 AND a.session_id = $2
		AND b.session_id = $2 AND a.series_number = 2 AND b.series_number = 2 AND a.revision = 1 AND b.revision = 1
		AND (a.trial_number, b.trial_number) IN ((1, 2), (2, 1))`, east, id("5e", 1))
	report := w.check()
	for n := 1; n <= 2; n++ {
		if key := fmt.Sprintf("%s/2/%d revision 1", id("5e", 1), n); !names(report, east, record.KindTrial, key) {
			t.Errorf("trial %s is not named: %v", key, report.Problems)
		}
	}
	if len(report.Problems) != 2 {
		t.Errorf("%d problems, want the two trials: %v", len(report.Problems), report.Problems)
	}
}

// TestOneTrialAndOneEntry alters a trial's load and an entry's reason: the report has the two causes and nothing else, in plain lines.
func TestOneTrialAndOneEntry(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := id("5e", 1) + "/1/4 revision 1"
	w.exec(`UPDATE ponderal.trial SET body = replace(body, '"value":"45"', '"value":"55"') WHERE clinic_id = $1 AND session_id = $2
		AND series_number = 1 AND trial_number = 4`, east, id("5e", 1))
	number := w.ask(`UPDATE ponderal.audit_entry SET content = replace(content, 'read from the strap', 'read from the watch')
		WHERE clinic_id = $1 AND action = 'trial.correct' AND number = (SELECT min(number) FROM ponderal.audit_entry
		WHERE clinic_id = $1 AND action = 'trial.correct') RETURNING number::text`, east)[0]
	entry := w.ask("SELECT entry_number::text FROM ponderal.session WHERE clinic_id = $1 AND id = $2 AND revision = 1", east, id("5e", 1))[0]
	var text bytes.Buffer
	if err := w.check().WriteText(&text); err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("trial %s in clinic %s: stored content is not what entry %s recorded\n"+
		"audit entry %s in clinic %s: stored content is not what was logged: it or its salt was altered\n", key, east, entry, number, east)
	if got := text.String(); !strings.HasPrefix(got, want+"Checked 3 logs") || !strings.Contains(got, "2 found wrong.") {
		t.Errorf("report:\n%s\nwant:\n%s", got, want)
	}
}
