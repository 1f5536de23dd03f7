// Package load measures the service through its public API, and in the same run the limit on the same machine: the same rows written by
// raw COPY, one transaction a session, to the same Postgres with the same settings.
package load

import (
	"context"
	"fmt"
	"io"
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

// Options for Run.
type Options struct {
	// GRPCAddress of a service on this machine, in plaintext.
	GRPCAddress string
	// AdminToken of a network administrator.
	AdminToken string
	// PostgresURL of the service's own database with rights to read the stored rows and to make a scratch schema.
	PostgresURL string
	// Sessions pushed for each number of connections, Clinics that they are spread over.
	Sessions int
	Clinics  int
	// Connections, one row of the report for each.
	Connections []int
	// Now and NewID are the clock and the source of ids (UUIDv7).
	Now   func() time.Time
	NewID func() uuid.UUID
	// Progress gets a line now and then; nil for none.
	Progress io.Writer
}

// Run measures and reports. What it stores stays; use a private database.
func Run(ctx context.Context, o Options) (Report, error) {
	if o.Sessions < 1 || o.Clinics < 1 || len(o.Connections) == 0 {
		return Report{}, fmt.Errorf("load: sessions, clinics and connections are at least 1")
	}
	admin, err := grpc.NewClient(o.GRPCAddress, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return Report{}, fmt.Errorf("dial %s: %w", o.GRPCAddress, err)
	}
	defer admin.Close()
	sites, err := setUp(ctx, o, admin)
	if err != nil {
		return Report{}, err
	}
	raw, err := openRaw(ctx, o.PostgresURL, o.Now)
	if err != nil {
		return Report{}, err
	}
	defer raw.close()
	report, err := measure(ctx, o, sites, raw)
	if err != nil {
		return Report{}, err
	}
	return report, raw.drop(ctx)
}

// measure makes one row for each number of connections. The two ways alternate in slices, so that a machine that slows down slows
// both.
func measure(ctx context.Context, o Options, sites []site, raw *raw) (Report, error) {
	report := Report{Sessions: o.Sessions, Clinics: o.Clinics, Postgres: raw.settings}
	if err := warmUp(ctx, o, sites); err != nil {
		return Report{}, err
	}
	for _, n := range o.Connections {
		row, err := measureRow(ctx, o, sites, raw, n)
		if err != nil {
			return Report{}, fmt.Errorf("%d connections: %w", n, err)
		}
		report.Rows = append(report.Rows, row)
	}
	return report, nil
}

// slicesPerRow each push and copy their part; a disturbed slice does not move the median of their ratios.
const slicesPerRow = 9

func measureRow(ctx context.Context, o Options, sites []site, raw *raw, connections int) (Row, error) {
	pusher, err := newPusher(o, connections)
	if err != nil {
		return Row{}, err
	}
	defer pusher.close()
	var slices []slice
	done := 0
	for part := range slicesPerRow {
		count := o.Sessions / slicesPerRow
		if part < o.Sessions%slicesPerRow {
			count++
		}
		if count == 0 {
			continue
		}
		batch := makeBatch(o, sites, count)
		var s slice
		if s.pushed, err = pusher.run(ctx, batch); err != nil {
			return Row{}, fmt.Errorf("push: %w", err)
		}
		rows, err := raw.read(ctx, batch)
		if err != nil {
			return Row{}, fmt.Errorf("read what was stored: %w", err)
		}
		if s.copied, err = raw.copy(ctx, rows, connections); err != nil {
			return Row{}, fmt.Errorf("raw copy: %w", err)
		}
		slices = append(slices, s)
		done += count
		say(o.Progress, "%2d connections: %d of %d sessions\n", connections, done, o.Sessions)
	}
	return newRow(connections, slices), nil
}

func warmUp(ctx context.Context, o Options, sites []site) error {
	pusher, err := newPusher(o, 2)
	if err != nil {
		return err
	}
	defer pusher.close()
	if _, err := pusher.run(ctx, makeBatch(o, sites, 20)); err != nil {
		return fmt.Errorf("warm up: %w", err)
	}
	return nil
}

func say(w io.Writer, format string, args ...any) {
	if w != nil {
		fmt.Fprintf(w, format, args...)
	}
}
