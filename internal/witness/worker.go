package witness

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

// Logs are the clinics' logs as the worker needs them. All methods are safe for concurrent use; an error is the service's own.
type Logs interface {
	// Logs lists the clinics that have a log.
	Logs(context.Context) ([]string, error)
	// Head returns the signed head of a clinic's log as it stands, stored, and the largest size that the witness has cosigned; size 0 for a log
	// without entries.
	Head(ctx context.Context, clinic string, by seal.Witness) (note string, size, cosigned int64, err error)
	// Proof proves that the log of a size begins with that of an older one.
	Proof(ctx context.Context, clinic string, oldSize, size int64) ([]merkle.Hash, error)
	// Keep verifies and stores a cosignature of a size. What does not verify is an error and is not stored.
	Keep(ctx context.Context, clinic string, size int64, by seal.Witness, line string) error
}

// Options for NewWorker.
type Options struct {
	Logs    Logs
	Targets []Target
	// Interval is how often a witness is asked, for each log at most once.
	Interval time.Duration
	// Transport carries requests; nil means a usual one.
	Transport http.RoundTripper
	Now       func() time.Time
	// Rand spreads the rounds of several replicas; it is safe for concurrent use.
	Rand     io.Reader
	Logger   *slog.Logger
	Registry prometheus.Registerer
}

const (
	// longestWait is the longest pause after failures, unless the interval is longer.
	longestWait = time.Hour
	// maxAttempts is how often one log is offered to a witness in one round: it may name the size that it knows, and a replica may be faster.
	maxAttempts = 3
	// storeWithin bounds each read and write of the logs.
	storeWithin = 30 * time.Second
)

// Worker asks every witness in turn, each on a goroutine of its own, so that one that hangs holds up no other.
type Worker struct {
	options Options
	metrics metrics
}

// NewWorker makes a worker; nothing is asked before Run.
func NewWorker(o Options) (*Worker, error) {
	if o.Logs == nil || len(o.Targets) == 0 || o.Interval <= 0 || o.Now == nil || o.Rand == nil || o.Logger == nil || o.Registry == nil {
		return nil, errors.New("make witness worker: logs, witnesses, an interval, clock, randomness, logger and registry are needed")
	}
	m, err := newMetrics(o.Registry)
	if err != nil {
		return nil, err
	}
	for _, t := range o.Targets {
		m.expect(t.Key.Name())
	}
	return &Worker{options: o, metrics: m}, nil
}

// Run asks until ctx ends, and returns when nothing of it runs any more: for one process alone, since several would each ask. Several share Rounds.
func (w *Worker) Run(ctx context.Context) {
	var all sync.WaitGroup
	for _, t := range w.options.Targets {
		all.Go(func() { w.keepAsking(ctx, t) })
	}
	all.Wait()
}

func (w *Worker) keepAsking(ctx context.Context, t Target) {
	client := NewClient(t, w.options.Transport, w.options.Now)
	defer client.Close()
	wait := w.spread(min(w.options.Interval, 2*time.Second))
	failures := 0
	for pause(ctx, wait) {
		if w.round(ctx, client) {
			failures = 0
		} else {
			failures++
		}
		wait = backoff(w.options.Interval, failures)
		wait += w.spread(wait / 10)
	}
}

// Round is the asking of one witness, for a queue that has one replica at a time do it.
type Round struct {
	Name  string
	Every time.Duration
	// Do asks once; failures is how many rounds before it failed in a row. A positive answer says that the witness could not be talked to, and when to try again.
	Do func(ctx context.Context, failures int) time.Duration
}

// Rounds are the rounds of every witness.
func (w *Worker) Rounds() []Round {
	var all []Round
	for _, t := range w.options.Targets {
		all = append(all, Round{Name: "witness/" + t.Key.Name(), Every: w.options.Interval, Do: func(ctx context.Context, failures int) time.Duration {
			client := NewClient(t, w.options.Transport, w.options.Now)
			defer client.Close()
			if w.round(ctx, client) {
				return 0
			}
			wait := backoff(w.options.Interval, failures+1)
			return wait + w.spread(wait/10)
		}})
	}
	return all
}

// backoff doubles the interval with each round that failed in a row, up to an hour.
func backoff(interval time.Duration, failures int) time.Duration {
	for range failures {
		if interval >= longestWait {
			break
		}
		interval = min(2*interval, longestWait)
	}
	return interval
}

