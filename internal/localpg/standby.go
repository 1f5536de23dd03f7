package localpg

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
)

// standbyName is how a standby calls itself, and how its primary names it in synchronous_standby_names.
const standbyName = "ponderal_standby"

// Standby makes a copy of a private server that follows it, and makes the server wait for it: no commit is answered before the standby has it on its
// disk. Settings are those of the standby. It ends like any other server, by Close; Promote makes it the primary.
func (s *Server) Standby(ctx context.Context, settings ...string) (*Server, error) {
	if s.running == nil {
		return nil, errNotPrivate
	}
	primary := s.running.cluster
	o := primary.opts
	o.KeepDir, o.Settings = "", settings
	f, err := newTempFolder(o, primary.acc)
	if err != nil {
		return nil, fmt.Errorf("make standby: %w", err)
	}
	// It is the same cluster with the same roles.
	f.secrets = s.secrets
	c := &cluster{opts: o, acc: primary.acc, programs: primary.programs, folder: f, pickPort: freePort}
	pm, err := c.follow(ctx, primary)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("make standby: %w", err), f.release())
	}
	standby := c.server(pm)
	if err := s.awaitStandby(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("make standby: %w", err), standby.Close(ctx))
	}
	return standby, nil
}

// follow copies the primary's data and starts on it.
func (c *cluster) follow(ctx context.Context, primary *cluster) (*postmaster, error) {
	source := fmt.Sprintf("host=127.0.0.1 port=%d user=%s application_name=%s sslmode=disable", primary.port, superuser, standbyName)
	args := []string{"-D", c.folder.join(dataName), "-d", source, "-X", "stream", "-c", "fast", "-R", "--no-password", "--no-sync"}
	cmd := exec.CommandContext(ctx, c.programs.path("pg_basebackup"), args...)
	c.prepare(cmd)
	// -R keeps what it connected with, for the standby's own connection.
	cmd.Env = append(cmd.Env, "PGPASSWORD="+c.folder.secrets.Superuser)
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("copy the primary: %w: %s", err, tail(string(out)))
	}
	return c.startOnFreePort(ctx)
}

// awaitStandby makes commits wait for the standby, and returns when it keeps step.
func (s *Server) awaitStandby(ctx context.Context) error {
	return s.asAdmin(ctx, func(conn *pgx.Conn) error {
		for _, statement := range []string{"ALTER SYSTEM SET synchronous_standby_names = '" + standbyName + "'", "SELECT pg_catalog.pg_reload_conf()"} {
			if _, err := conn.Exec(ctx, statement); err != nil {
				return fmt.Errorf("wait for the standby at each commit: %w", err)
			}
		}
		const inStep = `SELECT EXISTS (SELECT FROM pg_catalog.pg_stat_replication WHERE application_name = $1 AND sync_state = 'sync')`
		return poll(ctx, conn, inStep, standbyName)
	})
}

// Promote makes a standby the primary, and returns when it takes writes. It waits for no standby of its own.
func (s *Server) Promote(ctx context.Context) error {
	return s.asAdmin(ctx, func(conn *pgx.Conn) error {
		if _, err := conn.Exec(ctx, "SELECT pg_catalog.pg_promote(false)"); err != nil {
			return fmt.Errorf("promote: %w", err)
		}
		return poll(ctx, conn, "SELECT NOT pg_catalog.pg_is_in_recovery()")
	})
}

// poll asks a yes or no question until the answer is yes.
func poll(ctx context.Context, conn *pgx.Conn, question string, args ...any) error {
	for {
		var yes bool
		if err := conn.QueryRow(ctx, question, args...).Scan(&yes); err != nil {
			return fmt.Errorf("ask the server: %w", err)
		}
		if yes {
			return nil
		}
		if err := pauseFor(ctx); err != nil {
			return err
		}
	}
}

// Address is where a server that is started here listens, host:port.
func (s *Server) Address() string {
	if s.running == nil {
		return s.admin.Host
	}
	return "127.0.0.1:" + strconv.Itoa(s.running.cluster.port)
}

func pauseFor(ctx context.Context) error {
	timer := time.NewTimer(pollEvery)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return fmt.Errorf("wait for the server: %w", ctx.Err())
	case <-timer.C:
		return nil
	}
}
