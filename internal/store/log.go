package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/record"
)

const (
	// An erasure names the entries that it took; one that it took asks for it, by an index over erasures alone.
	entryColumns = `SELECT e.number, e.at, e.action, e.subjects, e.content, e.salt, e.nodes, CASE WHEN e.content IS NULL THEN
			coalesce((SELECT min(x.number) FROM ponderal.audit_entry x WHERE x.clinic_id = e.clinic_id AND x.action = 'client.erase'
				AND x.content::jsonb -> 'erased' @> to_jsonb(e.number)), 0) ELSE 0 END
		FROM ponderal.audit_entry e`
	listEntries = entryColumns + ` WHERE e.clinic_id = $1 AND e.number > $2 AND ($3 = '' OR e.action = $3) AND ($4 = '' OR $4 = ANY (e.subjects))
		ORDER BY e.number LIMIT $5`
	oneEntry         = entryColumns + ` WHERE e.clinic_id = $1 AND e.number = $2`
	entriesOfSession = entryColumns + ` WHERE e.clinic_id = $1 AND e.number IN (
			SELECT s.entry_number FROM ponderal.session s WHERE s.clinic_id = $1 AND s.id = $2
			UNION SELECT f.entry_number FROM ponderal.finding f WHERE f.clinic_id = $1 AND f.id = $2
			UNION SELECT r.entry_number FROM ponderal.result r WHERE r.clinic_id = $1 AND r.session_id = $2
			UNION SELECT x.number FROM ponderal.audit_entry x WHERE x.clinic_id = $1 AND x.action = 'client.erase' AND 'session:' || $2::text = ANY (x.subjects)
			UNION SELECT d.number FROM ponderal.audit_entry d WHERE d.clinic_id = $1 AND d.action = 'result.disclose' AND d.subjects &&
				(SELECT array_agg('result:' || r.id::text) FROM ponderal.result r WHERE r.clinic_id = $1 AND r.session_id = $2))
		ORDER BY e.number`
	readNodes    = `SELECT e.number, e.nodes FROM ponderal.audit_entry e WHERE e.clinic_id = $1 AND e.number = ANY ($2::int8[])`
	readHead     = `SELECT h.size, h.edge FROM ponderal.audit_head h WHERE h.clinic_id = $1`
	lockHead     = `SELECT h.size, h.edge FROM ponderal.lock_head() h`
	oneNote      = `SELECT c.size, c.note FROM ponderal.checkpoint c WHERE c.clinic_id = $1 AND c.size = $2`
	newestNote   = `SELECT c.size, c.note FROM ponderal.checkpoint c WHERE c.clinic_id = $1 ORDER BY c.size DESC LIMIT 1`
	insertNote   = `INSERT INTO ponderal.checkpoint (clinic_id, size, entry_number, note) VALUES ($1, $2::int8, $2::int8 - 1, $3)`
	keepNote     = insertNote + ` ON CONFLICT (clinic_id, size) DO NOTHING`
	openLog      = `SELECT ponderal.open_log()`
	logWord      = "audit log"
	noteWord     = "checkpoint"
	entryWord    = "audit entry"
	readHeadWord = "read head"
)

// Entries returns entries in order after a number (-1 for all), filtered by action and subject where not empty.
func (tx *Tx) Entries(ctx context.Context, after int64, action, subject string, limit int) ([]EntryRow, error) {
	return query(ctx, tx, "list entries", scanEntry, listEntries, tx.clinic, after, action, subject, limit)
}

// Entry returns one entry, or a NotFound fault.
func (tx *Tx) Entry(ctx context.Context, number int64) (EntryRow, error) {
	return queryOne(ctx, tx, "read entry", entryWord, scanEntry, oneEntry, tx.clinic, number)
}

// EntriesOfSession returns the entries that wrote revisions, findings or results of a session, the one that erased them, and those that disclosed its
// results (action result.disclose with `result:ID` among the subjects), oldest first.
func (tx *Tx) EntriesOfSession(ctx context.Context, sessionID string) ([]EntryRow, error) {
	id, ok := parseID(sessionID)
	if !ok {
		return nil, notFound(record.KindSession)
	}
	return query(ctx, tx, "list entries of session", scanEntry, entriesOfSession, tx.clinic, id)
}

// Nodes returns the stored tree hashes of entries, by entry number. An entry that is not there has no key.
func (tx *Tx) Nodes(ctx context.Context, entries []int64) (map[int64][]byte, error) {
	type pair struct {
		number int64
		nodes  []byte
	}
	got, err := query(ctx, tx, "read nodes", func(row pgx.CollectableRow) (pair, error) {
		var p pair
		return p, row.Scan(&p.number, &p.nodes)
	}, readNodes, tx.clinic, entries)
	if err != nil {
		return nil, err
	}
	nodes := make(map[int64][]byte, len(got))
	for _, p := range got {
		nodes[p.number] = p.nodes
	}
	return nodes, nil
}

type head struct {
	size int64
	edge []byte
}

// Head returns the head without taking it; NotFound when the clinic has no log.
func (tx *Tx) Head(ctx context.Context) (size int64, edge []byte, err error) {
	h, err := queryOne(ctx, tx, readHeadWord, logWord, scanHead, readHead, tx.clinic)
	return h.size, h.edge, err
}

// LockHead takes the head of the clinic's log until the transaction ends; NotFound when the clinic has no log.
func (tx *Tx) LockHead(ctx context.Context) (size int64, edge []byte, err error) {
	h, err := queryOne(ctx, tx, "lock head", logWord, scanHead, lockHead)
	return h.size, h.edge, err
}

// OpenLog opens the clinic's log if it is not open yet.
func (tx *Tx) OpenLog(ctx context.Context) error {
	b := tx.batch()
	b.Queue(openLog)
	return tx.send(ctx, b, "open log")
}

type signedHead struct {
	size int64
	note string
}

// Checkpoint returns the stored note of that size; size 0 asks for the newest. NotFound when there is none.
func (tx *Tx) Checkpoint(ctx context.Context, size int64) (gotSize int64, note string, err error) {
	scan := func(row pgx.CollectableRow) (signedHead, error) {
		var c signedHead
		return c, row.Scan(&c.size, &c.note)
	}
	var c signedHead
	if size == 0 {
		c, err = queryOne(ctx, tx, "read newest checkpoint", noteWord, scan, newestNote, tx.clinic)
	} else {
		c, err = queryOne(ctx, tx, "read checkpoint", noteWord, scan, oneNote, tx.clinic, size)
	}
	return c.size, c.note, err
}

// SaveCheckpoint stores the signed note of a size that the log has; one that is there stays.
func (tx *Tx) SaveCheckpoint(ctx context.Context, size int64, note string) error {
	b := tx.batch()
	b.Queue(keepNote, tx.clinic, size, note)
	return tx.send(ctx, b, "store checkpoint")
}

// ClinicID is the clinic that the transaction is bound to.
func (tx *Tx) ClinicID() string { return tx.clinicID }

// Writable reports whether the transaction may write.
func (tx *Tx) Writable() bool { return tx.begin == beginWrite }

func scanEntry(row pgx.CollectableRow) (EntryRow, error) {
	var e EntryRow
	err := row.Scan(&e.Number, &e.At, &e.Action, &e.Subjects, &e.Content, &e.Salt, &e.Nodes, &e.ErasedBy)
	e.At = e.At.UTC()
	return e, err
}

func scanHead(row pgx.CollectableRow) (head, error) {
	var h head
	return h, row.Scan(&h.size, &h.edge)
}
