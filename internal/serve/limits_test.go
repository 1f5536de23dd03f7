package serve

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
)

// still is a clock that a test moves.
type still struct {
	mu sync.Mutex
	at time.Time
}

func newStill() *still { return &still{at: time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)} }

func (c *still) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *still) move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

func (c *still) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

// limited serves with limits, over counts that may be shared.
func limited(t *testing.T, clock *still, shared *counts, perMinute, addressPerMinute int, proxies ...string) *running {
	t.Helper()
	found := &cases{getClient: func(context.Context, authn.Principal, string) (record.Stored[record.Client], error) {
		return stored(record.Client{ID: clientID}), nil
	}}
	return start(t, found, func(o *Options) {
		o.Now = clock.now
		o.RateLimits = rpc.RateLimits{PerMinute: perMinute, AddressPerMinute: addressPerMinute, Shared: shared}
		for _, p := range proxies {
			o.RateLimits.TrustedProxies = append(o.RateLimits.TrustedProxies, netip.MustParsePrefix(p))
		}
	})
}

// get calls a method with the good token and says whether it was let through, over either transport.
func (r *running) get(t *testing.T, over string, headers ...string) bool {
	t.Helper()
	if over == "REST" {
		a := r.rest(t, "GET", "/v1/clients/"+clientID, "", headers...)
		if a.status != 200 && a.status != 429 {
			t.Fatalf("%d %s", a.status, a.body)
		}
		return a.status == 200
	}
	ctx := metadata.AppendToOutgoingContext(withToken(t.Context()), headers...)
	_, err := pb.NewClientServiceClient(r.conn).GetClient(ctx, &pb.GetClientRequest{Id: clientID})
	if code := status.Code(err); code != codes.OK && code != codes.ResourceExhausted {
		t.Fatal(err)
	}
	return err == nil
}

// TestLimitIsTold: every answer says how the limits stand, in the form of draft-ietf-httpapi-ratelimit-headers-10 (lists of strings with integer
// parameters, RFC 9651); a refusal is 429 (RFC 6585) with Retry-After (RFC 9110) and the same over gRPC.
func TestLimitIsTold(t *testing.T) {
	clock := newStill()
	r := limited(t, clock, &counts{now: clock.now}, 3, 10)
	for i, want := range []string{`"principal";r=2;t=20, "address";r=9;t=6`, `"principal";r=1;t=40, "address";r=8;t=12`, `"principal";r=0;t=60, "address";r=7;t=18`} {
		a := r.rest(t, "GET", "/v1/clients/"+clientID, "")
		if a.status != 200 || a.header.Get("RateLimit") != want || a.header.Get("RateLimit-Policy") != `"principal";q=3;w=60, "address";q=10;w=60` {
			t.Errorf("call %d: %d %q %q", i+1, a.status, a.header.Values("RateLimit"), a.header.Values("RateLimit-Policy"))
		}
	}
	clock.move(500 * time.Millisecond)
	a := r.rest(t, "GET", "/v1/clients/"+clientID, "")
	st, info := parseStatus(t, a)
	if a.status != 429 || info.GetReason() != "RATE_LIMITED" || st.GetCode() != int32(codes.ResourceExhausted) {
		t.Errorf("%d %s", a.status, a.body)
	}
	if got := a.header.Get("Retry-After"); got != "20" || a.header.Get("RateLimit") != `"principal";r=0;t=20, "address";r=6;t=24` || a.header.Get("RateLimit-Policy") == "" {
		t.Errorf("Retry-After %q, RateLimit %q", got, a.header.Get("RateLimit"))
	}
	var header metadata.MD
	_, err := pb.NewClientServiceClient(r.conn).GetClient(withToken(t.Context()), &pb.GetClientRequest{Id: clientID}, grpc.Header(&header))
	retry := time.Duration(0)
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.RetryInfo); ok {
			retry = i.GetRetryDelay().AsDuration()
		}
	}
	if status.Code(err) != codes.ResourceExhausted || retry != 19500*time.Millisecond {
		t.Errorf("over gRPC: %v, retry after %v", err, retry)
	}
	if got := header.Get(rpc.MetaRateLimit); len(got) != 1 || got[0] != `"principal";r=0;t=20, "address";r=5;t=30` || len(header.Get(rpc.MetaRateLimitPolicy)) != 1 {
		t.Errorf("metadata %v", header)
	}
	// Without a credential the address alone is told of.
	a = r.rest(t, "GET", "/v1/keys", "")
	if a.status != 200 || a.header.Get("RateLimit") != `"address";r=4;t=36` || a.header.Get("RateLimit-Policy") != `"address";q=10;w=60` {
		t.Errorf("public: %d %q", a.status, a.header.Get("RateLimit"))
	}
	// Exactly when the answer said, the next is let through.
	clock.move(19500*time.Millisecond - time.Microsecond)
	if r.get(t, "REST") {
		t.Error("let through a moment early")
	}
	clock.move(time.Microsecond)
	if !r.get(t, "gRPC") || r.get(t, "REST") {
		t.Error("after the wait one is let through, and not two")
	}
	if !strings.Contains(r.rest(t, "GET", "/metrics", "").body, `ponderal_rate_limited_total{limit="principal"} 4`) {
		t.Error("refusals are not counted")
	}
}

