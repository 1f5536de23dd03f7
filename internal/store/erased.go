package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// ReasonErased is the reason of a fault about a record that was erased on lawful demand.
const ReasonErased = "ERASED"

// erased answers a read of a record that was erased.
func erased(what string) error {
	return fault.Newf(fault.NotFound, ReasonErased, "the %s was erased on lawful demand", what)
}

// notErased lets a row through unless its record was erased.
func notErased(kind string, row Row, err error) (Row, error) {
	if err == nil && string(row.Body) == record.Erased {
		return Row{}, erased(kind)
	}
	return row, err
}

// ErasureRow is an entry that tells of an erasure, as the audit check reads it first.
type ErasureRow struct {
	Number  int64
	Content []byte
}

const listErasures = `SELECT e.number, e.content FROM ponderal.audit_entry e WHERE e.clinic_id = $1 AND e.action = 'client.erase' ORDER BY e.number`

// Erasures returns the entries that tell of erasures, oldest first; content is nil where even that was taken.
func (tx *Tx) Erasures(ctx context.Context) ([]ErasureRow, error) {
	return query(ctx, tx, "list erasures", func(row pgx.CollectableRow) (ErasureRow, error) {
		var e ErasureRow
		return e, row.Scan(&e.Number, &e.Content)
	}, listErasures, tx.clinic)
}
