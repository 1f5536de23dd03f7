package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"ponderal.example/internal/load"
)

func loadCommand() command {
	return command{
		name:  "load",
		about: "Measure how fast sessions are pushed, against raw COPY of the same rows on the same machine.",
		detail: `Starts a private Postgres (fsync on) and the service, as ` + "`ponderal demo`" + ` does, and pushes sessions of 6 series and 48 trials
over gRPC; in the same run it writes the same rows by raw COPY, one transaction a session, to the same Postgres.
Prints both rates and their ratio. Everything is removed afterwards.`,
		examples: []string{"ponderal load", "ponderal load -sessions 2000 -connections 1,4,16 -json"},
		run:      runLoad,
	}
}

func runLoad(ctx context.Context, w world, f *flags) error {
	sessions := f.Int("sessions", 400, "how many sessions are pushed for each `NUMBER` of connections")
	clinics := f.Int("clinics", 4, "how many clinics they are spread over")
	connections := f.String("connections", "1,16", "`NUMBERS` of connections, with commas")
	asJSON := f.Bool("json", false, "write the report as JSON")
	if err := f.read(0, 0); err != nil {
		return err
	}
	counts, err := numbers(*connections)
	if err != nil {
		return err
	}
	if *sessions < 1 || *clinics < 1 {
		return usagef("-sessions and -clinics are at least 1")
	}
	p, err := startPrivate(ctx, w, privateOptions{grpc: "127.0.0.1:0", rest: "127.0.0.1:0", progress: func(line string) { fmt.Fprintf(w.stderr, "%s\n", line) }})
	if err != nil {
		return err
	}
	return errors.Join(measure(ctx, w, p, *sessions, *clinics, counts, *asJSON), p.close())
}

func measure(ctx context.Context, w world, p *private, sessions, clinics int, connections []int, asJSON bool) error {
	token, err := p.networkAdmin(ctx, w, "load")
	if err != nil {
		return fmt.Errorf("make the first token: %w", err)
	}
	report, err := load.Run(ctx, load.Options{
		GRPCAddress: p.addresses.GRPC, AdminToken: token, PostgresURL: p.pg.AdminURL(p.database), Sessions: sessions, Clinics: clinics, Connections: connections,
		Now: w.now, NewID: func() uuid.UUID { return newID(w) }, Progress: w.stderr,
	})
	if err != nil {
		return err
	}
	if asJSON {
		return report.WriteJSON(w.stdout)
	}
	return report.WriteText(w.stdout)
}

// numbers reads whole numbers of at least 1 with commas between.
func numbers(text string) ([]int, error) {
	var all []int
	for _, part := range strings.Split(text, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(part))
		if err != nil || n < 1 || n > 256 {
			return nil, usagef("-connections %q: whole numbers from 1 to 256 with commas between", text)
		}
		all = append(all, n)
	}
	return all, nil
}
