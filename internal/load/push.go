package load

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// slicesPerRow each do their part by the service and by its limit; a disturbed slice does not move the median of their ratios.
const slicesPerRow = 9

// item is one session with the token that pushes it.
type item struct {
	token   string
	clinic  string
	request *ponderalv1.PushSessionRequest
}

func (r *run) push16(ctx context.Context) (Row, error) { return r.push(ctx, 16) }
func (r *run) push1(ctx context.Context) (Row, error)  { return r.push(ctx, 1) }

// push compares pushes over gRPC with raw COPY of the rows that they stored.
func (r *run) push(ctx context.Context, connections int) (Row, error) {
	if err := r.warmed(ctx); err != nil {
		return Row{}, err
	}
	p, err := newPusher(r.o.Now, r.service.GRPC, connections)
	if err != nil {
		return Row{}, err
	}
	defer p.close()
	parts, err := r.inSlices(r.o.Sessions, func(batch []item) (s slice, err error) {
		if s.service, err = p.run(ctx, batch); err != nil {
			return s, fmt.Errorf("push: %w", err)
		}
		rows, err := r.raw.read(ctx, batch)
		if err != nil {
			return s, fmt.Errorf("read what was stored: %w", err)
		}
		if s.limit, err = r.raw.copy(ctx, rows, connections); err != nil {
			return s, fmt.Errorf("raw copy: %w", err)
		}
		return s, nil
	})
	row := newRow("sessions", "push", 0.5, parts)
	row.Note = fmt.Sprintf("%d sessions over %d clinics; limit: the same session and trial rows, one transaction a session, same indexes", r.o.Sessions, r.o.Clinics)
	return row, err
}

// rest16 compares pushes over REST with those over gRPC.
func (r *run) rest16(ctx context.Context) (Row, error) {
	if err := r.warmed(ctx); err != nil {
		return Row{}, err
	}
	const connections = 16
	p, err := newPusher(r.o.Now, r.service.GRPC, connections)
	if err != nil {
		return Row{}, err
	}
	defer p.close()
	web := newPoster(r.o.Now, r.service.REST, connections)
	defer web.close()
	if _, err := web.run(ctx, makeBatch(r.o, r.sites, connections)); err != nil {
		return Row{}, fmt.Errorf("push over REST: %w", err)
	}
	parts, err := r.inSlices(r.o.Sessions, func(batch []item) (s slice, err error) {
		if s.service, err = web.run(ctx, batch); err != nil {
			return s, fmt.Errorf("push over REST: %w", err)
		}
		if s.limit, err = p.run(ctx, makeBatch(r.o, r.sites, len(batch))); err != nil {
			return s, fmt.Errorf("push: %w", err)
		}
		return s, nil
	})
	row := newRow("sessions", "push", 0.6, parts)
	row.Note = fmt.Sprintf("%d sessions each way; limit: gRPC", r.o.Sessions)
	return row, err
}

// inSlices does a row's slices, each over sessions of its own.
func (r *run) inSlices(count int, do func(batch []item) (slice, error)) ([]slice, error) {
	var parts []slice
	done := 0
	for part := range slicesPerRow {
		n := partOf(count, part, slicesPerRow)
		if n == 0 {
			continue
		}
		s, err := do(makeBatch(r.o, r.sites, n))
		if err != nil {
			return nil, err
		}
		parts = append(parts, s)
		done += n
		r.say("  %d of %d sessions\n", done, count)
	}
	return parts, nil
}

// pusher holds one gRPC connection a worker.
type pusher struct {
	now   func() time.Time
	conns []*grpc.ClientConn
}

func newPusher(now func() time.Time, address string, connections int) (*pusher, error) {
	p := &pusher{now: now}
	for range connections {
		c, err := dial(address)
		if err != nil {
			p.close()
			return nil, err
		}
		p.conns = append(p.conns, c)
	}
	return p, nil
}

func (p *pusher) close() {
	for _, c := range p.conns {
		c.Close()
	}
}

// run pushes the batch, one request in flight a connection. Every push must be answered as newly stored.
func (p *pusher) run(ctx context.Context, batch []item) (timing, error) {
	return inParallel(ctx, p.now, len(p.conns), len(batch), func(ctx context.Context, worker, i int) error {
		it := batch[i]
		got, err := ponderalv1.NewSessionServiceClient(p.conns[worker]).PushSession(as(ctx, it.token), it.request)
		if err != nil {
			return err
		}
		return newlyStored(it, got)
	})
}

func newlyStored(it item, got *ponderalv1.PushSessionResponse) error {
	if got.GetOutcome() != ponderalv1.PushSessionResponse_OUTCOME_STORED {
		return fmt.Errorf("session %s: %v, want stored", it.request.GetSession().GetId(), got.GetOutcome())
	}
	return nil
}

// poster pushes over REST, one connection a worker.
type poster struct {
	now         func() time.Time
	base        string
	connections int
	client      *http.Client
}

func newPoster(now func() time.Time, base string, connections int) *poster {
	return &poster{now: now, base: base, connections: connections,
		client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: connections, MaxConnsPerHost: connections}}}
}

func (p *poster) close() { p.client.CloseIdleConnections() }

func (p *poster) run(ctx context.Context, batch []item) (timing, error) {
	bodies := make([]string, len(batch))
	for i, it := range batch {
		text, err := protojson.Marshal(it.request)
		if err != nil {
			return timing{}, err
		}
		bodies[i] = string(text)
	}
	return inParallel(ctx, p.now, p.connections, len(batch), func(ctx context.Context, _, i int) error {
		answer, err := p.post(ctx, batch[i].token, bodies[i])
		if err != nil {
			return err
		}
		var got ponderalv1.PushSessionResponse
		if err := protojson.Unmarshal(answer, &got); err != nil {
			return fmt.Errorf("read the answer: %w", err)
		}
		return newlyStored(batch[i], &got)
	})
}

func (p *poster) post(ctx context.Context, token, body string) ([]byte, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, p.base+"/v1/sessions", strings.NewReader(body))
	if err != nil {
		return nil, err
	}
	request.Header.Set("Authorization", "Bearer "+token)
	request.Header.Set("Content-Type", "application/json")
	return answerOf(p.client, request)
}

func warmUp(ctx context.Context, o Options, address string, sites []site) error {
	p, err := newPusher(o.Now, address, 2)
	if err != nil {
		return err
	}
	defer p.close()
	if _, err := p.run(ctx, makeBatch(o, sites, 20)); err != nil {
		return fmt.Errorf("warm up: %w", err)
	}
	return nil
}
