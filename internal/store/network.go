package store

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// The reads of this file are not bound to a clinic. Each sets the one setting that its own policy asks for.

const (
	setToken   = "SELECT set_config('ponderal.token_id', $1, true)"
	setPayer   = "SELECT set_config('ponderal.payer_id', $1, true)"
	setNetwork = "SELECT set_config('ponderal.network', $1, true)"

	findToken = `SELECT t.body, (SELECT v.body FROM ponderal.token_revocation v WHERE v.id = t.id ORDER BY v.revision DESC LIMIT 1)
		FROM ponderal.token t WHERE t.id = $1`
	// The network may read the entries that put clinics and payers, and no other: a time that it may not see is left out.
	listNetwork = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
		FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.TABLE t WHERE t.id > $1 ORDER BY t.id, t.revision DESC LIMIT $2) d
		LEFT JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number ORDER BY d.id`
	listLogs    = `SELECT h.clinic_id::text FROM ponderal.audit_head h UNION SELECT c.id::text FROM ponderal.clinic c`
	feedColumns = `SELECT f.payer_id, f.number, f.clinic_id, f.result_id, f.entry_number, f.body FROM ponderal.feed_item f`
	readFeed    = feedColumns + ` WHERE f.payer_id = $1 AND f.number > $2 ORDER BY f.number LIMIT $3`
	findItem    = feedColumns + ` WHERE f.payer_id = $1 AND f.result_id = $2 ORDER BY f.number LIMIT 1`
	nextNumber  = `SELECT ponderal.next_feed_number($1)`
)

var networkLists = map[string]string{
	record.KindClinic: strings.ReplaceAll(listNetwork, "TABLE", record.KindClinic),
	record.KindPayer:  strings.ReplaceAll(listNetwork, "TABLE", record.KindPayer),
}

// ReadNetwork lists clinics ("clinic") or payers ("payer") of the network: the newest revision of each, by id, after the given one. The
// time is known where the record was put by the action KIND.put.
func (s *Store) ReadNetwork(ctx context.Context, kind, after string, limit int) ([]Row, error) {
	sql, ok := networkLists[kind]
	if !ok {
		return nil, fault.Newf(fault.Internal, "KIND_UNKNOWN", "%s is not a list of the network", kind)
	}
	from, err := afterID(after)
	if err != nil {
		return nil, err
	}
	return readWith(ctx, s, "list "+kind+" of the network", setNetwork, "on", scanNetworkRow, sql, from, limit)
}

// ListClinicIDs lists every log: each clinic's and the network's own, in order.
func (s *Store) ListClinicIDs(ctx context.Context) ([]string, error) {
	ids, err := readWith(ctx, s, "list logs", setNetwork, "on", pgx.RowTo[string], listLogs)
	if err != nil {
		return nil, err
	}
	if !slices.Contains(ids, record.NetworkClinic) {
		ids = append(ids, record.NetworkClinic)
	}
	slices.Sort(ids)
	return ids, nil
}

// FindToken returns the token with that id, or a NotFound fault.
func (s *Store) FindToken(ctx context.Context, id string) (TokenRow, error) {
	parsed, ok := parseID(id)
	if !ok {
		return TokenRow{}, notFound(record.KindToken)
	}
	got, err := readWith(ctx, s, "find token", setToken, id, func(row pgx.CollectableRow) (TokenRow, error) {
		var t TokenRow
		return t, row.Scan(&t.Token, &t.Revocation)
	}, findToken, parsed)
	if err != nil {
		return TokenRow{}, err
	}
	if len(got) == 0 {
		return TokenRow{}, notFound(record.KindToken)
	}
	return got[0], nil
}

// ReadFeed returns a payer's items after a number.
func (s *Store) ReadFeed(ctx context.Context, payerID string, after int64, limit int) ([]FeedRow, error) {
	payer, ok := parseID(payerID)
	if !ok {
		return nil, notFound(record.KindPayer)
	}
	return readWith(ctx, s, "read feed", setPayer, payerID, scanFeed, readFeed, payer, after, limit)
}

// FindFeedItem returns the item of a payer for a result, or a NotFound fault.
func (s *Store) FindFeedItem(ctx context.Context, payerID, resultID string) (FeedRow, error) {
	payer, ok := parseID(payerID)
	result, ok2 := parseID(resultID)
	if !ok || !ok2 {
		return FeedRow{}, notFound(record.KindResult)
	}
	got, err := readWith(ctx, s, "find feed item", setPayer, payerID, scanFeed, findItem, payer, result)
	if err != nil {
		return FeedRow{}, err
	}
	if len(got) == 0 {
		return FeedRow{}, notFound(record.KindResult)
	}
	return got[0], nil
}

// NextFeedNumber takes the next number of a payer's feed until the transaction ends. Call it after LockHead.
func (tx *Tx) NextFeedNumber(ctx context.Context, payerID string) (int64, error) {
	payer, err := writeID("payer_id", payerID)
	if err != nil {
		return 0, err
	}
	return queryOne(ctx, tx, "take feed number", "payer", pgx.RowTo[int64], nextNumber, payer)
}

// readWith runs one statement with one setting, in one round trip that is one transaction of its own (a batch is one unless it says
// otherwise). Being one read, it is simply repeated where a transaction would be.
func readWith[T any](ctx context.Context, s *Store, op, setting, value string, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	for attempt := 1; ; attempt++ {
		got, err := readOnce(ctx, s, setting, value, scan, sql, args...)
		if err == nil {
			return got, nil
		}
		again := mayRetry(err) || errors.Is(err, errLost)
		if !again || attempt == maxAttempts || ctx.Err() != nil || !pause(ctx, attempt) {
			return nil, translate(op, err)
		}
	}
}

func readOnce[T any](ctx context.Context, s *Store, setting, value string, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	conn, err := s.acquire(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Release()
	var got []T
	b := &pgx.Batch{}
	b.Queue(setting, value)
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		var err error
		got, err = pgx.CollectRows(rows, scan)
		return err
	})
	if err := conn.SendBatch(ctx, b).Close(); err != nil {
		return nil, lost(conn.Conn(), err)
	}
	return got, nil
}

func scanNetworkRow(row pgx.CollectableRow) (Row, error) {
	var r Row
	var at *time.Time
	err := row.Scan(&r.ID, &r.Revision, &r.Entry, &at, &r.Body)
	if at != nil {
		r.At = at.UTC()
	}
	return r, err
}

func scanFeed(row pgx.CollectableRow) (FeedRow, error) {
	var f FeedRow
	return f, row.Scan(&f.PayerID, &f.Number, &f.ClinicID, &f.ResultID, &f.Entry, &f.Body)
}
