package store

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ponderal.example/internal/pgtest"
)

// tried10 are the usual limits: 10 attempts, then a minute, two, four, at most an hour.
var tried10 = AttemptLimits{Most: 10, Wide: 100, Window: 15 * time.Minute, First: time.Minute, Longest: time.Hour}

// attempts are those of one login at one address.
type attempts struct {
	t      *testing.T
	limits *Limits
	keys   AttemptKeys
	by     AttemptLimits
}

func attemptsAt(t *testing.T, l *Limits, login, address string) attempts {
	return attempts{t, l, AttemptKeys{Pair: key(login + " at " + address), Login: key(login), Address: key(address)}, tried10}
}

// wait is how long an attempt is refused; 0 when it was let begin.
func (a attempts) wait() time.Duration {
	a.t.Helper()
	wait, err := a.limits.BeginAttempt(a.t.Context(), a.keys, a.by)
	if err != nil {
		a.t.Fatal(err)
	}
	return wait
}

// end ends an attempt and says whether that made a lock known.
func (a attempts) end(succeeded bool) bool {
	a.t.Helper()
	locked, err := a.limits.EndAttempt(a.t.Context(), a.keys, a.by, succeeded)
	if err != nil {
		a.t.Fatal(err)
	}
	return locked
}

// fail makes n failed attempts, of which none may bring a lock.
func (a attempts) fail(n int) {
	a.t.Helper()
	for i := range n {
		if wait := a.wait(); wait != 0 {
			a.t.Fatalf("attempt %d of %d must wait %v", i+1, n, wait)
		}
		if a.end(false) {
			a.t.Fatalf("attempt %d of %d locks", i+1, n)
		}
	}
}

func TestLockout(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	clock := &handed{at: now}
	// Two replicas, which take turns.
	here, there := attemptsAt(t, open(t, db).Limits(clock.now), "dana", "192.0.2.7"), attemptsAt(t, open(t, db).Limits(clock.now), "dana", "192.0.2.7")
	here.fail(4)
	there.fail(5)
	if wait := there.wait(); wait != 0 {
		t.Fatalf("attempt 10 must wait %v", wait)
	}
	if !here.end(false) {
		t.Error("the 10th failure locks nothing")
	}
	if there.end(false) {
		t.Error("a lock is made known twice")
	}
	if wait := here.wait(); wait != time.Minute {
		t.Errorf("after the 10th failure: wait %v", wait)
	}
	// Twice as long each time, at most an hour, on both replicas; a moment before the end still, at the end no more.
	for _, want := range []time.Duration{1, 2, 4, 8, 16, 32, 60, 60} {
		want *= time.Minute
		clock.move(want - time.Microsecond)
		if wait := there.wait(); wait != time.Microsecond {
			t.Fatalf("a moment before the end of %v: wait %v", want, wait)
		}
		clock.move(time.Microsecond)
		if wait := here.wait(); wait != 0 {
			t.Fatalf("at the end of %v: wait %v", want, wait)
		}
		if !there.end(false) {
			t.Errorf("after %v the next failure locks nothing", want)
		}
	}
	// The same login from elsewhere, and another login from here, are not locked.
	attemptsAt(t, here.limits, "dana", "198.51.100.1").fail(9)
	attemptsAt(t, here.limits, "robin", "192.0.2.7").fail(9)
	// A clock set back ends no lock.
	clock.move(-24 * time.Hour)
	if wait := here.wait(); wait < time.Hour {
		t.Errorf("a clock set back: wait %v", wait)
	}
	clock.move(24 * time.Hour)
	// An hour, and a window, later everything is forgotten.
	clock.move(time.Hour + 15*time.Minute)
	here.fail(9)
}

func TestSuccessForgets(t *testing.T) {
	t.Parallel()
	clock := &handed{at: now}
	l := open(t, pgtest.New(t)).Limits(clock.now)
	a := attemptsAt(t, l, "dana", "192.0.2.7")
	a.fail(9)
	if wait := a.wait(); wait != 0 || a.end(true) {
		t.Fatalf("the 10th attempt: wait %v", wait)
	}
	a.fail(9)
	// Within the window they stay, just after it they do not.
	clock.move(15*time.Minute - time.Microsecond)
	if wait := a.wait(); wait != 0 || !a.end(false) {
		t.Errorf("the 10th failure just within the window: wait %v, or no lock", wait)
	}
	b := attemptsAt(t, l, "robin", "192.0.2.8")
	b.fail(9)
	clock.move(15 * time.Minute)
	b.fail(9)
}

// TestWideLimits: a login from everywhere and an address for every login have ten times as much; what succeeds takes nothing of it.
func TestWideLimits(t *testing.T) {
	t.Parallel()
	for name, at := range map[string]func(l *Limits, i int) attempts{
		"a login from everywhere": func(l *Limits, i int) attempts { return attemptsAt(t, l, "dana", fmt.Sprint("192.0.2.", i)) },
		"an address":              func(l *Limits, i int) attempts { return attemptsAt(t, l, fmt.Sprint("login", i), "192.0.2.7") },
	} {
		clock := &handed{at: now}
		l := open(t, pgtest.New(t)).Limits(clock.now)
		for i := range 120 {
			if a := at(l, i); a.wait() != 0 || a.end(true) {
				t.Fatalf("%s: success %d is refused", name, i)
			}
		}
		for i := range 100 {
			at(l, i/9).fail(1)
		}
		// 100 in 15 minutes are one in 9 seconds.
		if wait := at(l, 200).wait(); wait != 9*time.Second {
			t.Errorf("%s: failure 101 must wait %v, want 9s", name, wait)
		}
		clock.move(9*time.Second - time.Microsecond)
		if wait := at(l, 200).wait(); wait != time.Microsecond {
			t.Errorf("%s: a moment early: wait %v", name, wait)
		}
		clock.move(time.Microsecond)
		at(l, 200).fail(1)
		// What was refused counted nowhere: the same pair has nine left.
		clock.move(15 * time.Minute)
		at(l, 200).fail(9)
	}
}

// TestAttemptsAtOnce: of many attempts made at the same time on two replicas, before any outcome is known, no more than the limit begin.
func TestAttemptsAtOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	clock := &handed{at: now}
	two := []attempts{attemptsAt(t, open(t, db).Limits(clock.now), "dana", "192.0.2.7"), attemptsAt(t, open(t, db).Limits(clock.now), "dana", "192.0.2.7")}
	var begun atomic.Int64
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			wait, err := two[i%2].limits.BeginAttempt(t.Context(), two[i%2].keys, tried10)
			if err != nil {
				t.Error(err)
			} else if wait == 0 {
				begun.Add(1)
			}
		})
	}
	all.Wait()
	if begun.Load() != 10 {
		t.Errorf("%d begun, want 10", begun.Load())
	}
}

func TestAttemptsOfNothingAreRefused(t *testing.T) {
	t.Parallel()
	a := attemptsAt(t, open(t, pgtest.New(t)).Limits(nil), "dana", "192.0.2.7")
	for _, by := range []AttemptLimits{{}, {Most: 2, Wide: 1, Window: 1, First: 1, Longest: 1}} {
		if _, err := a.limits.BeginAttempt(t.Context(), a.keys, by); err == nil {
			t.Errorf("%+v is taken", by)
		}
	}
}
