package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"ponderal.example/internal/record"
)

// The action stands in the statements as it does in the condition of the index audit_disclosure, by which they read.
const (
	disclosuresOf = entryColumns + ` WHERE e.clinic_id = $1 AND e.action = 'result.disclose' AND e.number >= $2 AND e.at >= $3 AND $4 = ANY (e.subjects)
		ORDER BY e.number LIMIT $5`
	// The entry that signed a result says whose it is, also once the result itself was erased.
	resultsAbout = `SELECT r.id::text, r.session_id::text FROM ponderal.result r
			JOIN ponderal.audit_entry e ON e.clinic_id = r.clinic_id AND e.number = r.entry_number
		WHERE r.clinic_id = $1 AND r.id = ANY ($2::uuid[]) AND $3 = ANY (e.subjects)`
	releasesBefore = `SELECT u.id::text, u.entry, d.body FROM unnest($2::uuid[], $3::int8[]) AS u (id, entry), LATERAL
			(SELECT r.body FROM ponderal.release r WHERE r.clinic_id = $1 AND r.id = u.id AND r.entry_number < u.entry
				ORDER BY r.revision DESC LIMIT 1) d`
)

// Disclosures returns the entries that disclosed results of a client (`client:ID` among the subjects) from a number and a time on, in the order of their
// numbers.
func (tx *Tx) Disclosures(ctx context.Context, clientID string, from int64, since time.Time, limit int) ([]EntryRow, error) {
	return query(ctx, tx, "list disclosures", scanEntry, disclosuresOf, tx.clinic, from, since, record.KindClient+":"+clientID, limit)
}

// ResultsAbout returns those of some results that are about a client, each with its session; erased ones too.
func (tx *Tx) ResultsAbout(ctx context.Context, clientID string, resultIDs []string) (map[string]string, error) {
	ids, err := writeIDs("result_id", resultIDs)
	if err != nil {
		return nil, err
	}
	type pair struct{ id, session string }
	got, err := query(ctx, tx, "find results of client", func(row pgx.CollectableRow) (pair, error) {
		var p pair
		return p, row.Scan(&p.id, &p.session)
	}, resultsAbout, tx.clinic, ids, record.KindClient+":"+clientID)
	if err != nil {
		return nil, err
	}
	sessions := make(map[string]string, len(got))
	for _, p := range got {
		sessions[p.id] = p.session
	}
	return sessions, nil
}

// ReleaseUse is a release as an entry used it.
type ReleaseUse struct {
	ReleaseID string
	Entry     int64
}

// ReleasesBefore returns the bodies of releases as they stood before an entry each. One that was not there has no key.
func (tx *Tx) ReleasesBefore(ctx context.Context, uses []ReleaseUse) (map[ReleaseUse][]byte, error) {
	names, entries := make([]string, len(uses)), make([]int64, len(uses))
	for i, u := range uses {
		names[i], entries[i] = u.ReleaseID, u.Entry
	}
	ids, err := writeIDs("release_id", names)
	if err != nil {
		return nil, err
	}
	type used struct {
		ReleaseUse
		body []byte
	}
	got, err := query(ctx, tx, "read releases as they stood", func(row pgx.CollectableRow) (used, error) {
		var u used
		return u, row.Scan(&u.ReleaseID, &u.Entry, &u.body)
	}, releasesBefore, tx.clinic, ids, entries)
	if err != nil {
		return nil, err
	}
	bodies := make(map[ReleaseUse][]byte, len(got))
	for _, u := range got {
		bodies[u.ReleaseUse] = u.body
	}
	return bodies, nil
}

func writeIDs(field string, texts []string) ([]pgtype.UUID, error) {
	out := make([]pgtype.UUID, len(texts))
	for i, text := range texts {
		var err error
		if out[i], err = writeID(field, text); err != nil {
			return nil, err
		}
	}
	return out, nil
}
