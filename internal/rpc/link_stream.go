package rpc

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"ponderal.example/internal/fault"
)

// How long a call may take that streams its answer. It is not bound as a whole like other calls, since an export takes as long as the log is large; but its reader
// must take what is sent, and at the latest after streamMost it comes again, with its credential, and goes on.
const (
	streamIdle = 30 * time.Second
	streamMost = 15 * time.Minute
)

// aroundStream bounds a call that streams its answer. The deadline that the caller itself sent holds besides.
func aroundStream(ctx context.Context, next func(context.Context) error) error {
	ctx, cancel := context.WithTimeoutCause(ctx, streamMost,
		fault.New(fault.Deadline, "STREAM_TOO_LONG", "a stream lasts 15 minutes at most; go on after the last entry that arrived"))
	defer cancel()
	return next(ctx)
}

// endWhenDraining runs a streaming call that ends, with advice to go on elsewhere, once the server stops: it would hold up the stop.
func (d drain) endWhenDraining(ctx context.Context, next func(context.Context) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	defer context.AfterFunc(d.draining, func() { cancel(stopping()) })()
	return next(ctx)
}

func stopping() error {
	return fault.New(fault.Unavailable, "STOPPING", "this server is stopping; the same request may be sent to another or later")
}

// patientStream gives up a reader who takes nothing. gRPC blocks a send until the reader makes room and has no bound of its own for it, so
// each send runs beside; one that was given up ends when the call does, which is at once.
type patientStream struct {
	grpc.ServerStream
	ctx  context.Context
	idle time.Duration
}

// SendMsg sends, within the time that a reader may take. Nothing may be sent after an error.
func (s *patientStream) SendMsg(m any) error {
	if s.ctx.Err() != nil {
		return context.Cause(s.ctx)
	}
	done := make(chan error, 1)
	go func() { done <- s.ServerStream.SendMsg(m) }()
	timer := time.NewTimer(s.idle)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
		return fault.New(fault.Deadline, "SLOW_READER", "nothing was taken from the stream for too long; go on after the last entry that arrived")
	case <-s.ctx.Done():
		return context.Cause(s.ctx)
	}
}
