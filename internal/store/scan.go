package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// The sequential readers of the audit check. Each gives every row of one clinic's table with all of its columns, in the order of entry number
// and then of the rest of the key, in batches from a cursor, so that the order costs one sort and no index. They run in a transaction bound to
// that clinic, best a ReadClinic one, whose snapshot makes them agree with each other. A callback may use the transaction, for another scan
// too. Its error ends the scan and is returned as it is.

// scanBatch is how many rows are fetched at once: of some hundred bytes to some kilobytes each.
const scanBatch = 128

// DocScan is one row of a table of whole documents.
type DocScan struct {
	ClinicID, ID string
	Revision     int
	Entry        int64
	Body         []byte
}

// SessionScan is one row of the table of sessions.
type SessionScan struct {
	ClinicID, ID string
	Revision     int
	Entry        int64
	ReferralID   string
	Body         []byte
}

// TrialScan is one row of the table of trials.
type TrialScan struct {
	ClinicID, SessionID      string
	Series, Number, Revision int
	Entry                    int64
	Body                     []byte
}

// ResultScan is one row of the table of results; Supersedes is empty for a first result.
type ResultScan struct {
	ClinicID, ID    string
	Revision        int
	Entry           int64
	SessionID       string
	SessionRevision int
	Supersedes      string
	JWS             string
	Path            []byte
	// Enclosed and EnclosedSalt are nil for a result without.
	Enclosed, EnclosedSalt []byte
}

// EntryScan is one row of the audit log.
type EntryScan struct {
	ClinicID string
	EntryRow
}

// CheckpointScan is one stored signed head.
type CheckpointScan struct {
	ClinicID string
	Size     int64
	Entry    int64
	Note     string
}

// ScanKinds are the kinds that ScanDocs reads, in a fixed order.
func ScanKinds() []string {
	return []string{record.KindClinic, record.KindPayer, record.KindMember, record.KindToken, record.KindTokenRevocation, record.KindClient,
		record.KindReferral, record.KindJobProfile, record.KindRelease, record.KindKit, record.KindProtocol, record.KindLegalHold, record.KindFinding,
		record.KindCountersignature, record.KindSessionConflict, record.KindIdentity, record.KindPassword, record.KindSecondFactor, record.KindSetupCode, record.KindSpentProof,
		record.KindWebhook}
}

// A cursor's declaration takes no arguments, so these name the bound clinic through its setting.
const (
	scanEntries = `SELECT e.clinic_id, e.number, e.at, e.action, e.subjects, e.content, e.salt, e.nodes FROM ponderal.audit_entry e
		WHERE e.clinic_id = ponderal.current_clinic() ORDER BY e.number`
	scanDocs = `SELECT d.clinic_id, d.id, d.revision, d.entry_number, d.body FROM ponderal.TABLE d
		WHERE d.clinic_id = ponderal.current_clinic() ORDER BY d.entry_number, d.id, d.revision`
	scanSessions = `SELECT d.clinic_id, d.id, d.revision, d.entry_number, d.referral_id, d.body FROM ponderal.session d
		WHERE d.clinic_id = ponderal.current_clinic() ORDER BY d.entry_number, d.id, d.revision`
	scanTrials = `SELECT d.clinic_id, d.session_id, d.series_number, d.trial_number, d.revision, d.entry_number, d.body FROM ponderal.trial d
		WHERE d.clinic_id = ponderal.current_clinic() ORDER BY d.entry_number, d.session_id, d.series_number, d.trial_number, d.revision`
	scanResults = `SELECT r.clinic_id, r.id, r.revision, r.entry_number, r.session_id, r.session_revision, coalesce(r.supersedes::text, ''), r.body,
			r.path, r.enclosed, r.enclosed_salt FROM ponderal.result r
		WHERE r.clinic_id = ponderal.current_clinic() ORDER BY r.entry_number, r.id`
	scanFeedRows    = feedColumns + ` WHERE f.clinic_id = ponderal.current_clinic() ORDER BY f.entry_number, f.payer_id, f.number`
	scanCheckpoints = `SELECT c.clinic_id, c.size, c.entry_number, c.note FROM ponderal.checkpoint c
		WHERE c.clinic_id = ponderal.current_clinic() ORDER BY c.size`
)

// ScanEntries reads the clinic's log in order.
func (tx *Tx) ScanEntries(ctx context.Context, fn func(EntryScan) error) error {
	return scan(ctx, tx, "scan entries", scanEntries, func(row pgx.CollectableRow) (EntryScan, error) {
		var e EntryScan
		err := row.Scan(&e.ClinicID, &e.Number, &e.At, &e.Action, &e.Subjects, &e.Content, &e.Salt, &e.Nodes)
		e.At = e.At.UTC()
		return e, err
	}, fn)
}

// ScanDocs reads the documents of one kind of ScanKinds.
func (tx *Tx) ScanDocs(ctx context.Context, kind string, fn func(DocScan) error) error {
	t, err := tableOf(kind)
	if err != nil {
		return err
	}
	if kind == record.KindSession {
		return fault.New(fault.Internal, "KIND_UNKNOWN", "sessions are scanned apart")
	}
	return scan(ctx, tx, "scan "+kind, t.scan, func(row pgx.CollectableRow) (DocScan, error) {
		var d DocScan
		return d, row.Scan(&d.ClinicID, &d.ID, &d.Revision, &d.Entry, &d.Body)
	}, fn)
}

