package limit

import (
	"context"
	"sync"
	"time"
)

// Source is where the buckets are: what it grants to one replica no other gets. Its contract is that of Bucket.Take. Safe for concurrent use.
type Source interface {
	TakeTokens(ctx context.Context, key [32]byte, want, capacity, calls int, span time.Duration) (granted, left int, wait time.Duration, err error)
}

// State is what a caller may know of a limit after a call.
type State struct {
	// Allowed: the call may go on.
	Allowed bool
	// Left is how many further calls would be let through now, as far as this replica knows.
	Left int
	// Reset is how long until the limit is whole again or, for a call that was refused, until another may be let through.
	Reset time.Duration
}

// Leases are one replica's leases under one policy. Safe for concurrent use.
type Leases struct {
	policy Policy
	source Source
	now    func() time.Time

	mu      sync.Mutex
	held    map[Key]*lease
	sweepAt int
}

// lease is what a replica holds for one key. It belongs to whoever has its turn.
type lease struct {
	turn chan struct{}
	// taken of the bucket at a moment, of which spent are gone.
	taken, spent int
	at           time.Time
	// left in the bucket when it was last asked; refused until then it need not be asked.
	left         int
	refused      time.Time
	refusedSince time.Time
	// used is when somebody last called; guarded by the mutex of Leases.
	used time.Time
}

// firstSweep is from how many keys on idle ones are let go.
const firstSweep = 4096

// NewLeases makes an empty set of leases.
func NewLeases(p Policy, source Source, now func() time.Time) *Leases {
	return &Leases{policy: p, source: source, now: now, held: map[Key]*lease{}, sweepAt: firstSweep}
}

// Policy is the limit.
func (ls *Leases) Policy() Policy { return ls.policy }

// Spend lets one call through, or not. It asks the source only where no lease is left to spend. An error is the source's, or that of the context;
// the call must not go on then.
func (ls *Leases) Spend(ctx context.Context, key Key) (State, error) {
	l := ls.lease(key)
	select {
	case l.turn <- struct{}{}:
	case <-ctx.Done():
		return State{}, ctx.Err()
	}
	defer func() { <-l.turn }()
	now := ls.now()
	if l.good(ls.policy, now) {
		l.spent++
		return ls.allowed(l), nil
	}
	if since := now.Sub(l.refusedSince); since >= 0 && now.Before(l.refused) {
		return State{Reset: l.refused.Sub(now)}, nil
	}
	want := l.want(ls.policy, now)
	granted, left, wait, err := ls.source.TakeTokens(ctx, key, want, ls.policy.Capacity(), ls.policy.Calls, ls.policy.Span)
	if err != nil {
		return State{}, err
	}
	// The lease lives from before it was asked for, so never longer than the source reckons.
	l.taken, l.spent, l.left, l.at = granted, 0, left, now
	if granted < 1 {
		l.refusedSince, l.refused = now, now.Add(wait)
		return State{Reset: wait}, nil
	}
	l.spent = 1
	return ls.allowed(l), nil
}

// Charge takes tokens away from a key at the source itself, as many of them as are there.
func (ls *Leases) Charge(ctx context.Context, key Key, tokens int) error {
	tokens = min(tokens, ls.policy.Capacity())
	_, _, _, err := ls.source.TakeTokens(ctx, key, tokens, ls.policy.Capacity(), ls.policy.Calls, ls.policy.Span)
	return err
}

func (ls *Leases) allowed(l *lease) State {
	left := l.left + l.taken - l.spent
	return State{Allowed: true, Left: left, Reset: ls.policy.refill(max(0, ls.policy.Capacity()-left))}
}

// lease is what is held for a key, and lets go of what nobody used for a span: it says nothing any more.
func (ls *Leases) lease(key Key) *lease {
	now := ls.now()
	ls.mu.Lock()
	defer ls.mu.Unlock()
	l := ls.held[key]
	if l == nil {
		if len(ls.held) >= ls.sweepAt {
			for k, old := range ls.held {
				if now.Sub(old.used) > ls.policy.Span {
					delete(ls.held, k)
				}
			}
			ls.sweepAt = max(firstSweep, 2*len(ls.held))
		}
		l = &lease{turn: make(chan struct{}, 1)}
		ls.held[key] = l
	}
	l.used = now
	return l
}

// good reports whether a token of the lease may be spent now. A clock that was set back ends the lease.
func (l *lease) good(p Policy, now time.Time) bool {
	age := now.Sub(l.at)
	return l.spent < l.taken && age >= 0 && age < p.Life()
}

// want is how many tokens to lease: twice the lease that was used up, or as many as were used of one that was not. So a replica loses at
// most about as many tokens as its callers use, and those who call seldom are not refused because many replicas hold leases for them.
func (l *lease) want(p Policy, now time.Time) int {
	age := now.Sub(l.at)
	if age < 0 || age > p.Span || l.taken == 0 {
		return 1
	}
	if l.spent == l.taken {
		return min(2*l.taken, p.Lease())
	}
	return max(1, l.spent)
}
