package casework

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"

	"ponderal.example/internal/fault"
)

const (
	// groupPushes and groupTrials bound a group, and so how long a clinic's log is held for it.
	groupPushes = 32
	groupTrials = 4096
)

// pushAnswer is what one member of a group is told.
type pushAnswer struct {
	pushed Pushed
	err    error
}

// gate stores the pushes of a clinic one group at a time. A push that finds nothing in flight is stored at once, alone; those that arrive
// meanwhile wait and are stored together by the first of them, in one transaction. The waiting calls do the work, so that nothing runs
// when there are none. The zero gate is open. Safe for concurrent use.
type gate struct {
	mu    sync.Mutex
	lanes map[string]*lane // by clinic, while a push of it is in flight
}

// lane is one clinic's queue, in the order of arrival.
type lane struct{ waiting []*waiter }

// waiter is a call that waits for its answer or for its turn to lead.
type waiter struct {
	ctx  context.Context
	in   *pushing
	told chan pushAnswer // holds the answer; never blocks its sender
	lead chan struct{}   // closed when it is this call's turn to lead
}

// storeFunc stores a group and answers each member in its place, or fails as a whole with nothing stored.
type storeFunc func(ctx context.Context, group []*pushing) ([]pushAnswer, error)

// do stores in and returns its answer. A caller that leaves while its push is being stored does not learn the outcome, as with any other
// call; the push of a caller that leaves before is not stored.
func (g *gate) do(ctx context.Context, in *pushing, store storeFunc) (Pushed, error) {
	w := &waiter{ctx: ctx, in: in, told: make(chan pushAnswer, 1), lead: make(chan struct{})}
	g.join(w)
	select {
	case a := <-w.told:
		return a.pushed, a.err
	case <-ctx.Done():
		return g.leave(w)
	case <-w.lead:
	}
	group := g.take(w)
	defer g.pass(in.session.ClinicID)
	defer tell(group, pushAnswer{err: fault.New(fault.Internal, "GROUP_LOST", "an internal error; nothing was stored")})
	storeGroup(group, store)
	a := <-w.told
	return a.pushed, a.err
}

// join queues the call; the first of a clinic leads at once.
func (g *gate) join(w *waiter) {
	g.mu.Lock()
	defer g.mu.Unlock()
	clinic := w.in.session.ClinicID
	l := g.lanes[clinic]
	if l == nil {
		l = &lane{}
		if g.lanes == nil {
			g.lanes = make(map[string]*lane)
		}
		g.lanes[clinic] = l
		close(w.lead)
	}
	l.waiting = append(l.waiting, w)
}

// take removes the leader and those who fit its group from the queue. Of two pushes of one session the later one waits, because its answer
// depends on the first's.
func (g *gate) take(leader *waiter) []*waiter {
	g.mu.Lock()
	defer g.mu.Unlock()
	l := g.lanes[leader.in.session.ClinicID]
	group, trials := []*waiter{leader}, len(leader.in.trials)
	seen := map[string]bool{leader.in.session.ID: true}
	l.waiting = slices.DeleteFunc(l.waiting, func(w *waiter) bool {
		if w == leader {
			return true
		}
		id := w.in.session.ID
		if seen[id] || len(group) == groupPushes || trials+len(w.in.trials) > groupTrials || w.ctx.Err() != nil {
			return false
		}
		seen[id], trials = true, trials+len(w.in.trials)
		group = append(group, w)
		return true
	})
	return group
}

// pass hands the clinic to the first who waits, or opens it.
func (g *gate) pass(clinic string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	l := g.lanes[clinic]
	if len(l.waiting) == 0 {
		delete(g.lanes, clinic)
		return
	}
	close(l.waiting[0].lead)
}

// leave takes a call whose context has ended out of the queue. If its turn to lead had come, the turn goes to the next.
func (g *gate) leave(w *waiter) (Pushed, error) {
	g.mu.Lock()
	clinic := w.in.session.ClinicID
	if l := g.lanes[clinic]; l != nil {
		l.waiting = slices.DeleteFunc(l.waiting, func(other *waiter) bool { return other == w })
	}
	g.mu.Unlock()
	select {
	case <-w.lead:
		g.pass(clinic)
	case a := <-w.told:
		return a.pushed, a.err
	default:
	}
	if err := w.ctx.Err(); errors.Is(err, context.DeadlineExceeded) {
		return Pushed{}, fault.Wrap(fault.Deadline, "DEADLINE", "the time allowed ran out; a repetition is safe", err)
	}
	return Pushed{}, fault.Wrap(fault.Canceled, "CANCELED", "the call was canceled", w.ctx.Err())
}

// tell answers those who have no answer yet.
func tell(group []*waiter, a pushAnswer) {
	for _, w := range group {
		select {
		case w.told <- a:
		default:
		}
	}
}

// storeGroup stores a group and answers its members. When it fails for a reason that may be one member's, each is stored by itself, so that
// none fails for another.
func storeGroup(group []*waiter, store storeFunc) {
	answers, err := storeTogether(group, store)
	switch {
	case err == nil:
		for i, w := range group {
			w.told <- answers[i]
		}
	case len(group) == 1 || ofAll(err):
		tell(group, pushAnswer{err: err})
	default:
		for i := range group {
			storeGroup(group[i:i+1], store)
		}
	}
}

// ofAll reports whether an error has nothing to do with what was to be stored.
func ofAll(err error) bool {
	for _, k := range []fault.Kind{fault.Unavailable, fault.Overloaded, fault.Deadline, fault.Canceled} {
		if fault.Is(err, k) {
			return true
		}
	}
	return false
}

// storeTogether runs store with a context that ends when the last member's has: no caller's leaving harms another.
func storeTogether(group []*waiter, store storeFunc) ([]pushAnswer, error) {
	ins := make([]*pushing, len(group))
	for i, w := range group {
		ins[i] = w.in
	}
	if len(group) == 1 {
		return store(group[0].ctx, ins)
	}
	ctx, cancel := context.WithCancelCause(context.WithoutCancel(group[0].ctx))
	defer cancel(nil)
	var left atomic.Int64
	left.Store(int64(len(group)))
	for _, w := range group {
		stop := context.AfterFunc(w.ctx, func() {
			if left.Add(-1) == 0 {
				cancel(w.ctx.Err())
			}
		})
		defer stop()
	}
	return store(ctx, ins)
}
