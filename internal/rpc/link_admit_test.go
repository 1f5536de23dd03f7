package rpc

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/fault"
)

// hall is an admission whose calls end when released.
type hall struct {
	*admission
	release chan struct{}
	at      atomic.Int64
	all     sync.WaitGroup
}

func newHall(t *testing.T, inFlight int, patience time.Duration) *hall {
	t.Helper()
	a, err := newAdmission(inFlight, prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	a.patience = patience
	return &hall{admission: a, release: make(chan struct{})}
}

func (h *hall) ask(ctx context.Context, rule *Rule) error {
	return h.around(ctx, &call{rule: rule}, func(context.Context) error {
		h.at.Add(1)
		<-h.release
		return nil
	})
}

// come has n further calls come and returns when so many are at work and so many wait.
func (h *hall) come(t *testing.T, n, working, waiting int) {
	t.Helper()
	for range n {
		h.all.Go(func() {
			if err := h.ask(t.Context(), &Rule{}); err != nil {
				t.Errorf("a call that was to be admitted: %v", err)
			}
		})
	}
	for deadline := time.Now().Add(10 * time.Second); h.at.Load() != int64(working) || h.waiting.Load() != int64(waiting); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d at work and %d waiting, want %d and %d", h.at.Load(), h.waiting.Load(), working, waiting)
		}
	}
}

// TestShortQueue: as many wait as there are slots; the next one is sent away, each at another time; those who wait get their turn.
func TestShortQueue(t *testing.T) {
	h := newHall(t, 3, time.Minute)
	h.come(t, 3, 3, 0)
	h.come(t, 3, 3, 3)
	seen := map[time.Duration]bool{}
	for range admitSpread {
		err := h.ask(t.Context(), &Rule{})
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Overloaded {
			t.Fatalf("one beyond the queue: %v, want to be sent away", err)
		}
		seen[f.RetryAfter] = true
	}
	if len(seen) != admitSpread {
		t.Errorf("all are told to come back at once: %v", seen)
	}
	close(h.release)
	h.all.Wait()
	if h.at.Load() != 6 || len(h.slots) != 0 || h.waiting.Load() != 0 {
		t.Errorf("%d got through, %d slots are taken, %d wait, want 6, 0 and 0", h.at.Load(), len(h.slots), h.waiting.Load())
	}
}

// TestPatienceEnds: who waits is told when the patience or the caller's time is up.
func TestPatienceEnds(t *testing.T) {
	h := newHall(t, 1, 20*time.Millisecond)
	h.come(t, 1, 1, 0)
	if err := h.ask(t.Context(), &Rule{}); !fault.Is(err, fault.Overloaded) {
		t.Errorf("after the patience: %v, want to be sent away", err)
	}
	h.patience = time.Minute
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := h.ask(ctx, &Rule{}); !fault.Is(err, fault.Overloaded) {
		t.Errorf("after the caller's time: %v, want to be sent away", err)
	}
	close(h.release)
	h.all.Wait()
}

// TestNotAdmittedByCount: health and streams pass a full server; neither takes a slot.
func TestNotAdmittedByCount(t *testing.T) {
	h := newHall(t, 1, time.Minute)
	h.come(t, 1, 1, 0)
	for name, rule := range map[string]*Rule{"health": {Open: true}, "stream": {Streams: true}} {
		passed := false
		err := h.around(t.Context(), &call{rule: rule}, func(context.Context) error { passed = true; return nil })
		if err != nil || !passed {
			t.Errorf("%s: %v, want to pass", name, err)
		}
	}
	close(h.release)
	h.all.Wait()
}
