// Package load measures the service through its public API, and in the same run, in turns with it, the limit on the same machine: the
// same rows written or read by pgx alone, on the same Postgres with the same settings.
package load

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
)

// Shape of one session: 6 series of 8 trials.
const (
	seriesPerSession = 6
	trialsPerSeries  = 8
)

// Service is the service as a process of its own, ready for calls.
type Service struct {
	// GRPC (HOST:PORT, plaintext) and REST (http://HOST:PORT) are where it listens.
	GRPC, REST string
	PID        int
	// ReadyAfter is how long it took from the start of the process.
	ReadyAfter time.Duration
	// Stop ends it.
	Stop func() error
}

// Options for Run.
type Options struct {
	// Start starts the service on a database of the server.
	Start func(ctx context.Context, database string) (Service, error)
	// Database is migrated, holds nothing but the token of a network administrator, and nobody is connected to it. Clone copies it as long as that
	// is so; the copy goes with the server.
	Database   string
	Clone      func(ctx context.Context) (database string, err error)
	AdminToken string
	// PostgresURL is that of a superuser of the server for a database.
	PostgresURL func(database string) string
	// Rows are the names of the rows to measure, of Names; empty for all.
	Rows []string
	// Sessions pushed for each row of pushes, Clinics that they are spread over.
	Sessions int
	Clinics  int
	// Signed results are made through the API, at a password check each; they are copied into further clinics until a payer's feed has FeedResults.
	Signed, FeedResults int
	// StoredTrials is how many trials the database holds against which a push is measured to see what growth costs.
	StoredTrials int
	// Starts is how often the service is started to see how long that takes.
	Starts int
	// Now and NewID are the clock and the source of ids (UUIDv7).
	Now   func() time.Time
	NewID func() uuid.UUID
	// Progress gets a line now and then; nil for none.
	Progress io.Writer
}

// named is a row that can be measured.
type named struct {
	name, about string
	measure     func(*run, context.Context) (Row, error)
}

// rows are in the order of measuring: what needs a service that has done nothing else comes first, what fills the disk last.
func rows() []named {
	return []named{
		{"ready", "from process start to readiness on a migrated database", (*run).ready},
		{"push-16", "push of a session over gRPC, 16 connections, against raw COPY", (*run).push16},
		{"push-1", "the same, one connection", (*run).push1},
		{"rest-16", "push over REST/JSON, 16 connections, against gRPC", (*run).rest16},
		{"memory", "largest resident memory of the service under that push", (*run).memory},
		{"pull", "a clinic's whole history by PullChanges, against a raw read of the same rows", (*run).pull},
		{"result", "a payer's read of a signed result, disclosure recorded, against one row read and one entry inserted", (*run).result},
		{"feed", "a payer's feed to its end, against a raw read of the same rows", (*run).feed},
		{"grow", "median push with many trials stored, against a database without any", (*run).grow},
	}
}

// Names are the rows that can be measured, each with what it measures, in their order.
func Names() [][2]string {
	var all [][2]string
	for _, r := range rows() {
		all = append(all, [2]string{r.name, r.about})
	}
	return all
}

// run is one run with what its rows share.
type run struct {
	o       Options
	service Service
	conn    *grpc.ClientConn
	payer   string
	sites   []site
	raw     *raw
	// visits are signed results, made by the first row that needs them.
	visits *visits
	// empty and grown are the names of two further databases, copied before anything was stored.
	empty, grown string
	warm         bool
}

// Run measures and reports. What it stores stays, its scratch schema apart; use a private server.
func Run(ctx context.Context, o Options) (Report, error) {
	if err := o.check(); err != nil {
		return Report{}, err
	}
	r := &run{o: o}
	report, err := r.measure(ctx)
	return report, errors.Join(err, r.close())
}

func (o *Options) check() error {
	if o.Sessions < 1 || o.Clinics < 1 || o.Signed < 1 || o.FeedResults < 1 || o.StoredTrials < 1 || o.Starts < 1 {
		return errors.New("load: sessions, clinics, signed and feed results, stored trials and starts are at least 1")
	}
	for _, name := range o.Rows {
		if !slices.ContainsFunc(rows(), func(r named) bool { return r.name == name }) {
			return fmt.Errorf("load: there is no row %q", name)
		}
	}
	return nil
}

func (r *run) wanted(name string) bool { return len(r.o.Rows) == 0 || slices.Contains(r.o.Rows, name) }

func (r *run) measure(ctx context.Context) (Report, error) {
	report := Report{Sessions: r.o.Sessions, Clinics: r.o.Clinics}
	var err error
	if r.wanted("grow") {
		for _, name := range []*string{&r.empty, &r.grown} {
			if *name, err = r.o.Clone(ctx); err != nil {
				return report, fmt.Errorf("clone the empty database: %w", err)
			}
		}
	}
	if r.raw, err = openRaw(ctx, r.o.PostgresURL(r.o.Database), r.o.Now); err != nil {
		return report, err
	}
	report.Postgres = r.raw.settings
	for _, row := range rows() {
		if !r.wanted(row.name) {
			continue
		}
		r.say("%s: %s\n", row.name, row.about)
		got, err := row.measure(r, ctx)
		if err != nil {
			return report, fmt.Errorf("measure %s: %w", row.name, err)
		}
		got.Name, got.About = row.name, row.about
		got.judge()
		r.say("%s: %s\n", row.name, got.verdict())
		report.Rows = append(report.Rows, got)
	}
	return report, r.raw.drop(ctx)
}

// started starts the service and makes the clinics, once.
func (r *run) started(ctx context.Context) error {
	if r.conn != nil {
		return nil
	}
	var err error
	if r.service, err = r.o.Start(ctx, r.o.Database); err != nil {
		return err
	}
	if r.conn, err = dial(r.service.GRPC); err != nil {
		return err
	}
	r.payer, r.sites, err = setUp(ctx, r.o, r.conn)
	return err
}

// warmed is started, and has pushed a little.
func (r *run) warmed(ctx context.Context) error {
	if err := r.started(ctx); err != nil || r.warm {
		return err
	}
	r.warm = true
	return warmUp(ctx, r.o, r.service.GRPC, r.sites)
}

func (r *run) close() error {
	var errs []error
	if r.conn != nil {
		errs = append(errs, r.conn.Close())
	}
	if r.service.Stop != nil {
		errs = append(errs, r.service.Stop())
	}
	if r.raw != nil {
		r.raw.close()
	}
	return errors.Join(errs...)
}

func (r *run) say(format string, args ...any) {
	if r.o.Progress != nil {
		fmt.Fprintf(r.o.Progress, format, args...)
	}
}

func dial(address string) (*grpc.ClientConn, error) {
	c, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		return nil, fmt.Errorf("dial %s: %w", address, err)
	}
	return c, nil
}

// partOf is how many of count belong to a part, of parts.
func partOf(count, part, parts int) int {
	n := count / parts
	if part < count%parts {
		n++
	}
	return n
}
