package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"ponderal.example/internal/record"
)

// PushContext is all that a push reads, fetched in one round trip, the head lock included.
type PushContext struct {
	HeadSize  int64
	HeadEdge  []byte
	Session   *Row           // newest revision, nil when the session is new
	Trials    []TrialRow     // of revision 1 when the session exists
	First     *Row           // revision 1 when the session exists
	Referral  *Row           // newest
	Client    *Row           // newest, of the referral
	Job       *Row           // newest, of the referral
	Evaluator *Row           // newest
	Protocols map[string]Row // by digest
	Kits      map[string]Row // newest, by id
}

// PushKeys names what a push refers to.
type PushKeys struct {
	SessionID, ReferralID, EvaluatorID string
	Digests, KitIDs                    []string
}

// readPush fetches every record that a push refers to as one list, because each statement has its own cost.
const readPush = `
WITH r AS MATERIALIZED (SELECT d.id, d.revision, d.entry_number, d.body, d.body::jsonb AS fields FROM ponderal.referral d
	WHERE d.clinic_id = $1 AND d.id = $3 ORDER BY d.revision DESC LIMIT 1)
SELECT p.kind, p.id, p.revision, p.entry_number, (SELECT e.at FROM ponderal.audit_entry e WHERE e.clinic_id = $1 AND e.number = p.entry_number),
	p.body, p.series, p.number
FROM (
	SELECT 'referral' AS kind, r.id::text AS id, r.revision, r.entry_number, r.body, 0 AS series, 0 AS number FROM r
	UNION ALL (SELECT 'client', d.id::text, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.client d
		WHERE d.clinic_id = $1 AND d.id = (SELECT (r.fields ->> 'client_id')::uuid FROM r) ORDER BY d.revision DESC LIMIT 1)
	UNION ALL (SELECT 'job_profile', d.id::text, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.job_profile d
		WHERE d.clinic_id = $1 AND d.id = (SELECT (r.fields ->> 'job_profile_id')::uuid FROM r) ORDER BY d.revision DESC LIMIT 1)
	UNION ALL (SELECT 'member', d.id::text, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.member d
		WHERE d.clinic_id = $1 AND d.id = $4 ORDER BY d.revision DESC LIMIT 1)
	UNION ALL (SELECT 'protocol', d.id, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.protocol d
		WHERE d.clinic_id = $1 AND d.id = ANY ($5::text[]) AND d.revision = 1)
	UNION ALL (SELECT DISTINCT ON (d.id) 'kit', d.id::text, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.kit d
		WHERE d.clinic_id = $1 AND d.id = ANY ($6::uuid[]) ORDER BY d.id, d.revision DESC)
	UNION ALL (SELECT 'first', d.id::text, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.session d
		WHERE d.clinic_id = $1 AND d.id = $2 AND d.revision = 1)
	UNION ALL (SELECT 'session', d.id::text, d.revision, d.entry_number, d.body, 0, 0 FROM ponderal.session d
		WHERE d.clinic_id = $1 AND d.id = $2 ORDER BY d.revision DESC LIMIT 1)
	UNION ALL (SELECT 'trial', '', d.revision, d.entry_number, d.body, d.series_number, d.trial_number FROM ponderal.trial d
		WHERE d.clinic_id = $1 AND d.session_id = $2 AND d.revision = 1)
) p ORDER BY p.series, p.number`

// PushContext fetches what a push needs and takes the head; NotFound when the clinic has no log. An id that is no UUID names nothing.
func (tx *Tx) PushContext(ctx context.Context, k PushKeys) (PushContext, error) {
	session, _ := parseID(k.SessionID)
	referral, _ := parseID(k.ReferralID)
	evaluator, _ := parseID(k.EvaluatorID)
	kits := make([]pgtype.UUID, 0, len(k.KitIDs))
	for _, id := range k.KitIDs {
		if kit, ok := parseID(id); ok {
			kits = append(kits, kit)
		}
	}
	digests := k.Digests
	if digests == nil {
		digests = []string{}
	}
	p := PushContext{Protocols: make(map[string]Row), Kits: make(map[string]Row)}
	open := false
	b := tx.batch()
	b.Queue(lockHead).Query(func(rows pgx.Rows) error {
		got, err := pgx.CollectRows(rows, scanHead)
		if len(got) == 1 {
			open, p.HeadSize, p.HeadEdge = true, got[0].size, got[0].edge
		}
		return err
	})
	b.Queue(readPush, tx.clinic, session, referral, evaluator, digests, kits).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			if err := p.scan(rows); err != nil {
				return err
			}
		}
		return rows.Err()
	})
	if err := tx.send(ctx, b, "read what a push needs"); err != nil {
		return PushContext{}, err
	}
	if !open {
		return PushContext{}, notFound(logWord)
	}
	return p, nil
}

// scan puts one row of readPush in its place.
func (p *PushContext) scan(rows pgx.Rows) error {
	var kind string
	var r Row
	var at *time.Time
	var series, number int
	if err := rows.Scan(&kind, &r.ID, &r.Revision, &r.Entry, &at, &r.Body, &series, &number); err != nil {
		return err
	}
	if at != nil {
		r.At = at.UTC()
	}
	switch kind {
	case record.KindReferral:
		p.Referral = &r
	case record.KindClient:
		p.Client = &r
	case record.KindJobProfile:
		p.Job = &r
	case record.KindMember:
		p.Evaluator = &r
	case record.KindProtocol:
		p.Protocols[r.ID] = r
	case record.KindKit:
		p.Kits[r.ID] = r
	case "first":
		p.First = &r
	case record.KindSession:
		p.Session = &r
	case record.KindTrial:
		p.Trials = append(p.Trials, TrialRow{Series: series, Number: number, Revision: r.Revision, Entry: r.Entry, Body: r.Body})
	}
	return nil
}
