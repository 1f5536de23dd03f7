package openid

import (
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rsa"
	"fmt"
	"strings"
	"sync"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"ponderal.example/internal/fault"
)

// retryInterval is the least time between a fetch that failed and the next.
const retryInterval = 5 * time.Second

// keyring is the keys of one issuer: fetched when they are first needed, used while fresh, replaced when a token shows that they may have changed.
//
// A token that no key verifies may be a forgery or the first of a new key; the two cannot be told apart, so both lead to a fetch, at most one
// an interval. A stranger can thus make the service fetch that often and no oftener, and what is fetched serves the next genuine token too.
type keyring struct {
	source   source
	now      func() time.Time
	fresh    time.Duration
	usable   time.Duration
	interval time.Duration
	// turn is held by the one call that fetches.
	turn chan struct{}

	mu    sync.Mutex // guards what follows
	state keyState
}

// keyState is what is known of an issuer's keys.
type keyState struct {
	keys []jose.JSONWebKey
	// fetched is when the fetch began that brought keys; zero before the first. count counts those fetches.
	fetched time.Time
	count   int
	// tried is when the last fetch began, and failed whether it failed.
	tried  time.Time
	failed bool
}

func newKeyring(c Config, from source) *keyring {
	return &keyring{source: from, now: c.Now, fresh: c.KeysFresh, usable: c.KeysUsable, interval: c.RefetchInterval, turn: make(chan struct{}, 1)}
}

func (k *keyring) snapshot() keyState {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.state
}

// within reports whether the keys are at most so old. A clock that was set back makes them old.
func (s keyState) within(age time.Duration, now time.Time) bool {
	passed := now.Sub(s.fetched)
	return !s.fetched.IsZero() && passed >= 0 && passed < age
}

// verify gives the payload that one of the issuer's keys has signed.
func (k *keyring) verify(ctx context.Context, token parsedToken) ([]byte, error) {
	s := k.snapshot()
	if s.within(k.usable, k.now()) {
		if !s.within(k.fresh, k.now()) {
			s = k.renewed(ctx, s)
		}
		if payload, ok := match(s.keys, token); ok {
			return payload, nil
		}
	}
	s, err := k.refetch(ctx, s)
	if err != nil {
		return nil, err
	}
	if payload, ok := match(s.keys, token); ok {
		return payload, nil
	}
	return nil, refuse(errSignature)
}

// renewed looks for newer keys than those of s, which may still be used. One call does so; others go on with what there is, and so does this one if it fails.
func (k *keyring) renewed(ctx context.Context, s keyState) keyState {
	select {
	case k.turn <- struct{}{}:
		defer func() { <-k.turn }()
	default:
		return s
	}
	if newer, err := k.fetchInTurn(ctx, s); err == nil {
		return newer
	}
	return s
}

// refetch gets newer keys than those of s, waiting for its turn.
func (k *keyring) refetch(ctx context.Context, s keyState) (keyState, error) {
	select {
	case k.turn <- struct{}{}:
		defer func() { <-k.turn }()
	case <-ctx.Done():
		return s, fmt.Errorf("wait for the keys of an issuer: %w", ctx.Err())
	}
	return k.fetchInTurn(ctx, s)
}

// fetchInTurn fetches unless another call has since s was read, or has too short a time ago. Only the holder of the turn calls it.
//
// The fetch goes on when the caller goes away, until its own short limit: else whoever hangs up at once could use up the interval's one fetch.
func (k *keyring) fetchInTurn(ctx context.Context, s keyState) (keyState, error) {
	current, now := k.snapshot(), k.now()
	if current.count != s.count {
		return current, nil
	}
	wait := k.interval
	if current.failed {
		wait = min(wait, retryInterval)
	}
	if passed := now.Sub(current.tried); !current.tried.IsZero() && passed >= 0 && passed < wait {
		if current.failed || !current.within(k.usable, now) {
			return current, unavailable(wait-passed, errRecently)
		}
		return current, refuse(errSignature)
	}
	keys, err := k.source.fetch(context.WithoutCancel(ctx))
	k.mu.Lock()
	defer k.mu.Unlock()
	k.state.tried, k.state.failed = now, err != nil
	if err != nil {
		return k.state, unavailable(min(k.interval, retryInterval), err)
	}
	k.state.keys, k.state.fetched, k.state.count = keys, now, k.state.count+1
	return k.state, nil
}

func unavailable(after time.Duration, cause error) error {
	f := fault.Wrap(fault.Unavailable, "ISSUER_UNAVAILABLE", "the sign-in service that issued the token does not answer: try again shortly", cause)
	f.RetryAfter = after
	return f
}

// match looks for a key that verifies the token: the one that it names or, where it names none, the only one of its issuer that could
// (OpenID Connect Core 1.0, section 10.1: with several keys, a token must name its own).
func match(keys []jose.JSONWebKey, token parsedToken) ([]byte, bool) {
	var candidates []jose.JSONWebKey
	for _, key := range keys {
		if (token.header.KeyID == "" || key.KeyID == token.header.KeyID) && fits(key, token.header.Algorithm) {
			candidates = append(candidates, key)
		}
	}
	if token.header.KeyID == "" && len(candidates) != 1 {
		return nil, false
	}
	for _, key := range candidates {
		if payload, err := token.jws.Verify(key.Key); err == nil {
			return payload, true
		}
	}
	return nil, false
}

// fits reports whether a key is for signatures of this algorithm (RFC 7517, sections 4.2 and 4.4; RFC 7518, sections 3.3 to 3.5). A key that says
// nothing of its algorithm is for those of its type alone, so that swapping the algorithm never swaps what the key is used for.
func fits(key jose.JSONWebKey, algorithm string) bool {
	if key.Use != "" && key.Use != "sig" || key.Algorithm != "" && key.Algorithm != algorithm {
		return false
	}
	switch public := key.Key.(type) {
	case *rsa.PublicKey:
		bits := public.N.BitLen()
		return (strings.HasPrefix(algorithm, "RS") || strings.HasPrefix(algorithm, "PS")) && bits >= 2048 && bits <= 8192
	case *ecdsa.PublicKey:
		curve := map[string]elliptic.Curve{"ES256": elliptic.P256(), "ES384": elliptic.P384(), "ES512": elliptic.P521()}[algorithm]
		return curve != nil && public.Curve == curve
	case ed25519.PublicKey:
		return algorithm == string(jose.EdDSA)
	}
	return false
}
