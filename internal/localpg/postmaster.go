package localpg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"time"
)

const (
	gracefulStop = 10 * time.Second
	hardStop     = 5 * time.Second
)

// postmaster is a running Postgres that this process started.
type postmaster struct {
	cmd    *exec.Cmd
	exited chan struct{} // closed when the process is gone; err is set before
	err    error
}

// runPostmaster starts cmd and watches it. One goroutine starts and awaits the
// child on one locked thread, because on Linux the child is bound to the life of
// the thread that started it, and the runtime may end idle threads.
func runPostmaster(cmd *exec.Cmd) (*postmaster, error) {
	p := &postmaster{cmd: cmd, exited: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		p.err = cmd.Wait()
		close(p.exited)
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start postgres: %w", err)
	}
	return p, nil
}

// stop ends the process and returns when it is gone: in good order while ctx
// lasts (unless the data is to be thrown away anyway), then hard, then killed.
// Only the last is an error.
func (p *postmaster) stop(ctx context.Context, throwAway bool) error {
	if !throwAway && ctx.Err() == nil {
		if p.signal(signalFast) == nil && p.await(ctx, gracefulStop) {
			return nil
		}
	}
	if p.signal(signalHard) == nil && p.await(context.WithoutCancel(ctx), hardStop) {
		return nil
	}
	if p.gone() {
		return nil
	}
	if err := p.cmd.Process.Kill(); err != nil {
		return fmt.Errorf("kill postgres: %w", err)
	}
	<-p.exited
	return errors.New("postgres did not stop when asked and was killed")
}

func (p *postmaster) signal(send func(*os.Process) error) error { return send(p.cmd.Process) }

func (p *postmaster) await(ctx context.Context, limit time.Duration) bool {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-p.exited:
		return true
	case <-ctx.Done():
	case <-timer.C:
	}
	return p.gone()
}

func (p *postmaster) gone() bool {
	select {
	case <-p.exited:
		return true
	default:
		return false
	}
}
