// Package password keeps and checks passwords: Argon2id (RFC 9106) in the PHC string format, normalised as NIST SP 800-63B asks, within a bound of
// memory that holds however many people sign in at once.
//
// It stores nothing and limits no attempts: the caller keeps the strings, and locks out who guesses.
package password

import (
	"context"
	"crypto/subtle"
	"fmt"
	"io"
	"runtime/debug"
	"sync/atomic"
	"time"

	"golang.org/x/crypto/argon2"
	"golang.org/x/sync/semaphore"

	"ponderal.example/internal/fault"
)

const (
	// saltSize and tagSize are those of both recommended options of RFC 9106, section 4: 128 and 256 bits.
	saltSize = 16
	tagSize  = 32
	// retryAfter is what is advised to who finds all places taken: about the time of one hash or two.
	retryAfter = 2 * time.Second
)

// Params are the cost of a hash.
type Params struct {
	// MemoryKiB is the memory in KiB, at least eight times Lanes.
	MemoryKiB uint32
	// Passes over the memory, at least 1.
	Passes uint32
	// Lanes that can be filled side by side, at least 1.
	Lanes uint8
}

// Recommended is the second recommended option of RFC 9106, section 4, for where memory is scarce: 64 MiB, 3 passes, 4 lanes.
func Recommended() Params { return Params{MemoryKiB: 64 << 10, Passes: 3, Lanes: 4} }

// The largest cost that is ever paid, whatever a stored string or a setting asks for.
const (
	maxMemoryKiB = 1 << 20
	maxPasses    = 64
	maxLanes     = 64
	// maxWork bounds memory times passes: 16 passes over 64 MiB.
	maxWork = 1 << 20
)

// check names what breaks the bounds; empty when nothing does.
func (p Params) check() string {
	switch {
	case p.Lanes < 1 || p.Lanes > maxLanes:
		return fmt.Sprintf("lanes must be from 1 to %d", maxLanes)
	case p.MemoryKiB < 8*uint32(p.Lanes) || p.MemoryKiB > maxMemoryKiB:
		return fmt.Sprintf("memory must be from 8 KiB a lane to %d KiB", maxMemoryKiB)
	case p.Passes < 1 || p.Passes > maxPasses:
		return fmt.Sprintf("passes must be from 1 to %d", maxPasses)
	case uint64(p.MemoryKiB)*uint64(p.Passes) > maxWork:
		return fmt.Sprintf("memory times passes must not be above %d KiB", maxWork)
	}
	return ""
}

// weakerThan reports whether the memory or the passes are below those of want; more or fewer lanes make a hash no cheaper to guess at.
func (p Params) weakerThan(want Params) bool {
	return p.MemoryKiB < want.MemoryKiB || p.Passes < want.Passes
}

// Config is what a Hasher needs.
type Config struct {
	// Params of new hashes. Stored ones keep theirs until they are hashed again.
	Params Params
	// BudgetKiB is the memory of all hashes that are computed at once; at least Params.MemoryKiB. A stored hash that needs more is refused. Twice
	// the memory of one hash lets two people sign in at once.
	BudgetKiB uint32
	// MaxWaiting is how many calls may wait for memory; one more is Overloaded. Each waits no longer than its context lasts.
	MaxWaiting int
	// Policy of new passwords.
	Policy Policy
	// Rand is a cryptographic source, for salts. Safe for concurrent use.
	Rand io.Reader
}

// Hasher hashes and checks passwords. Safe for concurrent use.
type Hasher struct {
	config  Config
	nobody  Hash
	memory  *semaphore.Weighted
	waiting atomic.Int64
}

// New makes a Hasher, or says what is wrong with its configuration.
func New(c Config) (*Hasher, error) {
	if bad := c.Params.check(); bad != "" {
		return nil, fmt.Errorf("set up password hashing: %s", bad)
	}
	switch {
	case c.BudgetKiB < c.Params.MemoryKiB:
		return nil, fmt.Errorf("set up password hashing: a budget of %d KiB is below the %d KiB of one hash", c.BudgetKiB, c.Params.MemoryKiB)
	case c.MaxWaiting < 0:
		return nil, fmt.Errorf("set up password hashing: the number of waiting calls must not be negative")
	case c.Rand == nil:
		return nil, fmt.Errorf("set up password hashing: a source of randomness is needed")
	}
	if err := c.Policy.check(); err != nil {
		return nil, fmt.Errorf("set up password hashing: %w", err)
	}
	return &Hasher{config: c, memory: semaphore.NewWeighted(int64(c.BudgetKiB)),
		nobody: Hash{Params: c.Params, Salt: make([]byte, saltSize), Tag: make([]byte, tagSize)}}, nil
}

