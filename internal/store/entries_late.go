package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// LateKey is the place of a late correction in the order of time.
type LateKey struct {
	At     time.Time
	Number int64
}

// LateRow is a correction of a session after a result of it was signed.
type LateRow struct {
	LateKey
	SessionID string
	// Revision is the one that the correction wrote.
	Revision int
	// ResultID is the result that stood when the correction was made, signed at SignedAt; SupersededBy the one that replaced it, if one did.
	ResultID     string
	SignedAt     time.Time
	SupersededBy string
}

// LateRate counts the sessions of one evaluator.
type LateRate struct {
	EvaluatorID                    string
	Signed, Corrected, Corrections int
}

// The corrections that are late: of a session of which a result had been signed before. stood is the newest result before the correction.
const (
	lateCorrections = `SELECT e.at, e.number, s.id, s.revision, stood.id, g.at,
			coalesce((SELECT n.id::text FROM ponderal.result n WHERE n.clinic_id = $1 AND n.supersedes = stood.id), '')
		FROM (SELECT DISTINCT q.session_id FROM ponderal.result q WHERE q.clinic_id = $1) signed
		JOIN ponderal.session s ON s.clinic_id = $1 AND s.id = signed.session_id AND s.revision > 1
		JOIN ponderal.audit_entry e ON e.clinic_id = $1 AND e.number = s.entry_number AND e.action IN ('trial.correct', 'session.correct')
		JOIN LATERAL (SELECT r.id, r.entry_number FROM ponderal.result r WHERE r.clinic_id = $1 AND r.session_id = s.id
			AND r.entry_number < s.entry_number ORDER BY r.entry_number DESC LIMIT 1) stood ON true
		JOIN ponderal.audit_entry g ON g.clinic_id = $1 AND g.number = stood.entry_number
		WHERE g.at >= coalesce($2, '-infinity'::timestamptz) AND g.at < coalesce($3, 'infinity'::timestamptz)`
	listLate  = lateCorrections + ` AND (e.at, e.number) > ($4::timestamptz, $5::int8) AND e.at <= $6::timestamptz ORDER BY e.at, e.number LIMIT $7`
	lateRates = `WITH late AS (SELECT l.session_id, count(*) AS corrections FROM (` + lateCorrections + `) l (at, number, session_id, revision, result_id, signed_at, by)
			GROUP BY 1)
		SELECT f.evaluator, count(*), count(f.corrections), coalesce(sum(f.corrections), 0)::int8
		FROM (SELECT s.body::jsonb ->> 'evaluator_id' AS evaluator, late.corrections
			FROM (SELECT DISTINCT ON (r.session_id) r.session_id, r.session_revision FROM ponderal.result r
				JOIN ponderal.audit_entry g ON g.clinic_id = $1 AND g.number = r.entry_number
				WHERE r.clinic_id = $1 AND g.at >= coalesce($2, '-infinity'::timestamptz) AND g.at < coalesce($3, 'infinity'::timestamptz)
				ORDER BY r.session_id, r.entry_number) signed
			JOIN ponderal.session s ON s.clinic_id = $1 AND s.id = signed.session_id AND s.revision = signed.session_revision
			LEFT JOIN late ON late.session_id = signed.session_id) f
		WHERE f.evaluator IS NOT NULL GROUP BY 1 ORDER BY 1`
)

// LateCorrections returns corrections after a signature in the order of time, after the key and made at asOf at the latest, of results that were signed at
// or after since and before until (zero for no bound).
func (tx *Tx) LateCorrections(ctx context.Context, since, until time.Time, after LateKey, asOf time.Time, limit int) ([]LateRow, error) {
	return query(ctx, tx, "list late corrections", func(row pgx.CollectableRow) (LateRow, error) {
		var r LateRow
		err := row.Scan(&r.At, &r.Number, &r.SessionID, &r.Revision, &r.ResultID, &r.SignedAt, &r.SupersededBy)
		r.At, r.SignedAt = r.At.UTC(), r.SignedAt.UTC()
		return r, err
	}, listLate, tx.clinic, momentOrNone(since), momentOrNone(until), after.At, after.Number, asOf, limit)
}

// LateRates counts, for each evaluator who has any, the sessions that were signed in the period, those of them that were corrected after such a signature,
// and these corrections. Sessions that were erased say no more whose they were, and are not counted.
func (tx *Tx) LateRates(ctx context.Context, since, until time.Time) ([]LateRate, error) {
	return query(ctx, tx, "count late corrections", func(row pgx.CollectableRow) (LateRate, error) {
		var r LateRate
		return r, row.Scan(&r.EvaluatorID, &r.Signed, &r.Corrected, &r.Corrections)
	}, lateRates, tx.clinic, momentOrNone(since), momentOrNone(until))
}
