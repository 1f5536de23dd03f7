package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"ponderal.example/internal/demo"
)

func demoCommand() command {
	return command{
		name:  "demo",
		about: "Play a working day of an invented network against a private Postgres, then keep serving.",
		detail: `Finds or starts a private Postgres (never your own data), serves gRPC and REST on loopback ports, and plays a day of
an invented network through the public API: sessions pushed, scored, signed, pulled and verified offline by the
payer, corrected, audited, and tampered with. Each step checks its own claim. Then it keeps serving, with addresses
and tokens to try, until it is interrupted; everything is removed then, unless -keep.

Works as root and as an ordinary user. ` + demoURLVariable + ` names a Postgres server to use instead (its user
is a superuser; databases are made there and dropped again); ` + demoImageVariable + ` an image for a container
engine, where the Postgres programs are missing.`,
		examples: []string{"ponderal demo", "ponderal demo -exit", "ponderal demo -keep ./demo-data -rest 127.0.0.1:8080 -grpc 127.0.0.1:9090"},
		run:      runDemo,
	}
}

func runDemo(ctx context.Context, w world, f *flags) error {
	exit := f.Bool("exit", false, "end after the story: status 0, or 1 when a step failed")
	keep := f.String("keep", "", "keep the data in `DIR`; a later run with the same folder serves it again")
	seed := f.Uint64("seed", 2, "`NUMBER` that the invented day is made from")
	grpc := f.String("grpc", "127.0.0.1:0", "loopback `ADDRESS` for gRPC; port 0 takes a free one")
	rest := f.String("rest", "127.0.0.1:0", "loopback `ADDRESS` for REST")
	if err := f.read(0, 0); err != nil {
		return err
	}
	fmt.Fprint(w.stdout, "Ponderal demonstration. Everything in it is invented: people, firms, numbers.\n\n")
	p, err := startPrivate(ctx, w, privateOptions{keep: *keep, grpc: *grpc, rest: *rest,
		progress: func(line string) { demo.Paragraph(w.stdout, "  ", "    ", line) }})
	if err != nil {
		return err
	}
	err = orInterrupted(ctx, playDemo(ctx, w, p, *seed, *exit))
	if ctx.Err() != nil {
		fmt.Fprintln(w.stdout, "\nInterrupted: cleaning up.")
	}
	return errors.Join(err, p.close())
}

// playDemo plays the day, or only serves it again where a kept folder holds one, and waits for the interrupt unless it is to exit.
func playDemo(ctx context.Context, w world, p *private, seed uint64, exit bool) error {
	demo.Paragraph(w.stdout, "  ", "    ", fmt.Sprintf("Serving gRPC on %s and REST on http://%s, log in %s", p.addresses.GRPC, p.addresses.REST, p.logFile.Name()))
	token, err := p.networkAdmin(ctx, w, "demonstration")
	if err != nil {
		return fmt.Errorf("make the first token: %w", err)
	}
	played := filepath.Join(p.dir, "played")
	if _, err := os.Stat(played); errors.Is(err, fs.ErrNotExist) {
		if err := playDay(ctx, w, p, seed, token); err != nil {
			return err
		}
		if err := os.WriteFile(played, []byte("The day was played to its end in this folder.\n"), 0o644); err != nil {
			return err
		}
	} else {
		fmt.Fprintf(w.stdout, "\nThe folder holds a day that was played before; it is served as it is.\nA new token of the network's administrator: %s\n", token)
	}
	if exit {
		return nil
	}
	fmt.Fprint(w.stdout, "\nServing until interrupted (Ctrl-C).\n")
	return p.server.Wait(ctx)
}

func playDay(ctx context.Context, w world, p *private, seed uint64, token string) error {
	payer := filepath.Join(p.dir, "payer")
	if err := os.MkdirAll(payer, 0o755); err != nil {
		return err
	}
	_, plain := w.lookup("NO_COLOR")
	return demo.Run(ctx, demo.Options{
		GRPCAddress: p.addresses.GRPC, RESTBase: "http://" + p.addresses.REST, AdminToken: token, LogName: demoLogName, Seed: seed, Now: w.now, Started: w.started,
		Out: w.stdout, Terminal: w.terminal && w.env("TERM") != "dumb", Bold: w.terminal && !plain && w.env("TERM") != "dumb", SaveDir: payer, Command: "ponderal",
		Alter: func(ctx context.Context, at demo.Target) error {
			return alterBehind(ctx, p.pg.AdminURL(p.database), at)
		},
		Audit: func(ctx context.Context) (demo.AuditReport, error) { return auditForDemo(ctx, p) },
	})
}
