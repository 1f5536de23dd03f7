package load

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// raw writes and reads the same rows by pgx alone. It writes them by COPY into tables with the same columns and indexes but without foreign keys, policies, triggers and
// audit: the limit of this Postgres on this machine.
type raw struct {
	now      func() time.Time
	pool     *pgxpool.Pool
	settings string
}

// rawSession is one session's rows as the service stored them.
type rawSession struct {
	session []any
	trials  [][]any
}

var (
	rawSessionColumns = []string{"clinic_id", "id", "revision", "entry_number", "referral_id", "body"}
	rawTrialColumns   = []string{"clinic_id", "session_id", "series_number", "trial_number", "revision", "entry_number", "body"}
)

const makeScratch = `
DROP SCHEMA IF EXISTS ponderal_load CASCADE;
CREATE SCHEMA ponderal_load;
CREATE TABLE ponderal_load.session (LIKE ponderal.session INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES INCLUDING STORAGE);
CREATE TABLE ponderal_load.trial (LIKE ponderal.trial INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES INCLUDING STORAGE);
CREATE TABLE ponderal_load.audit_entry (LIKE ponderal.audit_entry INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES INCLUDING STORAGE);`

func openRaw(ctx context.Context, url string, now func() time.Time) (*raw, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read the Postgres URL: %w", err)
	}
	config.MaxConns = 64
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open Postgres: %w", err)
	}
	r := &raw{now: now, pool: pool}
	if _, err := pool.Exec(ctx, makeScratch); err != nil {
		r.close()
		return nil, fmt.Errorf("make the scratch schema: %w", err)
	}
	const settings = `SELECT 'Postgres ' || current_setting('server_version') || ', fsync ' || current_setting('fsync')
		|| ', synchronous_commit ' || current_setting('synchronous_commit')`
	if err := pool.QueryRow(ctx, settings).Scan(&r.settings); err != nil {
		r.close()
		return nil, fmt.Errorf("read the settings: %w", err)
	}
	return r, nil
}

func (r *raw) close() { r.pool.Close() }

// acquire takes a connection for each worker; release gives them back.
func (r *raw) acquire(ctx context.Context, connections int) (conns []*pgxpool.Conn, release func(), err error) {
	release = func() {
		for _, c := range conns {
			c.Release()
		}
	}
	for range connections {
		c, err := r.pool.Acquire(ctx)
		if err != nil {
			release()
			return nil, nil, fmt.Errorf("connect: %w", err)
		}
		conns = append(conns, c)
	}
	return conns, release, nil
}

func (r *raw) drop(ctx context.Context) error {
	if _, err := r.pool.Exec(ctx, "DROP SCHEMA ponderal_load CASCADE"); err != nil {
		return fmt.Errorf("drop the scratch schema: %w", err)
	}
	return nil
}

// read fetches what the service stored for the batch, as a reader who is not bound by policies.
func (r *raw) read(ctx context.Context, batch []item) ([]rawSession, error) {
	rows := make([]rawSession, len(batch))
	for i, it := range batch {
		id := it.request.GetSession().GetId()
		got, err := r.values(ctx, "SELECT clinic_id, id, revision, entry_number, referral_id, body FROM ponderal.session WHERE clinic_id = $1 AND id = $2",
			it.clinic, id)
		if err != nil {
			return nil, err
		}
		if len(got) != 1 {
			return nil, fmt.Errorf("session %s: %d rows, want 1", id, len(got))
		}
		rows[i].session = got[0]
		rows[i].trials, err = r.values(ctx, `SELECT clinic_id, session_id, series_number, trial_number, revision, entry_number, body
			FROM ponderal.trial WHERE clinic_id = $1 AND session_id = $2`, it.clinic, id)
		if err != nil {
			return nil, err
		}
		if want := seriesPerSession * trialsPerSeries; len(rows[i].trials) != want {
			return nil, fmt.Errorf("session %s: %d trials, want %d", id, len(rows[i].trials), want)
		}
	}
	return rows, nil
}

func (r *raw) values(ctx context.Context, query string, args ...any) ([][]any, error) {
	rows, err := r.pool.Query(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) ([]any, error) { return row.Values() })
}

// copy writes the rows, one transaction a session, each worker on a connection of its own.
func (r *raw) copy(ctx context.Context, sessions []rawSession, connections int) (timing, error) {
	conns, release, err := r.acquire(ctx, connections)
	if err != nil {
		return timing{}, err
	}
	defer release()
	return inParallel(ctx, r.now, connections, len(sessions), func(ctx context.Context, worker, i int) error {
		return pgx.BeginFunc(ctx, conns[worker], func(tx pgx.Tx) error {
			s := sessions[i]
			if _, err := tx.CopyFrom(ctx, pgx.Identifier{"ponderal_load", "session"}, rawSessionColumns, pgx.CopyFromRows([][]any{s.session})); err != nil {
				return err
			}
			_, err := tx.CopyFrom(ctx, pgx.Identifier{"ponderal_load", "trial"}, rawTrialColumns, pgx.CopyFromRows(s.trials))
			return err
		})
	})
}
