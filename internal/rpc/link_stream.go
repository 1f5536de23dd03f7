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

// heldFor is how long a streaming call goes on without its credential being looked at.
const heldFor = time.Second

// heldStream sends nothing more once the credential of its call has ended.
type heldStream struct {
	grpc.ServerStream
	ctx     context.Context
	call    *call
	again   func(ctx context.Context, c *call) error
	checked time.Time
}

// SendMsg sends, if the credential that the call began with still allows it. The clock may be set back: then it is looked at.
func (s *heldStream) SendMsg(m any) error {
	now := s.call.now()
	if since := now.Sub(s.checked); since >= heldFor || since < 0 {
		if err := s.again(s.ctx, s.call); err != nil {
			return err
		}
		s.checked = now
	}
	return s.ServerStream.SendMsg(m)
}

// again authenticates a call that goes on: its credential still has the role under which the method was allowed, for whom it was allowed.
func (a authenticator) again(ctx context.Context, c *call) error {
	if c.rule.public() {
		return nil
	}
	p, err := a.identify(ctx)
	if err != nil {
		return err
	}
	if !p.Has(c.principal.Role) || p.TokenID != c.principal.TokenID {
		return fault.New(fault.Denied, "ROLE_NEEDED", "the roles of this credential do not allow this method any more")
	}
	return nil
}
