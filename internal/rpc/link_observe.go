package rpc

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"ponderal.example/internal/fault"
)

// observer counts, times and logs calls. What it logs are ids, codes and durations.
type observer struct {
	logger   *slog.Logger
	now      func() time.Time
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	inFlight prometheus.Gauge
	panics   prometheus.Counter
}

func newObserver(o Options) (*observer, error) {
	obs := &observer{
		logger: o.Logger,
		now:    o.Now,
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "ponderal_requests_total", Help: "Calls answered, by method and gRPC code.",
		}, []string{"method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "ponderal_request_seconds", Help: "Time from the first link to the answer.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 15, 60},
		}, []string{"method"}),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{Name: "ponderal_requests_in_flight", Help: "Calls being answered."}),
		panics:   prometheus.NewCounter(prometheus.CounterOpts{Name: "ponderal_panics_total", Help: "Panics caught in handlers."}),
	}
	for _, c := range []prometheus.Collector{obs.requests, obs.seconds, obs.inFlight, obs.panics} {
		if err := o.Registry.Register(c); err != nil {
			return nil, fmt.Errorf("register metrics: %w", err)
		}
	}
	return obs, nil
}

// unknownMethod is the label of every method that is not served: what a caller asks for must not make labels.
const unknownMethod = "unknown"

func (o *observer) around(ctx context.Context, c *call, next func(context.Context) error) error {
	start := o.now()
	o.inFlight.Inc()
	err := next(ctx)
	o.inFlight.Dec()
	took, code := o.now().Sub(start), status.Code(err)
	method := c.method
	if c.rule == nil {
		method = unknownMethod
	}
	o.requests.WithLabelValues(method, code.String()).Inc()
	o.seconds.WithLabelValues(method).Observe(took.Seconds())
	o.logger.LogAttrs(ctx, levelOf(c, code), "request",
		slog.String("method", method),
		slog.String("code", code.String()),
		slog.Duration("took", took),
		slog.String("request_id", c.requestID),
		slog.String("clinic_id", c.principal.ClinicID),
		slog.String("token_id", c.principal.TokenID),
		slog.String("role", string(c.principal.Role)),
	)
	return err
}

// levelOf keeps probes out of the log at its usual level and lifts defects above it.
func levelOf(c *call, code codes.Code) slog.Level {
	switch {
	case code == codes.Internal:
		return slog.LevelError
	case c.rule != nil && c.rule.Open:
		return slog.LevelDebug
	}
	return slog.LevelInfo
}

// translate turns every error into its status and logs the private cause of a defect once. The health and reflection services make
// statuses themselves, which are handed on.
func (o *observer) translate(ctx context.Context, c *call, next func(context.Context) error) error {
	err := next(ctx)
	if err == nil {
		return nil
	}
	if c.rule != nil && c.rule.Open && !errors.As(err, new(*fault.Error)) {
		return err
	}
	f := faultOf(err)
	if f.Kind == fault.Internal || f.Kind == fault.Unavailable {
		o.logger.LogAttrs(ctx, slog.LevelError, "cause of a failed request",
			slog.String("request_id", c.requestID), slog.String("cause", f.Error()))
	}
	return statusOf(f, c.requestID).Err()
}

// recoverPanic turns a panic into an Internal error. The value of the panic is not logged, since it may hold parts of a message; its
// type and the stack are.
func (o *observer) recoverPanic(ctx context.Context, c *call, next func(context.Context) error) (err error) {
	defer func() {
		r := recover()
		if r == nil {
			return
		}
		o.panics.Inc()
		err = fault.Wrap(fault.Internal, "PANIC", internalText, fmt.Errorf("panic of type %T at:\n%s", r, debug.Stack()))
	}()
	return next(ctx)
}
