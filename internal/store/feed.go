package store

import (
	"context"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

const feedOfClinic = `SELECT f.result_id::text FROM ponderal.feed_item f
	WHERE f.clinic_id = $1 AND f.payer_id = $2 AND f.result_id = ANY ($3::uuid[])`

// InFeed returns those of the clinic's results that stand in the payer's feed.
func (tx *Tx) InFeed(ctx context.Context, payerID string, resultIDs []string) (map[string]bool, error) {
	payer, err := writeID("payer_id", payerID)
	if err != nil {
		return nil, err
	}
	ids := make([]pgtype.UUID, len(resultIDs))
	for i, id := range resultIDs {
		if ids[i], err = writeID("result_id", id); err != nil {
			return nil, err
		}
	}
	got, err := query(ctx, tx, "find feed items", pgx.RowTo[string], feedOfClinic, tx.clinic, payer, ids)
	if err != nil {
		return nil, err
	}
	found := make(map[string]bool, len(got))
	for _, id := range got {
		found[id] = true
	}
	return found, nil
}
