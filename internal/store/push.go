package store

import (
	"context"
	"math"
	"slices"
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
	Override  *Row           // newest, of the member who answers for an override
	Protocols map[string]Row // by digest
	Kits      map[string]Row // by id: newest, or as of an entry
}

// PushKeys names what a push refers to. OverrideID is empty where nobody answers for an override.
type PushKeys struct {
	SessionID, ReferralID, EvaluatorID, OverrideID string
	Digests, KitIDs                                []string
}

// readPush fetches every record that the pushes of a group refer to as one list, because each statement has its own cost. The id
// of a trial is its session's; client and job are the referral's; a kit is read in the newest revision that an entry up to $7 wrote. Each id is
// looked up by itself (LIMIT and OFFSET keep the planner from joining), so that the plan does not depend on what the planner believes of the
// tables' sizes.
const readPush = `
WITH r AS MATERIALIZED (SELECT d.id, d.revision, d.entry_number, d.body, (d.body::jsonb ->> 'client_id')::uuid AS client,
		(d.body::jsonb ->> 'job_profile_id')::uuid AS job
	FROM unnest($3::uuid[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.referral t
		WHERE t.clinic_id = $1 AND t.id = k.id ORDER BY t.revision DESC LIMIT 1) d)
SELECT p.kind, p.id, p.revision, p.entry_number,
	CASE WHEN p.kind <> 'trial' THEN (SELECT e.at FROM ponderal.audit_entry e WHERE e.clinic_id = $1 AND e.number = p.entry_number) END,
	p.body, p.series, p.number, p.client, p.job
FROM (
	SELECT 'referral' AS kind, r.id::text AS id, r.revision, r.entry_number, r.body, 0 AS series, 0 AS number, r.client::text AS client,
		r.job::text AS job FROM r
	UNION ALL SELECT 'client', d.id::text, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM (SELECT DISTINCT r.client AS id FROM r) k CROSS JOIN LATERAL (SELECT t.* FROM ponderal.client t
			WHERE t.clinic_id = $1 AND t.id = k.id ORDER BY t.revision DESC LIMIT 1) d
	UNION ALL SELECT 'job_profile', d.id::text, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM (SELECT DISTINCT r.job AS id FROM r) k CROSS JOIN LATERAL (SELECT t.* FROM ponderal.job_profile t
			WHERE t.clinic_id = $1 AND t.id = k.id ORDER BY t.revision DESC LIMIT 1) d
	UNION ALL SELECT 'member', d.id::text, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM unnest($4::uuid[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.member t
			WHERE t.clinic_id = $1 AND t.id = k.id ORDER BY t.revision DESC LIMIT 1) d
	UNION ALL SELECT 'protocol', d.id, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM unnest($5::text[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.protocol t
			WHERE t.clinic_id = $1 AND t.id = k.id AND t.revision = 1 LIMIT 1) d
	UNION ALL SELECT 'kit', d.id::text, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM unnest($6::uuid[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.kit t
			WHERE t.clinic_id = $1 AND t.id = k.id AND t.entry_number <= $7 ORDER BY t.revision DESC LIMIT 1) d
	UNION ALL SELECT 'first', d.id::text, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM unnest($2::uuid[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.session t
			WHERE t.clinic_id = $1 AND t.id = k.id AND t.revision = 1 LIMIT 1) d
	UNION ALL SELECT 'session', d.id::text, d.revision, d.entry_number, d.body, 0, 0, '', ''
		FROM unnest($2::uuid[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.session t
			WHERE t.clinic_id = $1 AND t.id = k.id ORDER BY t.revision DESC LIMIT 1) d
	UNION ALL SELECT 'trial', d.session_id::text, d.revision, d.entry_number, d.body, d.series_number, d.trial_number, '', ''
		FROM unnest($2::uuid[]) k (id) CROSS JOIN LATERAL (SELECT t.* FROM ponderal.trial t
			WHERE t.clinic_id = $1 AND t.session_id = k.id AND t.revision = 1 OFFSET 0) d
) p ORDER BY p.series, p.number`

// PushContext fetches what a push needs and takes the head; NotFound when the clinic has no log. An id that is no UUID names nothing.
func (tx *Tx) PushContext(ctx context.Context, k PushKeys) (PushContext, error) {
	got, err := tx.PushContexts(ctx, []PushKeys{k})
	if err != nil {
		return PushContext{}, err
	}
	return got[0], nil
}

// PushContexts is PushContext for several pushes, in their order, in the same one round trip. The records they share are shared.
func (tx *Tx) PushContexts(ctx context.Context, keys []PushKeys) ([]PushContext, error) {
	return tx.pushContexts(ctx, keys, math.MaxInt64)
}

// PushContextAt is PushContext with the kits as they stood once an entry was written: each in its newest revision up to that entry.
func (tx *Tx) PushContextAt(ctx context.Context, k PushKeys, entry int64) (PushContext, error) {
	got, err := tx.pushContexts(ctx, []PushKeys{k}, entry)
	if err != nil {
		return PushContext{}, err
	}
	return got[0], nil
}

