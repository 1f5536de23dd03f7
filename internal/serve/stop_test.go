package serve

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"math/big"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// gate is a use case that tells when it was entered and waits to be let go.
type gate struct{ entered, release chan struct{} }

func newGate() *gate { return &gate{make(chan struct{}, 8), make(chan struct{})} }

func (g *gate) getClient(ctx context.Context, _ authn.Principal, _ string) (record.Stored[record.Client], error) {
	g.entered <- struct{}{}
	select {
	case <-g.release:
		return stored(record.Client{ID: clientID}), nil
	case <-ctx.Done():
		return record.Stored[record.Client]{}, ctx.Err()
	}
}

func TestStopLetsRequestsFinishAndRefusesNewOnes(t *testing.T) {
	g := newGate()
	r := start(t, &cases{getClient: g.getClient}, nil)
	client := pb.NewClientServiceClient(r.conn)
	overGRPC, overREST := make(chan error, 1), make(chan int, 1)
	go func() {
		_, err := client.GetClient(withToken(t.Context()), &pb.GetClientRequest{Id: clientID})
		overGRPC <- err
	}()
	go func() { overREST <- r.rest(t, "GET", "/v1/clients/"+clientID, "").status }()
	<-g.entered
	<-g.entered
	stopped := make(chan error, 1)
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		stopped <- r.Stop(ctx)
	}()
	waitFor(t, "new calls to be refused", func() bool {
		ctx, cancel := context.WithTimeout(withToken(t.Context()), time.Second)
		defer cancel()
		_, err := client.ListClients(ctx, &pb.ListClientsRequest{})
		return status.Code(err) == codes.Unavailable
	})
	waitFor(t, "new connections to be refused", func() bool {
		conn, err := net.Dial("tcp", r.REST)
		if err == nil {
			_ = conn.Close()
		}
		return err != nil
	})
	select {
	case err := <-stopped:
		t.Fatalf("stopped with requests in flight: %v", err)
	default:
	}
	close(g.release)
	if err := <-overGRPC; err != nil {
		t.Errorf("the call in flight over gRPC: %v", err)
	}
	if got := <-overREST; got != http.StatusOK {
		t.Errorf("the request in flight over REST: %d", got)
	}
	if err := <-stopped; err != nil {
		t.Errorf("stop: %v", err)
	}
}

func TestStopCutsWhatHangs(t *testing.T) {
	g := newGate()
	r := start(t, &cases{getClient: g.getClient}, nil)
	hung := make(chan error, 1)
	go func() {
		_, err := pb.NewClientServiceClient(r.conn).GetClient(withToken(t.Context()), &pb.GetClientRequest{Id: clientID})
		hung <- err
	}()
	<-g.entered
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	began := time.Now()
	err := r.Stop(ctx)
	if err == nil || !strings.Contains(err.Error(), "calls were cut") {
		t.Errorf("stop: %v, want that calls were cut", err)
	}
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("the stop took %v", took)
	}
	if err := <-hung; err == nil {
		t.Error("the hung call was answered")
	}
}

func TestStopDoesNotWaitForWatchers(t *testing.T) {
	r := start(t, &cases{}, nil)
	watch, err := healthpb.NewHealthClient(r.conn).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the watcher to be told that the service serves", func() bool {
		got, err := watch.Recv()
		return err == nil && got.GetStatus() == healthpb.HealthCheckResponse_SERVING
	})
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := r.Stop(ctx); err != nil {
		t.Errorf("stop: %v", err)
	}
}

func waitFor(t *testing.T, what string, done func() bool) {
	t.Helper()
	for range 500 {
		if done() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("waited in vain for %s", what)
}

func TestPlaintextBeyondLoopbackIsRefused(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*Options)
		want   string // empty: served
	}{
		{"loopback", func(*Options) {}, ""},
		{"loopback by name", func(o *Options) { o.RESTAddress = "localhost:0" }, ""},
		{"gRPC everywhere", func(o *Options) { o.GRPCAddress = "0.0.0.0:0" }, "serve gRPC"},
		{"REST everywhere", func(o *Options) { o.RESTAddress = ":0" }, "serve REST"},
		{"metrics everywhere", func(o *Options) { o.MetricsAddress = "0.0.0.0:0" }, "serve metrics"},
		{"told so", func(o *Options) { o.GRPCAddress = "0.0.0.0:0"; o.AllowPlaintext = true }, ""},
		{"encrypted", func(o *Options) { o.GRPCAddress = "0.0.0.0:0"; o.TLS = certificate(t) }, ""},
		{"no certificate", func(o *Options) { o.TLS = &tls.Config{} }, "no certificate"},
		{"no key", func(o *Options) { o.TLS = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{{1}}}}} }, "no private key"},
		{"old TLS", func(o *Options) { o.TLS = certificate(t); o.TLS.MinVersion = tls.VersionTLS11 }, "before 1.2"},
		{"no clock", func(o *Options) { o.Now = nil }, "must be given"},
		{"no address", func(o *Options) { o.GRPCAddress = "" }, "read gRPC address"},
	} {
		o := options(&cases{}, &safeLog{})
		tt.change(&o)
		s, err := New(o)
		if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
			t.Errorf("%s: error %v, want %q", tt.name, err, tt.want)
		}
		if s != nil {
			if err := s.gateway.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

func TestTakenAddressStopsTheStart(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	o := options(&cases{}, &safeLog{})
	o.RESTAddress = l.Addr().String()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "listen for REST") {
		t.Errorf("start: %v", err)
	}
}

func TestTLSAndSeparateMetrics(t *testing.T) {
	config := certificate(t)
	r := start(t, &cases{}, func(o *Options) { o.TLS = config; o.MetricsAddress = "127.0.0.1:0" })
	pool := x509.NewCertPool()
	leaf, err := x509.ParseCertificate(config.Certificates[0].Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(leaf)
	trust := &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	conn, err := grpc.NewClient(r.GRPC, grpc.WithTransportCredentials(credentials.NewTLS(trust)))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := pb.NewKeyServiceClient(conn).GetKeys(t.Context(), &pb.GetKeysRequest{}); err != nil {
		t.Errorf("gRPC over TLS: %v", err)
	}
	r.web.Transport = &http.Transport{TLSClientConfig: trust}
	get := func(url string) int {
		req, err := http.NewRequestWithContext(t.Context(), "GET", url, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r.send(t, req).status
	}
	if got := get("https://" + r.REST + "/v1/keys"); got != 200 {
		t.Errorf("REST over TLS: %d", got)
	}
	if got := get("https://" + r.REST + "/metrics"); got != 404 {
		t.Errorf("metrics beside REST in spite of an address of their own: %d", got)
	}
	if got := get("http://" + r.Metrics + "/metrics"); got != 200 {
		t.Errorf("metrics: %d", got)
	}
	old, err := tls.Dial("tcp", r.REST, &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10})
	if err == nil {
		_ = old.Close()
		t.Error("TLS 1.1 was served")
	}
}

// certificate is one for 127.0.0.1 that signs itself.
func certificate(t *testing.T) *tls.Config {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "service.example"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}
