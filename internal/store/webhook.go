package store

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"

	"ponderal.example/internal/record"
)

const (
	// soonest and latest bound how long an event waits for an earlier one before it looks again.
	soonest, latest = time.Second, 5 * time.Minute

	newWebhookJobs = `SELECT f.payer_id::text, f.number, f.clinic_id::text, f.result_id::text, coalesce(r.supersedes::text, ''), r.session_id::text, e.at
		FROM ponderal.feed_item f JOIN ponderal.result r ON r.clinic_id = f.clinic_id AND r.id = f.result_id
			JOIN ponderal.audit_entry e ON e.clinic_id = f.clinic_id AND e.number = f.entry_number
		WHERE f.clinic_id = $1 AND f.result_id = ANY ($2::uuid[]) AND f.entry_number = ANY ($3::int8[]) AND ponderal.has_webhook(f.payer_id)
		ORDER BY f.payer_id, f.number`
	earlierWebhook = `SELECT j.scheduled_at FROM ponderal_queue.river_job j
		WHERE j.kind = 'webhook' AND j.finalized_at IS NULL AND j.args ->> 'payer_id' = $1 AND j.args ->> 'session_id' = $2
			AND (j.args ->> 'feed_number')::bigint < $3 ORDER BY (j.args ->> 'feed_number')::bigint DESC LIMIT 1`
	listDeliveries = `SELECT j.args, j.state::text, j.attempt, j.errors[cardinality(j.errors)] ->> 'error', j.attempted_at, j.scheduled_at, j.finalized_at
		FROM ponderal_queue.river_job j
		WHERE j.kind = 'webhook' AND j.args ->> 'payer_id' = $1 AND (j.args ->> 'feed_number')::bigint < $2
		ORDER BY (j.args ->> 'feed_number')::bigint DESC LIMIT $3`
	webhooksOfPayer = `SELECT d.id, d.revision, d.entry_number, e.at, d.body
		FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.webhook t WHERE t.clinic_id = $1 AND t.id IN
				(SELECT f.id FROM ponderal.webhook f WHERE f.clinic_id = $1 AND f.revision = 1 AND f.body::jsonb ->> 'payer_id' = $2)
			ORDER BY t.id, t.revision DESC) d
		JOIN ponderal.audit_entry e ON e.clinic_id = d.clinic_id AND e.number = d.entry_number ORDER BY d.id`
	keysOfWebhooks = `SELECT DISTINCT s ->> 'key_id' FROM (SELECT DISTINCT ON (t.id) t.* FROM ponderal.webhook t WHERE t.clinic_id = $1
			ORDER BY t.id, t.revision DESC) d, jsonb_path_query(d.body::jsonb, '$.secrets[*].sealed') s
		WHERE NOT coalesce((d.body::jsonb ->> 'revoked')::boolean, false) ORDER BY 1`
)

// WebhookJob is an event to be sent: a new item of a payer's feed, by ids alone. SessionID names the chain of results that it belongs to.
type WebhookJob struct {
	PayerID    string    `json:"payer_id"`
	FeedNumber int64     `json:"feed_number"`
	ClinicID   string    `json:"clinic_id"`
	ResultID   string    `json:"result_id"`
	Supersedes string    `json:"supersedes,omitempty"`
	SessionID  string    `json:"session_id"`
	At         time.Time `json:"at"`
}

// Kind names the job.
func (WebhookJob) Kind() string { return record.KindWebhook }

// newJobClient only inserts, in transactions that it is given.
func newJobClient() (*river.Client[pgx.Tx], error) {
	return river.NewClient(quietDriver{riverpgxv5.New(nil)}, &river.Config{Schema: jobSchema, Logger: slog.New(slog.DiscardHandler)})
}

// enqueue queues an event for each feed item of the writes whose payer has a webhook, in the transaction that writes the item: either both are stored or none.
func (tx *Tx) enqueue(ctx context.Context, ws []Write) error {
	var results ids
	var entries []int64
	for _, w := range ws {
		for _, f := range w.Feed {
			id, err := writeID("feed.result_id", f.ResultID)
			if err != nil {
				return err
			}
			results, entries = append(results, id), append(entries, w.Entry.Number)
		}
	}
	jobs, err := query(ctx, tx, "find events", func(row pgx.CollectableRow) (river.InsertManyParams, error) {
		var j WebhookJob
		err := row.Scan(&j.PayerID, &j.FeedNumber, &j.ClinicID, &j.ResultID, &j.Supersedes, &j.SessionID, &j.At)
		j.At = j.At.UTC()
		return river.InsertManyParams{Args: j, InsertOpts: &river.InsertOpts{Queue: webhookQueue, MaxAttempts: record.EventAttempts}}, err
	}, newWebhookJobs, tx.clinic, results, entries)
	if err != nil || len(jobs) == 0 {
		return err
	}
	if _, err := tx.store.jobs.InsertManyTx(ctx, jobTx{tx.conn.Conn()}, jobs); err != nil {
		tx.failed = lost(tx.conn.Conn(), err)
		return translate("queue events", tx.failed)
	}
	return nil
}

func hasFeed(ws []Write) bool {
	for _, w := range ws {
		if len(w.Feed) > 0 {
			return true
		}
	}
	return false
}

// jobTx is the open transaction as the queue takes one. It neither ends nor nests.
type jobTx struct{ *connection }

