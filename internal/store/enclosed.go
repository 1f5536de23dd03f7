package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/record"
)

const oneEnclosed = `SELECT r.enclosed, r.enclosed_salt FROM ponderal.result r WHERE r.clinic_id = $1 AND r.id = $2`

type enclosedRow struct{ text, salt []byte }

// Enclosed returns the raw trials that a result commits to by digest, canonical JSON, and the salt of the digest. Both are nil for a result that has
// its trials in it; NotFound where there is no such result.
func (tx *Tx) Enclosed(ctx context.Context, resultID string) (enclosed, salt []byte, err error) {
	id, ok := parseID(resultID)
	if !ok {
		return nil, nil, notFound(record.KindResult)
	}
	got, err := queryOne(ctx, tx, "read enclosed trials", record.KindResult, func(row pgx.CollectableRow) (enclosedRow, error) {
		var r enclosedRow
		return r, row.Scan(&r.text, &r.salt)
	}, oneEnclosed, tx.clinic, id)
	return got.text, got.salt, err
}
