package store

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// docTable holds the statements of one table of whole documents; they differ in the table's name and the type of id.
type docTable struct {
	textID                                           bool
	newest, at, list, byEntry, insert, scan, changed string
}

// docTables are the kinds that share the columns clinic_id, id, revision, entry_number and body. Sessions have one more, and are written apart.
var docTables = map[string]docTable{
	record.KindClinic:          docTableOf(record.KindClinic, "uuid"),
	record.KindPayer:           docTableOf(record.KindPayer, "uuid"),
	record.KindMember:          docTableOf(record.KindMember, "uuid"),
	record.KindToken:           docTableOf(record.KindToken, "uuid"),
	record.KindTokenRevocation: docTableOf(record.KindTokenRevocation, "uuid"),
	record.KindClient:          docTableOf(record.KindClient, "uuid"),
	record.KindReferral:        docTableOf(record.KindReferral, "uuid"),
	record.KindJobProfile:      docTableOf(record.KindJobProfile, "uuid"),
	record.KindRelease:         docTableOf(record.KindRelease, "uuid"),
	record.KindKit:             docTableOf(record.KindKit, "uuid"),
	record.KindProtocol:        docTableOf(record.KindProtocol, "text"),
	record.KindFinding:         docTableOf(record.KindFinding, "uuid"),
	record.KindSession:         docTableOf(record.KindSession, "uuid"),

	record.KindIdentity:     docTableOf(record.KindIdentity, "uuid"),
	record.KindPassword:     docTableOf(record.KindPassword, "uuid"),
	record.KindSecondFactor: docTableOf(record.KindSecondFactor, "uuid"),
	record.KindSetupCode:    docTableOf(record.KindSetupCode, "uuid"),
	record.KindSpentProof:   docTableOf(record.KindSpentProof, "text"),
	record.KindLegalHold:    docTableOf(record.KindLegalHold, "uuid"),

	record.KindCountersignature: docTableOf(record.KindCountersignature, "uuid"),
	record.KindSessionConflict:  docTableOf(record.KindSessionConflict, "uuid"),
	record.KindWebhook:          docTableOf(record.KindWebhook, "uuid"),
}

const (
	rowColumns = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
		FROM ponderal.TABLE d JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number`
	newestDoc = rowColumns + ` WHERE d.clinic_id = $1 AND d.id = $2 ORDER BY d.revision DESC LIMIT 1`
	docAt     = rowColumns + ` WHERE d.clinic_id = $1 AND d.id = $2 AND d.revision = $3`
	listDocs  = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
		FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.TABLE t WHERE t.clinic_id = $1 AND t.id > $2 AND t.body <> '{}'
			ORDER BY t.id, t.revision DESC LIMIT $3) d
		JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number ORDER BY d.id`
	docsByEntry = rowColumns + ` WHERE d.clinic_id = $1 AND d.entry_number > $2 AND d.body <> '{}' ORDER BY d.entry_number, d.id LIMIT $3`
	insertDocs  = `INSERT INTO ponderal.TABLE (clinic_id, id, revision, entry_number, body)
		SELECT $1, u.* FROM unnest($2::IDTYPE[], $3::int4[], $4::int8[], $5::text[]) AS u (id, revision, entry_number, body)`
)

func docTableOf(kind, idType string) docTable {
	fill := strings.NewReplacer("TABLE", kind, "IDTYPE", idType).Replace
	return docTable{textID: idType == "text", newest: fill(newestDoc), at: fill(docAt), list: fill(listDocs), byEntry: fill(docsByEntry),
		insert: fill(insertDocs), scan: fill(scanDocs), changed: fill(changedDocs)}
}

func tableOf(kind string) (docTable, error) {
	t, ok := docTables[kind]
	if !ok {
		return docTable{}, fault.Newf(fault.Internal, "KIND_UNKNOWN", "%s is not a kind of document", kind)
	}
	return t, nil
}

// readID is the id of a record as an argument. An id that no record can have is not found.
func (t docTable) readID(kind, id string) (any, error) {
	if t.textID {
		return id, nil
	}
	parsed, ok := parseID(id)
	if !ok {
		return nil, notFound(kind)
	}
	return parsed, nil
}

// Newest returns the newest revision of a record of a kind that is kept as whole documents, or a NotFound fault (reason ERASED where it was erased). For a session that
// is its part without trials.
func (tx *Tx) Newest(ctx context.Context, kind, id string) (Row, error) {
	t, err := tableOf(kind)
	if err != nil {
		return Row{}, err
	}
	arg, err := t.readID(kind, id)
	if err != nil {
		return Row{}, err
	}
	row, err := queryOne(ctx, tx, "read newest "+kind, kind, scanRow, t.newest, tx.clinic, arg)
	return notErased(kind, row, err)
}

// At returns one revision, or a NotFound fault.
func (tx *Tx) At(ctx context.Context, kind, id string, revision int) (Row, error) {
	t, err := tableOf(kind)
	if err != nil {
		return Row{}, err
	}
	arg, err := t.readID(kind, id)
	if err != nil {
		return Row{}, err
	}
	row, err := queryOne(ctx, tx, "read "+kind, kind, scanRow, t.at, tx.clinic, arg, revision)
	return notErased(kind, row, err)
}

// ListNewest returns the newest revision of each record by id, after the given one.
func (tx *Tx) ListNewest(ctx context.Context, kind, after string, limit int) ([]Row, error) {
	t, err := tableOf(kind)
	if err != nil {
		return nil, err
	}
	var from any = after
	if !t.textID {
		if from, err = afterID(after); err != nil {
			return nil, err
		}
	}
	return query(ctx, tx, "list "+kind, scanRow, t.list, tx.clinic, from, limit)
}

// ListByEntry returns revisions of sessions or findings in the order of writing, after the given entry (-1 for all).
func (tx *Tx) ListByEntry(ctx context.Context, kind string, afterEntry int64, limit int) ([]Row, error) {
	if kind != record.KindSession && kind != record.KindFinding {
		return nil, fault.Newf(fault.Internal, "KIND_UNKNOWN", "%s is not listed in the order of writing", kind)
	}
	return query(ctx, tx, "list "+kind+" by entry", scanRow, docTables[kind].byEntry, tx.clinic, afterEntry, limit)
}

// releasesOfReferral finds candidates by an index over every revision, and keeps those whose newest revision says so.
const releasesOfReferral = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
	FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.release t WHERE t.clinic_id = $1 AND t.id IN
			(SELECT c.id FROM ponderal.release c WHERE c.clinic_id = $1 AND c.body::jsonb ->> 'referral_id' = $2)
		ORDER BY t.id, t.revision DESC) d
	JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number
	WHERE d.body::jsonb ->> 'referral_id' = $2 ORDER BY d.id`

// Releases returns the newest revision of each release of a referral.
func (tx *Tx) Releases(ctx context.Context, referralID string) ([]Row, error) {
	return query(ctx, tx, "list releases of referral", scanRow, releasesOfReferral, tx.clinic, referralID)
}

func scanRow(row pgx.CollectableRow) (Row, error) {
	var r Row
	err := row.Scan(&r.ID, &r.Revision, &r.Entry, &r.At, &r.Body)
	r.At = r.At.UTC()
	return r, err
}
