// Package limit is the arithmetic of limits that hold across replicas: token buckets, leases on them, and whose address a call comes from.
//
// A bucket is kept in the store, which all replicas share. So that an ordinary call need not ask it, a replica leases some tokens and spends
// them itself; what it does not spend within the life of the lease is lost. Tokens count when they are leased, so a burst could be spent up
// to one life later than the bucket allowed it; the bucket therefore holds less than the limit by what it gains within a life. Then, for any
// number of replicas and any span of time T, the calls let through are at most
//
//	Capacity + rate (T + Life) <= Calls + rate T
//
// which is what one bucket in one place would let through. It is a function of what it is given: no clock, no randomness, no input or output but
// through the Source that Leases are made with.
package limit

import (
	"crypto/sha256"
	"time"
)

// Policy is one limit: Calls at once, and as many again in each Span. Name is what callers know it by. Both numbers are positive.
type Policy struct {
	Name  string
	Calls int
	Span  time.Duration
}

// share is which part of a limit one lease may have at most, and of the span how long it may live.
const share = 10

// Lease is how many tokens a replica may lease at once at most.
func (p Policy) Lease() int { return max(1, p.Calls/share) }

// Life is how long a lease may be spent. It is 0 where a lease is one token, which is spent at once.
func (p Policy) Life() time.Duration {
	if p.Lease() == 1 {
		return 0
	}
	return p.Span / share
}

// Capacity is how many tokens the shared bucket holds: Calls, less what it gains within the life of a lease, rounded up.
func (p Policy) Capacity() int {
	if p.Life() == 0 {
		return p.Calls
	}
	return p.Calls - (p.Calls+share-1)/share
}

// refill is how long a bucket takes to gain n tokens, rounded up to the microsecond.
func (p Policy) refill(n int) time.Duration {
	us := p.Span.Microseconds()
	return time.Duration((int64(n)*us+int64(p.Calls)-1)/int64(p.Calls)) * time.Microsecond
}

// Key names a bucket, as far as the store knows it: a hash.
type Key [sha256.Size]byte

// KeyOf is the key of a name under a use, so that equal names of different uses have different buckets.
func KeyOf(use, name string) Key { return sha256.Sum256([]byte(use + "\x00" + name)) }

// Bucket is a token bucket as the store keeps it. The zero Bucket is full. Units are tokens times the microseconds of the span, so
// that nothing is rounded.
type Bucket struct {
	units int64
	at    time.Time
	begun bool
}

// Take takes up to want tokens at a moment, and says how many are left then and, where there was none, how long it takes until there is one. A
// moment before the last one refills nothing. A negative want gives tokens back.
func (b *Bucket) Take(p Policy, at time.Time, want int) (granted, left int, wait time.Duration) {
	span := p.Span.Microseconds()
	full := int64(p.Capacity()) * span
	switch {
	case !b.begun:
		b.begun, b.units, b.at = true, full, at
	case at.After(b.at):
		b.units = min(full, b.units+int64(p.Calls)*min(at.Sub(b.at).Microseconds(), span+1))
		b.at = at
	}
	taken := min(int64(want), b.units/span)
	b.units = min(full, b.units-taken*span)
	if taken < 1 && want > 0 {
		calls := int64(p.Calls)
		wait = time.Duration((span-b.units+calls-1)/calls) * time.Microsecond
	}
	return int(taken), int(b.units / span), wait
}
