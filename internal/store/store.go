// Package store is the one place with SQL: clinic-bound transactions with retry, and SQLSTATE turned into error kinds.
//
// The service's role owns nothing, has SELECT and INSERT only, and sees the rows of the clinic that a transaction is bound to. A
// transaction is a closure: it may run more than once after a serialization failure, a deadlock or a lost connection whose
// statements were not sent, so it touches nothing but its Tx and its own results.
//
// Every error that leaves the package is a *fault.Error. Its cause names SQLSTATE, table and constraint, never a value.
package store

import (
	"context"
	"fmt"
	"maps"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"

	"ponderal.example/internal/fault"
)

const (
	// acquireLimit is how long a call waits for a connection before it is told that there is too much at once.
	acquireLimit = 5 * time.Second
	// pingLimit is how long a connection that was idle for a second may take to answer before it is left for another: behind a router that forgot it,
	// it never answers and never breaks.
	pingLimit = time.Second
	// readyLimit bounds the readiness check, so that a stuck pool is seen as such.
	readyLimit = 2 * time.Second
	// openLimit bounds the checks of Open.
	openLimit = 15 * time.Second
)

// usualSettings are those of every connection: names are always written in full, and no statement is planned anew for its arguments, since
// each finds its rows by a key.
var usualSettings = map[string]string{"search_path": "", "plan_cache_mode": "force_generic_plan"}

// serverLimits end what a vanished client left behind on the server, because an open transaction holds its clinic's log. They apply where
// the URL does not set them.
var serverLimits = map[string]string{
	"application_name":                    "ponderal",
	"statement_timeout":                   "30s",
	"lock_timeout":                        "10s",
	"idle_in_transaction_session_timeout": "30s",
}

// Store holds the pool. Safe for concurrent use.
type Store struct {
	pool  *pgxpool.Pool
	wakes *wakes
	jobs  *river.Client[pgx.Tx] // queues within transactions
	turns *turns                // keeps one clinic's writes from taking every connection
}

// Options for Open. URL may name several hosts with target_session_attrs.
type Options struct {
	URL      string
	MaxConns int32
}

// Open connects and refuses a role that could bypass the policies or change what is stored, and a schema other than this build's.
func Open(ctx context.Context, o Options) (*Store, error) {
	config, err := pgxpool.ParseConfig(o.URL)
	if err != nil {
		// The parser's text may repeat the URL, which holds a password.
		return nil, fault.New(fault.Invalid, "DATABASE_URL", "the database URL is not a Postgres URL")
	}
	if o.MaxConns > 0 {
		config.MaxConns = o.MaxConns
	}
	if config.PingTimeout == 0 {
		config.PingTimeout = pingLimit
	}
	params := config.ConnConfig.RuntimeParams
	for name, value := range serverLimits {
		if _, set := params[name]; !set {
			params[name] = value
		}
	}
	maps.Copy(params, usualSettings)
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, translate("open pool", err)
	}
	jobs, err := newJobClient()
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("open store: make queue: %w", err)
	}
	s := &Store{pool: pool, jobs: jobs, turns: newTurns(pool.Config().MaxConns), wakes: newWakes()}
	ctx, cancel := context.WithTimeout(ctx, openLimit)
	defer cancel()
	if err := s.checkOpen(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("open store: %w", err)
	}
	return s, nil
}

// Close waits for the connections in use.
func (s *Store) Close() { s.pool.Close() }

// Ready answers when the pool does and the schema is this build's.
func (s *Store) Ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, readyLimit)
	defer cancel()
	return s.checkSchema(ctx)
}
