package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/localpg"
	"ponderal.example/internal/record"
	"ponderal.example/migrations"
)

// demoURLVariable names a Postgres server to use in place of one of our own; its user is a superuser.
const demoURLVariable = "PONDERAL_DEMO_DATABASE_URL"

// demoImageVariable names the container image for machines without the Postgres programs.
const demoImageVariable = "PONDERAL_DEMO_CONTAINER_IMAGE"

// demoLogName is the first part of the origins of a private service's audit logs.
const demoLogName = "demo.ponderal.example"

// privateOptions say how a private service is started.
type privateOptions struct {
	// keep is a folder to keep everything in; empty for a temporary one.
	keep       string
	grpc, rest string
	progress   func(string)
}

// private is a Postgres of its own with the service on top.
type private struct {
	*service
	pg       *localpg.Server
	database string
	// dir holds the keys, the service's log and whatever else belongs to the run; temporary unless kept.
	dir       string
	temporary bool
	logFile   *os.File
	keys      keyFolder
	signIns   signIns
}

// startPrivate finds or starts a Postgres, migrates it and serves on loopback addresses. On an error all that was started is ended.
func startPrivate(ctx context.Context, w world, o privateOptions) (*private, error) {
	p := &private{dir: o.keep, temporary: o.keep == ""}
	if err := orInterrupted(ctx, p.start(ctx, w, o)); err != nil {
		if closeErr := p.close(); closeErr != nil {
			return nil, fmt.Errorf("%w (and while cleaning up: %w)", err, closeErr)
		}
		return nil, err
	}
	return p, nil
}

// errInterrupted stands for whatever breaks off when the user interrupts.
var errInterrupted = errors.New("interrupted before the end")

// orInterrupted is the error of something that was to run on, or that it was interrupted: what an interrupt breaks is no news.
func orInterrupted(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return errInterrupted
	}
	return err
}

func (p *private) start(ctx context.Context, w world, o privateOptions) error {
	if err := p.makeFolder(w, o.keep); err != nil {
		return err
	}
	var err error
	pgOptions := localpg.Options{URL: w.env(demoURLVariable), Image: w.env(demoImageVariable), Random: w.random, Progress: o.progress}
	if o.keep != "" {
		pgOptions.KeepDir = filepath.Join(o.keep, "postgres")
	}
	if p.pg, err = localpg.Start(ctx, pgOptions); err != nil {
		return err
	}
	o.progress("Postgres: " + p.pg.Describe())
	database, ownerURL, err := p.pg.MainDatabase(ctx)
	if err != nil {
		return err
	}
	p.database = database
	if err := migrations.Up(ctx, ownerURL); err != nil {
		return err
	}
	if err := migrations.GrantLogin(ctx, ownerURL, p.pg.ServicePassword()); err != nil {
		return err
	}
	p.service, err = startService(ctx, w, settings{
		databaseURL: p.serviceURL(), keys: p.keys, logName: demoLogName, grpc: o.grpc, rest: o.rest,
		logger: slog.New(slog.NewJSONHandler(p.logFile, nil)), rates: privateRates, signIns: p.signIns,
	})
	return err
}

// makeFolder makes the folder with the keys and the log file.
func (p *private) makeFolder(w world, keep string) error {
	var err error
	if keep == "" {
		if p.dir, err = os.MkdirTemp("", "ponderal-"); err != nil {
			return err
		}
	} else if err = ownFolder(keep); err != nil {
		return err
	}
	keysDir := filepath.Join(p.dir, "keys")
	if _, err := os.Stat(keysDir); os.IsNotExist(err) {
		if err := makeKeys(w, keysDir); err != nil {
			return err
		}
	}
	if p.keys, err = readKeys(keysDir); err != nil {
		return err
	}
	if p.signIns, err = privateSecrets(w, p.dir); err != nil {
		return err
	}
	p.logFile, err = os.OpenFile(filepath.Join(p.dir, "service.log"), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	return err
}

// privateSecrets are the settings of signing in, with the key of second factors, which is made where the folder has none.
func privateSecrets(w world, dir string) (signIns, error) {
	s, path := privateSignIns, filepath.Join(dir, "second-factor.key")
	file, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		line, err := factor.NewLine(w.random, "private")
		if err != nil {
			return s, err
		}
		file = []byte(line)
		if err := os.WriteFile(path, file, 0o600); err != nil {
			return s, err
		}
	} else if err != nil {
		return s, err
	}
	s.secrets, err = factor.Read(file)
	return s, err
}

// folderMark is the file that a folder made by ownFolder holds.
const folderMark = "made-by-ponderal-demo"

// ownFolder makes a folder, or takes one that is empty or that it made before; it refuses any other, so that nobody's files get mixed in.
func ownFolder(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	mark := filepath.Join(dir, folderMark)
	if _, err := os.Stat(mark); err != nil && len(entries) > 0 {
		return fmt.Errorf("keep data in %s: the folder is not empty and was not made by the demonstration: name a new one", dir)
	}
	return os.WriteFile(mark, nil, 0o644)
}

func (p *private) serviceURL() string {
	return p.pg.RoleURL(migrations.ServiceRole, p.pg.ServicePassword(), p.database)
}

// networkAdmin makes a token of the network, as an operator at the machine's console.
func (p *private) networkAdmin(ctx context.Context, w world, label string) (string, error) {
	_, secret, err := p.cases.BootstrapToken(ctx, casework.NewToken{Label: label, Roles: []record.Role{record.RoleNetworkAdmin},
		ExpiresAt: record.TimeOf(w.now().Add(7 * 24 * time.Hour))})
	return secret, err
}

// close ends the service, then Postgres, and removes what is temporary. It may be called on what was half started.
func (p *private) close() error {
	var calls []func() error
	if p.service != nil {
		calls = append(calls, p.service.stop)
	}
	if p.pg != nil {
		calls = append(calls, func() error {
			ctx, cancel := context.WithTimeout(context.Background(), usualStop)
			defer cancel()
			return p.pg.Close(ctx)
		})
	}
	if p.logFile != nil {
		calls = append(calls, p.logFile.Close)
	}
	if p.temporary && p.dir != "" {
		calls = append(calls, func() error { return os.RemoveAll(p.dir) })
	}
	return joined(calls...)
}
