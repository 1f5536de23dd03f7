package limit

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"
)

// world is the shared bucket and a clock, in memory.
type world struct {
	mu      sync.Mutex
	at      time.Time
	buckets map[Key]*Bucket
	asked   int
	fail    error
	wait    chan struct{}
}

func newWorld() *world { return &world{at: start, buckets: map[Key]*Bucket{}} }

func (w *world) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.at
}

func (w *world) move(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.at = w.at.Add(d)
}

func (w *world) TakeTokens(ctx context.Context, key [32]byte, want, capacity, calls int, span time.Duration) (granted, left int, wait time.Duration, err error) {
	if w.wait != nil {
		select {
		case <-w.wait:
		case <-ctx.Done():
			return 0, 0, 0, ctx.Err()
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.asked++; w.fail != nil {
		return 0, 0, 0, w.fail
	}
	p := Policy{Calls: calls, Span: span}
	if want > capacity || capacity != p.Capacity() {
		return 0, 0, 0, fmt.Errorf("want %d of a bucket of %d", want, capacity)
	}
	if w.buckets[key] == nil {
		w.buckets[key] = &Bucket{}
	}
	granted, left, wait = w.buckets[key].Take(p, w.at, want)
	return granted, left, wait, nil
}

// spend makes one call and reports whether it was let through.
func spend(t *testing.T, ls *Leases, key Key) State {
	t.Helper()
	s, err := ls.Spend(context.Background(), key)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var caller = KeyOf("test", "caller")

// TestReplicasTogetherKeepTheLimit: whatever calls come at whatever replica, in no span of time are more let through than one bucket in one place would
// let through: Calls, and what is refilled in that span. And what is let through is not much less than what the limit allows.
func TestReplicasTogetherKeepTheLimit(t *testing.T) {
	for seed := range uint64(24) {
		random := rand.New(rand.NewPCG(seed, 7))
		p := Policy{Name: "test", Calls: []int{1, 3, 19, 20, 60, 997}[random.IntN(6)], Span: time.Minute}
		w := newWorld()
		replicas := make([]*Leases, 1+random.IntN(8))
		for i := range replicas {
			replicas[i] = NewLeases(p, w, w.now)
		}
		var passed []time.Time
		for w.now().Before(start.Add(3 * time.Minute)) {
			// Bursts at some replicas, then a pause.
			for range random.IntN(2 + 2*p.Calls/len(replicas)) {
				if spend(t, replicas[random.IntN(len(replicas))], caller).Allowed {
					passed = append(passed, w.now())
				}
			}
			w.move(time.Duration(random.Int64N(int64(9 * time.Second))).Truncate(time.Microsecond))
		}
		for i, from := range passed {
			for j := i; j < len(passed); j++ {
				// The units of both sides are calls times microseconds, so that nothing is rounded.
				span := passed[j].Sub(from).Microseconds()
				if int64(j-i+1-p.Calls)*p.Span.Microseconds() > int64(p.Calls)*span {
					t.Fatalf("seed %d: %d replicas, %d a minute: %d calls within %v", seed, len(replicas), p.Calls, j-i+1, passed[j].Sub(from))
				}
			}
		}
		if len(passed) < p.Calls {
			t.Errorf("seed %d: %d replicas let %d calls through in three minutes, with %d a minute", seed, len(replicas), len(passed), p.Calls)
		}
	}
}

// TestWhoCallsSeldomIsNotRefused: leases that are lost on many replicas do not use up the limit of a caller who stays well below it.
func TestWhoCallsSeldomIsNotRefused(t *testing.T) {
	w := newWorld()
	p := Policy{Name: "test", Calls: 600, Span: time.Minute}
	var replicas []*Leases
	for range 20 {
		replicas = append(replicas, NewLeases(p, w, w.now))
	}
	random := rand.New(rand.NewPCG(1, 1))
	// First a minute at the limit, then an hour at a third of it.
	for range 600 {
		spend(t, replicas[random.IntN(20)], caller)
	}
	w.move(time.Minute)
	for range 60 * 200 {
		w.move(300 * time.Millisecond)
		if !spend(t, replicas[random.IntN(20)], caller).Allowed {
			t.Fatal("refused at a third of the limit")
		}
	}
}

// TestLeasesSpareTheStore: a busy caller's calls ask the shared bucket a few times a minute.
func TestLeasesSpareTheStore(t *testing.T) {
	w := newWorld()
	ls := NewLeases(Policy{Name: "test", Calls: 6000, Span: time.Minute}, w, w.now)
	for range 3000 {
		w.move(20 * time.Millisecond)
		if !spend(t, ls, caller).Allowed {
			t.Fatal("refused at half the limit")
		}
	}
	if w.asked > 25 {
		t.Errorf("asked %d times for 3000 calls in a minute", w.asked)
	}
}

// TestLeaseEnds: a lease is spent until just before its life ends, and asked for anew when it ends; a clock set back ends it too.
func TestLeaseEnds(t *testing.T) {
	w := newWorld()
	ls := NewLeases(Policy{Name: "test", Calls: 100, Span: time.Minute}, w, w.now)
	asks := func(d time.Duration, want int) {
		t.Helper()
		w.move(d)
		before := w.asked
		if !spend(t, ls, caller).Allowed {
			t.Fatal("refused")
		}
		if got := w.asked - before; got != want {
			t.Errorf("%v later: asked %d times, want %d", d, got, want)
		}
	}
	asks(0, 1)                               // 1, spent
	asks(0, 1)                               // 2
	asks(0, 0)                               //
	asks(0, 1)                               // 4
	asks(6*time.Second-time.Nanosecond, 0)   // just within
	asks(time.Nanosecond, 1)                 // ended, with two lost; two were used, so two
	asks(0, 0)                               //
	asks(0, 1)                               // 4
	asks(-time.Nanosecond, 1)                // set back: one
	asks(2*time.Nanosecond, 1)               // 2
	asks(time.Minute+time.Nanosecond, 1)     // long ago: one
	asks(6*time.Second-2*time.Nanosecond, 1) // 2
	asks(time.Nanosecond, 0)                 //
	asks(6*time.Second, 1)                   //
}

// TestRefusedIsNotAskedAgain: until there can be a token again, the shared bucket is left in peace; then it is asked.
func TestRefusedIsNotAskedAgain(t *testing.T) {
	w := newWorld()
	ls := NewLeases(Policy{Name: "test", Calls: 6, Span: time.Minute}, w, w.now)
	for i := range 6 {
		if s := spend(t, ls, caller); !s.Allowed || s.Left != 5-i || s.Reset != time.Duration(i+1)*10*time.Second {
			t.Errorf("call %d: %+v", i+1, s)
		}
	}
	for range 3 {
		if s := spend(t, ls, caller); s.Allowed || s.Reset != 10*time.Second || s.Left != 0 {
			t.Errorf("%+v", s)
		}
	}
	w.move(10*time.Second - time.Microsecond)
	if s := spend(t, ls, caller); s.Allowed || s.Reset != time.Microsecond {
		t.Errorf("a moment early: %+v", s)
	}
	if w.asked != 7 {
		t.Errorf("asked %d times, want 7", w.asked)
	}
	w.move(time.Microsecond)
	if s := spend(t, ls, caller); !s.Allowed {
		t.Errorf("in time: %+v", s)
	}
	if s := spend(t, ls, KeyOf("test", "another")); !s.Allowed {
		t.Error("another caller is refused")
	}
}

// TestChargeCounts: what is charged is gone, also beyond what there is.
func TestChargeCounts(t *testing.T) {
	w := newWorld()
	ls := NewLeases(Policy{Name: "test", Calls: 12, Span: time.Minute}, w, w.now)
	spend(t, ls, caller)
	if err := ls.Charge(context.Background(), caller, 10); err != nil {
		t.Fatal(err)
	}
	if s := spend(t, ls, caller); !s.Allowed || s.Left != 0 {
		t.Errorf("the last: %+v", s)
	}
	if s := spend(t, ls, caller); s.Allowed {
		t.Errorf("one more: %+v", s)
	}
	if err := ls.Charge(context.Background(), KeyOf("test", "new"), 1000); err != nil {
		t.Error(err)
	}
}

// TestNothingPassesWithoutAnAnswer: where the shared bucket cannot be asked, no call is let through; a caller who goes away while others
// ask is let go.
func TestNothingPassesWithoutAnAnswer(t *testing.T) {
	w := newWorld()
	w.fail = errors.New("down")
	ls := NewLeases(Policy{Name: "test", Calls: 100, Span: time.Minute}, w, w.now)
	if s, err := ls.Spend(context.Background(), caller); !errors.Is(err, w.fail) || s.Allowed {
		t.Errorf("%+v, %v", s, err)
	}
	if err := ls.Charge(context.Background(), caller, 1); !errors.Is(err, w.fail) {
		t.Error(err)
	}
	w.fail, w.wait = nil, make(chan struct{})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	for range 2 {
		go func() {
			_, err := ls.Spend(ctx, caller)
			done <- err
		}()
	}
	cancel()
	for range 2 {
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	}
	close(w.wait)
	if s := spend(t, ls, caller); !s.Allowed {
		t.Errorf("afterwards: %+v", s)
	}
}

// TestIdleKeysAreLetGo: what is held does not grow with every address that ever called.
func TestIdleKeysAreLetGo(t *testing.T) {
	w := newWorld()
	ls := NewLeases(Policy{Name: "test", Calls: 100, Span: time.Minute}, w, w.now)
	for i := range 3 * firstSweep {
		w.move(time.Second)
		spend(t, ls, KeyOf("test", fmt.Sprint(i)))
	}
	if n := len(ls.held); n > firstSweep+1 {
		t.Errorf("%d keys are held", n)
	}
}

// BenchmarkSpend is what the limit costs a call that needs not ask.
func BenchmarkSpend(b *testing.B) {
	w := newWorld()
	ls := NewLeases(Policy{Name: "test", Calls: 1_000_000_000, Span: time.Hour}, w, w.now)
	for b.Loop() {
		if s, err := ls.Spend(b.Context(), KeyOf("principal", "member 0190a8c4-0000-7000-8000-0000000000c1")); err != nil || !s.Allowed {
			b.Fatal(s, err)
		}
	}
}
