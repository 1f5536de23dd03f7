// Package soak runs the service under faults for a long time and checks after each what it promised: stations push sessions to a service that is
// a process of its own, over networks that break, while service and Postgres are killed. Every acknowledged push must be there exactly
// once with the same content, every other one absent or whole, every audit log intact.
//
// It is a client of the public API; what it needs besides (starting the service, checking the logs) it is given or does as an operator does.
package soak

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
)

// Options for Run and RunPair.
type Options struct {
	// Rounds is how many faults there are, Seed which and when.
	Rounds int
	Seed   uint64
	// Clinics push over Stations each.
	Clinics, Stations int
	// Command starts the service with the environment Env; ShiftedCommand, followed by a file's name, starts one whose clock is off by the
	// duration that the file holds.
	Command, ShiftedCommand []string
	Env                     []string
	// Dir is where the service's log and the file of the clock stand.
	Dir string
	// Servers are the Postgres servers: the one, or the primary and its standby.
	Servers []Server
	// DatabaseURL is the URL of the service's database over the servers at the addresses, with settings.
	DatabaseURL func(addresses []string, settings string) string
	// Admin is a token of a network administrator.
	Admin string
	// Check checks every audit log from where the check before ended (whole: from the start), and returns what is wrong.
	Check func(ctx context.Context, whole bool) ([]string, error)
	// Now and NewID are the clock and the source of ids (UUIDv7).
	Now   func() time.Time
	NewID func() uuid.UUID
	// Progress gets a line a round.
	Progress io.Writer
}

// Server is a Postgres that can be killed.
type Server interface {
	Address() string
	Crash() error
	Restart(ctx context.Context) error
	Promote(ctx context.Context) error
}

const (
	// recoverLimit is how long the service may take to push again after a fault is over.
	recoverLimit = 2 * time.Minute
	// lapse keeps what a half-open connection left behind on the server short: half a minute in a usual service, see store.
	lapse = "&idle_in_transaction_session_timeout=4s&lock_timeout=3s&statement_timeout=8s"
)

// ErrBroken says that a promise was broken; the report names what.
var ErrBroken = errors.New("a promise was broken")

// run is one soak at work.
type run struct {
	o       Options
	random  *rand.Rand
	kinds   []string // of this turn
	service *child
	front   *network // between stations and service
	back    *network // between service and Postgres
	sites   []site
	ledger  *ledger
	follows []followed
	crew    *crew
	report  Report
}

// Run does the rounds. The error is ErrBroken where a promise was broken, and another where the soak could not be carried out.
func Run(ctx context.Context, o Options) (report Report, err error) {
	r := &run{o: o, random: rand.New(rand.NewPCG(o.Seed, 1)), ledger: newLedger(o.Now)}
	began := o.Now()
	defer func() {
		r.close()
		report = r.report
		report.Seconds = o.Now().Sub(began).Seconds()
	}()
	if err := r.start(ctx); err != nil {
		return r.report, err
	}
	for n := range o.Rounds {
		if err := r.round(ctx, n); err != nil {
			return r.report, fmt.Errorf("round %d of seed %d: %w", n+1, o.Seed, err)
		}
		if len(r.report.Problems) > 0 {
			break
		}
	}
	if err := r.verify(ctx, true); err != nil {
		return r.report, fmt.Errorf("verify at the end: %w", err)
	}
	if len(r.report.Problems) > 0 {
		return r.report, ErrBroken
	}
	return r.report, nil
}

func (r *run) start(ctx context.Context) error {
	r.report = Report{Seed: r.o.Seed, LeftOut: []string{"disk full: it needs a file system of its own, which this command does not make"}}
	var err error
	if r.back, err = newNetwork(ctx, r.o.Servers[0].Address()); err != nil {
		return err
	}
	r.service = &child{o: r.o, log: "service.log", databaseURL: r.o.DatabaseURL([]string{r.back.address()}, lapse)}
	if err := r.service.choosePorts(ctx); err != nil {
		return err
	}
	if r.front, err = newNetwork(ctx, r.service.grpc); err != nil {
		return err
	}
	if err := r.service.start(ctx, nil); err != nil {
		return err
	}
	if r.sites, err = setUp(ctx, r.o, r.service.grpc); err != nil {
		return err
	}
	if r.crew, err = newCrew(r.o, r.sites, r.ledger, []string{r.front.address()}); err != nil {
		return err
	}
	r.crew.start(ctx)
	return nil
}

func (r *run) close() {
	if r.crew != nil {
		r.crew.close()
	}
	if r.service != nil {
		r.service.kill()
	}
	for _, n := range []*network{r.front, r.back} {
		if n != nil {
			n.close()
		}
	}
}

// round lets the stations push, does something to them, waits until all push again, and verifies.
func (r *run) round(ctx context.Context, n int) error {
	r.front.forget()
	r.back.forget()
	kind := r.pick(n)
	r.crew.resume()
	r.pause(ctx, 100, 400)
	from := r.o.Now()
	if err := r.faults()[kind](ctx); err != nil {
		return fmt.Errorf("%s: %w", kind, err)
	}
	if err := r.service.ready(ctx); err != nil {
		return fmt.Errorf("%s: %w", kind, err)
	}
	if err := r.crew.awaitPushes(ctx, r.o.Now()); err != nil {
		return fmt.Errorf("%s: %w", kind, err)
	}
	gap := r.ledger.longestGap(from)
	r.crew.halt()
	if err := r.verify(ctx, false); err != nil {
		return fmt.Errorf("%s: %w", kind, err)
	}
	r.report.add(kind, gap)
	if r.o.Progress != nil {
		acked, not := r.ledger.counts()
		fmt.Fprintf(r.o.Progress, "round %3d of %d: %-44s gap %5.1f s, pushes %d acknowledged, %d not\n", n+1, r.o.Rounds, kind, gap.Seconds(), acked, not)
	}
	return nil
}

// pause waits a random while between least and most milliseconds.
func (r *run) pause(ctx context.Context, least, most int) {
	sleep(ctx, time.Duration(least+r.random.IntN(most-least))*time.Millisecond)
}

func sleep(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
