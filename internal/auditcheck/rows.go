package auditcheck

import (
	"context"
	"fmt"

	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// recordKey is how an entry names a record. Trials have the id of their session.
type recordKey struct {
	kind, id      string
	revision      int
	series, trial int
}

// row is a stored row of a table of records, whatever the table.
type row struct {
	recordKey
	// payer and number are a feed item's, which is named by them.
	payer  string
	number int64
	// referral is a session's.
	referral string
	entry    int64
	body     []byte
	// own compares the row's further columns with the body; nil when there are none.
	own func() string
	// result is set for a row of that table.
	result *store.ResultScan
}

// name is how a problem names the row.
func (r row) name() string {
	if r.kind == record.KindFeedItem {
		return fmt.Sprintf("%d of payer %s", r.number, r.payer)
	}
	return r.recordKey.String()
}

// source is one table read in the order of entries, with the next row at hand.
type source struct {
	next    func() (row, bool)
	stop    func()
	failed  *error
	current row
	there   bool
}

func (s *source) advance() error {
	s.current, s.there = s.next()
	return *s.failed
}

func sourceOf[T any](r *reader, scan func(func(T) error) error, rowOf func(T) row) *source {
	next, stop, failed := pulled(r, scan)
	return &source{stop: stop, failed: failed, next: func() (row, bool) {
		v, ok := next()
		if !ok {
			return row{}, false
		}
		return rowOf(v), true
	}}
}

// sources are every table of records of the clinic.
func (c *check) sources(ctx context.Context, tx *store.Tx) []*source {
	list := []*source{
		sourceOf(c.reader, func(fn func(store.SessionScan) error) error { return tx.ScanSessions(ctx, fn) }, sessionRow),
		sourceOf(c.reader, func(fn func(store.TrialScan) error) error { return tx.ScanTrials(ctx, fn) }, trialRow),
	}
	for _, kind := range store.ScanKinds() {
		list = append(list, sourceOf(c.reader, func(fn func(store.DocScan) error) error { return tx.ScanDocs(ctx, kind, fn) },
			func(d store.DocScan) row { return docRow(kind, d) }))
	}
	return append(list,
		sourceOf(c.reader, func(fn func(store.ResultScan) error) error { return tx.ScanResults(ctx, fn) }, c.resultRow),
		sourceOf(c.reader, func(fn func(store.FeedRow) error) error { return tx.ScanFeed(ctx, fn) }, func(f store.FeedRow) row {
			c.report.fed[f.PayerID]++
			return feedRow(f)
		}))
}

func revised(id string, revision int) string { return fmt.Sprintf("%s revision %d", id, revision) }

func docRow(kind string, d store.DocScan) row {
	r := row{recordKey: recordKey{kind: kind, id: d.ID, revision: d.Revision}, entry: d.Entry, body: d.Body}
	if kind == record.KindFinding {
		r.own = func() string { return findingColumns(d) }
	}
	return r
}

func sessionRow(s store.SessionScan) row {
	return row{recordKey: recordKey{kind: record.KindSession, id: s.ID, revision: s.Revision},
		entry: s.Entry, body: s.Body, referral: s.ReferralID, own: func() string { return sessionColumns(s) }}
}

func trialRow(t store.TrialScan) row {
	return row{recordKey: recordKey{kind: record.KindTrial, id: t.SessionID, revision: t.Revision, series: t.Series, trial: t.Number},
		entry: t.Entry, body: t.Body,
		own: func() string { return trialColumns(t) }}
}

func (c *check) resultRow(r store.ResultScan) row {
	return row{recordKey: recordKey{kind: record.KindResult, id: r.ID, revision: r.Revision}, entry: r.Entry, body: []byte(r.JWS),
		own: func() string { return c.resultColumns(r) }, result: &r}
}

func feedRow(f store.FeedRow) row {
	return row{recordKey: recordKey{kind: record.KindFeedItem, id: f.ResultID, revision: 1},
		payer: f.PayerID, number: f.Number, entry: f.Entry, body: f.Body, own: func() string { return feedColumns(f) }}
}
