package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"

	"github.com/google/uuid"

	"ponderal.example/internal/load"
)

func loadCommand() command {
	return command{
		name:  "load",
		about: "Measure the service against what Postgres itself can do on the same machine.",
		detail: `Starts a private Postgres (fsync on) and the service as a process of its own. Each row is measured through the public
API and, in the same run and in turns with it, against its limit: the same rows written or read by pgx alone. Prints
rates, ratios, latencies and memory, and whether each aim holds. Everything is removed afterwards. A machine that is
busy with something else measures that too.

Rows:
` + rowsHelp() + `
-quick fits a minute on an idle machine; the whole takes many minutes and some 10 GB of disk, most of it for grow.`,
		examples: []string{"ponderal load -quick", "ponderal load -row push-16,push-1 -sessions 2000", "ponderal load -json"},
		run:      runLoad,
	}
}

func rowsHelp() string {
	var b strings.Builder
	for _, row := range load.Names() {
		fmt.Fprintf(&b, "  %-8s %s\n", row[0], row[1])
	}
	return b.String()
}

// loadSizes are how much is measured.
type loadSizes struct{ sessions, clinics, signed, feed, trials, starts int }

var (
	usualSizes = loadSizes{sessions: 400, clinics: 4, signed: 300, feed: 100_000, trials: 10_000_000, starts: 9}
	quickSizes = loadSizes{sessions: 90, clinics: 4, signed: 24, feed: 2_000, trials: 50_000, starts: 3}
)

// loadFlags are the flags of load as they were given.
type loadFlags struct {
	rows    []string
	sizes   loadSizes
	asJSON  bool
	help    bool
	profile string
}

func runLoad(ctx context.Context, w world, f *flags) error {
	if len(f.args) == 2 && f.args[0] == profiled {
		return serveProfiled(ctx, w, f.args[1])
	}
	given, err := readLoadFlags(f)
	if err != nil {
		return err
	}
	if given.help {
		_, err := fmt.Fprint(w.stdout, rowsHelp())
		return err
	}
	exe, err := os.Executable()
	if err != nil {
		return err
	}
	l := loading{world: w, command: []string{exe, "serve"}}
	if given.profile != "" {
		l.command = []string{exe, "load", profiled, given.profile}
	}
	report, err := l.run(ctx, given)
	if err != nil {
		return orInterrupted(ctx, err)
	}
	if given.asJSON {
		return report.WriteJSON(w.stdout)
	}
	return report.WriteText(w.stdout)
}

func readLoadFlags(f *flags) (loadFlags, error) {
	row := f.String("row", "", "measure only these `ROWS`, with commas between; -row help lists them")
	quick := f.Bool("quick", false, "small numbers, for a minute")
	asJSON := f.Bool("json", false, "write the report as JSON")
	profile := f.String("cpuprofile", "", "write a CPU profile (pprof) of the service to `FILE`; of several starts the last one's")
	var n loadSizes
	number := func(p *int, name, usage string, usual, quick int) {
		f.IntVar(p, name, 0, fmt.Sprintf("%s (%d; with -quick %d)", usage, usual, quick))
	}
	number(&n.sessions, "sessions", "how many sessions are pushed for each row: a `NUMBER`", usualSizes.sessions, quickSizes.sessions)
	number(&n.clinics, "clinics", "how many clinics they are spread over: a `NUMBER`", usualSizes.clinics, quickSizes.clinics)
	number(&n.signed, "signed", "how many results are signed through the API: a `NUMBER`", usualSizes.signed, quickSizes.signed)
	number(&n.feed, "feed", "how many results a payer's feed has: a `NUMBER`", usualSizes.feed, quickSizes.feed)
	number(&n.trials, "trials", "how many trials are stored for grow: a `NUMBER`", usualSizes.trials, quickSizes.trials)
	number(&n.starts, "starts", "how often the service is started for ready: a `NUMBER`", usualSizes.starts, quickSizes.starts)
	if err := f.read(0, 0); err != nil {
		return loadFlags{}, err
	}
	usual := usualSizes
	if *quick {
		usual = quickSizes
	}
	given := map[string]bool{}
	f.Visit(func(x *flag.Flag) { given[x.Name] = true })
	sizes, err := n.or(usual, given)
	if err != nil {
		return loadFlags{}, err
	}
	read := loadFlags{sizes: sizes, asJSON: *asJSON, help: *row == "help", profile: *profile}
	if *row != "" && !read.help {
		read.rows, err = rowNames(*row)
	}
	return read, err
}

// or fills what was not given.
func (n loadSizes) or(usual loadSizes, named map[string]bool) (loadSizes, error) {
	for _, pair := range []struct {
		name         string
		given, usual *int
	}{{"sessions", &n.sessions, &usual.sessions}, {"clinics", &n.clinics, &usual.clinics}, {"signed", &n.signed, &usual.signed},
		{"feed", &n.feed, &usual.feed}, {"trials", &n.trials, &usual.trials}, {"starts", &n.starts, &usual.starts}} {
		if named[pair.name] && *pair.given < 1 {
			return n, usagef("-%s is at least 1", pair.name)
		}
		if *pair.given == 0 {
			*pair.given = *pair.usual
		}
	}
	return n, nil
}

// rowNames reads names of rows with commas between.
func rowNames(text string) ([]string, error) {
	var known, all []string
	for _, row := range load.Names() {
		known = append(known, row[0])
	}
	for name := range strings.SplitSeq(text, ",") {
		name = strings.TrimSpace(name)
		found := false
		for _, k := range known {
			found = found || k == name
		}
		if !found {
			return nil, usagef("-row: there is no row %q%s; there are %s", name, nearest(name, known), strings.Join(known, ", "))
		}
		all = append(all, name)
	}
	return all, nil
}

// run prepares the server, measures and removes everything but, after an error, the service's log.
func (l *loading) run(ctx context.Context, given loadFlags) (report load.Report, err error) {
	defer func() { err = errors.Join(err, l.close(ctx, err)) }()
	admin, err := l.prepare(ctx)
	if err != nil {
		return report, err
	}
	n := given.sizes
	return load.Run(ctx, load.Options{
		Start: l.start, Database: l.database, Clone: l.clone, AdminToken: admin, PostgresURL: l.pg.AdminURL, Rows: given.rows,
		Sessions: n.sessions, Clinics: n.clinics, Signed: n.signed, FeedResults: n.feed, StoredTrials: n.trials, Starts: n.starts,
		Now: l.world.now, NewID: func() uuid.UUID { return newID(l.world) }, Progress: l.world.stderr,
	})
}
