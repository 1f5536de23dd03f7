package soak

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"
)

// RunPair soaks two replicas of the service over a primary and its synchronous standby: the primary is killed while stations push and the standby
// promoted, then the replicas are restarted in turn. Every session must be acknowledged in the end, by a repetition where need be.
func RunPair(ctx context.Context, o Options) (report PairReport, err error) {
	if len(o.Servers) != 2 {
		return PairReport{}, fmt.Errorf("soak a pair: %d servers were given, want a primary and its standby", len(o.Servers))
	}
	p := &pairRun{run: run{o: o, random: rand.New(rand.NewPCG(o.Seed, 2)), ledger: newLedger(o.Now)}}
	defer func() {
		p.close()
		report = p.pair
	}()
	if err := p.start(ctx); err != nil {
		return p.pair, err
	}
	if err := p.failOver(ctx); err != nil {
		return p.pair, fmt.Errorf("fail over: %w", err)
	}
	if err := p.roll(ctx); err != nil {
		return p.pair, fmt.Errorf("restart in turn: %w", err)
	}
	p.crew.halt()
	if err := p.verify(ctx, true); err != nil {
		return p.pair, fmt.Errorf("verify: %w", err)
	}
	p.pair.Acknowledged, p.pair.Problems = p.report.Acknowledged, p.report.Problems
	if p.report.Unacknowledged > 0 {
		p.pair.Problems = append(p.pair.Problems, fmt.Sprintf("%d sessions were never acknowledged, however often they were repeated", p.report.Unacknowledged))
	}
	if len(p.pair.Problems) > 0 {
		return p.pair, ErrBroken
	}
	return p.pair, nil
}

type pairRun struct {
	run
	replicas []*child
	pair     PairReport
}

const (
	// pairSettings are what an operator gives to replicas over a primary and a standby: whichever of the two takes writes.
	pairSettings = lapse + "&target_session_attrs=read-write&connect_timeout=2"
	// steady is how long stations push undisturbed between what is done to them.
	steady = time.Second
)

func (p *pairRun) start(ctx context.Context) error {
	url := p.o.DatabaseURL([]string{p.o.Servers[0].Address(), p.o.Servers[1].Address()}, pairSettings)
	var addresses []string
	for i := range 2 {
		c := &child{o: p.o, log: fmt.Sprintf("service-%d.log", i+1), databaseURL: url}
		if err := c.choosePorts(ctx); err != nil {
			return err
		}
		if err := c.start(ctx, nil); err != nil {
			return err
		}
		p.replicas = append(p.replicas, c)
		addresses = append(addresses, c.grpc)
	}
	p.service = p.replicas[0]
	var err error
	if p.sites, err = setUp(ctx, p.o, p.service.grpc); err != nil {
		return err
	}
	if p.crew, err = newCrew(p.o, p.sites, p.ledger, addresses); err != nil {
		return err
	}
	for _, s := range p.crew.members {
		s.persist = true
	}
	p.crew.start(ctx)
	p.crew.resume()
	return nil
}

func (p *pairRun) close() {
	p.run.close()
	for _, c := range p.replicas {
		c.kill()
	}
}

// failOver kills the primary and promotes the standby, as an operator or a program that watches would.
func (p *pairRun) failOver(ctx context.Context) error {
	if err := p.crew.awaitPushes(ctx, p.o.Now()); err != nil {
		return err
	}
	sleep(ctx, steady)
	at := p.o.Now()
	if err := p.o.Servers[0].Crash(); err != nil {
		return err
	}
	killed := p.o.Now()
	if err := p.o.Servers[1].Promote(ctx); err != nil {
		return err
	}
	promoted := p.o.Now()
	if err := p.crew.awaitPushes(ctx, promoted); err != nil {
		return err
	}
	p.pair.KillSeconds, p.pair.PromoteSeconds = killed.Sub(at).Seconds(), promoted.Sub(killed).Seconds()
	p.pair.GapSeconds = p.ledger.longestGap(at).Seconds()
	p.pair.FailOverFailures, _ = p.tally()
	return nil
}

// roll restarts each replica in good order, twice, while the stations push over both.
func (p *pairRun) roll(ctx context.Context) error {
	from := p.o.Now()
	for range 2 {
		for _, c := range p.replicas {
			sleep(ctx, steady)
			if err := c.end(); err != nil {
				return err
			}
			if err := c.start(ctx, nil); err != nil {
				return err
			}
			p.pair.Restarts++
		}
	}
	if err := p.crew.awaitPushes(ctx, p.o.Now()); err != nil {
		return err
	}
	p.pair.RollGapSeconds = p.ledger.longestGap(from).Seconds()
	p.pair.RollFailures, p.pair.RollSlowest = p.tally()
	return nil
}

// tally sums up what the stations saw since the last time.
func (p *pairRun) tally() (failures int, slowest float64) {
	p.crew.halt()
	for _, s := range p.crew.members {
		failures += s.failures
		slowest = max(slowest, s.slowest.Seconds())
		s.failures, s.slowest = 0, 0
	}
	p.crew.resume()
	return failures, slowest
}
