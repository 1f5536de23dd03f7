package auditcheck

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// trialsPerKind times the number of kinds is how many single changes the trials make.
const trialsPerKind = 9

// trialSeed is the first of the seeds; each trial has the next one, so that one trial can be repeated from its seed and kind alone.
const trialSeed = 20260304

// change is one thing that a superuser did, with no trigger, key, check or policy in the way.
type change struct {
	// what says what was done, for a reader of a failure.
	what string
	// touched are the tables that are put back afterwards.
	touched []string
	// named reports whether the report says what was done and where.
	named func(Report) bool
	// outside is a checkpoint that a payer holds, where the database by itself shows nothing; where it is empty, the check must name the change
	// without help.
	outside string
}

// kindOfChange makes one random change of its kind.
type kindOfChange struct {
	name string
	make func(*trials, *rand.Rand) change
}

// trials are a filled database, a copy of every table to go back to, and the forger's hand.
type trials struct {
	*world
	tables []string
}

// TestTamperTrials makes hundreds of random single changes to a filled database as its superuser with triggers off, and runs the whole check
// after each. Each change must be found and named; one that leaves a log whole in itself must be found with a checkpoint from outside.
func TestTamperTrials(t *testing.T) {
	t.Parallel()
	x := newTrials(t)
	found := map[string]map[string]int{}
	count := 0
	for k, kind := range kindsOfChange() {
		found[kind.name] = map[string]int{}
		for n := range trialsPerKind {
			seed := uint64(trialSeed + k*trialsPerKind + n)
			by := x.try(seed, kind)
			found[kind.name][by]++
			count++
		}
	}
	x.clean()
	var table strings.Builder
	fmt.Fprintf(&table, "%d changes, seeds %d to %d\n%-44s %8s %8s %8s\n", count, trialSeed, trialSeed+count-1, "kind of change", byCheck, byOutside, byNobody)
	for _, kind := range kindsOfChange() {
		f := found[kind.name]
		fmt.Fprintf(&table, "%-44s %8d %8d %8d\n", kind.name, f[byCheck], f[byOutside], f[byNobody])
	}
	t.Logf("\n%s", table.String())
	if count < 200 {
		t.Errorf("%d changes, want at least 200", count)
	}
}

// Who found a change.
const (
	byCheck   = "check"
	byOutside = "outside"
	byNobody  = "nobody"
)

// try makes one change, says who found it, and takes it back.
func (x *trials) try(seed uint64, kind kindOfChange) string {
	x.t.Helper()
	c := kind.make(x, rand.New(rand.NewPCG(seed, 1)))
	defer x.restore(c.touched)
	report := x.check()
	switch {
	case c.outside == "" && c.named(report):
		return byCheck
	case c.outside == "":
		x.t.Errorf("seed %d, %s: %s: not named in %v", seed, kind.name, c.what, report.Problems)
		return byNobody
	case !report.OK():
		x.t.Errorf("seed %d, %s: %s: a log that is whole in itself: %v", seed, kind.name, c.what, report.Problems)
	}
	if with := x.check(c.outside); !c.named(with) {
		x.t.Errorf("seed %d, %s: %s: a checkpoint from outside does not show it: %v", seed, kind.name, c.what, with.Problems)
		return byNobody
	}
	return byOutside
}

// newTrials fills a database, reads the feed as a payer does, drops what would refuse a change, and keeps a copy of every table.
func newTrials(t *testing.T) *trials {
	x := &trials{world: newWorld(t)}
	payer := authn.Principal{TokenID: id("aa", 3), PayerID: insure, Roles: []record.Role{record.RolePayer}, Role: record.RolePayer, App: "test", RequestID: "r-3"}
	if feed := must(x.c.ListFeed(x.ctx, payer, record.Page{Size: 50}))(t); len(feed.Items) == 0 {
		t.Fatal("the payer sees nothing")
	}
	x.clean()
	x.exec("DO $$ DECLARE c record; BEGIN FOR c IN SELECT conrelid::regclass AS t, conname FROM pg_constraint WHERE contype = 'c' " +
		"AND connamespace = 'ponderal'::regnamespace LOOP EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I', c.t, c.conname); END LOOP; END $$")
	x.dropIndexes()
	x.exec("DROP INDEX IF EXISTS ponderal.release_by_referral")
	x.exec("CREATE SCHEMA kept")
	x.tables = x.ask("SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'ponderal' ORDER BY 1")
	for _, table := range x.tables {
		x.exec("CREATE TABLE kept." + table + " AS SELECT * FROM ponderal." + table)
	}
	return x
}