// Hash gives the string to store for a new password, which must meet the policy (else an Invalid fault for the field `password`). The known words, such as
// the person's sign-in name, may not be the password. Errors otherwise: Overloaded when too many wait, the context's when it ends before its turn.
func (h *Hasher) Hash(ctx context.Context, password string, known ...string) (string, error) {
	if err := h.config.Policy.Check(password, known...); err != nil {
		return "", err
	}
	return h.Rehash(ctx, password)
}

// Rehash is Hash for a password that Verify has just matched and whose hash is to get the present cost: the policy may have risen since, and a
// weaker hash would not make its password better.
func (h *Hasher) Rehash(ctx context.Context, password string) (string, error) {
	text, ok := normalise(password)
	if !ok {
		return "", refuseForm()
	}
	made := Hash{Params: h.config.Params, Salt: make([]byte, saltSize)}
	if _, err := io.ReadFull(h.config.Rand, made.Salt); err != nil {
		return "", fmt.Errorf("make a salt: %w", err)
	}
	tag, err := h.derive(ctx, made, text, tagSize)
	if err != nil {
		return "", err
	}
	made.Tag = tag
	return made.String(), nil
}

// Outcome is what Verify found.
type Outcome struct {
	// Match says that it is the password. Nothing else is said unless it is.
	Match bool
	// Rehash says that the stored hash is cheaper than new ones: store Rehash of the password.
	Rehash bool
	// Weak says that the policy would refuse the password today: ask for a new one.
	Weak bool
}

// Verify compares a password with a stored hash. Where nobody has the name that was given, pass an empty stored: the same work is done and nothing matches,
// so that the time tells nobody who has an account. (It may while stored hashes are of another cost than new ones: that ends as people sign in.)
//
// A stored string that no Hasher made or that costs more than the bounds and the budget allow is an Internal fault, after the same work. Overloaded
// when too many wait; the context's error when it ends before its turn. A hash under way is finished.
func (h *Hasher) Verify(ctx context.Context, stored, password string) (Outcome, error) {
	text, ok := normalise(password)
	if !ok {
		// Says nothing of the account: it depends on the input alone.
		return Outcome{}, nil
	}
	against, damaged := h.nobody, error(nil)
	if stored != "" {
		against, damaged = h.read(stored)
	}
	tag, err := h.derive(ctx, against, text, len(against.Tag))
	switch {
	case err != nil:
		return Outcome{}, err
	case damaged != nil:
		return Outcome{}, damaged
	}
	equal := subtle.ConstantTimeCompare(tag, against.Tag) == 1
	if !equal || stored == "" {
		return Outcome{}, nil
	}
	return Outcome{Match: true, Rehash: against.weakerThan(h.config.Params) || len(against.Salt) < saltSize || len(against.Tag) < tagSize,
		Weak: h.config.Policy.Check(password) != nil}, nil
}

// read reads a stored hash; what cannot be read or paid for is nobody's, with an error.
func (h *Hasher) read(stored string) (Hash, error) {
	against, err := Parse(stored)
	if err == nil && against.MemoryKiB > h.config.BudgetKiB {
		err = fmt.Errorf("a stored password hash needs %d KiB, more than the budget", against.MemoryKiB)
	}
	if err != nil {
		return h.nobody, fault.Wrap(fault.Internal, "PASSWORD_DAMAGED", "an internal error", err)
	}
	return against, nil
}

// derive computes a tag within the budget of memory.
func (h *Hasher) derive(ctx context.Context, of Hash, text []byte, size int) ([]byte, error) {
	weight := int64(of.MemoryKiB)
	if err := h.acquire(ctx, weight); err != nil {
		return nil, err
	}
	defer h.memory.Release(weight)
	tag := argon2.IDKey(text, of.Salt, of.Passes, of.MemoryKiB, of.Lanes, uint32(size))
	// The library leaves its memory to the collector, which waits until as much again and more has been used: five hashes' worth at the service's setting.
	// Collecting and giving back before the share is released makes the budget hold; it costs a small part of what the hash did.
	debug.FreeOSMemory()
	return tag, nil
}

func (h *Hasher) acquire(ctx context.Context, weight int64) error {
	if h.memory.TryAcquire(weight) {
		return nil
	}
	if h.waiting.Add(1) > int64(h.config.MaxWaiting) {
		h.waiting.Add(-1)
		busy := fault.New(fault.Overloaded, "TOO_MANY_SIGN_INS", "too many people sign in at this moment: try again shortly")
		busy.RetryAfter = retryAfter
		return busy
	}
	defer h.waiting.Add(-1)
	if err := h.memory.Acquire(ctx, weight); err != nil {
		return fmt.Errorf("wait for memory to hash a password: %w", err)
	}
	return nil
}
