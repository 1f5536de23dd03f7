package load

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"
)

// ready starts the service several times.
func (r *run) ready(ctx context.Context) (Row, error) {
	took := timing{}
	for i := range r.o.Starts {
		s, err := r.o.Start(ctx, r.o.Database)
		if err != nil {
			return Row{}, err
		}
		if err := s.Stop(); err != nil {
			return Row{}, err
		}
		took.each = append(took.each, s.ReadyAfter)
		r.say("  start %d: %s\n", i+1, s.ReadyAfter.Round(time.Millisecond))
	}
	return Row{Value: took.percentile(50), Kind: aimMilliseconds, Aim: 300,
		Note: fmt.Sprintf("median of %d starts, p95 %.0f ms", r.o.Starts, took.percentile(95))}, nil
}

// memory pushes over 16 connections and reads the largest resident size of that time.
func (r *run) memory(ctx context.Context) (Row, error) {
	if err := r.warmed(ctx); err != nil {
		return Row{}, err
	}
	note := "VmHWM since the service's start"
	if err := resetPeak(r.service.PID); err == nil {
		note = "VmHWM of this row"
	}
	p, err := newPusher(r.o.Now, r.service.GRPC, 16)
	if err != nil {
		return Row{}, err
	}
	defer p.close()
	if _, err := p.run(ctx, makeBatch(r.o, r.sites, r.o.Sessions)); err != nil {
		return Row{}, fmt.Errorf("push: %w", err)
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", r.service.PID))
	if err != nil {
		return Row{}, fmt.Errorf("read the service's memory (it needs Linux; name the other rows with -row): %w", err)
	}
	peak, err := statusMB(string(status), "VmHWM")
	if err != nil {
		return Row{}, err
	}
	now, err := statusMB(string(status), "VmRSS")
	return Row{Value: peak, Kind: aimMegabytes, Aim: 150, Note: fmt.Sprintf("%s, %d sessions; VmRSS at its end %.0f MB", note, r.o.Sessions, now)}, err
}

// resetPeak makes the largest resident size of a process its present one (proc(5), clear_refs).
func resetPeak(pid int) error {
	return os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", pid), []byte("5"), 0)
}

// statusMB is a size in /proc/PID/status in megabytes (10⁶ bytes); there it stands in units of 1024 bytes.
func statusMB(status, name string) (float64, error) {
	for line := range strings.Lines(status) {
		value, ok := strings.CutPrefix(line, name+":")
		if !ok {
			continue
		}
		kib, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(value), " kB"), 64)
		if err != nil {
			return 0, fmt.Errorf("read %s: %w", name, err)
		}
		return kib * 1024 / 1e6, nil
	}
	return 0, fmt.Errorf("read the service's memory: no %s in its status", name)
}

// answerOf sends a request and returns the body of its answer, which must be a success.
func answerOf(client *http.Client, request *http.Request) (body []byte, err error) {
	answer, err := client.Do(request)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, answer.Body.Close()) }()
	if body, err = io.ReadAll(answer.Body); err != nil {
		return nil, err
	}
	if answer.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s %s: %s: %s", request.Method, request.URL.Path, answer.Status, body)
	}
	return body, nil
}
