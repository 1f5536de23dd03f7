package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"

	"ponderal.example/internal/fault"
)

const (
	// jobSchema holds the queue's tables.
	jobSchema = "ponderal_queue"
	// jobConns is how many connections the queue takes beside those of calls, so that neither waits for the other.
	jobConns = 4
	// jobStop is how long work in hand may take at a stop before it is interrupted; interrupted work is done again, and does not count as tried.
	jobStop = 3 * time.Second

	keepCompleted = 30 * 24 * time.Hour
	keepOther     = 90 * 24 * time.Hour

	webhookQueue, periodicQueue = "webhook", "periodic"
)

// The usual limits of Jobs.
const (
	// UsualWebhookTimeout is how long one delivery may take, what it reads of the store included.
	UsualWebhookTimeout = time.Minute
	// UsualRescueAfter is when a job whose replica died is taken to be free: after its own limit, at the earliest then.
	UsualRescueAfter = 2 * time.Minute
	// UsualRoundTimeout is how long one round of a periodic job may take.
	UsualRoundTimeout = 15 * time.Minute
	// UsualWebhooksAtOnce is how many deliveries a replica has in hand at most; one payer gets half of them.
	UsualWebhooksAtOnce = 16
	UsualPoll           = time.Second
)

// Jobs is the work that is done once whichever replica does it. Every replica offers the same.
type Jobs struct {
	// Deliver sends one event: nil when it was taken, GiveUp when it is not to be tried again, any other error to be tried again. Its error is kept and
	// shown, so it holds no more than a code.
	Deliver func(context.Context, WebhookJob) error
	// Again is when an event is tried again whose try of that number (from 1) failed.
	Again    func(job WebhookJob, attempt int) time.Duration
	Periodic []Periodic
	Now      func() time.Time
	Logger   *slog.Logger
	// Zero limits mean the usual ones.
	WebhookTimeout, RescueAfter, RoundTimeout time.Duration
	// Poll is how often a replica looks for work.
	Poll           time.Duration
	WebhooksAtOnce int
}

// Periodic is done every so often by one replica, never by two at once.
type Periodic struct {
	// Name is one word, the same in every replica.
	Name  string
	Every time.Duration
	// Do is one round; failures is how many rounds before it failed in a row. A positive answer says that this one did, and when to try again.
	Do func(ctx context.Context, failures int) time.Duration
}

// GiveUp ends a job without success. Reason is a short code.
type GiveUp struct{ Reason string }

func (g *GiveUp) Error() string { return g.Reason }

// RunJobs works on the queue until ctx ends. Work in hand is then finished, or interrupted and left to another replica.
func (s *Store) RunJobs(ctx context.Context, o Jobs) error {
	if o.Now == nil || o.Logger == nil || o.Deliver == nil || o.Again == nil {
		return fault.New(fault.Internal, "JOBS", "the queue needs a clock, a logger and what it is to do")
	}
	o.complete()
	config := s.pool.Config()
	config.MaxConns, config.MinConns, config.MinIdleConns = jobConns, 0, 0
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return translate("open pool of the queue", err)
	}
	defer pool.Close()
	client, err := o.client(pool)
	if err != nil {
		return fmt.Errorf("make queue: %w", err)
	}
	// River retries what fails once it has started; a database that is away at the start is tried again here.
	for {
		if err = client.Start(context.WithoutCancel(ctx)); err == nil {
			break
		}
		o.Logger.Warn("the queue did not start; it is tried again", "error", translate("start queue", err))
		if !rest(ctx, o.Poll) {
			return nil
		}
	}
	<-ctx.Done()
	soft, cancel := context.WithTimeout(context.WithoutCancel(ctx), jobStop)
	defer cancel()
	if err = client.Stop(soft); err != nil {
		hard, cancel := context.WithTimeout(context.WithoutCancel(ctx), jobStop)
		defer cancel()
		err = client.StopAndCancel(hard)
	}
	if err != nil {
		return fmt.Errorf("stop queue: %w", err)
	}
	return nil
}

