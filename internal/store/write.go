package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

const (
	appendEntry    = `SELECT ponderal.append_entry($1, $2, $3, $4, $5, $6, $7, $8)`
	insertSessions = `INSERT INTO ponderal.session (clinic_id, id, revision, entry_number, referral_id, body)
		SELECT $1, u.id, u.revision, $2, u.referral_id, u.body
		FROM unnest($3::uuid[], $4::int4[], $5::uuid[], $6::text[]) AS u (id, revision, referral_id, body)`
	insertTrials = `INSERT INTO ponderal.trial (clinic_id, session_id, series_number, trial_number, revision, entry_number, body)
		SELECT $1, u.session_id, u.series_number, u.trial_number, u.revision, $2, u.body
		FROM unnest($3::uuid[], $4::int2[], $5::int2[], $6::int4[], $7::text[]) AS u (session_id, series_number, trial_number, revision, body)`
	insertResult = `INSERT INTO ponderal.result (clinic_id, id, revision, entry_number, session_id, session_revision, supersedes, body, path)
		VALUES ($1, $3, 1, $2, $4, $5, $6, $7, $8)`
	insertFeed = `INSERT INTO ponderal.feed_item (payer_id, number, clinic_id, result_id, entry_number, body) VALUES ($3, $4, $1, $5, $2, $6)`
)

// Apply stores a Write. All rows get the entry's number.
func (tx *Tx) Apply(ctx context.Context, w Write) error {
	b, err := tx.writeBatch(w)
	if err != nil {
		return err
	}
	return tx.send(ctx, b, "apply")
}

// ApplyAndCommit stores a Write and commits in the same round trip. Nothing may follow in the transaction.
func (tx *Tx) ApplyAndCommit(ctx context.Context, w Write) error {
	b, err := tx.writeBatch(w)
	if err != nil {
		return err
	}
	return tx.sendCommit(ctx, b, "apply and commit")
}

func (tx *Tx) writeBatch(w Write) (*pgx.Batch, error) {
	if !tx.Writable() {
		return nil, fault.New(fault.Internal, "READ_ONLY", "an internal error; nothing was stored")
	}
	subjects := w.Entry.Subjects
	if subjects == nil {
		subjects = []string{}
	}
	b := tx.batch()
	e := w.Entry
	b.Queue(appendEntry, e.Number, e.At, e.Action, subjects, e.Content, e.Salt, e.Nodes, bytesOf(w.Edge))
	for _, add := range []func(*pgx.Batch, Write) error{tx.addDocs, tx.addSessions, tx.addTrials, tx.addResults, tx.addFeed} {
		if err := add(b, w); err != nil {
			return nil, err
		}
	}
	if w.Note != "" {
		b.Queue(insertNote, tx.clinic, e.Number+1, w.Note)
	}
	return b, nil
}

// addDocs adds one statement a kind, in the order in which the kinds first stand in the write.
func (tx *Tx) addDocs(b *pgx.Batch, w Write) error {
	var kinds []string
	byKind := make(map[string][]int)
	for i, d := range w.Docs {
		if byKind[d.Kind] == nil {
			kinds = append(kinds, d.Kind)
		}
		byKind[d.Kind] = append(byKind[d.Kind], i)
	}
	for _, kind := range kinds {
		t, err := tableOf(kind)
		if err != nil {
			return err
		}
		if kind == record.KindSession {
			return fault.New(fault.Internal, "KIND_UNKNOWN", "a session is not written as a document")
		}
		var ids []pgtype.UUID
		var texts, bodies []string
		var revisions []int32
		for _, i := range byKind[kind] {
			d := w.Docs[i]
			if t.textID {
				texts = append(texts, d.ID)
			} else {
				id, err := writeID(fmt.Sprintf("%s[%d].id", kind, i), d.ID)
				if err != nil {
					return err
				}
				ids = append(ids, id)
			}
			revisions = append(revisions, int32(d.Revision))
			bodies = append(bodies, string(d.Body))
		}
		var arg any = ids
		if t.textID {
			arg = texts
		}
		b.Queue(t.insert, tx.clinic, w.Entry.Number, arg, revisions, bodies)
	}
	return nil
}

func (tx *Tx) addSessions(b *pgx.Batch, w Write) error {
	if len(w.Sessions) == 0 {
		return nil
	}
	n := len(w.Sessions)
	ids, referrals := make([]pgtype.UUID, n), make([]pgtype.UUID, n)
	revisions, bodies := make([]int32, n), make([]string, n)
	for i, s := range w.Sessions {
		var err error
		if ids[i], err = writeID("session.id", s.ID); err != nil {
			return err
		}
		if referrals[i], err = writeID("session.referral_id", s.ReferralID); err != nil {
			return err
		}
		revisions[i], bodies[i] = int32(s.Revision), string(s.Body)
	}
	b.Queue(insertSessions, tx.clinic, w.Entry.Number, ids, revisions, referrals, bodies)
	return nil
}

func (tx *Tx) addTrials(b *pgx.Batch, w Write) error {
	if len(w.Trials) == 0 {
		return nil
	}
	n := len(w.Trials)
	sessions, series, numbers := make([]pgtype.UUID, n), make([]int16, n), make([]int16, n)
	revisions, bodies := make([]int32, n), make([]string, n)
	for i, t := range w.Trials {
		var err error
		if sessions[i], err = writeID("session.id", t.SessionID); err != nil {
			return err
		}
		if int(int16(t.Series)) != t.Series || int(int16(t.Number)) != t.Number {
			return badValue.wrap(fmt.Errorf("trial %d of series %d: number outside 16 bits", t.Number, t.Series))
		}
		series[i], numbers[i], revisions[i], bodies[i] = int16(t.Series), int16(t.Number), int32(t.Revision), string(t.Body)
	}
	b.Queue(insertTrials, tx.clinic, w.Entry.Number, sessions, series, numbers, revisions, bodies)
	return nil
}

// addResults adds one statement a result: an action signs one.
func (tx *Tx) addResults(b *pgx.Batch, w Write) error {
	for _, r := range w.Results {
		id, err := writeID("result.id", r.ID)
		if err != nil {
			return err
		}
		session, err := writeID("result.session_id", r.SessionID)
		if err != nil {
			return err
		}
		supersedes, err := optionalID("result.supersedes", r.Supersedes)
		if err != nil {
			return err
		}
		b.Queue(insertResult, tx.clinic, w.Entry.Number, id, session, r.SessionRevision, supersedes, r.JWS, bytesOf(r.Path))
	}
	return nil
}

// addFeed adds one statement an item; each stands in the feed under the transaction's clinic.
func (tx *Tx) addFeed(b *pgx.Batch, w Write) error {
	for _, f := range w.Feed {
		payer, err := writeID("feed.payer_id", f.PayerID)
		if err != nil {
			return err
		}
		result, err := writeID("feed.result_id", f.ResultID)
		if err != nil {
			return err
		}
		if f.ClinicID != tx.clinicID {
			return fault.New(fault.Internal, "FEED_CLINIC", "a feed item of another clinic; nothing was stored")
		}
		b.Queue(insertFeed, tx.clinic, w.Entry.Number, payer, f.Number, result, string(f.Body))
	}
	return nil
}

// bytesOf makes an empty value of nil, which would be NULL.
func bytesOf(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}
