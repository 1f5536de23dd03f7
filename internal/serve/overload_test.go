package serve

import (
	"context"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// full is a server whose calls end when released, with the most that were at work at once.
type full struct {
	*running
	release  chan struct{}
	now, top atomic.Int64
}

func startFull(t *testing.T, inFlight int) *full {
	t.Helper()
	f := &full{release: make(chan struct{})}
	held := &cases{getClient: func(ctx context.Context, _ authn.Principal, _ string) (record.Stored[record.Client], error) {
		n := f.now.Add(1)
		defer f.now.Add(-1)
		for top := f.top.Load(); n > top && !f.top.CompareAndSwap(top, n); top = f.top.Load() {
		}
		select {
		case <-f.release:
		case <-ctx.Done():
		}
		return stored(record.Client{ID: clientID}), nil
	}}
	f.running = start(t, held, func(o *Options) { o.Limits.MaxInFlight = inFlight })
	return f
}

// occupy fills every slot.
func (f *full) occupy(t *testing.T, n int) (done *sync.WaitGroup) {
	t.Helper()
	done = &sync.WaitGroup{}
	for range n {
		done.Go(func() {
			if _, err := pb.NewClientServiceClient(f.conn).GetClient(withToken(t.Context()), &pb.GetClientRequest{Id: clientID}); err != nil {
				t.Errorf("a call that was admitted: %v", err)
			}
		})
	}
	for deadline := time.Now().Add(10 * time.Second); f.now.Load() < int64(n); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d of %d calls are at work", f.now.Load(), n)
		}
	}
	return done
}

// TestOverloadIsShed has fifty times as many callers as the server takes. All but those that are at work are sent away soon, with the time after which to come
// back; meanwhile health is told and memory does not grow with the callers; afterwards all is well.
func TestOverloadIsShed(t *testing.T) {
	const inFlight, callers = 4, 200
	f := startFull(t, inFlight)
	working := f.occupy(t, inFlight)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)

	var shed atomic.Int64
	var asking sync.WaitGroup
	for i := range callers {
		asking.Go(func() {
			began := time.Now()
			if i%2 == 0 {
				a := f.rest(t, "GET", "/v1/clients/"+clientID, "")
				seconds, err := strconv.Atoi(a.header.Get("Retry-After"))
				if a.status != 429 || err != nil || seconds < 1 || seconds > 4 {
					t.Errorf("REST: %d, Retry-After %q, want 429 and 1 to 4 seconds", a.status, a.header.Get("Retry-After"))
				}
			} else {
				_, err := pb.NewClientServiceClient(f.conn).GetClient(withToken(t.Context()), &pb.GetClientRequest{Id: clientID})
				if status.Code(err) != codes.ResourceExhausted || retryAfter(err) < time.Second {
					t.Errorf("gRPC: %v, want %v with a time to come back", err, codes.ResourceExhausted)
				}
			}
			if took := time.Since(began); took > 5*time.Second {
				t.Errorf("sent away after %v only", took)
			}
			shed.Add(1)
		})
	}
	if _, err := healthpb.NewHealthClient(f.conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Errorf("health of an overloaded server: %v", err)
	}
	asking.Wait()
	f.web.CloseIdleConnections()
	runtime.GC()
	runtime.ReadMemStats(&after)
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 16<<20 {
		t.Errorf("%d callers that were sent away left %d KiB behind", callers, grown>>10)
	}
	if shed.Load() != callers || f.top.Load() != inFlight {
		t.Errorf("%d of %d were sent away, %d at work at once, want all and %d", shed.Load(), callers, f.top.Load(), inFlight)
	}
	close(f.release)
	working.Wait()
	for _, over := range []string{"gRPC", "REST"} {
		if !f.get(t, over) {
			t.Errorf("after the overload a call over %s is sent away", over)
		}
	}
}

func retryAfter(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if retry, ok := d.(*errdetails.RetryInfo); ok {
			return retry.GetRetryDelay().AsDuration()
		}
	}
	return 0
}
