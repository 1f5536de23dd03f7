package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/record"
)

const (
	resultColumns = `SELECT r.id, r.entry_number, e.at, r.session_id, r.session_revision,
			(SELECT max(s.revision) FROM ponderal.session s WHERE s.clinic_id = r.clinic_id AND s.id = r.session_id),
			coalesce(r.supersedes::text, ''),
			coalesce((SELECT n.id::text FROM ponderal.result n WHERE n.clinic_id = r.clinic_id AND n.supersedes = r.id), ''), r.body, r.path
		FROM ponderal.result r JOIN ponderal.audit_entry e ON e.clinic_id = r.clinic_id AND e.number = r.entry_number`
	oneResult         = resultColumns + ` WHERE r.clinic_id = $1 AND r.id = $2`
	resultsOfSession  = resultColumns + ` WHERE r.clinic_id = $1 AND r.session_id = $2 ORDER BY r.entry_number`
	resultsOfReferral = resultColumns + ` WHERE r.clinic_id = $1 AND (r.session_id, r.session_revision) IN
			(SELECT s.id, s.revision FROM ponderal.session s WHERE s.clinic_id = $1 AND s.referral_id = $2)
		AND r.body <> '{}' ORDER BY r.entry_number`
	listResults = resultColumns + ` WHERE r.clinic_id = $1 AND r.entry_number > $2 AND r.body <> '{}' ORDER BY r.entry_number LIMIT $3`
)

// Result returns one result, or a NotFound fault (reason ERASED where it was erased).
func (tx *Tx) Result(ctx context.Context, id string) (ResultRow, error) {
	parsed, ok := parseID(id)
	if !ok {
		return ResultRow{}, notFound(record.KindResult)
	}
	row, err := queryOne(ctx, tx, "read result", record.KindResult, scanResult, oneResult, tx.clinic, parsed)
	if err == nil && row.JWS == record.Erased {
		return ResultRow{}, erased(record.KindResult)
	}
	return row, err
}

// ResultsOfSession returns the results of a session, oldest first, those that were erased too.
func (tx *Tx) ResultsOfSession(ctx context.Context, sessionID string) ([]ResultRow, error) {
	id, ok := parseID(sessionID)
	if !ok {
		return nil, notFound(record.KindSession)
	}
	return query(ctx, tx, "list results of session", scanResult, resultsOfSession, tx.clinic, id)
}

// ResultsOfReferral returns the results of every session of a referral, oldest first.
func (tx *Tx) ResultsOfReferral(ctx context.Context, referralID string) ([]ResultRow, error) {
	id, ok := parseID(referralID)
	if !ok {
		return nil, notFound(record.KindReferral)
	}
	return query(ctx, tx, "list results of referral", scanResult, resultsOfReferral, tx.clinic, id)
}

// ListResults returns results in the order of signing, after the given entry (-1 for all).
func (tx *Tx) ListResults(ctx context.Context, afterEntry int64, limit int) ([]ResultRow, error) {
	return query(ctx, tx, "list results", scanResult, listResults, tx.clinic, afterEntry, limit)
}

func scanResult(row pgx.CollectableRow) (ResultRow, error) {
	var r ResultRow
	err := row.Scan(&r.ID, &r.Entry, &r.At, &r.SessionID, &r.SessionRevision, &r.Newest, &r.Supersedes, &r.SupersededBy, &r.JWS, &r.Path)
	r.At = r.At.UTC()
	return r, err
}