var oneItem = regexp.MustCompile(`^"address";r=[0-9]{1,15};t=[0-9]{1,15}$`)

// TestTwoServersTogether: two replicas over one count let exactly the limit through, over either transport, and so for an address.
func TestTwoServersTogether(t *testing.T) {
	for name, of := range map[string][2]int{"holder": {10, 1000}, "address": {1000, 10}} {
		clock := newStill()
		shared := &counts{now: clock.now}
		two := []*running{limited(t, clock, shared, of[0], of[1]), limited(t, clock, shared, of[0], of[1])}
		for minute := range 3 {
			passed := 0
			for i := range 60 {
				if two[i%2].get(t, []string{"REST", "gRPC"}[i/2%2]) {
					passed++
				}
			}
			if passed != 10 {
				t.Errorf("%s: %d in minute %d, want 10", name, passed, minute)
			}
			clock.move(time.Minute)
		}
	}
}

// TestRefusedCredentialsCount: a credential that is refused counts eleven times, each time at the shared count, so that guessing ends soon; its answer
// tells of the address.
func TestRefusedCredentialsCount(t *testing.T) {
	clock := newStill()
	r := limited(t, clock, &counts{now: clock.now}, 1000, 19)
	a := r.rest(t, "GET", "/v1/clients/"+clientID, "", "Authorization", "Bearer guess")
	if a.status != 401 || !oneItem.MatchString(a.header.Get("RateLimit")) {
		t.Errorf("%d %q", a.status, a.header.Get("RateLimit"))
	}
	passed := 0
	for range 20 {
		if r.get(t, "gRPC") {
			passed++
		}
	}
	if passed != 19-11 {
		t.Errorf("%d calls after a refused credential, want 8", passed)
	}
	a = r.rest(t, "GET", "/v1/clients/"+clientID, "", "Authorization", "Bearer guess")
	if _, info := parseStatus(t, a); a.status != 429 || info.GetReason() != "RATE_LIMITED" || !oneItem.MatchString(a.header.Get("RateLimit")) {
		t.Errorf("a further guess: %d %s %q", a.status, a.body, a.header.Get("RateLimit"))
	}
}

// TestNoCountNoCall: where nothing can be counted nothing is answered, neither a call nor a refusal of a credential.
func TestNoCountNoCall(t *testing.T) {
	clock := newStill()
	shared := &counts{now: clock.now, fail: fault.Wrap(fault.Unavailable, "STORE_UNAVAILABLE", "later", errors.New("private"))}
	r := limited(t, clock, shared, 10, 10)
	for _, token := range []string{"good", "guess"} {
		a := r.rest(t, "GET", "/v1/clients/"+clientID, "", "Authorization", "Bearer "+token)
		if _, info := parseStatus(t, a); a.status != 503 || info.GetReason() != "STORE_UNAVAILABLE" || strings.Contains(a.body, "private") {
			t.Errorf("%s: %d %s", token, a.status, a.body)
		}
	}
	if a := r.rest(t, "GET", "/v1/keys", ""); a.status != 503 {
		t.Errorf("public: %d", a.status)
	}
	// Health does not hang on it, so that a server is not taken away because of one caller.
	if _, err := healthpb.NewHealthClient(r.conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Error(err)
	}
	shared.mu.Lock()
	shared.fail = nil
	shared.mu.Unlock()
	if !r.get(t, "REST") {
		t.Error("refused afterwards")
	}
}

