package soak

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
)

// child is the service as a process of its own.
type child struct {
	o           Options
	log         string
	databaseURL string
	grpc, rest  string

	cmd    *exec.Cmd
	exited chan struct{}
	clock  string
}

// choosePorts takes two free ports, which the service keeps over restarts.
func (c *child) choosePorts(ctx context.Context) error {
	for _, address := range []*string{&c.grpc, &c.rest} {
		var lc net.ListenConfig
		l, err := lc.Listen(ctx, "tcp4", "127.0.0.1:0")
		if err != nil {
			return fmt.Errorf("find a free port: %w", err)
		}
		*address = l.Addr().String()
		if err := l.Close(); err != nil {
			return fmt.Errorf("free the port: %w", err)
		}
	}
	return nil
}

// start runs the service, with a clock that is off where off is given, and returns when it is ready.
func (c *child) start(ctx context.Context, off *time.Duration) error {
	command := c.o.Command
	if off != nil {
		c.clock = filepath.Join(c.o.Dir, "clock")
		if err := c.setClock(*off); err != nil {
			return err
		}
		command = append(append([]string{}, c.o.ShiftedCommand...), c.clock)
	}
	log, err := os.OpenFile(filepath.Join(c.o.Dir, c.log), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("open the service's log: %w", err)
	}
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Env = append(append([]string{}, c.o.Env...), "PONDERAL_DATABASE_URL="+c.databaseURL, "PONDERAL_GRPC_ADDRESS="+c.grpc, "PONDERAL_REST_ADDRESS="+c.rest)
	cmd.Stdout, cmd.Stderr = log, log
	err = cmd.Start()
	if err := errors.Join(err, log.Close()); err != nil {
		return fmt.Errorf("start the service: %w", err)
	}
	exited := make(chan struct{})
	go func() {
		_ = cmd.Wait()
		close(exited)
	}()
	c.cmd, c.exited = cmd, exited
	return c.ready(ctx)
}

// setClock sets the clock of a service that was started with one of its own.
func (c *child) setClock(off time.Duration) error {
	// Renamed into place, so that it is never read half.
	if err := os.WriteFile(c.clock+".new", []byte(off.String()), 0o600); err != nil {
		return fmt.Errorf("set the service's clock: %w", err)
	}
	return os.Rename(c.clock+".new", c.clock)
}

// kill is kill -9.
func (c *child) kill() {
	if c.cmd == nil {
		return
	}
	_ = c.cmd.Process.Kill()
	<-c.exited
	c.cmd = nil
}

// end asks the service to stop and returns when it has; one that does not is killed, which is an error.
func (c *child) end() error {
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return fmt.Errorf("stop the service: %w", err)
	}
	timer := time.NewTimer(recoverLimit)
	defer timer.Stop()
	select {
	case <-c.exited:
		c.cmd = nil
		return nil
	case <-timer.C:
		c.kill()
		return errors.New("stop the service: it did not end")
	}
}

// ready returns when the service says that it can work.
func (c *child) ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, recoverLimit)
	defer cancel()
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 3 * time.Second}
	for ctx.Err() == nil {
		select {
		case <-c.exited:
			return fmt.Errorf("wait for the service: it ended; its log is %s", filepath.Join(c.o.Dir, c.log))
		default:
		}
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+c.rest+"/readyz", nil)
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
		sleep(ctx, 15*time.Millisecond)
	}
	return fmt.Errorf("wait for the service: %w", ctx.Err())
}
