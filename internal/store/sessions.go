package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/record"
)

const trialsAt = `SELECT DISTINCT ON (t.series_number, t.trial_number) t.series_number, t.trial_number, t.revision, t.entry_number, t.body
	FROM ponderal.trial t WHERE t.clinic_id = $1 AND t.session_id = $2 AND t.revision <= $3
	ORDER BY t.series_number, t.trial_number, t.revision DESC`

// Trials returns the trials of a session as they stood at a revision, by series and number.
func (tx *Tx) Trials(ctx context.Context, sessionID string, revision int) ([]TrialRow, error) {
	id, ok := parseID(sessionID)
	if !ok {
		return nil, notFound(record.KindSession)
	}
	return query(ctx, tx, "read trials", scanTrial, trialsAt, tx.clinic, id, revision)
}

func scanTrial(row pgx.CollectableRow) (TrialRow, error) {
	var t TrialRow
	return t, row.Scan(&t.Series, &t.Number, &t.Revision, &t.Entry, &t.Body)
}