func rest(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

func (o *Jobs) complete() {
	usual := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	usual(&o.WebhookTimeout, UsualWebhookTimeout)
	usual(&o.RescueAfter, max(UsualRescueAfter, 2*o.WebhookTimeout))
	usual(&o.RoundTimeout, UsualRoundTimeout)
	usual(&o.Poll, UsualPoll)
	if o.WebhooksAtOnce == 0 {
		o.WebhooksAtOnce = UsualWebhooksAtOnce
	}
}

// quietDriver does not notify: a notification within a writing transaction would make all transactions of the database commit one after another. Replicas
// look from time to time instead.
type quietDriver struct{ *riverpgxv5.Driver }

func (quietDriver) SupportsListenNotify() bool { return false }
func (quietDriver) SupportsListener() bool     { return false }

func (o *Jobs) client(pool *pgxpool.Pool) (*river.Client[pgx.Tx], error) {
	// Every replica knows every kind of job: the one that leads takes a job of a kind it does not know for lost.
	workers := river.NewWorkers()
	err := errors.Join(
		river.AddWorkerSafely(workers, &webhookWorker{jobs: *o, pool: pool, inHand: inHand{of: map[string]int{}, most: max(1, o.WebhooksAtOnce/2)}}),
		river.AddWorkerSafely(workers, &periodicWorker{jobs: *o}))
	if err != nil {
		return nil, err
	}
	queues := map[string]river.QueueConfig{webhookQueue: {MaxWorkers: o.WebhooksAtOnce}, periodicQueue: {MaxWorkers: max(1, len(o.Periodic))}}
	var periodic []*river.PeriodicJob
	for _, p := range o.Periodic {
		periodic = append(periodic, river.NewPeriodicJob(river.PeriodicInterval(p.Every), func() (river.JobArgs, *river.InsertOpts) {
			return periodicJob{Name: p.Name}, &river.InsertOpts{Queue: periodicQueue, MaxAttempts: 1, UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: []rivertype.JobState{
				rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable, rivertype.JobStateRunning, rivertype.JobStateScheduled}}}
		}, &river.PeriodicJobOpts{ID: p.Name, RunOnStart: true}))
	}
	return river.NewClient(quietDriver{riverpgxv5.New(pool)}, &river.Config{
		Schema: jobSchema, PollOnly: true, FetchPollInterval: o.Poll, Logger: o.Logger, Queues: queues, Workers: workers, PeriodicJobs: periodic,
		JobTimeout: o.WebhookTimeout, RescueStuckJobsAfter: o.RescueAfter,
		CompletedJobRetentionPeriod: keepCompleted, CancelledJobRetentionPeriod: keepOther, DiscardedJobRetentionPeriod: keepOther,
		// The service's role owns nothing, so it does not rebuild indexes; Postgres' own autovacuum keeps them.
		ReindexerSchedule: never{}, ReindexerIndexNames: []string{},
		// A replica of another build may queue work that this one does not know.
		FetchOnlyKnownKinds: true,
	})
}

// never is a schedule far away.
type never struct{}

func (never) Next(now time.Time) time.Time { return now.AddDate(100, 0, 0) }

// periodicJob is one round of something.
type periodicJob struct {
	Name string `json:"name" river:"unique"`
}

// Kind names the job.
func (periodicJob) Kind() string { return "periodic" }

type periodicWorker struct {
	river.WorkerDefaults[periodicJob]
	jobs Jobs
}

func (w *periodicWorker) Timeout(*river.Job[periodicJob]) time.Duration { return w.jobs.RoundTimeout }

func (w *periodicWorker) Work(ctx context.Context, job *river.Job[periodicJob]) error {
	for _, p := range w.jobs.Periodic {
		if p.Name != job.Args.Name {
			continue
		}
		again := p.Do(ctx, snoozes(job.JobRow))
		if again > 0 || ctx.Err() != nil {
			return river.JobSnooze(max(again, 0))
		}
		return nil
	}
	return river.JobCancel(errors.New("not known here"))
}
