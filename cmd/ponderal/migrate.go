package main

import (
	"bytes"
	"context"
	"fmt"
	"os"

	"ponderal.example/migrations"
)

// ownerURLVariable names the database as the role that owns the schema: for migrate and for nothing else.
const ownerURLVariable = "PONDERAL_OWNER_DATABASE_URL"

func migrateCommand() command {
	return command{
		name:      "migrate",
		arguments: "[up|down|version]",
		about:     "Bring the database schema to what this build expects.",
		detail: `up (the usual) applies what is lacking. down takes everything back: all data is lost, so it wants -erase-all-data.
version says where the database stands. The database is named by ` + ownerURLVariable + ` or -url, as the
role that is to own the schema; the service itself logs in as ` + migrations.ServiceRole + `, which owns nothing.`,
		examples: []string{ownerURLVariable + "=postgres://ponderal_owner@db.example/ponderal ponderal migrate", "ponderal migrate -service-password-file /run/secrets/service up", "ponderal migrate version"},
		run:      runMigrate,
	}
}

func runMigrate(ctx context.Context, w world, f *flags) error {
	url := f.String("url", "", "database `URL` of the owner (usually "+ownerURLVariable+", so that other users do not see it)")
	passwordFile := f.String("service-password-file", "", "after up, let "+migrations.ServiceRole+" log in with the password in `FILE`")
	erase := f.Bool("erase-all-data", false, "with down: yes, all data is to be lost")
	if err := f.read(0, 1); err != nil {
		return err
	}
	if *url == "" {
		*url = w.env(ownerURLVariable)
	}
	if *url == "" {
		return usagef("which database? Set %s or give -url", ownerURLVariable)
	}
	switch action := f.Arg(0); action {
	case "", "up":
		return migrateUp(ctx, w, *url, *passwordFile)
	case "down":
		if !*erase {
			return usagef("down loses all data; if that is meant, add -erase-all-data")
		}
		if err := migrations.Down(ctx, *url); err != nil {
			return err
		}
	case "version":
	default:
		return usagef("there is no %q%s", action, nearest(action, []string{"up", "down", "version"}))
	}
	return sayVersion(ctx, w, *url)
}

func migrateUp(ctx context.Context, w world, url, passwordFile string) error {
	var password []byte
	if passwordFile != "" {
		var err error
		if password, err = os.ReadFile(passwordFile); err != nil {
			return fmt.Errorf("read service password: %w", err)
		}
		password = bytes.TrimRight(password, "\r\n")
	}
	if err := migrations.Up(ctx, url); err != nil {
		return err
	}
	if passwordFile != "" {
		if err := migrations.GrantLogin(ctx, url, string(password)); err != nil {
			return err
		}
	}
	return sayVersion(ctx, w, url)
}

func sayVersion(ctx context.Context, w world, url string) error {
	version, dirty, err := migrations.Version(ctx, url)
	if err != nil {
		return err
	}
	latest, err := migrations.Latest()
	if err != nil {
		return err
	}
	fmt.Fprintf(w.stdout, "database schema %d; this build expects %d\n", version, latest)
	if dirty {
		return fmt.Errorf("a migration was cut short: the schema is in an unknown state")
	}
	return nil
}
