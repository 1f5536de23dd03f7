package load

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Clinics are multiplied by SQL, as a superuser with triggers and foreign keys off: the rows of a clinic again under another clinic's id. The audit entries
// of the copies are the original's and stand under the same numbers, so that what is read and appended goes the way of every other clinic; only who
// compared an entry's text with its clinic would see that it is a copy.

// What is cloned never holds a token: their ids are one of their kind in the network. feedTables are what a payer's read needs, trialTables what makes the
// tables and indexes of pushes grow.
var (
	feedTables  = []string{"audit_entry", "audit_head", "checkpoint", "release", "session", "result"}
	trialTables = []string{"audit_entry", "audit_head", "clinic", "member", "client", "referral", "protocol", "session", "trial", "finding"}
)

const (
	columnsOf = `SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum), string_agg('t.' || quote_ident(attname), ', ' ORDER BY attnum)
		FROM pg_attribute WHERE attrelid = ('ponderal.' || $1)::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = '' AND attname <> 'clinic_id'`
	cloneRows = `INSERT INTO ponderal.TABLE (clinic_id, COLUMNS)
		SELECT k.id, VALUES FROM unnest($2::uuid[]) AS k (id) CROSS JOIN ponderal.TABLE t WHERE t.clinic_id = $1`
	// The items of a payer's feed again, for a copy of all its clinics, behind those that are there.
	cloneFeed = `INSERT INTO ponderal.feed_item (payer_id, number, clinic_id, result_id, entry_number, body)
		SELECT f.payer_id, f.number + k.turn * $2::bigint, k.copy, f.result_id, f.entry_number, f.body
		FROM unnest($3::uuid[], $4::uuid[], $5::bigint[]) AS k (original, copy, turn)
		JOIN ponderal.feed_item f ON f.payer_id = $1 AND f.clinic_id = k.original AND f.number <= $2`
	growFeed = `UPDATE ponderal.feed_head SET size = $2 WHERE payer_id = $1`
)

// asCopier runs fn in a transaction in which neither triggers nor foreign keys act.
func asCopier(ctx context.Context, pool *pgxpool.Pool, fn func(pgx.Tx) error) error {
	return pgx.BeginFunc(ctx, pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "SET LOCAL session_replication_role = replica"); err != nil {
			return fmt.Errorf("switch triggers off (the Postgres user must be a superuser): %w", err)
		}
		return fn(tx)
	})
}

// cloneClinic writes a clinic's rows in the tables again under each of the ids.
func cloneClinic(ctx context.Context, tx pgx.Tx, tables []string, clinic string, ids []string) error {
	for _, table := range tables {
		var columns, values string
		if err := tx.QueryRow(ctx, columnsOf, table).Scan(&columns, &values); err != nil {
			return fmt.Errorf("read the columns of %s: %w", table, err)
		}
		sql := strings.NewReplacer("TABLE", table, "COLUMNS", columns, "VALUES", values).Replace(cloneRows)
		if _, err := tx.Exec(ctx, sql, clinic, ids); err != nil {
			return fmt.Errorf("clone %s: %w", table, err)
		}
	}
	return nil
}

// cloneVisits multiplies the signed results with their clinics until the payer's feed has at least want, and returns how many it then has.
func (r *run) cloneVisits(ctx context.Context, want int) (int, error) {
	has := len(r.visits.results)
	turns := (want+has-1)/has - 1
	if turns < 1 {
		return has, nil
	}
	const atOnce = 50
	for turn := 1; turn <= turns; turn += atOnce {
		last := min(turn+atOnce-1, turns)
		if err := asCopier(ctx, r.raw.pool, func(tx pgx.Tx) error { return r.cloneTurns(ctx, tx, turn, last) }); err != nil {
			return 0, err
		}
		r.say("  %d results in the feed\n", has*(last+1))
	}
	return has * (turns + 1), r.raw.settle(ctx)
}

func (r *run) cloneTurns(ctx context.Context, tx pgx.Tx, first, last int) error {
	var originals, copies []string
	var turns []int64
	for _, clinic := range r.visits.clinics {
		ids := make([]string, 0, last-first+1)
		for turn := first; turn <= last; turn++ {
			id := r.o.NewID().String()
			ids = append(ids, id)
			originals, copies, turns = append(originals, clinic), append(copies, id), append(turns, int64(turn))
		}
		if err := cloneClinic(ctx, tx, feedTables, clinic, ids); err != nil {
			return err
		}
	}
	has := len(r.visits.results)
	if _, err := tx.Exec(ctx, cloneFeed, r.payer, has, originals, copies, turns); err != nil {
		return fmt.Errorf("clone the feed: %w", err)
	}
	if _, err := tx.Exec(ctx, growFeed, r.payer, has*(last+1)); err != nil {
		return fmt.Errorf("move the feed's head: %w", err)
	}
	return nil
}

// settle lets the server finish what a large write leaves behind, so that it is not measured with what comes next.
func (r *raw) settle(ctx context.Context) error {
	for _, sql := range []string{"VACUUM ANALYZE", "CHECKPOINT"} {
		if _, err := r.pool.Exec(ctx, sql); err != nil {
			return fmt.Errorf("settle the database: %w", err)
		}
	}
	return nil
}
