package rpc

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/fault"
)

const (
	// UsualInFlight is how many calls are worked on at a time: far more than the database has connections, so that pushes of one clinic meet, and few
	// enough that what they hold in memory stays small.
	UsualInFlight = 256
	// admitPatience is how long a call waits for others to end. Whoever waits longer is better told to come back.
	admitPatience = time.Second
	// admitSpread is over how many seconds those who are sent away are told to come back, so that they do not all come at once.
	admitSpread = 4
)

// admission bounds the calls in flight. Beyond that as many again wait for a moment, and every further one is sent away at once: a caller who is told
// early can do something about it, and what is not begun costs nothing.
type admission struct {
	slots    chan struct{}
	waiting  atomic.Int64
	patience time.Duration
	shed     prometheus.Counter
	turned   atomic.Int64
}

func newAdmission(inFlight int, registry *prometheus.Registry) (*admission, error) {
	a := &admission{slots: make(chan struct{}, inFlight), patience: admitPatience,
		shed: prometheus.NewCounter(prometheus.CounterOpts{Name: "ponderal_calls_shed_total", Help: "Calls sent away because too many were in flight."})}
	busy := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "ponderal_calls_admitted", Help: "Calls that are worked on now, of those that count against the limit of calls in flight."},
		func() float64 { return float64(len(a.slots)) })
	for _, c := range []prometheus.Collector{a.shed, busy} {
		if err := registry.Register(c); err != nil {
			return nil, fmt.Errorf("register metrics: %w", err)
		}
	}
	return a, nil
}

func (a *admission) around(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule != nil && (c.rule.Open || c.rule.Streams) {
		// Health must be told of an overloaded server too; a stream is open for hours and idle for most of them.
		return next(ctx)
	}
	if err := a.enter(ctx); err != nil {
		return err
	}
	defer func() { <-a.slots }()
	return next(ctx)
}

// enter takes a slot.
func (a *admission) enter(ctx context.Context) error {
	select {
	case a.slots <- struct{}{}:
		return nil
	default:
	}
	if a.waiting.Add(1) > int64(cap(a.slots)) {
		a.waiting.Add(-1)
		return a.refuse()
	}
	defer a.waiting.Add(-1)
	timer := time.NewTimer(a.patience)
	defer timer.Stop()
	select {
	case a.slots <- struct{}{}:
		return nil
	case <-timer.C:
		return a.refuse()
	case <-ctx.Done():
		// The caller's own deadline may be shorter than our patience; it is too much at once all the same.
		return a.refuse()
	}
}

func (a *admission) refuse() error {
	a.shed.Inc()
	f := fault.New(fault.Overloaded, "OVERLOADED", "too many calls at once; send the same request again after the time that this answer names")
	f.RetryAfter = time.Duration(1+a.turned.Add(1)%admitSpread) * time.Second
	return f
}
