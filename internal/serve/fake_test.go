package serve

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/limit"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// marker is a text that stands for a person's data: wherever it is sent, it must not come up in the log.
const marker = "MARKER-of-a-person"

const (
	clinicID = "0190a8c4-0000-7000-8000-0000000000c1"
	clientID = "0190a8c4-0000-7000-8000-0000000000d1"
)

// cases is a fake of the use cases: what a test does not set is not called.
type cases struct {
	rpc.Cases
	getClient   func(context.Context, authn.Principal, string) (record.Stored[record.Client], error)
	putClient   func(context.Context, authn.Principal, record.Client, int) (record.Stored[record.Client], error)
	pushSession func(context.Context, authn.Principal, record.Session) (casework.Pushed, error)
	listClients func(context.Context, authn.Principal, record.Page) (record.List[record.Client], error)
}

func (c *cases) GetClient(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Client], error) {
	return c.getClient(ctx, p, id)
}

func (c *cases) PutClient(ctx context.Context, p authn.Principal, v record.Client, expected int) (record.Stored[record.Client], error) {
	return c.putClient(ctx, p, v, expected)
}

func (c *cases) PushSession(ctx context.Context, p authn.Principal, s record.Session) (casework.Pushed, error) {
	return c.pushSession(ctx, p, s)
}

func (c *cases) ListClients(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Client], error) {
	return c.listClients(ctx, p, page)
}

func (c *cases) Keys() []byte { return []byte(`{"keys":[]}`) }

type tokens struct{}

func (tokens) Authenticate(_ context.Context, bearer string) (authn.Principal, error) {
	if bearer != "good" {
		return authn.Principal{}, fault.New(fault.Unauthenticated, "TOKEN_INVALID", "the token is not valid")
	}
	return authn.Principal{TokenID: "token-1", ClinicID: clinicID, Roles: []record.Role{record.RoleEvaluator}}, nil
}

// counts keeps buckets in memory, as the store does for all replicas.
type counts struct {
	mu      sync.Mutex
	now     func() time.Time
	buckets map[[32]byte]*limit.Bucket
	fail    error
	asked   int
}

func (s *counts) TakeTokens(_ context.Context, key [32]byte, want, _, calls int, span time.Duration) (granted, left int, wait time.Duration, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.asked++; s.fail != nil {
		return 0, 0, 0, s.fail
	}
	if s.buckets == nil {
		s.buckets = map[[32]byte]*limit.Bucket{}
	}
	if s.buckets[key] == nil {
		s.buckets[key] = &limit.Bucket{}
	}
	granted, left, wait = s.buckets[key].Take(limit.Policy{Calls: calls, Span: span}, s.now(), want)
	return granted, left, wait, nil
}

// safeLog is a log that goroutines may write to.
type safeLog struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *safeLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *safeLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// running is a started server with callers for both transports.
type running struct {
	*Server
	Addresses
	log  *safeLog
	conn *grpc.ClientConn
	web  *http.Client
}

func options(c rpc.Cases, log *safeLog) Options {
	var ids atomic.Int64
	return Options{
		Cases: c, Authenticator: tokens{}, Ready: func(context.Context) error { return nil },
		GRPCAddress: "127.0.0.1:0", RESTAddress: "127.0.0.1:0",
		Logger:   slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Registry: prometheus.NewRegistry(), Now: time.Now,
		NewRequestID: func() string { return fmt.Sprintf("made-%d", ids.Add(1)) },
		RateLimits:   rpc.RateLimits{PerMinute: 1e6, AddressPerMinute: 1e6, Shared: &counts{now: time.Now}},
	}
}

// start serves c; change may alter the options first. The test's end stops the server, unless the test did.
func start(t *testing.T, c rpc.Cases, change func(*Options)) *running {
	t.Helper()
	r := &running{log: &safeLog{}, web: &http.Client{Transport: &http.Transport{}}}
	o := options(c, r.log)
	if change != nil {
		change(&o)
	}
	var err error
	if r.Server, err = New(o); err != nil {
		t.Fatal(err)
	}
	if r.Addresses, err = r.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if r.conn, err = grpc.NewClient(r.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials())); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.web.CloseIdleConnections()
		if err := r.conn.Close(); err != nil {
			t.Error(err)
		}
		if !r.stopping.Load() {
			ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
			defer cancel()
			if err := r.Stop(ctx); err != nil {
				t.Error(err)
			}
		}
	})
	return r
}

func withToken(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer good")
}

// answer is what REST answered.
type answer struct {
	status int
	header http.Header
	body   string
}

// rest sends a REST request with a good token, and JSON where there is a body.
func (r *running) rest(t *testing.T, method, path, body string, headers ...string) answer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, "http://"+r.REST+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer good")
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	return r.send(t, req)
}

func (r *running) send(t *testing.T, req *http.Request) answer {
	t.Helper()
	resp, err := r.web.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	var body bytes.Buffer
	if _, err := body.ReadFrom(resp.Body); err != nil {
		t.Fatal(err)
	}
	return answer{resp.StatusCode, resp.Header, body.String()}
}