// TestAddressIsThePeers: nothing that a caller says makes it another address; where the peer is a trusted proxy, the right-most hop that is none does.
func TestAddressIsThePeers(t *testing.T) {
	const forwarded, internal = "X-Forwarded-For", rpc.MetaPeerAddress
	claims := [][]string{
		{forwarded, "198.51.100.1"}, {forwarded, "198.51.100.2"}, {"Grpc-Metadata-" + forwarded, "198.51.100.3"}, {internal, "198.51.100.4"},
		{"Grpc-Metadata-" + internal, "198.51.100.5"}, {"Grpc-Metadata-" + internal + "-bin", "MTk4LjUxLjEwMC41"}, {"Forwarded", "for=198.51.100.6"},
		{"X-Real-Ip", "198.51.100.7"},
	}
	for _, over := range []string{"REST", "gRPC"} {
		clock := newStill()
		r := limited(t, clock, &counts{now: clock.now}, 1000, 5)
		passed := 0
		for _, claim := range claims {
			if r.get(t, over, strings.ToLower(claim[0]), claim[1]) {
				passed++
			}
		}
		if passed != 5 {
			t.Errorf("over %s callers of one address got %d calls by claiming others, want 5", over, passed)
		}
		clock = newStill()
		r = limited(t, clock, &counts{now: clock.now}, 1000, 2, "127.0.0.0/8")
		for _, tt := range []struct {
			claim string
			want  bool
		}{
			{"198.51.100.1", true}, {"198.51.100.1", true}, {"198.51.100.1", false}, {"198.51.100.2", true},
			// Whatever stands left of the right-most hop that is no proxy is that caller's word.
			{"198.51.100.9, 198.51.100.1", false}, {"198.51.100.1, 127.0.0.9", false}, {"198.51.100.9, 198.51.100.2, 127.0.0.9", true}, {"198.51.100.2", false},
		} {
			if got := r.get(t, over, strings.ToLower(forwarded), tt.claim); got != tt.want {
				t.Errorf("over %s through a proxy, %s: %v, want %v", over, tt.claim, got, tt.want)
			}
		}
	}
}

// TestHeadersCannotBeInjected: raw requests with line breaks in values, repeated names, and names that only the gateway may use. Each counts against the
// true address or is refused before it is a call, and none authenticates.
func TestHeadersCannotBeInjected(t *testing.T) {
	clock := newStill()
	r := limited(t, clock, &counts{now: clock.now}, 1000, 2)
	for name, tt := range map[string]struct {
		lines string
		want  []int
	}{
		"good":                  {"Authorization: Bearer good\r\n", []int{200, 200, 429}},
		"repeated":              {"X-Ponderal-Peer-Address: 198.51.100.1\r\nX-Ponderal-Peer-Address: 198.51.100.2\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"repeated, prefixed":    {"Grpc-Metadata-X-Ponderal-Peer-Address: 198.51.100.1\r\ngrpc-metadata-x-ponderal-peer-address: ::1\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"folded":                {"X-A: b\r\n X-Ponderal-Peer-Address: 198.51.100.1\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"a bare line feed":      {"X-A: b\nX-Ponderal-Peer-Address: 198.51.100.1\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"a bare return":         {"X-A: b\rX-Ponderal-Peer-Address: 198.51.100.1\r\nAuthorization: Bearer good\r\n", []int{400}},
		"in a request id":       {"X-Request-Id: a%0d%0ax-ponderal-peer-address: 198.51.100.1\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"named by a connection": {"Connection: X-Ponderal-Peer-Address\r\nX-Ponderal-Peer-Address: 198.51.100.1\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"a certificate": {fmt.Sprintf("X-Ponderal-Peer-Certificate: %064x 4102444800\r\nGrpc-Metadata-X-Ponderal-Peer-Certificate: %064x 4102444800\r\n", 1, 1),
			[]int{401, 429}},
		"authorized by a prefix":             {"Grpc-Metadata-Authorization: Bearer good\r\n", []int{401, 429}},
		"authorized twice, once by a prefix": {"Grpc-Metadata-Authorization: Bearer other\r\nAuthorization: Bearer good\r\n", []int{200, 200, 429}},
		"twice authorized":                   {"Authorization: Bearer good\r\nAuthorization: Bearer good\r\n", []int{401, 429}},
	} {
		clock.move(time.Hour)
		for i, want := range tt.want {
			if got := rawStatus(t, r.REST, tt.lines); got != want {
				t.Errorf("%s, request %d: %d, want %d", name, i+1, got, want)
			}
		}
	}
}

// rawStatus sends the lines of a header as they are and returns the status of the answer.
func rawStatus(t *testing.T, address, lines string) int {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := fmt.Fprintf(conn, "GET /v1/clients/%s HTTP/1.1\r\nHost: x\r\n%sConnection: close\r\n\r\n", clientID, lines); err != nil {
		t.Fatal(err)
	}
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode
}

// TestNoLimitIsRefused: 0 is not off.
func TestNoLimitIsRefused(t *testing.T) {
	good := rpc.RateLimits{PerMinute: 1, AddressPerMinute: 1, Shared: &counts{now: time.Now}}
	for name, change := range map[string]func(*rpc.RateLimits){
		"good": nil, "holder": func(l *rpc.RateLimits) { l.PerMinute = 0 }, "address": func(l *rpc.RateLimits) { l.AddressPerMinute = 0 },
		"less than none": func(l *rpc.RateLimits) { l.PerMinute = -1 }, "no counts": func(l *rpc.RateLimits) { l.Shared = nil },
	} {
		o := options(&cases{}, &safeLog{})
		if o.RateLimits = good; change != nil {
			change(&o.RateLimits)
		}
		s, err := New(o)
		if (err == nil) != (change == nil) {
			t.Errorf("%s: %v", name, err)
		}
		if err == nil {
			if err := s.gateway.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}
