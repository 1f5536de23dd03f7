package auditcheck

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"
)

// counted is a scan of that many numbers, which then fails with err; read counts what it gave.
func counted(count int, read *atomic.Int64, err error) func(func(int) error) error {
	return func(fn func(int) error) error {
		for n := range count {
			read.Add(1)
			if err := fn(n); err != nil {
				return err
			}
		}
		return err
	}
}

// TestPulled: two scans read ahead by one goroutine each give all of their rows in order, then why they ended; a table is read ahead by two
// chunks at most.
func TestPulled(t *testing.T) {
	t.Parallel()
	broken := errors.New("connection lost")
	r := newReader()
	var one, two atomic.Int64
	next, stop, failed := pulled(r, counted(5*chunkRows+1, &one, nil))
	other, stopOther, otherFailed := pulled(r, counted(2*chunkRows, &two, broken))
	for n := range 5*chunkRows + 1 {
		if v, ok := next(); !ok || v != n {
			t.Fatalf("row %d is %d, %t", n, v, ok)
		}
		if ahead := one.Load() - int64(n); ahead > 2*chunkRows {
			t.Fatalf("at row %d %d were read ahead", n, ahead)
		}
		if n < 2*chunkRows {
			if v, ok := other(); !ok || v != n || *otherFailed != nil {
				t.Fatalf("row %d of the other is %d, %t, %v", n, v, ok, *otherFailed)
			}
		}
	}
	for range 2 {
		if _, ok := next(); ok || *failed != nil {
			t.Errorf("after the last row: %t, %v", ok, *failed)
		}
		if _, ok := other(); ok || !errors.Is(*otherFailed, broken) {
			t.Errorf("after the last row of the other: %t, %v", ok, *otherFailed)
		}
	}
	r.stop()
	stop()
	stopOther()
}

// TestPulledLeft: a scan that nobody asks any more is ended, and nothing runs on.
func TestPulledLeft(t *testing.T) {
	t.Parallel()
	var read atomic.Int64
	var ended error
	r := newReader()
	next, stop, failed := pulled(r, func(fn func(int) error) error {
		ended = counted(100*chunkRows, &read, nil)(fn)
		return ended
	})
	next()
	r.stop()
	stop()
	if !errors.Is(ended, errStopped) || *failed != nil || read.Load() > 3*chunkRows {
		t.Errorf("ended with %v after %d rows, told %v", ended, read.Load(), *failed)
	}
}

// TestCheckCutShort: a check whose context ends answers so at once, whatever is being read ahead, and leaves the connection usable.
func TestCheckCutShort(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for range 5 {
		ctx, cancel := context.WithCancel(w.ctx)
		begin := time.Now()
		_, err := Run(ctx, Options{Store: w.store, Ring: w.ring, LogName: logName, Progress: func(p Progress) {
			if p.Log == 2 {
				cancel()
			}
		}})
		cancel()
		if !errors.Is(err, context.Canceled) || time.Since(begin) > 5*time.Second {
			t.Errorf("got %v after %v", err, time.Since(begin))
		}
	}
	w.clean()
}
