package load

import (
	"context"
	"errors"
	"testing"
	"time"
)

func TestPercentileIsNearestRank(t *testing.T) {
	var tm timing
	for ms := 100; ms >= 1; ms-- {
		tm.each = append(tm.each, time.Duration(ms)*time.Millisecond)
	}
	for p, want := range map[int]float64{50: 50, 95: 95, 99: 99, 100: 100, 0: 1} {
		if got := tm.percentile(p); got != want {
			t.Errorf("percentile %d: got %v, want %v", p, got, want)
		}
	}
}

func TestInParallelDoesEachJobOnceAndStopsAtTheFirstError(t *testing.T) {
	seen := make([]int32, 200)
	got, err := inParallel(t.Context(), time.Now, 8, len(seen), func(_ context.Context, _, i int) error {
		seen[i]++
		return nil
	})
	if err != nil || got.count() != len(seen) {
		t.Fatalf("got %d jobs, error %v; want %d, none", got.count(), err, len(seen))
	}
	for i, n := range seen {
		if n != 1 {
			t.Fatalf("job %d ran %d times, want once", i, n)
		}
	}
	broken := errors.New("broken")
	_, err = inParallel(t.Context(), time.Now, 4, 1000, func(_ context.Context, _, i int) error {
		if i == 10 {
			return broken
		}
		return nil
	})
	if !errors.Is(err, broken) {
		t.Errorf("got %v, want the job's own error", err)
	}
}

func TestPartsAddUp(t *testing.T) {
	for _, count := range []int{0, 1, 8, 9, 10, 400} {
		sum := 0
		for part := range slicesPerRow {
			sum += partOf(count, part, slicesPerRow)
		}
		if sum != count {
			t.Errorf("%d in %d parts: got %d", count, slicesPerRow, sum)
		}
	}
}

func TestSeedIsAFewSessions(t *testing.T) {
	for trials, want := range map[int]int{1: 20, 50_000: 100, 14_400: 30, 10_000_000: 100} {
		if got := seedSessions(trials); got != want {
			t.Errorf("%d trials: got %d sessions, want %d", trials, got, want)
		}
	}
}

// The form is that of proc(5).
func TestStatusMB(t *testing.T) {
	status := "Name:\tponderal\nVmPeak:\t 1900000 kB\nVmHWM:\t  146484 kB\nVmRSS:\t  100000 kB\n"
	if got, err := statusMB(status, "VmHWM"); err != nil || got < 149.99 || got > 150.01 {
		t.Errorf("got %v, error %v; want 150", got, err)
	}
	if _, err := statusMB(status, "VmSwap"); err == nil {
		t.Error("a size that is not there: got no error")
	}
	if _, err := statusMB("VmHWM:\tmuch kB\n", "VmHWM"); err == nil {
		t.Error("a size that is no number: got no error")
	}
}

func TestRunRefusesNothingToMeasure(t *testing.T) {
	whole := Options{Sessions: 1, Clinics: 1, Signed: 1, FeedResults: 1, StoredTrials: 1, Starts: 1}
	if err := whole.check(); err != nil {
		t.Fatalf("one of each: %v", err)
	}
	for name, change := range map[string]func(*Options){
		"no sessions": func(o *Options) { o.Sessions = 0 },
		"no clinics":  func(o *Options) { o.Clinics = 0 },
		"no signed":   func(o *Options) { o.Signed = 0 },
		"no feed":     func(o *Options) { o.FeedResults = 0 },
		"no trials":   func(o *Options) { o.StoredTrials = 0 },
		"no starts":   func(o *Options) { o.Starts = 0 },
		"no such row": func(o *Options) { o.Rows = []string{"push-16", "pushes"} },
	} {
		o := whole
		change(&o)
		if _, err := Run(t.Context(), o); err == nil {
			t.Errorf("%s: got no error", name)
		}
	}
}
