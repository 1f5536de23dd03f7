package gateway

import (
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"go.uber.org/goleak"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestEveryServiceAndMethodHasARoute(t *testing.T) {
	listed := map[protoreflect.FullName]bool{}
	for _, s := range Services() {
		listed[s.FullName()] = true
	}
	methods := 0
	protoregistry.GlobalFiles.RangeFilesByPackage("ponderal.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			methods += f.Services().Get(i).Methods().Len()
			if name := f.Services().Get(i).FullName(); !listed[name] {
				t.Errorf("%s is not served over REST", name)
			}
		}
		return true
	})
	rs, err := readRoutes(Services())
	if err != nil {
		t.Fatal(err)
	}
	if len(rs) != methods || methods == 0 {
		t.Errorf("%d routes for %d methods", len(rs), methods)
	}
}

func TestAMethodWithoutARouteIsAnError(t *testing.T) {
	health := healthpb.File_grpc_health_v1_health_proto.Services().Get(0)
	if _, err := readRoutes([]protoreflect.ServiceDescriptor{health}); err == nil || !strings.Contains(err.Error(), "grpc.health.v1.Health.Check") {
		t.Errorf("error %v, want one that names the method", err)
	}
}

func TestAllowedAndTakes(t *testing.T) {
	rs, err := readRoutes(Services())
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string][]string{
		"/v1/clients/x": {"GET", "PUT"}, "/v1/clients": {"GET"}, "/v1/clients/x/y": nil, "/v1/results/x:supersede": {"GET", "POST"},
		"/v1/sessions/a/series/1/trials/2:correct": {"POST"},
		"/v1/log/x/tile/0/x001/234.p/5":            {"GET"}, "/v1/log/x/tile/": nil, "/v1/log/x/tile": nil, "/v1/log/x/checkpoint/y": nil,
	} {
		if got := rs.allowed(path); !slices.Equal(got, want) {
			t.Errorf("%s: allowed %v, want %v", path, got, want)
		}
	}
	for _, tt := range []struct {
		route, key string
		want       bool
	}{
		{"GET /v1/members", "page.size", true},
		{"GET /v1/members", "clinic_id", true},
		{"GET /v1/members", "clinicId", true},
		{"GET /v1/members", "page", false},
		{"GET /v1/members", "page.size.x", false},
		{"GET /v1/members", "nothing", false},
		{"GET /v1/audit/entries", "filter.since", true},
		{"GET /v1/audit/export", "filter.until", true},
		{"GET /v1/clients/{client_id=*}/disclosures", "since", true},
		{"GET /v1/audit/entries", "filter", false},
		{"GET /v1/audit/entries", "filter.since.x", false},
		{"PUT /v1/members/{member.id=*}", "expectedRevision", true},
		{"PUT /v1/members/{member.id=*}", "member.name", false},
		{"GET /v1/members/{id=*}", "id", false},
		{"POST /v1/sessions", "session.id", false},
	} {
		r := rs[tt.route]
		if r == nil {
			t.Errorf("no route %s", tt.route)
		} else if got := r.takes(tt.key); got != tt.want {
			t.Errorf("%s takes %s: %v, want %v", tt.route, tt.key, got, tt.want)
		}
	}
}

func TestPipe(t *testing.T) {
	p := NewPipe()
	accepted := make(chan net.Conn)
	go func() {
		c, err := p.Accept()
		if err != nil {
			t.Error(err)
		}
		accepted <- c
	}()
	near, err := p.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	far := <-accepted
	if near.LocalAddr().Network() != p.Addr().Network() {
		t.Errorf("connections are of network %q, the listener of %q", near.LocalAddr().Network(), p.Addr().Network())
	}
	if err := errors.Join(near.Close(), far.Close()); err != nil {
		t.Error(err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := p.Dial(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("dial with nobody there: %v", err)
	}
	if err := errors.Join(p.Close(), p.Close()); err != nil {
		t.Errorf("close twice: %v", err)
	}
	if _, err := p.Accept(); !errors.Is(err, net.ErrClosed) {
		t.Errorf("accept after close: %v", err)
	}
	if _, err := p.Dial(t.Context()); !errors.Is(err, net.ErrClosed) {
		t.Errorf("dial after close: %v", err)
	}
}

func FuzzBody(f *testing.F) {
	f.Add([]byte(`{"givenName":"A"}`))
	f.Add([]byte(`{"givenName":"A"`))
	f.Add([]byte(`{"a":[1,2`))
	f.Fuzz(func(t *testing.T, data []byte) {
		into := &healthpb.HealthCheckRequest{}
		refused := newStrictJSON().decode(strings.NewReader(string(data)), into)
		if refused != nil && (refused.status != 400 || refused.fault.Text == "" || len(refused.fault.Violations) != 1) {
			t.Fatalf("%q: refused as %+v", data, refused)
		}
	})
}
