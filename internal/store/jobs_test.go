package store

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// hook gives the payer a webhook in the network's records.
func hook(t testing.TB, s *Store, revision int, revoked string) {
	t.Helper()
	body := []byte(`{"payer_id":"` + payer + `","revoked":` + revoked + `}`)
	add(t, s, record.NetworkClinic, "webhook.put", Write{Docs: []DocRow{{Kind: record.KindWebhook, ID: id(900), Revision: revision, Body: body}}})
}

// feeding is a write of one new item of the payer's feed for the result that fill made, under the next number.
func feeding(ctx context.Context, tx *Tx, result string) (Write, error) {
	size, _, err := tx.LockHead(ctx)
	if err != nil {
		return Write{}, err
	}
	number, err := tx.NextFeedNumber(ctx, payer)
	return Write{Entry: entry(size, "release.put"), Edge: bytes.Repeat([]byte{1}, 32),
		Results: []NewResult{{ID: result, SessionID: id(200), SessionRevision: 1, Supersedes: id(300), JWS: "jws", Path: make([]byte, 32)}},
		Feed:    []FeedRow{{PayerID: payer, Number: number, ClinicID: clinicA, ResultID: result, Body: []byte(`{}`)}}}, err
}

func count(t testing.TB, db *pgtest.DB, sql string) (n int) {
	t.Helper()
	if err := connect(t, db.SuperURL).QueryRow(context.Background(), sql).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

const (
	jobCount  = "SELECT count(*) FROM ponderal_queue.river_job WHERE kind = 'webhook'"
	feedCount = "SELECT count(*) FROM ponderal.feed_item WHERE result_id <> '019a0000-0000-7000-8000-00000000012c'"
)

// TestEventAndItemTogether: an event is queued where its feed item is stored, and neither without the other, however the transaction ends.
func TestEventAndItemTogether(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a")
	before := count(t, db, feedCount)
	both := func(what string, want int) {
		t.Helper()
		if jobs, items := count(t, db, jobCount), count(t, db, feedCount)-before; jobs != want || items != want {
			t.Errorf("%s: %d events for %d items, want %d", what, jobs, items, want)
		}
	}
	hook(t, s, 1, "false")
	undone := errors.New("undone")
	err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
		w, err := feeding(ctx, tx, id(301))
		if err == nil {
			err = tx.Apply(ctx, w)
		}
		return errors.Join(err, undone)
	})
	if !errors.Is(err, undone) {
		t.Fatal(err)
	}
	both("a transaction undone after both", 0)
	super := connect(t, db.SuperURL)
	exec(t, super, "REVOKE INSERT ON ponderal_queue.river_job FROM ponderal_service")
	commit := func() error {
		return s.InClinic(ctx, clinicA, func(tx *Tx) error {
			w, err := feeding(ctx, tx, id(301))
			if err != nil {
				return err
			}
			return tx.ApplyAndCommit(ctx, w)
		})
	}
	if err := commit(); !fault.Is(err, fault.Internal) {
		t.Errorf("without a queue: %v", err)
	}
	both("a queue that takes nothing", 0)
	exec(t, super, "GRANT INSERT ON ponderal_queue.river_job TO ponderal_service")
	if err := commit(); err != nil {
		t.Fatal(err)
	}
	both("committed", 1)
	got, err := s.Deliveries(ctx, payer, 1<<40, 10)
	if err != nil || len(got) != 1 || got[0].Job.ResultID != id(301) || got[0].Job.Supersedes != id(300) || got[0].Job.SessionID != id(200) || got[0].Job.ClinicID != clinicA ||
		got[0].State != "available" || got[0].Job.At.IsZero() {
		t.Errorf("deliveries %+v, %v", got, err)
	}
	if got, err := s.Deliveries(ctx, id(404), 1<<40, 10); err != nil || len(got) != 0 {
		t.Errorf("another payer's: %+v, %v", got, err)
	}
	// The queue's own tables hold ids and times alone.
	if n := count(t, db, `SELECT count(*) FROM ponderal_queue.river_job j, jsonb_object_keys(j.args) k
		WHERE k NOT IN ('payer_id', 'feed_number', 'clinic_id', 'result_id', 'supersedes', 'session_id', 'at')`); n != 0 {
		t.Errorf("%d other things in jobs", n)
	}
}