func (tx *Tx) pushContexts(ctx context.Context, keys []PushKeys, kitsUpTo int64) ([]PushContext, error) {
	var args pushArgs
	for _, k := range keys {
		args.add(k)
	}
	known := newPushRows()
	var taken *head
	b := tx.batch()
	b.Queue(lockHead).Query(func(rows pgx.Rows) error {
		got, err := pgx.CollectRows(rows, scanHead)
		if len(got) == 1 {
			taken = &got[0]
		}
		return err
	})
	b.Queue(readPush, tx.clinic, args.sessions, args.referrals, args.members, args.digests, args.kits, kitsUpTo).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			if err := known.scan(rows); err != nil {
				return err
			}
		}
		return rows.Err()
	})
	if err := tx.send(ctx, b, "read what a push needs"); err != nil {
		return nil, err
	}
	if taken == nil {
		return nil, notFound(logWord)
	}
	out := make([]PushContext, len(keys))
	for i, k := range keys {
		out[i] = known.of(k)
		out[i].HeadSize, out[i].HeadEdge = taken.size, taken.edge
	}
	return out, nil
}

// pushArgs are the ids that a group of pushes refers to, each once.
type pushArgs struct {
	sessions, referrals, members, kits pgtype.FlatArray[pgtype.UUID]
	digests                            []string
}

func (a *pushArgs) add(k PushKeys) {
	addID(&a.sessions, k.SessionID)
	addID(&a.referrals, k.ReferralID)
	addID(&a.members, k.EvaluatorID)
	addID(&a.members, k.OverrideID)
	for _, id := range k.KitIDs {
		addID(&a.kits, id)
	}
	for _, d := range k.Digests {
		if !slices.Contains(a.digests, d) {
			a.digests = append(a.digests, d)
		}
	}
}

// addID adds an id unless it is there or names nothing.
func addID(to *pgtype.FlatArray[pgtype.UUID], text string) {
	if id, ok := parseID(text); ok && !slices.Contains(*to, id) {
		*to = append(*to, id)
	}
}

// pushRows are the rows of readPush by what they are asked for.
type pushRows struct {
	referrals                                             map[string]referralRow
	first, newest, clients, jobs, members, kits, protocol map[string]*Row
	trials                                                map[string][]TrialRow
}

type referralRow struct {
	row         *Row
	client, job string
}

func newPushRows() *pushRows {
	rows := func() map[string]*Row { return make(map[string]*Row) }
	return &pushRows{referrals: make(map[string]referralRow), trials: make(map[string][]TrialRow), first: rows(), newest: rows(), clients: rows(),
		jobs: rows(), members: rows(), kits: rows(), protocol: rows()}
}

// of picks out what one push refers to.
func (p *pushRows) of(k PushKeys) PushContext {
	referral := p.referrals[k.ReferralID]
	c := PushContext{Session: p.newest[k.SessionID], First: p.first[k.SessionID], Trials: p.trials[k.SessionID], Referral: referral.row,
		Client: p.clients[referral.client], Job: p.jobs[referral.job], Evaluator: p.members[k.EvaluatorID], Override: p.members[k.OverrideID],
		Protocols: make(map[string]Row, len(k.Digests)), Kits: make(map[string]Row, len(k.KitIDs))}
	for _, d := range k.Digests {
		if row := p.protocol[d]; row != nil {
			c.Protocols[d] = *row
		}
	}
	for _, id := range k.KitIDs {
		if row := p.kits[id]; row != nil {
			c.Kits[id] = *row
		}
	}
	return c
}

// scan puts one row of readPush in its place.
func (p *pushRows) scan(rows pgx.Rows) error {
	var kind string
	var r Row
	var at *time.Time
	var client, job *string
	var series, number int
	if err := rows.Scan(&kind, &r.ID, &r.Revision, &r.Entry, &at, &r.Body, &series, &number, &client, &job); err != nil {
		return err
	}
	if at != nil {
		r.At = at.UTC()
	}
	switch kind {
	case record.KindReferral:
		p.referrals[r.ID] = referralRow{row: &r, client: textOf(client), job: textOf(job)}
	case record.KindClient:
		p.clients[r.ID] = &r
	case record.KindJobProfile:
		p.jobs[r.ID] = &r
	case record.KindMember:
		p.members[r.ID] = &r
	case record.KindProtocol:
		p.protocol[r.ID] = &r
	case record.KindKit:
		p.kits[r.ID] = &r
	case "first":
		p.first[r.ID] = &r
	case record.KindSession:
		p.newest[r.ID] = &r
	case record.KindTrial:
		p.trials[r.ID] = append(p.trials[r.ID], TrialRow{Series: series, Number: number, Revision: r.Revision, Entry: r.Entry, Body: r.Body})
	}
	return nil
}

func textOf(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