// connection gives the embedded field another name than that of the method.
type connection = pgx.Conn

var errNotItsOwn = errors.New("the transaction is not the queue's to end")

func (t jobTx) Begin(context.Context) (pgx.Tx, error) { return nil, errNotItsOwn }
func (t jobTx) Commit(context.Context) error          { return errNotItsOwn }
func (t jobTx) Rollback(context.Context) error        { return errNotItsOwn }
func (t jobTx) LargeObjects() pgx.LargeObjects        { return pgx.LargeObjects{} }
func (t jobTx) Conn() *pgx.Conn                       { return t.connection }

// Delivery is an event with what became of it. State is the queue's word, Failure the code of the last try that failed.
type Delivery struct {
	Job      WebhookJob
	State    string
	Attempts int
	Failure  string
	// NextAt means something only while EndedAt is zero.
	LastAt, NextAt, EndedAt time.Time
}

// Deliveries returns a payer's events, newest first, before a feed number. They are ids alone and no clinic's records.
func (s *Store) Deliveries(ctx context.Context, payerID string, before int64, limit int) ([]Delivery, error) {
	payer, ok := parseID(payerID)
	if !ok {
		return nil, notFound(record.KindPayer)
	}
	return readWith(ctx, s, "list deliveries", setPayer, payerID, scanDelivery, listDeliveries, payer.String(), before, limit)
}

func scanDelivery(row pgx.CollectableRow) (Delivery, error) {
	var d Delivery
	var args []byte
	var failure *string
	var last, ended *time.Time
	if err := row.Scan(&args, &d.State, &d.Attempts, &failure, &last, &d.NextAt, &ended); err != nil {
		return d, err
	}
	// The queue says before our code that it was a GiveUp.
	d.Failure = strings.TrimPrefix(textOf(failure), "JobCancelError: ")
	d.NextAt = d.NextAt.UTC()
	if last != nil {
		d.LastAt = last.UTC()
	}
	if ended != nil {
		d.EndedAt = ended.UTC()
	}
	return d, json.Unmarshal(args, &d.Job)
}

// WebhooksOfPayer returns every webhook of a payer, newest revision each: at most one of them is not revoked.
func (tx *Tx) WebhooksOfPayer(ctx context.Context, payerID string) ([]Row, error) {
	payer, ok := parseID(payerID)
	if !ok {
		return nil, notFound(record.KindPayer)
	}
	return query(ctx, tx, "list webhooks of payer", scanRow, webhooksOfPayer, tx.clinic, payer.String())
}

// KeysOfWebhooks names the keys under which secrets of webhooks that are not revoked are sealed.
func (tx *Tx) KeysOfWebhooks(ctx context.Context) ([]string, error) {
	return query(ctx, tx, "list keys of webhooks", pgx.RowTo[string], keysOfWebhooks, tx.clinic)
}

// inHand counts the deliveries to each payer, so that one whose system hangs does not take all of a replica's.
type inHand struct {
	mu   sync.Mutex
	of   map[string]int
	most int
}

func (h *inHand) take(payer string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.of[payer] >= h.most {
		return false
	}
	h.of[payer]++
	return true
}

func (h *inHand) give(payer string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.of[payer]--; h.of[payer] == 0 {
		delete(h.of, payer)
	}
}

type webhookWorker struct {
	river.WorkerDefaults[WebhookJob]
	jobs   Jobs
	pool   *pgxpool.Pool
	inHand inHand
}

func (w *webhookWorker) NextRetry(job *river.Job[WebhookJob]) time.Time {
	return w.jobs.Now().Add(w.jobs.Again(job.Args, job.Attempt))
}

// Work delivers an event once no earlier one of the same chain is open. An interrupted try does not count.
func (w *webhookWorker) Work(ctx context.Context, job *river.Job[WebhookJob]) error {
	if !w.inHand.take(job.Args.PayerID) {
		return river.JobSnooze(soonest)
	}
	defer w.inHand.give(job.Args.PayerID)
	wait, err := w.earlier(ctx, job.Args)
	if err != nil || wait > 0 {
		// A database that does not answer is no failure of the payer's.
		return river.JobSnooze(max(wait, soonest))
	}
	err = w.jobs.Deliver(ctx, job.Args)
	var gaveUp *GiveUp
	switch {
	case err == nil:
		return nil
	case errors.As(err, &gaveUp):
		return river.JobCancel(errors.New(gaveUp.Reason))
	case errors.Is(ctx.Err(), context.Canceled):
		return river.JobSnooze(0)
	}
	return err
}

// earlier is how long to wait for an earlier event of the same chain; 0 where none is open. Feed numbers are given out under the lock of the payer's counter,
// so that an earlier one is committed, or never will be, once a later one is seen.
func (w *webhookWorker) earlier(ctx context.Context, job WebhookJob) (time.Duration, error) {
	var next time.Time
	err := w.pool.QueryRow(ctx, earlierWebhook, job.PayerID, job.SessionID, job.FeedNumber).Scan(&next)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	return min(max(next.Sub(w.jobs.Now()), soonest), latest), err
}

// snoozes is how often a job was put off.
func snoozes(row *rivertype.JobRow) int {
	var m struct {
		Snoozes int `json:"snoozes"`
	}
	if json.Unmarshal(row.Metadata, &m) != nil {
		return 0
	}
	return m.Snoozes
}
