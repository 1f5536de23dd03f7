package rpc

import (
	"context"
	"errors"
	"testing"
	"time"

	"google.golang.org/grpc"

	"ponderal.example/internal/fault"
)

// slowReader takes messages only while it is open; a send that waits ends with the stream.
type slowReader struct {
	grpc.ServerStream
	open, ended chan struct{}
}

func (s *slowReader) SendMsg(any) error {
	select {
	case <-s.open:
		return nil
	case <-s.ended:
		return errors.New("the stream has ended")
	}
}

func newSlowReader(t *testing.T) *slowReader {
	s := &slowReader{open: make(chan struct{}), ended: make(chan struct{})}
	t.Cleanup(func() { close(s.ended) })
	return s
}

// TestSlowReaderIsGivenUp: a reader who takes nothing within its time ends the stream; one who just does goes on, as often as it likes.
func TestSlowReaderIsGivenUp(t *testing.T) {
	reader := newSlowReader(t)
	s := &patientStream{ServerStream: reader, ctx: t.Context(), idle: 2 * time.Second}
	for range 3 {
		go func() { time.Sleep(50 * time.Millisecond); reader.open <- struct{}{} }()
		if err := s.SendMsg(nil); err != nil {
			t.Fatalf("a reader who takes what is sent: %v", err)
		}
	}
	s.idle = 50 * time.Millisecond
	if err := s.SendMsg(nil); !fault.Is(err, fault.Deadline) {
		t.Errorf("a reader who takes nothing: %v", err)
	}
}

// TestStreamEnds: a blocked stream ends with its caller, and with the server, which says that another may be asked; a call that takes longer than others may is no
// reason to end it.
func TestStreamEnds(t *testing.T) {
	stops := fault.New(fault.Unavailable, "STOPPING", "")
	for name, c := range map[string]struct {
		callerGone, draining bool
		want                 error
	}{
		"the caller goes away": {callerGone: true, want: context.Canceled},
		"the server stops":     {draining: true, want: stops},
		"neither":              {},
	} {
		reader := newSlowReader(t)
		draining, drainNow := context.WithCancel(context.Background())
		caller, leave := context.WithCancel(context.Background())
		rule := &call{rule: &Rule{Streams: true}}
		bounds := limits{fallback: time.Millisecond, most: time.Millisecond}
		err := drain{draining}.around(caller, rule, func(ctx context.Context) error {
			return bounds.around(ctx, rule, func(ctx context.Context) error {
				go func() {
					time.Sleep(20 * time.Millisecond)
					switch {
					case c.callerGone:
						leave()
					case c.draining:
						drainNow()
					default:
						reader.open <- struct{}{}
					}
				}()
				return ended(ctx, (&patientStream{ServerStream: reader, ctx: ctx, idle: time.Minute}).SendMsg(nil))
			})
		})
		var f *fault.Error
		switch {
		case c.want == nil && err != nil, c.callerGone && !errors.Is(err, context.Canceled), c.draining && (!errors.As(err, &f) || f.Reason != "STOPPING"):
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		leave()
		drainNow()
	}
}

// TestLongStream: the longest time of a stream is no time of its reader's.
func TestLongStream(t *testing.T) {
	err := aroundStream(t.Context(), func(ctx context.Context) error {
		if at, bounded := ctx.Deadline(); !bounded || time.Until(at) > streamMost || time.Until(at) < streamMost-time.Minute {
			t.Errorf("a stream ends at %v", at)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	ctx, cancel := context.WithTimeoutCause(context.Background(), time.Nanosecond, fault.New(fault.Deadline, "STREAM_TOO_LONG", ""))
	defer cancel()
	<-ctx.Done()
	var f *fault.Error
	if got := ended(ctx, ctx.Err()); !errors.As(got, &f) || f.Reason != "STREAM_TOO_LONG" {
		t.Errorf("a stream that lasted too long ends with %v", got)
	}
}
