package load

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// timing is the wall time of a run and of each of its calls. items is how many things the calls moved, where that is not one each.
type timing struct {
	wall  time.Duration
	each  []time.Duration
	items int
}

func (t *timing) add(u timing) {
	t.items = t.count() + u.count()
	t.wall += u.wall
	t.each = append(t.each, u.each...)
}

func (t timing) count() int {
	if t.items > 0 {
		return t.items
	}
	return len(t.each)
}

func (t timing) rate() float64 {
	if t.wall <= 0 {
		return 0
	}
	return float64(t.count()) / t.wall.Seconds()
}

// percentile is the nearest-rank percentile in milliseconds.
func (t timing) percentile(p int) float64 {
	if len(t.each) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(t.each))
	rank := (p*len(sorted) + 99) / 100
	return float64(sorted[max(rank, 1)-1].Microseconds()) / 1000
}

func figures(t timing) Figures {
	return Figures{Rate: t.rate(), P50: t.percentile(50), P95: t.percentile(95), P99: t.percentile(99)}
}

// slice is one part of a row: the same work by the service and by its limit.
type slice struct{ service, limit timing }

// ratio is the service's rate divided by the limit's.
func (s slice) ratio() float64 {
	if s.limit.rate() == 0 {
		return 0
	}
	return s.service.rate() / s.limit.rate()
}

// median is the lower of the middle two where there is no middle one.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(values))
	return sorted[(len(sorted)-1)/2]
}

// inParallel does count jobs by workers and times each; the first error ends it.
func inParallel(ctx context.Context, now func() time.Time, workers, count int, job func(ctx context.Context, worker, i int) error) (timing, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	took := make([]time.Duration, count)
	var next atomic.Int64
	var wait sync.WaitGroup
	start := now()
	for w := range workers {
		wait.Go(func() {
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= count {
					return
				}
				began := now()
				if err := job(ctx, w, i); err != nil {
					cancel(err)
					return
				}
				took[i] = now().Sub(began)
			}
		})
	}
	wait.Wait()
	if err := context.Cause(ctx); err != nil {
		return timing{}, err
	}
	return timing{wall: now().Sub(start), each: took}, nil
}
