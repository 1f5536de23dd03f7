package serve

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/keepalive"

	"ponderal.example/internal/gateway"
	"ponderal.example/internal/rpc"
)

// How long things may take.
const (
	// readyEvery is how often readiness is asked for the gRPC health service.
	readyEvery = 5 * time.Second
	// readyWithin is how long one answer may take.
	readyWithin = 2 * time.Second
	// cutWithin is how long calls that have been cut may take to notice.
	cutWithin = 5 * time.Second
)

// Server serves the use cases until it is stopped. Start and Stop are called once each.
type Server struct {
	options Options
	grpc    *rpc.Server
	gateway *gateway.Gateway
	rest    *http.Server
	metrics *http.Server
	pipe    *gateway.Pipe

	// stopping turns readiness off before anything else.
	stopping atomic.Bool
	// failed carries the first failure of a listener; nobody else's is kept.
	failed chan error
	// stopPolling ends the polling of readiness.
	stopPolling context.CancelFunc
	// running counts the goroutines that serve and poll.
	running sync.WaitGroup
	// endWorkers ends the workers, and workers counts them.
	endWorkers context.CancelFunc
	workers    sync.WaitGroup
}

// New makes a server; nothing is opened yet. What could not be served safely is an error.
func New(o Options) (*Server, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	o.Limits = o.Limits.complete()
	s := &Server{options: o, pipe: gateway.NewPipe(), failed: make(chan error, 1), stopPolling: func() {}, endWorkers: func() {}}
	if err := registerProcess(o.Registry, o.Pool); err != nil {
		return nil, err
	}
	var err error
	s.grpc, err = rpc.New(rpc.Options{
		Cases: o.Cases, Authenticator: o.Authenticator, Logger: o.Logger, Registry: o.Registry, Now: o.Now, NewRequestID: o.NewRequestID,
		MaxMessage: o.Limits.MaxMessage, DefaultDeadline: o.Limits.DefaultDeadline, MaxDeadline: o.Limits.MaxDeadline, MaxInFlight: o.Limits.MaxInFlight,
		PublicLogs: o.PublicLogs, RateLimits: o.RateLimits, Certificates: o.Certificates,
	}, transport(o.Limits)...)
	if err != nil {
		return nil, fmt.Errorf("make server: %w", err)
	}
	metrics := promhttp.HandlerFor(o.Registry, promhttp.HandlerOpts{Registry: o.Registry})
	beside := metrics
	if o.MetricsAddress != "" {
		beside = nil
		s.metrics = httpServer(metricsOnly(metrics), o)
	}
	s.gateway, err = gateway.New(gateway.Options{
		Dial: s.pipe.Dial, Logger: o.Logger, Registry: o.Registry, NewRequestID: o.NewRequestID, Keys: o.Cases.Keys, Ready: s.ready,
		Metrics: beside, MaxBody: int64(o.Limits.MaxMessage), MaxHeader: o.Limits.MaxHeader, PublicLogs: o.PublicLogs,
		TrustedProxies: o.RateLimits.TrustedProxies,
	})
	if err != nil {
		return nil, fmt.Errorf("make server: %w", err)
	}
	s.rest = httpServer(s.gateway, o)
	return s, nil
}

// transport are the bounds of gRPC connections: idle ones are let go, dead ones found, and callers that ping without need refused.
func transport(l Limits) []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.Creds(connections{}),
		grpc.MaxConcurrentStreams(l.MaxStreams),
		grpc.MaxHeaderListSize(uint32(l.MaxHeader)),
		grpc.ConnectionTimeout(10 * time.Second),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: 15 * time.Minute, Time: 2 * time.Minute, Timeout: 20 * time.Second}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 20 * time.Second, PermitWithoutStream: true}),
		// Stop returns only when no handler can use the database any more.
		grpc.WaitForHandlers(true),
	}
}

