package soak

import (
	"sync"
	"time"
)

// pushed is one session that a station sent at least once.
type pushed struct {
	id   string
	site int
	// content is the session as sent, marshalled deterministically; trials how many it has.
	content []byte
	trials  int
	acked   bool
	// read says that it was read back since it was acknowledged.
	read bool
}

// ledger is what the stations know of their pushes. Safe for concurrent use.
type ledger struct {
	now func() time.Time

	mu   sync.Mutex
	all  map[string]*pushed
	acks map[int][]time.Time // of each site, since the last verification
}

func newLedger(now func() time.Time) *ledger {
	return &ledger{now: now, all: map[string]*pushed{}, acks: map[int][]time.Time{}}
}

// sending is called before the first byte is sent.
func (l *ledger) sending(p *pushed) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all[p.id] = p
}

func (l *ledger) acked(p *pushed) {
	l.mu.Lock()
	defer l.mu.Unlock()
	p.acked = true
	l.acks[p.site] = append(l.acks[p.site], l.now())
}

// ackedSince says whether the site had a push acknowledged after that time.
func (l *ledger) ackedSince(site int, from time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := l.acks[site]
	return len(at) > 0 && at[len(at)-1].After(from)
}

// longestGap is the longest time, over the sites, in which a site had no push acknowledged, from then on; it forgets the times.
func (l *ledger) longestGap(from time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	var longest time.Duration
	for _, at := range l.acks {
		last := from
		for _, t := range at {
			if t.After(last) {
				longest, last = max(longest, t.Sub(last)), t
			}
		}
	}
	l.acks = map[int][]time.Time{}
	return longest
}

func (l *ledger) counts() (acked, not int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, p := range l.all {
		if p.acked {
			acked++
		} else {
			not++
		}
	}
	return acked, not
}
