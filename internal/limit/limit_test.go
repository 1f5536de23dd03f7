package limit

import (
	"testing"
	"time"
)

var start = time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)

func TestPolicy(t *testing.T) {
	for calls, want := range map[int]struct {
		lease, capacity int
		life            time.Duration
	}{
		1: {1, 1, 0}, 2: {1, 2, 0}, 19: {1, 19, 0}, 20: {2, 18, 6 * time.Second}, 25: {2, 22, 6 * time.Second}, 6000: {600, 5400, 6 * time.Second},
	} {
		p := Policy{Calls: calls, Span: time.Minute}
		if p.Lease() != want.lease || p.Capacity() != want.capacity || p.Life() != want.life {
			t.Errorf("%d a minute: lease %d, capacity %d, life %v", calls, p.Lease(), p.Capacity(), p.Life())
		}
		if p.Lease() > p.Capacity() {
			t.Errorf("%d a minute: a lease is more than the bucket", calls)
		}
	}
}

// TestBucketRefills: 7 a minute are one in 8,571,428.57 microseconds, so that nothing may be lost in rounding.
func TestBucketRefills(t *testing.T) {
	p, b, at := Policy{Calls: 7, Span: time.Minute}, Bucket{}, start
	take := func(d time.Duration, want, granted, left int, wait time.Duration) {
		t.Helper()
		at = at.Add(d)
		if g, l, w := b.Take(p, at, want); g != granted || l != left || w != wait {
			t.Errorf("at %v: granted %d, left %d, wait %v; want %d, %d, %v", at.Sub(start), g, l, w, granted, left, wait)
		}
	}
	const one = 8_571_429 * time.Microsecond
	take(0, 5, 5, 2, 0)
	take(0, 5, 2, 0, 0)
	take(0, 1, 0, 0, one)
	take(one-time.Microsecond, 1, 0, 0, time.Microsecond)
	take(time.Microsecond, 1, 1, 0, 0)
	// A clock that was set back hands out nothing, and neither does its way to where it was.
	take(-time.Hour, 1, 0, 0, one)
	take(time.Hour, 1, 0, 0, one)
	// Seven spans later there are seven, not forty-nine.
	take(7*time.Minute, 7, 7, 0, 0)
	take(0, 1, 0, 0, one)
	take(0, -2, -2, 2, 0)
	take(0, -100, -100, 7, 0)
	take(0, 100, 7, 0, 0)
	// A whole minute in steps of a microsecond less than a third gives what a minute gives, up to what is not whole yet.
	for range 3 {
		take(20*time.Second, 0, 0, b.peek(p, at.Add(20*time.Second)), 0)
	}
	take(0, 8, 7, 0, 0)
}

// peek is how many tokens there would be.
func (b Bucket) peek(p Policy, at time.Time) int {
	_, left, _ := b.Take(p, at, 0)
	return left
}

func TestKeys(t *testing.T) {
	again := KeyOf("a", "b")
	if KeyOf("a", "bc") == KeyOf("ab", "c") || KeyOf("a", "b") != again {
		t.Error("a key does not tell uses and names apart")
	}
}