// ScanFindings is ScanDocs for findings.
func (tx *Tx) ScanFindings(ctx context.Context, fn func(DocScan) error) error {
	return tx.ScanDocs(ctx, record.KindFinding, fn)
}

// ScanSessions reads the sessions without their trials.
func (tx *Tx) ScanSessions(ctx context.Context, fn func(SessionScan) error) error {
	return scan(ctx, tx, "scan sessions", scanSessions, func(row pgx.CollectableRow) (SessionScan, error) {
		var s SessionScan
		return s, row.Scan(&s.ClinicID, &s.ID, &s.Revision, &s.Entry, &s.ReferralID, &s.Body)
	}, fn)
}

// ScanTrials reads the trials.
func (tx *Tx) ScanTrials(ctx context.Context, fn func(TrialScan) error) error {
	return scan(ctx, tx, "scan trials", scanTrials, func(row pgx.CollectableRow) (TrialScan, error) {
		var t TrialScan
		return t, row.Scan(&t.ClinicID, &t.SessionID, &t.Series, &t.Number, &t.Revision, &t.Entry, &t.Body)
	}, fn)
}

// ScanResults reads the signed results.
func (tx *Tx) ScanResults(ctx context.Context, fn func(ResultScan) error) error {
	return scan(ctx, tx, "scan results", scanResults, func(row pgx.CollectableRow) (ResultScan, error) {
		var r ResultScan
		return r, row.Scan(&r.ClinicID, &r.ID, &r.Revision, &r.Entry, &r.SessionID, &r.SessionRevision, &r.Supersedes, &r.JWS, &r.Path,
			&r.Enclosed, &r.EnclosedSalt)
	}, fn)
}

// ScanFeed reads what the clinic put into payers' feeds.
func (tx *Tx) ScanFeed(ctx context.Context, fn func(FeedRow) error) error {
	return scan(ctx, tx, "scan feed", scanFeedRows, scanFeed, fn)
}

// ScanCheckpoints reads the stored signed heads, smallest first.
func (tx *Tx) ScanCheckpoints(ctx context.Context, fn func(CheckpointScan) error) error {
	return scan(ctx, tx, "scan checkpoints", scanCheckpoints, func(row pgx.CollectableRow) (CheckpointScan, error) {
		var c CheckpointScan
		return c, row.Scan(&c.ClinicID, &c.Size, &c.Entry, &c.Note)
	}, fn)
}

// scan declares a cursor of its own and fetches from it until a batch is not full.
func scan[T any](ctx context.Context, tx *Tx, op, sql string, read pgx.RowToFunc[T], fn func(T) error) error {
	tx.cursors++
	cursor := fmt.Sprintf("scan_%d", tx.cursors)
	if tx.conn == nil {
		if err := tx.send(ctx, tx.batch(), op); err != nil {
			return err
		}
	}
	if tx.cursors == 1 {
		// What is read is worked on between two batches, on a busy machine for longer than a request may idle.
		if err := tx.exec(ctx, op, "SET LOCAL idle_in_transaction_session_timeout = '15min'"); err != nil {
			return err
		}
	}
	if err := tx.exec(ctx, op, "DECLARE "+cursor+" NO SCROLL CURSOR FOR "+sql); err != nil {
		return err
	}
	for {
		rows, err := fetch(ctx, tx, op, cursor, read)
		if err != nil {
			return err
		}
		for _, row := range rows {
			if err := fn(row); err != nil {
				return err
			}
		}
		if len(rows) < scanBatch {
			return tx.exec(ctx, op, "CLOSE "+cursor)
		}
	}
}

// exec runs one statement of an open transaction without preparing it: its text is new each time and would only fill the cache.
func (tx *Tx) exec(ctx context.Context, op, sql string) error {
	if tx.failed != nil {
		return translate(op, tx.failed)
	}
	_, err := tx.conn.Exec(ctx, sql, pgx.QueryExecModeSimpleProtocol)
	tx.failed = lost(tx.conn.Conn(), err)
	return translate(op, tx.failed)
}

// fetch takes a batch from a cursor. What a FETCH returns depends on the cursor, so it must not be prepared.
func fetch[T any](ctx context.Context, tx *Tx, op, cursor string, read pgx.RowToFunc[T]) ([]T, error) {
	if tx.failed != nil {
		return nil, translate(op, tx.failed)
	}
	rows, err := tx.conn.Query(ctx, fmt.Sprintf("FETCH %d FROM %s", scanBatch, cursor), pgx.QueryExecModeExec)
	if err != nil {
		tx.failed = lost(tx.conn.Conn(), err)
		return nil, translate(op, tx.failed)
	}
	got, err := pgx.CollectRows(rows, read)
	tx.failed = lost(tx.conn.Conn(), err)
	return got, translate(op, tx.failed)
}
