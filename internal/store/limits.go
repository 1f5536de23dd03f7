package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

const (
	takeTokens   = `SELECT granted, remaining, wait_us FROM ponderal.take($1, $2, $3, $4, $5, $6)`
	beginAttempt = `SELECT ponderal.begin_attempt($1, $2, $3, $4, $5, $6, $7, $8, $9)`
	endAttempt   = `SELECT ponderal.end_attempt($1, $2, $3, $4, $5, $6, $7)`
)

// Limits are the counts that every replica shares. They know callers by hashes alone. Each method is one round trip and one transaction of its
// own. Safe for concurrent use.
type Limits struct {
	store *Store
	clock func() time.Time
}

// Limits returns the counts over a clock; nil stands for the database's own, which is the same for every replica.
func (s *Store) Limits(clock func() time.Time) *Limits { return &Limits{store: s, clock: clock} }

func (l *Limits) at() pgtype.Timestamptz {
	if l.clock == nil {
		return pgtype.Timestamptz{}
	}
	return pgtype.Timestamptz{Time: l.clock(), Valid: true}
}

// TakeTokens takes up to want tokens from the bucket of a key, which holds capacity and gains calls in each span. It says how many are left then,
// and, where none was granted, how long it takes until there is one. A negative want gives tokens back.
func (l *Limits) TakeTokens(ctx context.Context, key [32]byte, want, capacity, calls int, span time.Duration) (granted, left int, wait time.Duration, err error) {
	type taken struct {
		granted, left int
		wait          int64
	}
	got, err := callOnce(ctx, l.store, "take tokens", func(row pgx.CollectableRow) (t taken, err error) {
		return t, row.Scan(&t.granted, &t.left, &t.wait)
	}, takeTokens, key[:], l.at(), want, capacity, calls, span.Microseconds())
	return got.granted, got.left, time.Duration(got.wait) * time.Microsecond, err
}

// AttemptKeys are what an attempt to sign in counts against: a login at an address, the login from everywhere, the address for every login.
type AttemptKeys struct{ Pair, Login, Address [32]byte }

// AttemptLimits bound attempts. From Most on each attempt of a pair locks it: First at first, twice as long each time, Longest at most. Login and
// address have buckets of Wide a Window. A pair is forgotten a Window after its last attempt or lock.
type AttemptLimits struct {
	Most, Wide             int
	Window, First, Longest time.Duration
}

// BeginAttempt counts an attempt as failed and returns 0, or counts nothing and returns how long the attempt must wait.
func (l *Limits) BeginAttempt(ctx context.Context, k AttemptKeys, a AttemptLimits) (time.Duration, error) {
	wait, err := callOnce(ctx, l.store, "begin attempt", pgx.RowTo[int64], beginAttempt, k.Pair[:], k.Login[:], k.Address[:], l.at(),
		a.Most, a.Wide, a.Window.Microseconds(), a.First.Microseconds(), a.Longest.Microseconds())
	return time.Duration(wait) * time.Microsecond, err
}

// EndAttempt says how an attempt ended. A success forgets what the pair had; for a failure, locked is true once for each lock.
func (l *Limits) EndAttempt(ctx context.Context, k AttemptKeys, a AttemptLimits, succeeded bool) (locked bool, err error) {
	return callOnce(ctx, l.store, "end attempt", pgx.RowTo[bool], endAttempt, k.Pair[:], k.Login[:], k.Address[:], l.at(),
		succeeded, a.Wide, a.Window.Microseconds())
}

// callOnce calls a function of the schema that is bound to no clinic. It is called again only where it certainly had no effect: a call that was
// lost counts as made.
func callOnce[T any](ctx context.Context, s *Store, op string, scan pgx.RowToFunc[T], sql string, args ...any) (T, error) {
	var got T
	for attempt := 1; ; attempt++ {
		err := s.queryRow(ctx, func(rows pgx.Rows) (err error) {
			got, err = pgx.CollectExactlyOneRow(rows, scan)
			return err
		}, sql, args...)
		if err == nil {
			return got, nil
		}
		if !mayRetry(err) || attempt == maxAttempts || ctx.Err() != nil || !pause(ctx, attempt) {
			return got, translate(op, err)
		}
	}
}

func (s *Store) queryRow(ctx context.Context, read func(pgx.Rows) error, sql string, args ...any) error {
	conn, err := s.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	rows, err := conn.Query(ctx, sql, args...)
	if err != nil {
		return lost(conn.Conn(), err)
	}
	return lost(conn.Conn(), read(rows))
}
