package store

import (
	"context"
	"fmt"
	"sync"
)

// turns bounds how many connections the writing transactions of one clinic hold at once. They wait for each other at the head of the clinic's log, so
// that more would gain nothing; but where that head is held up, they would keep every connection from reads and from other clinics. Safe for
// concurrent use.
type turns struct {
	most int
	mu   sync.Mutex
	of   map[string]*turn // by clinic, while anyone has one or waits
}

// turn is one clinic's: taken holds a token for each connection, and users counts who has one or waits.
type turn struct {
	taken chan struct{}
	users int
}

// newTurns leaves half of a pool to others.
func newTurns(conns int32) *turns {
	return &turns{most: max(1, int(conns)/2), of: map[string]*turn{}}
}

// take waits for a turn of the clinic, no longer than acquireLimit; done gives it back.
func (t *turns) take(ctx context.Context, clinic string) (done func(), err error) {
	one := t.join(clinic)
	limited, cancel := context.WithTimeout(ctx, acquireLimit)
	defer cancel()
	select {
	case one.taken <- struct{}{}:
		return func() { <-one.taken; t.leave(clinic) }, nil
	case <-limited.Done():
		t.leave(clinic)
	}
	if ctx.Err() != nil {
		return nil, translate("wait for a turn", ctx.Err())
	}
	return nil, busy.wrap(fmt.Errorf("wait for a turn: %w", limited.Err()))
}

func (t *turns) join(clinic string) *turn {
	t.mu.Lock()
	defer t.mu.Unlock()
	one := t.of[clinic]
	if one == nil {
		one = &turn{taken: make(chan struct{}, t.most)}
		t.of[clinic] = one
	}
	one.users++
	return one
}

func (t *turns) leave(clinic string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	one := t.of[clinic]
	if one.users--; one.users == 0 {
		delete(t.of, clinic)
	}
}
