package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

const (
	cosignatureColumns = `SELECT c.clinic_id, c.size, c.witness, c.entry_number, c.line FROM ponderal.cosignature c`
	cosignaturesOfSize = cosignatureColumns + ` WHERE c.clinic_id = $1 AND c.size = $2 ORDER BY c.witness LIMIT $3`
	listCosignatures   = cosignatureColumns + ` WHERE c.clinic_id = $1 AND ($2::int8 = 0 OR (c.size, c.witness) < ($2::int8, $3::text))
		ORDER BY c.size DESC, c.witness DESC LIMIT $4`
	newestCosigned  = `SELECT coalesce(max(c.size), 0) FROM ponderal.cosignature c WHERE c.clinic_id = $1 AND c.witness = $2`
	keepCosignature = `INSERT INTO ponderal.cosignature (clinic_id, size, witness, entry_number, line) VALUES ($1, $2::int8, $3, $2::int8 - 1, $4)
		ON CONFLICT (clinic_id, size, witness) DO NOTHING`
	scanCosignatures = cosignatureColumns + ` WHERE c.clinic_id = ponderal.current_clinic() ORDER BY c.size, c.witness`
)

// CosignatureRow is what a witness said of one size of a clinic's log. Witness is its verifier key, Line the line of the signed note, with its
// newline.
type CosignatureRow struct {
	ClinicID string
	Size     int64
	Witness  string
	Entry    int64
	Line     string
}

func scanCosignature(row pgx.CollectableRow) (CosignatureRow, error) {
	var c CosignatureRow
	return c, row.Scan(&c.ClinicID, &c.Size, &c.Witness, &c.Entry, &c.Line)
}

// Cosignatures returns what witnesses said of that size, at most so many, in the order of their verifier keys.
func (tx *Tx) Cosignatures(ctx context.Context, size int64, limit int) ([]CosignatureRow, error) {
	return query(ctx, tx, "read cosignatures", scanCosignature, cosignaturesOfSize, tx.clinic, size, limit)
}

// ListCosignatures returns what witnesses said of the clinic's log, newest first: by size and then by witness, both descending, after a size and
// witness (0 and empty for all).
func (tx *Tx) ListCosignatures(ctx context.Context, size int64, witness string, limit int) ([]CosignatureRow, error) {
	return query(ctx, tx, "list cosignatures", scanCosignature, listCosignatures, tx.clinic, size, witness, limit)
}

// NewestCosigned is the largest size that the witness has cosigned as far as is stored, 0 for none.
func (tx *Tx) NewestCosigned(ctx context.Context, witness string) (int64, error) {
	return queryOne(ctx, tx, "read newest cosigned size", "cosignature", pgx.RowTo[int64], newestCosigned, tx.clinic, witness)
}

// SaveCosignature stores a verified cosignature of a size whose checkpoint is stored; one of that witness that is there stays.
func (tx *Tx) SaveCosignature(ctx context.Context, size int64, witness, line string) error {
	b := tx.batch()
	b.Queue(keepCosignature, tx.clinic, size, witness, line)
	return tx.send(ctx, b, "store cosignature")
}

// ScanCosignatures reads the cosignatures, smallest size first.
func (tx *Tx) ScanCosignatures(ctx context.Context, fn func(CosignatureRow) error) error {
	return scan(ctx, tx, "scan cosignatures", scanCosignatures, scanCosignature, fn)
}
