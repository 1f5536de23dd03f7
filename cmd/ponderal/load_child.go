package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/load"
	"ponderal.example/internal/localpg"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
	"ponderal.example/migrations"
)

const loadLogName = "load.ponderal.example"

// loading is one measurement with what it starts.
type loading struct {
	world world
	// command serves; env is what it needs besides the settings.
	command []string
	env     []string

	dir      string
	keys     keyFolder
	pg       *localpg.Server
	database string
}

// prepare makes keys, server, schema and the first token, as an operator at the machine's console.
func (l *loading) prepare(ctx context.Context) (admin string, err error) {
	if l.dir, err = os.MkdirTemp("", "ponderal-load-"); err != nil {
		return "", err
	}
	keysDir, secretFile := filepath.Join(l.dir, "keys"), filepath.Join(l.dir, "second-factor.key")
	if err := makeKeys(l.world, keysDir); err != nil {
		return "", err
	}
	if l.keys, err = readKeys(keysDir); err != nil {
		return "", err
	}
	secret, err := factor.NewLine(l.world.random, "load")
	if err != nil {
		return "", err
	}
	if err := os.WriteFile(secretFile, []byte(secret), 0o600); err != nil {
		return "", err
	}
	l.env = append(l.env, "PONDERAL_KEYS_FOLDER="+keysDir, "PONDERAL_LOG_NAME="+loadLogName, "PONDERAL_SECOND_FACTOR_KEY_FILE="+secretFile,
		"PONDERAL_RATE_LIMIT_PER_MINUTE=10000000", "PONDERAL_RATE_LIMIT_ADDRESS_PER_MINUTE=10000000")
	l.pg, err = localpg.Start(ctx, localpg.Options{URL: l.world.env(demoURLVariable), Image: l.world.env(demoImageVariable), Random: l.world.random,
		Progress: func(line string) { fmt.Fprintln(l.world.stderr, line) }})
	if err != nil {
		return "", err
	}
	database, ownerURL, err := l.pg.MainDatabase(ctx)
	if err != nil {
		return "", err
	}
	l.database = database
	if err := migrations.Up(ctx, ownerURL); err != nil {
		return "", err
	}
	if err := migrations.GrantLogin(ctx, ownerURL, l.pg.ServicePassword()); err != nil {
		return "", err
	}
	return l.firstToken(ctx)
}

func (l *loading) serviceURL(database string) string {
	return l.pg.RoleURL(migrations.ServiceRole, l.pg.ServicePassword(), database)
}

func (l *loading) firstToken(ctx context.Context) (string, error) {
	st, err := store.Open(ctx, store.Options{URL: l.serviceURL(l.database), MaxConns: 2})
	if err != nil {
		return "", err
	}
	defer st.Close()
	log, err := auditlog.New(ctx, auditlog.Options{Name: loadLogName, Key: l.keys.log, Ring: l.keys.ring, Now: l.world.now, Rand: l.world.random})
	if err != nil {
		return "", err
	}
	cases, err := casework.New(ctx, casework.Options{Store: st, Log: log, ResultKey: l.keys.result, Ring: l.keys.ring, Now: l.world.now, Rand: l.world.random})
	if err != nil {
		return "", err
	}
	_, secret, err := cases.BootstrapToken(ctx, casework.NewToken{Label: "load", Roles: []record.Role{record.RoleNetworkAdmin},
		ExpiresAt: record.TimeOf(l.world.now().Add(7 * 24 * time.Hour))})
	return secret, err
}

// clone copies the database while nobody is connected to it.
func (l *loading) clone(ctx context.Context) (string, error) {
	name, err := l.pg.FreshName("ponderal_grown")
	if err != nil {
		return "", err
	}
	_, err = l.pg.CloneDatabase(ctx, name, l.database)
	return name, err
}

// close ends the server and removes the folder; it stays after an error, for the log in it.
func (l *loading) close(ctx context.Context, failed error) error {
	var err error
	if l.pg != nil {
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), usualStop)
		defer cancel()
		err = l.pg.Close(stop)
	}
	if failed != nil && ctx.Err() == nil {
		fmt.Fprintf(l.world.stderr, "the service's log is in %s\n", l.dir)
		return err
	}
	return errors.Join(err, os.RemoveAll(l.dir))
}

// readyWithin is how long a service may take to start.
const readyWithin = 60 * time.Second

// start starts the service as a process of its own, and returns once it says that it is ready.
func (l *loading) start(ctx context.Context, database string) (load.Service, error) {
	none := load.Service{}
	grpcAddress, err := freeAddress(ctx)
	if err != nil {
		return none, err
	}
	restAddress, err := freeAddress(ctx)
	if err != nil {
		return none, err
	}
	log, err := os.OpenFile(filepath.Join(l.dir, "service.log"), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return none, err
	}
	cmd := exec.Command(l.command[0], l.command[1:]...)
	cmd.Env = append([]string{"PONDERAL_DATABASE_URL=" + l.serviceURL(database), "PONDERAL_GRPC_ADDRESS=" + grpcAddress, "PONDERAL_REST_ADDRESS=" + restAddress}, l.env...)
	cmd.Stdout, cmd.Stderr = log, log
	began := l.world.now()
	if err := errors.Join(cmd.Start(), log.Close()); err != nil {
		return none, fmt.Errorf("start the service: %w", err)
	}
	exited := make(chan struct{})
	go func() {
		_ = cmd.Wait()
		close(exited)
	}()
	stop := func() error { return endChild(cmd, exited) }
	if err := awaitReady(ctx, restAddress, exited); err != nil {
		return none, errors.Join(err, stop())
	}
	return load.Service{GRPC: grpcAddress, REST: "http://" + restAddress, PID: cmd.Process.Pid, ReadyAfter: l.world.now().Sub(began), Stop: stop}, nil
}

func freeAddress(ctx context.Context) (string, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp4", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("find a free port: %w", err)
	}
	return l.Addr().String(), l.Close()
}

// endChild asks the service to stop; one that does not in time is killed, which is an error.
func endChild(cmd *exec.Cmd, exited <-chan struct{}) error {
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("stop the service: %w", err)
	}
	timer := time.NewTimer(2 * usualStop)
	defer timer.Stop()
	select {
	case <-exited:
		return nil
	case <-timer.C:
		_ = cmd.Process.Kill()
		<-exited
		return errors.New("stop the service: it did not end and was killed")
	}
}

// awaitReady asks every few milliseconds whether the service is ready.
func awaitReady(ctx context.Context, address string, exited <-chan struct{}) error {
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 3 * time.Second}
	tick := time.NewTicker(3 * time.Millisecond)
	defer tick.Stop()
	for {
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/readyz", nil)
		if err != nil {
			return fmt.Errorf("ask for readiness: %w", err)
		}
		if answer, err := client.Do(request); err == nil {
			_, _ = io.Copy(io.Discard, answer.Body)
			_ = answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return nil
			}
		}
		select {
		case <-exited:
			return errors.New("wait for the service: it ended before it was ready")
		case <-ctx.Done():
			return fmt.Errorf("wait for the service: %w", ctx.Err())
		case <-tick.C:
		}
	}
}