// TestHasWebhook: a clinic's transaction learns whether a payer has a live webhook, and sees none of it.
func TestHasWebhook(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := open(t, db)
	fill(t, s, clinicA, "a") // has a webhook for that payer among its own records, which does not count
	service := connect(t, db.ServiceURL)
	exec(t, service, "SET ponderal.clinic_id = '"+clinicB+"'")
	has := func() string { return oneText(t, service, "SELECT ponderal.has_webhook('"+payer+"')::text") }
	if has() != "false" {
		t.Error("a webhook outside the network's records counts")
	}
	hook(t, s, 1, "false")
	if has() != "true" || oneText(t, service, "SELECT count(*)::text FROM ponderal.webhook") != "0" {
		t.Error("the webhook is not known, or seen")
	}
	hook(t, s, 2, "true")
	if has() != "false" {
		t.Error("a revoked webhook counts")
	}
	hook(t, s, 3, "false")
	if has() != "true" {
		t.Error("a webhook that is live again does not count")
	}
}

// work runs the queue of one replica.
func work(t *testing.T, db *pgtest.DB, o Jobs) (stop func()) {
	t.Helper()
	s := open(t, db)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	o.Now, o.Logger, o.Poll = time.Now, slog.New(slog.DiscardHandler), 100*time.Millisecond
	if o.Deliver == nil {
		o.Deliver = func(context.Context, WebhookJob) error { return nil }
	}
	o.Again = func(WebhookJob, int) time.Duration { return 10 * time.Millisecond }
	go func() { done <- s.RunJobs(ctx, o) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the queue ended: %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

// eventually waits for something to come about.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s did not come about", what)
		}
	}
}

// TestPeriodicOnceAcrossReplicas: two replicas offer a round every second; no two run at once, one that failed is tried again when it said, with how often it
// failed, and when the replica that leads stops, the other goes on.
func TestPeriodicOnceAcrossReplicas(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var running, together, rounds atomic.Int32
	var mu sync.Mutex
	var failures []int
	periodic := Jobs{Periodic: []Periodic{
		{Name: "steady", Every: time.Second, Do: func(context.Context, int) time.Duration {
			if running.Add(1) > 1 {
				together.Add(1)
			}
			time.Sleep(1200 * time.Millisecond) // longer than the period
			running.Add(-1)
			rounds.Add(1)
			return 0
		}},
		{Name: "failing", Every: time.Second, Do: func(_ context.Context, n int) time.Duration {
			mu.Lock()
			defer mu.Unlock()
			failures = append(failures, n)
			if len(failures) < 4 {
				return 50 * time.Millisecond
			}
			return 0
		}},
	}}
	first := work(t, db, periodic)
	work(t, db, periodic)
	eventually(t, "rounds", func() bool { return rounds.Load() >= 2 })
	first()
	so := rounds.Load()
	eventually(t, "rounds of the replica that is left", func() bool { return rounds.Load() >= so+2 })
	if together.Load() != 0 {
		t.Errorf("%d rounds ran beside another", together.Load())
	}
	mu.Lock()
	defer mu.Unlock()
	if len(failures) < 5 || failures[0] != 0 || failures[1] != 1 || failures[2] != 2 || failures[3] != 3 || failures[4] != 0 {
		t.Errorf("failures before each round: %v", failures)
	}
}

// TestNobodyTakesAllWorkers: a payer whose system hangs leaves half of a replica's workers to others.
func TestNobodyTakesAllWorkers(t *testing.T) {
	t.Parallel()
	h := inHand{of: map[string]int{}, most: 2}
	first, second := h.take("a"), h.take("a")
	if !first || !second || h.take("a") || !h.take("b") {
		t.Error("not two each")
	}
	h.give("a")
	if again := h.take("a"); !again || h.take("a") {
		t.Error("what was given back is not there once")
	}
	h.give("a")
	h.give("a")
	h.give("b")
	if len(h.of) != 0 {
		t.Errorf("left over: %v", h.of)
	}
}

// TestRunJobsNeedsEverything: a queue without a clock, a logger or work is refused; one that can do it all ends with its context.
func TestRunJobsNeedsEverything(t *testing.T) {
	t.Parallel()
	s := open(t, pgtest.New(t))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	whole := func() Jobs {
		return Jobs{Deliver: func(context.Context, WebhookJob) error { return nil }, Again: func(WebhookJob, int) time.Duration { return 0 }, Now: time.Now,
			Logger: slog.New(slog.DiscardHandler)}
	}
	for name, without := range map[string]func(*Jobs){"clock": func(o *Jobs) { o.Now = nil }, "logger": func(o *Jobs) { o.Logger = nil },
		"work": func(o *Jobs) { o.Deliver = nil }, "pause": func(o *Jobs) { o.Again = nil }} {
		o := whole()
		without(&o)
		if err := s.RunJobs(ctx, o); !fault.Is(err, fault.Internal) {
			t.Errorf("without %s: %v", name, err)
		}
	}
	if err := s.RunJobs(ctx, whole()); err != nil {
		t.Errorf("with everything: %v", err)
	}
}
