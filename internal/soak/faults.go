package soak

import (
	"context"
	"errors"
	"time"
)

// The faults, as the report names them.
const (
	killService    = "kill -9 of the service"
	killPostgres   = "kill -9 of Postgres"
	killBoth       = "kill -9 of both"
	clientCut      = "network cut before the service"
	clientSlow     = "slow network before the service"
	clientHalfOpen = "half-open network before the service"
	storeCut       = "network cut before Postgres"
	storeSlow      = "slow network before Postgres"
	storeHalfOpen  = "half-open network before Postgres"
	clockBack      = "the service's clock set back"
)

// allKinds are the faults that a run has.
func allKinds() []string {
	return []string{killService, killPostgres, killBoth, clientCut, clientSlow, clientHalfOpen, storeCut, storeSlow, storeHalfOpen, clockBack}
}

// pick takes each kind in turn, in another order in each turn, so that a short soak has many kinds.
func (r *run) pick(n int) string {
	if n%len(allKinds()) == 0 {
		r.kinds = allKinds()
		r.random.Shuffle(len(r.kinds), func(i, j int) { r.kinds[i], r.kinds[j] = r.kinds[j], r.kinds[i] })
	}
	return r.kinds[n%len(r.kinds)]
}

// faults does each: what it does, how long it lasts, and what an operator would then do.
func (r *run) faults() map[string]func(context.Context) error {
	return map[string]func(context.Context) error{
		killService: func(ctx context.Context) error {
			r.service.kill()
			r.pause(ctx, 0, 300)
			return r.service.start(ctx, nil)
		},
		killPostgres: func(ctx context.Context) error {
			if err := r.o.Servers[0].Crash(); err != nil {
				return err
			}
			r.pause(ctx, 0, 500)
			return r.o.Servers[0].Restart(ctx)
		},
		killBoth: func(ctx context.Context) error {
			r.service.kill()
			if err := r.o.Servers[0].Crash(); err != nil {
				return err
			}
			r.pause(ctx, 0, 300)
			if err := r.o.Servers[0].Restart(ctx); err != nil {
				return err
			}
			return r.service.start(ctx, nil)
		},
		clientCut:      func(ctx context.Context) error { return r.under(ctx, r.front, away) },
		clientSlow:     func(ctx context.Context) error { return r.under(ctx, r.front, slow) },
		clientHalfOpen: func(ctx context.Context) error { return r.under(ctx, r.front, r.half()) },
		storeCut:       func(ctx context.Context) error { return r.under(ctx, r.back, away) },
		storeSlow:      func(ctx context.Context) error { return r.under(ctx, r.back, slow) },
		storeHalfOpen:  func(ctx context.Context) error { return r.under(ctx, r.back, r.half()) },
		clockBack:      r.setClockBack,
	}
}

func (r *run) half() weather {
	if r.random.IntN(2) == 0 {
		return deaf
	}
	return mute
}

func (r *run) under(ctx context.Context, n *network, w weather) error {
	n.change(w)
	r.pause(ctx, 200, 900)
	n.change(clear)
	return nil
}

// setClockBack starts the service with a clock that is right, sets it back while the stations push, and starts it anew with the machine's.
func (r *run) setClockBack(ctx context.Context) error {
	r.service.kill()
	var off time.Duration
	if err := r.service.start(ctx, &off); err != nil {
		return err
	}
	if err := r.crew.awaitPushes(ctx, r.o.Now()); err != nil {
		return err
	}
	off = -time.Duration(60+r.random.IntN(2400)) * time.Second
	if err := r.service.setClock(off); err != nil {
		return err
	}
	r.pause(ctx, 300, 900)
	err := r.crew.awaitPushes(ctx, r.o.Now())
	r.service.kill()
	return errors.Join(err, r.service.start(ctx, nil))
}
