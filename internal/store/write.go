package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

const (
	appendEntries  = `SELECT ponderal.append_entries($1, $2, $3, $4, $5, $6, $7, $8, $9)`
	insertSessions = `INSERT INTO ponderal.session (clinic_id, id, revision, entry_number, referral_id, body)
		SELECT $1, u.* FROM unnest($2::uuid[], $3::int4[], $4::int8[], $5::uuid[], $6::text[]) AS u (id, revision, entry_number, referral_id, body)`
	insertTrials = `INSERT INTO ponderal.trial (clinic_id, session_id, series_number, trial_number, revision, entry_number, body)
		SELECT $1, u.* FROM unnest($2::uuid[], $3::int2[], $4::int2[], $5::int4[], $6::int8[], $7::text[])
			AS u (session_id, series_number, trial_number, revision, entry_number, body)`
	insertResult = `INSERT INTO ponderal.result (clinic_id, id, revision, entry_number, session_id, session_revision, supersedes, body, path, enclosed,
			enclosed_salt) VALUES ($1, $3, 1, $2, $4, $5, $6, $7, $8, $9, $10)`
	insertFeed = `INSERT INTO ponderal.feed_item (payer_id, number, clinic_id, result_id, entry_number, body) VALUES ($3, $4, $1, $5, $2, $6)`
)

// Apply stores writes, whose entries follow one another. All rows of a write get its entry's number.
func (tx *Tx) Apply(ctx context.Context, ws ...Write) error {
	b, err := tx.writeBatch(ws)
	if err != nil {
		return err
	}
	if err := tx.send(ctx, b, "apply"); err != nil || !hasFeed(ws) {
		return err
	}
	return tx.enqueue(ctx, ws)
}

// ApplyAndCommit is Apply that commits in the same round trip. Nothing may follow in the transaction.
func (tx *Tx) ApplyAndCommit(ctx context.Context, ws ...Write) error {
	b, err := tx.writeBatch(ws)
	if err != nil {
		return err
	}
	if !hasFeed(ws) {
		return tx.sendCommit(ctx, b, "apply and commit")
	}
	// The queue's library speaks for itself, so that a new feed item costs further round trips.
	if err := tx.send(ctx, b, "apply"); err != nil {
		return err
	}
	if err := tx.enqueue(ctx, ws); err != nil {
		return err
	}
	return tx.finish(ctx)
}

func (tx *Tx) writeBatch(ws []Write) (*pgx.Batch, error) {
	if !tx.Writable() {
		return nil, fault.New(fault.Internal, "READ_ONLY", "an internal error; nothing was stored")
	}
	b := tx.batch()
	for _, add := range []func(*pgx.Batch, []Write) error{tx.addEntries, tx.addDocs, tx.addSessions, tx.addTrials, tx.addResults, tx.addFeed} {
		if err := add(b, ws); err != nil {
			return nil, err
		}
	}
	for _, w := range ws {
		if w.Note != "" {
			b.Queue(insertNote, tx.clinic, w.Entry.Number+1, w.Note)
		}
	}
	return b, nil
}

// addEntries appends the entries, which must follow one another; the head gets the edge of the last.
func (tx *Tx) addEntries(b *pgx.Batch, ws []Write) error {
	n := len(ws)
	if n == 0 {
		return fault.New(fault.Internal, "NO_ENTRY", "an internal error; nothing was stored")
	}
	at, action, subjects, ends := make([]time.Time, n), make([]string, n), []string{}, make([]int32, n)
	content, salt, nodes := make(texts, n), make([][]byte, n), make([][]byte, n)
	for i, w := range ws {
		e := w.Entry
		if e.Number != ws[0].Entry.Number+int64(i) {
			return fault.New(fault.Internal, "ENTRY_ORDER", "an internal error; nothing was stored")
		}
		at[i], action[i], content[i], salt[i], nodes[i] = e.At, e.Action, e.Content, e.Salt, e.Nodes
		subjects = append(subjects, e.Subjects...)
		ends[i] = int32(len(subjects))
	}
	tx.appended = true
	b.Queue(appendEntries, ws[0].Entry.Number, at, action, subjects, ends, content, salt, nodes, bytesOf(ws[n-1].Edge))
	return nil
}

// texts and ids go into arrays without being copied or reflected on.
type (
	texts = pgtype.FlatArray[[]byte]
	ids   = pgtype.FlatArray[pgtype.UUID]
)

// docColumns are the new rows of one table of documents; one of ids and textIDs is used.
type docColumns struct {
	ids       ids
	textIDs   []string
	revisions []int32
	entries   []int64
	bodies    texts
}

