package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/serve"
	"ponderal.example/internal/store"
	"ponderal.example/internal/webhook"
)

// settings are what a running service needs.
type settings struct {
	databaseURL         string
	maxConns            int32
	keys                keyFolder
	logName             string
	grpc, rest, metrics string
	tls                 *tls.Config
	allowPlaintext      bool
	publicLogs          bool
	witnesses           witnesses
	webhooks            webhook.Options
	logger              *slog.Logger
	limits              serve.Limits
	rates               rates
	signIns             signIns
	// stopWithin is how long requests in flight may take to finish at a stop; zero means the usual time.
	stopWithin time.Duration
}

// service is the service at work in this process. stop is called once.
type service struct {
	store     *store.Store
	cases     *casework.Casework
	server    *serve.Server
	addresses serve.Addresses
	within    time.Duration
}

// collectAt is how much the heap may grow before it is collected, in percent of what lives: a service has little that lives and much that
// passes, so that the usual 100 would collect many times a second. An operator's GOGC stands.
const collectAt = 400

// startService opens the store and serves. On an error nothing stays open.
func startService(ctx context.Context, w world, o settings) (*service, error) {
	if w.env("GOGC") == "" {
		debug.SetGCPercent(collectAt)
	}
	st, err := store.Open(ctx, store.Options{URL: o.databaseURL, MaxConns: o.maxConns})
	if err != nil {
		return nil, err
	}
	s := &service{store: st, within: o.stopWithin}
	if s.within == 0 {
		s.within = usualStop
	}
	if err := s.start(ctx, w, o); err != nil {
		st.Close()
		return nil, err
	}
	return s, nil
}

func (s *service) start(ctx context.Context, w world, o settings) error {
	registry := prometheus.NewRegistry()
	attempts, err := o.rates.signIns(s.store, o.logger, registry)
	if err != nil {
		return err
	}
	signIn, err := o.signIns.cases(ctx, w, s.store, attempts)
	if err != nil {
		return err
	}
	if s.cases, err = newCases(ctx, w, s.store, o.keys, o.logName, signIn); err != nil {
		return err
	}
	workers, err := s.workers(ctx, w, o, registry)
	if err != nil {
		return err
	}
	s.server, err = serve.New(serve.Options{
		Cases: s.cases, Authenticator: authn.NewAuthenticator(s.store, w.now), Ready: s.store.Ready, Pool: s.connections,
		GRPCAddress: o.grpc, RESTAddress: o.rest, MetricsAddress: o.metrics, TLS: o.tls, AllowPlaintext: o.allowPlaintext, PublicLogs: o.publicLogs,
		Logger: o.logger, Registry: registry, Workers: workers, Now: w.now, NewRequestID: func() string { return newID(w).String() }, Limits: o.limits,
		RateLimits: o.rates.shared(s.store), Certificates: authn.NewCertificates(s.store, w.now),
	})
	if err != nil {
		return err
	}
	s.addresses, err = s.server.Start(ctx)
	return err
}

// connections is the state of the database pool, for the metrics.
func (s *service) connections() serve.Pool { return serve.Pool(s.store.Connections()) }

// newCases puts the use cases together over an open store. Without signIn nobody signs in.
func newCases(ctx context.Context, w world, st *store.Store, keys keyFolder, logName string, signIn *casework.SignIn) (*casework.Casework, error) {
	if err := keys.maySign(); err != nil {
		return nil, err
	}
	log, err := auditlog.New(ctx, auditlog.Options{Name: logName, Key: keys.log, Ring: keys.ring, Now: w.now, Rand: w.random})
	if err != nil {
		return nil, err
	}
	return casework.New(ctx, casework.Options{Store: st, Log: log, ResultKey: keys.result, Ring: keys.ring, Now: w.now, Rand: w.random,
		SignIn: signIn})
}

// usualStop is how long requests in flight may take to finish.
const usualStop = 20 * time.Second

// stop lets requests in flight finish and closes the store after them.
func (s *service) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), s.within)
	defer cancel()
	err := s.server.Stop(ctx)
	s.store.Close()
	if err != nil {
		return fmt.Errorf("stop the service: %w", err)
	}
	return nil
}

// newID is a UUIDv7 from the process' source of randomness, which does not fail once the process runs; were it to, the nil UUID would be
// refused by everything that takes an id.
func newID(w world) uuid.UUID {
	id, err := uuid.NewV7FromReader(w.random)
	if err != nil {
		return uuid.Nil
	}
	return id
}

// joined is errors.Join over calls in order.
func joined(calls ...func() error) error {
	var err error
	for _, call := range calls {
		err = errors.Join(err, call())
	}
	return err
}
