package auditlog

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// rawCopy writes session and trial rows by COPY, one transaction a session, into tables with the same columns and indexes.
type rawCopy struct{ pool *pgxpool.Pool }

func openRawCopy(b *testing.B, url string) *rawCopy {
	b.Helper()
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	config.MaxConns = 20
	pool, err := pgxpool.NewWithConfig(context.Background(), config)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(pool.Close)
	const scratch = `CREATE SCHEMA raw;
		CREATE TABLE raw.session (LIKE ponderal.session INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES);
		CREATE TABLE raw.trial (LIKE ponderal.trial INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES);`
	if _, err := pool.Exec(context.Background(), scratch); err != nil {
		b.Fatal(err)
	}
	return &rawCopy{pool: pool}
}

func (r *rawCopy) write(ctx context.Context, clinic string, p push) error {
	return pgx.BeginFunc(ctx, r.pool, func(tx pgx.Tx) error {
		s := p.session
		_, err := tx.CopyFrom(ctx, pgx.Identifier{"raw", "session"}, []string{"clinic_id", "id", "revision", "entry_number", "referral_id", "body"},
			pgx.CopyFromRows([][]any{{clinic, s.ID, s.Revision, 0, s.ReferralID, string(s.Body)}}))
		if err != nil {
			return err
		}
		_, err = tx.CopyFrom(ctx, pgx.Identifier{"raw", "trial"},
			[]string{"clinic_id", "session_id", "series_number", "trial_number", "revision", "entry_number", "body"},
			pgx.CopyFromSlice(len(p.trials), func(i int) ([]any, error) {
				t := p.trials[i]
				return []any{clinic, t.SessionID, t.Series, t.Number, t.Revision, 0, string(t.Body)}, nil
			}))
		return err
	})
}