// addDocs adds one statement a kind, in the order in which the kinds first stand in the writes.
func (tx *Tx) addDocs(b *pgx.Batch, ws []Write) error {
	var kinds []string
	byKind := make(map[string]*docColumns)
	for _, w := range ws {
		for i, d := range w.Docs {
			c := byKind[d.Kind]
			if c == nil {
				c = &docColumns{}
				byKind[d.Kind] = c
				kinds = append(kinds, d.Kind)
			}
			if err := c.add(i, d, w.Entry.Number); err != nil {
				return err
			}
		}
	}
	for _, kind := range kinds {
		c := byKind[kind]
		var arg any = c.ids
		if docTables[kind].textID {
			arg = c.textIDs
		}
		b.Queue(docTables[kind].insert, tx.clinic, arg, c.revisions, c.entries, c.bodies)
	}
	return nil
}

func (c *docColumns) add(i int, d DocRow, entry int64) error {
	t, err := tableOf(d.Kind)
	if err != nil {
		return err
	}
	if d.Kind == record.KindSession {
		return fault.New(fault.Internal, "KIND_UNKNOWN", "a session is not written as a document")
	}
	if t.textID {
		c.textIDs = append(c.textIDs, d.ID)
	} else {
		id, err := writeID(fmt.Sprintf("%s[%d].id", d.Kind, i), d.ID)
		if err != nil {
			return err
		}
		c.ids = append(c.ids, id)
	}
	c.revisions = append(c.revisions, int32(d.Revision))
	c.entries = append(c.entries, entry)
	c.bodies = append(c.bodies, bytesOf(d.Body))
	return nil
}

func (tx *Tx) addSessions(b *pgx.Batch, ws []Write) error {
	var sessions, referrals ids
	var revisions []int32
	var entries []int64
	var bodies texts
	for _, w := range ws {
		for _, s := range w.Sessions {
			id, err := writeID("session.id", s.ID)
			if err != nil {
				return err
			}
			referral, err := writeID("session.referral_id", s.ReferralID)
			if err != nil {
				return err
			}
			sessions, referrals, revisions = append(sessions, id), append(referrals, referral), append(revisions, int32(s.Revision))
			entries, bodies = append(entries, w.Entry.Number), append(bodies, bytesOf(s.Body))
		}
	}
	if len(sessions) > 0 {
		b.Queue(insertSessions, tx.clinic, sessions, revisions, entries, referrals, bodies)
	}
	return nil
}

func (tx *Tx) addTrials(b *pgx.Batch, ws []Write) error {
	n := 0
	for _, w := range ws {
		n += len(w.Trials)
	}
	if n == 0 {
		return nil
	}
	sessions, series, numbers := make(ids, 0, n), make([]int16, 0, n), make([]int16, 0, n)
	revisions, entries, bodies := make([]int32, 0, n), make([]int64, 0, n), make(texts, 0, n)
	for _, w := range ws {
		last, id := "", pgtype.UUID{}
		for _, t := range w.Trials {
			if t.SessionID != last || last == "" {
				var err error
				if id, err = writeID("session.id", t.SessionID); err != nil {
					return err
				}
				last = t.SessionID
			}
			if int(int16(t.Series)) != t.Series || int(int16(t.Number)) != t.Number {
				return badValue.wrap(fmt.Errorf("trial %d of series %d: number outside 16 bits", t.Number, t.Series))
			}
			sessions, series, numbers = append(sessions, id), append(series, int16(t.Series)), append(numbers, int16(t.Number))
			revisions, entries, bodies = append(revisions, int32(t.Revision)), append(entries, w.Entry.Number), append(bodies, bytesOf(t.Body))
		}
	}
	b.Queue(insertTrials, tx.clinic, sessions, series, numbers, revisions, entries, bodies)
	return nil
}

// addResults adds one statement a result: an action signs one.
func (tx *Tx) addResults(b *pgx.Batch, ws []Write) error {
	for _, w := range ws {
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
			b.Queue(insertResult, tx.clinic, w.Entry.Number, id, session, r.SessionRevision, supersedes, r.JWS, bytesOf(r.Path),
				textOrNull(r.Enclosed), r.EnclosedSalt)
		}
	}
	return nil
}

// addFeed adds one statement an item; each stands in the feed under the transaction's clinic.
func (tx *Tx) addFeed(b *pgx.Batch, ws []Write) error {
	for _, w := range ws {
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
	}
	return nil
}

// textOrNull is a text column's value, NULL for nil.
func textOrNull(b []byte) *string {
	if b == nil {
		return nil
	}
	text := string(b)
	return &text
}

// bytesOf makes an empty value of nil, which would be NULL.
func bytesOf(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}