func (x *trials) restore(touched []string) {
	x.t.Helper()
	var sql strings.Builder
	sql.WriteString("BEGIN;")
	for _, table := range touched {
		fmt.Fprintf(&sql, "DELETE FROM ponderal.%[1]s; INSERT INTO ponderal.%[1]s SELECT * FROM kept.%[1]s;", table)
	}
	sql.WriteString("COMMIT")
	if _, err := x.super.PgConn().Exec(x.ctx, sql.String()).ReadAll(); err != nil {
		x.t.Fatalf("put back %v: %v", touched, err)
	}
}

// place is one row: where it is, whose it is and how a problem names it, while it is there and when it is gone.
type place struct{ table, at, clinic, key, gone string }

// pick takes a random row of a table; the order does not depend on how often rows were put back.
func (x *trials) pick(r *rand.Rand, table, where string) place {
	x.t.Helper()
	if where != "" {
		where = "WHERE " + where
	}
	rows := x.ask("SELECT ctid || '|' || clinic_id || '|' || " + tables[table].key + " || '|' || " + goneKey(table) + " FROM ponderal." + table + " t " + where +
		" ORDER BY t::text COLLATE \"C\"")
	if len(rows) == 0 {
		x.t.Fatalf("no row of %s %s", table, where)
	}
	parts := strings.SplitN(rows[r.IntN(len(rows))], "|", 4)
	return place{table: table, at: parts[0], clinic: parts[1], key: parts[2], gone: parts[3]}
}

func (p place) String() string { return p.table + " " + p.key + " of " + p.clinic }

// namedIn reports whether the row is named, or that it is gone.
func (p place) namedIn(r Report) bool {
	return names(r, p.clinic, tables[p.table].kind, p.key) || namedGone(r, p.table, p.clinic, p.gone)
}

// alter changes one column of a row to an SQL expression, and wants the row named as it was or as it is now.
func (x *trials) alter(p place, column, expression string) change {
	x.t.Helper()
	now := x.ask("UPDATE ponderal."+p.table+" SET "+column+" = "+expression+" WHERE ctid = $1::text::tid RETURNING clinic_id || '|' || "+tables[p.table].key, p.at)[0]
	clinic, key, _ := strings.Cut(now, "|")
	return change{what: fmt.Sprintf("%s of %v set to %s", column, p, expression), touched: []string{p.table}, named: func(r Report) bool {
		return p.namedIn(r) || names(r, clinic, tables[p.table].kind, key)
	}}
}

// expression is how a column's value is changed into another of its type.
func (x *trials) expression(r *rand.Rand, table, column string) string {
	kind := x.ask("SELECT data_type::text FROM information_schema.columns WHERE table_schema = 'ponderal' AND table_name = $1 AND column_name = $2", table, column)[0]
	edit := edits[kind]
	if edit == "" {
		x.t.Fatalf("%s.%s: no edit for type %s", table, column, kind)
	}
	if column == "number" || column == "revision" || column == "size" {
		edit = "%[1]s + 1000"
	}
	edit = strings.ReplaceAll(edit, "%[1]s", column)
	edit = strings.ReplaceAll(edit, "%[2]d", fmt.Sprint(r.IntN(1<<20)))
	return strings.ReplaceAll(edit, "%%", "%")
}

// recordTables hold bodies; their order is fixed, so that a seed always means the same table.
var recordTables = []string{"client", "clinic", "feed_item", "finding", "job_profile", "kit", "member", "payer", "protocol", "referral", "release",
	"result", "session", "token", "token_revocation", "trial"}

func oneOf(r *rand.Rand, list []string) string { return list[r.IntN(len(list))] }

// concerns reports whether a problem is about an entry of a clinic, or of a later one.
func concerns(r Report, clinic string, from int64) bool {
	return slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.Clinic == clinic && p.Entry >= from })
}
