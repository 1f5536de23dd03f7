package client

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// Outbox keeps sessions until the service has them, each under its id. What Put returned without an error must survive the end of the process.
// Folder is one.
type Outbox interface {
	// Put keeps a session; one of the same id is replaced.
	Put(id string, session []byte) error
	// Next are up to limit sessions that wait, in the order in which they were first put.
	Next(limit int) ([]Waiting, error)
	// Done forgets a session that is stored, if it is still the one of that content.
	Done(w Waiting) error
	// Refused takes a session out of the queue and keeps it aside with what was wrong with it.
	Refused(w Waiting, why []byte) error
}

// Waiting is a session in the outbox.
type Waiting struct {
	ID      string
	Session []byte
}

// Flushed is what became of the sessions that waited.
type Flushed struct {
	Stored, Already int
	// Refused were refused for good; they are kept aside.
	Refused []*ponderalv1.PushedSession
}

// Put keeps a session in the outbox. It is not sent before Flush.
func (c *Client) Put(s *ponderalv1.Session) error {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(s)
	if err != nil {
		return fmt.Errorf("client: keep session %s: %w", s.GetId(), err)
	}
	if err := c.o.Outbox.Put(s.GetId(), body); err != nil {
		return fmt.Errorf("client: keep session %s: %w", s.GetId(), err)
	}
	return nil
}

// Flush sends what waits, compressed and in batches, until nothing waits any more or ctx ends. It may be called again after any failure: what was
// stored already is answered as that. What it returns beside an error has happened.
func (c *Client) Flush(ctx context.Context) (Flushed, error) {
	var out Flushed
	for {
		waiting, err := c.o.Outbox.Next(c.o.Batch)
		if err != nil {
			return out, fmt.Errorf("client: read the outbox: %w", err)
		}
		if len(waiting) == 0 {
			return out, nil
		}
		later, err := c.send(ctx, waiting, &out)
		if err != nil {
			return out, fmt.Errorf("client: push: %w", err)
		}
		if later > 0 && !sleep(ctx, later) {
			return out, ctx.Err()
		}
	}
}

// send pushes one batch. later is how long to wait where some of it may be sent again.
func (c *Client) send(ctx context.Context, waiting []Waiting, out *Flushed) (later time.Duration, err error) {
	in := &ponderalv1.PushSessionsRequest{}
	for _, w := range waiting {
		s := &ponderalv1.Session{}
		if err := proto.Unmarshal(w.Session, s); err != nil {
			return 0, fmt.Errorf("session %s of the outbox cannot be read: %w", w.ID, err)
		}
		in.Sessions = append(in.Sessions, s)
	}
	var got *ponderalv1.PushSessionsResponse
	err = c.again(ctx, func(ctx context.Context) error {
		got, err = c.sync.PushSessions(ctx, in)
		return err
	})
	if err != nil {
		return 0, err
	}
	if len(got.GetSessions()) != len(waiting) {
		return 0, fmt.Errorf("%d answers to %d sessions", len(got.GetSessions()), len(waiting))
	}
	for i, answer := range got.GetSessions() {
		wait, err := c.settle(waiting[i], answer, out)
		if err != nil {
			return 0, err
		}
		later = max(later, wait)
	}
	return later, nil
}

// settle takes one session out of the outbox, unless it may be sent again, after the pause that it returns.
func (c *Client) settle(w Waiting, answer *ponderalv1.PushedSession, out *Flushed) (time.Duration, error) {
	if stored := answer.GetStored(); stored != nil {
		if stored.GetOutcome() == ponderalv1.PushSessionResponse_OUTCOME_ALREADY_STORED {
			out.Already++
		} else {
			out.Stored++
		}
		return 0, c.o.Outbox.Done(w)
	}
	refused := answer.GetRefused()
	if refused == nil {
		return 0, fmt.Errorf("session %s was not answered", w.ID)
	}
	if seconds := refused.GetRetryAfterSeconds(); seconds > 0 {
		return time.Duration(seconds) * time.Second, nil
	}
	why, err := proto.Marshal(answer)
	if err != nil {
		return 0, err
	}
	out.Refused = append(out.Refused, answer)
	return 0, c.o.Outbox.Refused(w, why)
}
