package load

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
)

// station is a service over a database of its own, with one connection that pushes to it.
type station struct {
	service Service
	conn    *grpc.ClientConn
	payer   string
	sites   []site
	pusher  *pusher
}

// open starts a service over a database and pushes a little.
func (s *station) open(ctx context.Context, o Options, database string) (err error) {
	if s.service, err = o.Start(ctx, database); err != nil {
		return err
	}
	if s.conn, err = dial(s.service.GRPC); err != nil {
		return err
	}
	if s.payer, s.sites, err = setUp(ctx, o, s.conn); err != nil {
		return err
	}
	if s.pusher, err = newPusher(o.Now, s.service.GRPC, 1); err != nil {
		return err
	}
	return warmUp(ctx, o, s.service.GRPC, s.sites)
}

func (s *station) close() error {
	var errs []error
	if s.pusher != nil {
		s.pusher.close()
	}
	if s.conn != nil {
		errs = append(errs, s.conn.Close())
	}
	if s.service.Stop != nil {
		errs = append(errs, s.service.Stop())
	}
	return errors.Join(errs...)
}

// grow pushes over one connection to a service over many trials, and in turn to one over a database that began empty.
func (r *run) grow(ctx context.Context) (row Row, err error) {
	var empty, grown station
	defer func() { err = errors.Join(err, empty.close(), grown.close()) }()
	if err := grown.open(ctx, r.o, r.grown); err != nil {
		return Row{}, err
	}
	trials, err := r.fill(ctx, &grown)
	if err != nil {
		return Row{}, err
	}
	if err := empty.open(ctx, r.o, r.empty); err != nil {
		return Row{}, err
	}
	parts, err := r.inSlices(r.o.Sessions, func(batch []item) (s slice, err error) {
		if s.service, err = grown.pusher.run(ctx, makeBatch(r.o, grown.sites, len(batch))); err != nil {
			return s, fmt.Errorf("push to the full database: %w", err)
		}
		if s.limit, err = empty.pusher.run(ctx, makeBatch(r.o, empty.sites, len(batch))); err != nil {
			return s, fmt.Errorf("push to the empty database: %w", err)
		}
		return s, nil
	})
	row = newTimesRow("sessions", "push", 1.3, parts)
	row.Note = fmt.Sprintf("one connection, %d trials stored, with their sessions, findings and audit entries, by SQL from %d that were pushed; limit: a second service over a database that began empty",
		trials, seedSessions(r.o.StoredTrials)*seriesPerSession*trialsPerSeries)
	return row, err
}

// seedSessions is how many sessions are pushed to be copied.
func seedSessions(trials int) int {
	return min(100, max(20, trials/(10*seriesPerSession*trialsPerSeries)))
}

// fill fills a database with copies of a clinic that the service wrote, some a transaction, until it has the trials asked for.
func (r *run) fill(ctx context.Context, g *station) (stored int, err error) {
	seed, err := setUpSite(ctx, r.o, g.conn, g.payer, r.o.Clinics)
	if err != nil {
		return 0, fmt.Errorf("set up the clinic that is copied: %w", err)
	}
	sessions := seedSessions(r.o.StoredTrials)
	if _, err := g.pusher.run(ctx, makeBatch(r.o, []site{seed}, sessions)); err != nil {
		return 0, fmt.Errorf("push what is copied: %w", err)
	}
	server, err := openRaw(ctx, r.o.PostgresURL(r.grown), r.o.Now)
	if err != nil {
		return 0, err
	}
	defer server.close()
	const atOnce = 20
	each := sessions * seriesPerSession * trialsPerSeries
	for stored = each; stored < r.o.StoredTrials; {
		n := min(atOnce, (r.o.StoredTrials-stored+each-1)/each)
		ids := make([]string, n)
		for i := range ids {
			ids[i] = r.o.NewID().String()
		}
		if err := asCopier(ctx, server.pool, func(tx pgx.Tx) error { return cloneClinic(ctx, tx, trialTables, seed.clinic, ids) }); err != nil {
			return 0, err
		}
		stored += n * each
		r.say("  %d of %d trials stored\n", stored, r.o.StoredTrials)
	}
	return stored, server.settle(ctx)
}