// spread is a random while of at most d.
func (w *Worker) spread(d time.Duration) time.Duration {
	var b [8]byte
	if _, err := io.ReadFull(w.options.Rand, b[:]); err != nil || d <= 0 {
		return 0
	}
	return time.Duration(binary.BigEndian.Uint64(b[:]) % uint64(d))
}

// pause waits; false when ctx ended.
func pause(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return ctx.Err() == nil
	}
}

// round offers the head of each log to a witness, and reports whether the witness could be talked to. One that cannot is not asked about further logs.
func (w *Worker) round(ctx context.Context, client *Client) (reached bool) {
	name := client.target.Key.Name()
	logs, err := w.list(ctx)
	if err != nil {
		w.tell(ctx, name, "", err)
		return true
	}
	behind := 0
	defer func() { w.metrics.behind(name, behind) }()
	for i, clinic := range logs {
		done, err := w.offer(ctx, client, clinic)
		if ctx.Err() != nil {
			return true
		}
		if !done {
			behind++
		}
		w.tell(ctx, name, clinic, err)
		if outcomeOf(err) == outcomeUnreachable {
			behind += len(logs) - i - 1
			return false
		}
	}
	return true
}

func (w *Worker) list(ctx context.Context) ([]string, error) {
	ctx, cancel := context.WithTimeout(ctx, storeWithin)
	defer cancel()
	logs, err := w.options.Logs.Logs(ctx)
	if err != nil {
		return nil, ownError{err}
	}
	return logs, nil
}

// errNothingNew says that the witness has cosigned the head already.
var errNothingNew = errors.New("nothing new to cosign")

// offer has the head of one log cosigned; done says that the witness's word on it is stored.
func (w *Worker) offer(ctx context.Context, client *Client, clinic string) (done bool, err error) {
	by := client.target.Key
	var told int64 = -1 // what the witness says that it knows; negative as long as it has not said
	for range maxAttempts {
		note, size, cosigned, err := w.head(ctx, clinic, by)
		switch {
		case err != nil:
			return false, err
		case size == 0 || told < 0 && cosigned == size:
			return true, errNothingNew
		case told > size:
			return false, &aheadError{witness: told, log: size}
		}
		old := cosigned
		if told >= 0 {
			old = told
		}
		cosignature, err := w.ask(ctx, client, clinic, old, note, size)
		var other *OtherSizeError
		if errors.As(err, &other) {
			told = other.Size
			continue
		}
		if err == nil {
			err = w.keep(ctx, clinic, size, by, cosignature.Line)
		}
		return err == nil, err
	}
	return false, fmt.Errorf("asked %d times, and each time the witness named another size: %w", maxAttempts, ErrAnswer)
}

func (w *Worker) head(ctx context.Context, clinic string, by seal.Witness) (note string, size, cosigned int64, err error) {
	ctx, cancel := context.WithTimeout(ctx, storeWithin)
	defer cancel()
	note, size, cosigned, err = w.options.Logs.Head(ctx, clinic, by)
	if err != nil {
		err = ownError{err}
	}
	return note, size, cosigned, err
}

// ask proves and sends one head.
func (w *Worker) ask(ctx context.Context, client *Client, clinic string, old int64, note string, size int64) (seal.Cosignature, error) {
	text, _, _ := strings.Cut(note, "\n\n")
	head, err := seal.ParseCheckpoint(text + "\n")
	if err == nil && head.Size != size {
		err = seal.ErrMalformed
	}
	if err != nil {
		return seal.Cosignature{}, ownError{err}
	}
	var path []merkle.Hash
	if old > 0 {
		limited, cancel := context.WithTimeout(ctx, storeWithin)
		defer cancel()
		if path, err = w.options.Logs.Proof(limited, clinic, old, size); err != nil {
			return seal.Cosignature{}, ownError{err}
		}
	}
	return client.AddCheckpoint(ctx, old, path, head, note)
}

func (w *Worker) keep(ctx context.Context, clinic string, size int64, by seal.Witness, line string) error {
	ctx, cancel := context.WithTimeout(ctx, storeWithin)
	defer cancel()
	if err := w.options.Logs.Keep(ctx, clinic, size, by, line); err != nil {
		return ownError{err}
	}
	return nil
}
