package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// hashSize is the length of a stored tree hash, in bytes.
const hashSize = 32

const (
	readNodesAt = `SELECT substring(e.nodes FROM $3::int4 FOR $4::int4) FROM ponderal.audit_entry e
		WHERE e.clinic_id = $1 AND e.number = ANY ($2::int8[]) ORDER BY e.number`
	// releasedBy is answered from the payer's own feed: a clinic whose result was ever released to it stands there.
	releasedBy = `SELECT EXISTS (SELECT FROM ponderal.feed_item f WHERE f.payer_id = $1 AND f.clinic_id = $2)`
)

// NodesAt returns, in the order of their numbers, one of the stored tree hashes of each of the entries: the one at that position, counted from 0.
// An entry that is not there is left out, and one that has no hash there gives fewer than 32 bytes. One query, and not more than the hashes
// themselves is read.
func (tx *Tx) NodesAt(ctx context.Context, entries []int64, position int) ([][]byte, error) {
	return query(ctx, tx, "read hashes", pgx.RowTo[[]byte], readNodesAt, tx.clinic, entries, 1+position*hashSize, hashSize)
}

// HasReleased reports whether a result of the clinic was ever released to the payer, also if it no longer is.
func (s *Store) HasReleased(ctx context.Context, payerID, clinicID string) (bool, error) {
	payer, ok := parseID(payerID)
	clinic, ok2 := parseID(clinicID)
	if !ok || !ok2 {
		return false, nil
	}
	got, err := readWith(ctx, s, "look for releases", setPayer, payerID, pgx.RowTo[bool], releasedBy, payer, clinic)
	if err != nil {
		return false, err
	}
	return len(got) == 1 && got[0], nil
}
