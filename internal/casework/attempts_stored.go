package casework

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/limit"
	"ponderal.example/internal/store"
)

// How long somebody has to wait after too many failed attempts: firstLock at first, twice as long after each further one, longestLock at most,
// so that an outsider cannot keep somebody out for good. wide is how many times as much a login has from everywhere, and an address.
const (
	firstLock   = time.Minute
	longestLock = time.Hour
	wide        = 10
)

// AttemptLog is where attempts that were held up are told of: Locked once for each lockout, Refused for each attempt that was not let begin. It learns
// neither login nor address. Safe for concurrent use.
type AttemptLog interface {
	Locked()
	Refused()
}

// StoredAttempts are Attempts that count in the store, so that all replicas count together. A login is locked at the address from which the attempts came,
// so that who fails elsewhere does not lock out who sits here; beyond that a login from everywhere, and an address for every login, have ten
// times as many attempts a window, which lock nobody but let new ones through slowly. A login that does not exist is treated like one that does.
type StoredAttempts struct {
	counts  *store.Limits
	limits  store.AttemptLimits
	logger  *slog.Logger
	metrics AttemptLog
}

// NewStoredAttempts makes them: the lock comes with the most-th failed attempt, none more than a window after the one before. Both are positive; the counts
// bring their clock.
func NewStoredAttempts(counts *store.Limits, most int, window time.Duration, logger *slog.Logger, metrics AttemptLog) (*StoredAttempts, error) {
	if counts == nil || most < 1 || window <= 0 || logger == nil || metrics == nil {
		return nil, errors.New("casework: attempts to sign in need a place to be counted, a limit, a window, a log and metrics")
	}
	return &StoredAttempts{counts: counts, logger: logger, metrics: metrics,
		limits: store.AttemptLimits{Most: most, Wide: wide * most, Window: window, First: firstLock, Longest: longestLock}}, nil
}

// Allow implements Attempts.
func (a *StoredAttempts) Allow(ctx context.Context, key string) error {
	wait, err := a.counts.BeginAttempt(ctx, attemptKeys(ctx, key), a.limits)
	if err != nil {
		return err
	}
	if wait <= 0 {
		return nil
	}
	a.metrics.Refused()
	f := fault.New(fault.Overloaded, "RATE_LIMITED", "too many calls; send the same request again after the time that this answer names")
	f.RetryAfter = wait
	return f
}

// Failed implements Attempts.
func (a *StoredAttempts) Failed(ctx context.Context, key string) (locked bool, err error) {
	locked, err = a.counts.EndAttempt(ctx, attemptKeys(ctx, key), a.limits, false)
	if err == nil && locked {
		a.metrics.Locked()
		a.logger.LogAttrs(ctx, slog.LevelWarn, "sign-in locked after failed attempts", slog.Int("attempts", a.limits.Most))
	}
	return locked, err
}

// Succeeded implements Attempts.
func (a *StoredAttempts) Succeeded(ctx context.Context, key string) error {
	_, err := a.counts.EndAttempt(ctx, attemptKeys(ctx, key), a.limits, true)
	return err
}

func attemptKeys(ctx context.Context, key string) store.AttemptKeys {
	address := limit.AddressName(limit.AddressOf(ctx))
	return store.AttemptKeys{
		Pair:    limit.KeyOf("sign-in at an address", key+"\x00"+address),
		Login:   limit.KeyOf("sign-in", key),
		Address: limit.KeyOf("sign-in address", address),
	}
}