// httpServer bounds how long a caller may take over each part of a request, so that slow ones do not hold connections.
func httpServer(h http.Handler, o Options) *http.Server {
	return &http.Server{
		Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 60 * time.Second,
		WriteTimeout: o.Limits.MaxDeadline + 30*time.Second, IdleTimeout: 2 * time.Minute,
		// The gateway's own, smaller limit answers in the usual form; beyond this one net/http cuts the request off.
		MaxHeaderBytes: 2 * o.Limits.MaxHeader,
		ErrorLog:       slog.NewLogLogger(o.Logger.Handler(), slog.LevelWarn),
	}
}

// Start binds every listener, or none, and serves. ctx bounds the binding only.
func (s *Server) Start(ctx context.Context) (Addresses, error) {
	listeners, err := s.listen(ctx)
	if err != nil {
		return Addresses{}, errors.Join(err, s.gateway.Close())
	}
	addresses := Addresses{GRPC: listeners.grpc.Addr().String(), REST: listeners.rest.Addr().String()}
	if c := s.options.TLS; c != nil {
		listeners.grpc = tls.NewListener(listeners.grpc, tlsFor(c, "h2"))
		listeners.rest = tls.NewListener(listeners.rest, tlsFor(c, "h2", "http/1.1"))
	}
	s.run("gRPC", func() error { return s.grpc.Serve(listeners.grpc) })
	s.run("gRPC inside the process", func() error { return s.grpc.Serve(s.pipe) })
	s.run("REST", func() error { return s.rest.Serve(listeners.rest) })
	if s.metrics != nil {
		addresses.Metrics = listeners.metrics.Addr().String()
		s.run("metrics", func() error { return s.metrics.Serve(listeners.metrics) })
	}
	s.poll()
	s.startWorkers()
	return addresses, nil
}

type listeners struct{ grpc, rest, metrics net.Listener }

func (s *Server) listen(ctx context.Context) (ls listeners, err error) {
	var open []net.Listener
	bind := func(what, address string) net.Listener {
		if err != nil {
			return nil
		}
		var l net.Listener
		if l, err = (&net.ListenConfig{}).Listen(ctx, "tcp", address); err != nil {
			err = fmt.Errorf("listen for %s on %s: %w", what, address, err)
			return nil
		}
		open = append(open, l)
		return l
	}
	ls.grpc, ls.rest = bind("gRPC", s.options.GRPCAddress), bind("REST", s.options.RESTAddress)
	if s.metrics != nil {
		ls.metrics = bind("metrics", s.options.MetricsAddress)
	}
	if err != nil {
		for _, l := range open {
			err = errors.Join(err, l.Close())
		}
	}
	return ls, err
}

// run serves one listener; its failure ends Wait.
func (s *Server) run(what string, serve func() error) {
	s.running.Add(1)
	go func() {
		defer s.running.Done()
		err := serve()
		if err == nil || errors.Is(err, http.ErrServerClosed) || errors.Is(err, grpc.ErrServerStopped) || s.stopping.Load() {
			return
		}
		select {
		case s.failed <- fmt.Errorf("serve %s: %w", what, err):
		default:
		}
	}()
}

// poll keeps the gRPC health service true.
func (s *Server) poll() {
	ctx, cancel := context.WithCancel(context.Background())
	s.stopPolling = cancel
	s.running.Add(1)
	go func() {
		defer s.running.Done()
		tick := time.NewTicker(readyEvery)
		defer tick.Stop()
		for {
			s.grpc.SetServing(s.ready(ctx) == nil)
			select {
			case <-tick.C:
			case <-ctx.Done():
				return
			}
		}
	}()
}

var errStopping = errors.New("the service is stopping")

// ready asks whether the service can work, within a time of its own.
func (s *Server) ready(ctx context.Context) error {
	if s.stopping.Load() {
		return errStopping
	}
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	return s.options.Ready(ctx)
}

// Wait returns nil when ctx ends, or the failure of a listener. Stop is to be called after either.
func (s *Server) Wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case err := <-s.failed:
		return err
	}
}
