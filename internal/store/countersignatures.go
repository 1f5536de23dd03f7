package store

import (
	"context"

	"ponderal.example/internal/record"
)

const countersignaturesOf = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
	FROM ponderal.countersignature d JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number
	WHERE d.clinic_id = $1 AND d.body::jsonb ->> 'result_id' = $2 ORDER BY d.entry_number`

// Countersignatures returns the second signatures over a result, oldest first.
func (tx *Tx) Countersignatures(ctx context.Context, resultID string) ([]Row, error) {
	if _, ok := parseID(resultID); !ok {
		return nil, notFound(record.KindResult)
	}
	return query(ctx, tx, "list countersignatures", scanRow, countersignaturesOf, tx.clinic, resultID)
}
