package localpg

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

// running is the server processes of a private cluster, which may be ended and started again.
type running struct {
	cluster *cluster

	mu sync.Mutex
	pm *postmaster
}

// errNotPrivate: what somebody else runs is not ours to end.
var errNotPrivate = errors.New("local postgres: only a private server made of the programs of this machine can be ended and started again")

// crashLimit is how long killed processes may take to be gone.
const crashLimit = 10 * time.Second

// Crash ends every process of a private server at once and without a word, as kill -9 or a loss of power does. The data stays as it is on the
// disk; Restart recovers it.
func (s *Server) Crash() error {
	if s.running == nil {
		return errNotPrivate
	}
	return s.running.crash()
}

// Restart starts a private server again, on the same port and the same data, after Crash; one that still runs is left alone.
func (s *Server) Restart(ctx context.Context) error {
	if s.running == nil {
		return errNotPrivate
	}
	return s.running.restart(ctx)
}

func (r *running) crash() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.pm.gone() {
		return nil
	}
	if err := killTree(r.pm.cmd.Process.Pid); err != nil {
		return fmt.Errorf("kill postgres: %w", err)
	}
	timer := time.NewTimer(crashLimit)
	defer timer.Stop()
	select {
	case <-r.pm.exited:
		return nil
	case <-timer.C:
		return errors.New("kill postgres: it is still there")
	}
}

func (r *running) restart(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.pm.gone() {
		return nil
	}
	again := *r.cluster
	port := again.port
	again.pickPort = func(context.Context) (int, error) { return port, nil }
	pm, err := again.startOnFreePort(ctx)
	if err != nil {
		return fmt.Errorf("restart postgres: %w", err)
	}
	r.pm = pm
	return nil
}

func (r *running) end(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.pm.gone() {
		return nil
	}
	return r.pm.stop(ctx, !r.cluster.folder.kept)
}
