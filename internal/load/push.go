package load

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// item is one session with the token that pushes it.
type item struct {
	token   string
	clinic  string
	request *ponderalv1.PushSessionRequest
}

// pusher holds one gRPC connection a worker.
type pusher struct {
	now   func() time.Time
	conns []*grpc.ClientConn
}

func newPusher(o Options, connections int) (*pusher, error) {
	p := &pusher{now: o.Now}
	for range connections {
		c, err := grpc.NewClient(o.GRPCAddress, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			p.close()
			return nil, fmt.Errorf("dial %s: %w", o.GRPCAddress, err)
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
		client := ponderalv1.NewSessionServiceClient(p.conns[worker])
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+it.token)
		got, err := client.PushSession(ctx, it.request)
		if err != nil {
			return err
		}
		if got.GetOutcome() != ponderalv1.PushSessionResponse_OUTCOME_STORED {
			return fmt.Errorf("session %s: %v, want stored", it.request.GetSession().GetId(), got.GetOutcome())
		}
		return nil
	})
}

// inParallel does count jobs by workers and times each; the first error ends it.
func inParallel(ctx context.Context, now func() time.Time, workers, count int, job func(ctx context.Context, worker, i int) error) (timing, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	took := make([]time.Duration, count)
	var next atomic.Int64
	var wait sync.WaitGroup
	start := now()
	for w := range workers {
		wait.Go(func() {
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= count {
					return
				}
				began := now()
				if err := job(ctx, w, i); err != nil {
					cancel(err)
					return
				}
				took[i] = now().Sub(began)
			}
		})
	}
	wait.Wait()
	if err := context.Cause(ctx); err != nil {
		return timing{}, err
	}
	return timing{wall: now().Sub(start), each: took}, nil
}
