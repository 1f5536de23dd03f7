package soak

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

const (
	// pushLimit is a station's deadline: half-open networks never answer.
	pushLimit = 4 * time.Second
	// betweenPushes leaves the machine, which client, service and Postgres share, something.
	betweenPushes = 10 * time.Millisecond
	// betweenFailures is how long a station waits before it tries again.
	betweenFailures = 100 * time.Millisecond
)

// crew are the stations.
type crew struct {
	o       Options
	sites   []site
	ledger  *ledger
	cancel  context.CancelFunc
	working sync.WaitGroup
	members []*station

	// gate is held for reading by a station at work, for writing while nobody may push.
	gate    sync.RWMutex
	halted  bool
	mu      sync.Mutex
	refused []string
}

// station pushes for one site, over a connection to each replica in turn.
type station struct {
	crew      *crew
	site      int
	conns     []*grpc.ClientConn
	addresses []string
	random    *rand.Rand
	persist   bool // never gives a session up, and repeats it over the next replica
	next      int
	// failures are answers that were no acknowledgement, slowest the longest time from the first try of a session to its acknowledgement.
	failures int
	slowest  time.Duration
}

func newCrew(o Options, sites []site, l *ledger, addresses []string) (*crew, error) {
	c := &crew{o: o, sites: sites, ledger: l, cancel: func() {}}
	for i := range sites {
		for k := range o.Stations {
			s := &station{crew: c, site: i, random: rand.New(rand.NewPCG(o.Seed, uint64(100+i*o.Stations+k))), next: k}
			for _, address := range addresses {
				conn, err := dial(address)
				if err != nil {
					return nil, errors.Join(err, c.closeConns())
				}
				s.conns, s.addresses = append(s.conns, conn), append(s.addresses, address)
			}
			c.members = append(c.members, s)
		}
	}
	c.gate.Lock()
	c.halted = true
	return c, nil
}

func dial(address string) (*grpc.ClientConn, error) {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithConnectParams(grpc.ConnectParams{
		Backoff: backoff.Config{BaseDelay: 50 * time.Millisecond, Multiplier: 1.5, MaxDelay: 500 * time.Millisecond}, MinConnectTimeout: time.Second}))
	if err != nil {
		return nil, fmt.Errorf("dial %s: %w", address, err)
	}
	return conn, nil
}

// start lets the stations work once resume is called.
func (c *crew) start(ctx context.Context) {
	ctx, c.cancel = context.WithCancel(ctx)
	for _, s := range c.members {
		c.working.Go(func() { s.work(ctx) })
	}
}

// halt returns when no push is in flight and none will begin.
func (c *crew) halt() {
	if !c.halted {
		c.gate.Lock()
		c.halted = true
	}
}

func (c *crew) resume() {
	if c.halted {
		c.halted = false
		c.gate.Unlock()
	}
}

func (c *crew) close() {
	c.cancel()
	c.resume()
	c.working.Wait()
	_ = c.closeConns()
}

func (c *crew) closeConns() error {
	var errs []error
	for _, s := range c.members {
		for _, conn := range s.conns {
			errs = append(errs, conn.Close())
		}
	}
	return errors.Join(errs...)
}

// awaitPushes returns when every site has had a push acknowledged after that time.
func (c *crew) awaitPushes(ctx context.Context, from time.Time) error {
	ctx, cancel := context.WithTimeout(ctx, recoverLimit)
	defer cancel()
	for i := range c.sites {
		for !c.ledger.ackedSince(i, from) {
			if ctx.Err() != nil {
				return fmt.Errorf("wait for pushes of clinic %d: %w", i+1, ctx.Err())
			}
			sleep(ctx, 5*time.Millisecond)
		}
	}
	return nil
}

// wrong are the answers that no fault explains, and it forgets them.
func (c *crew) wrong() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	all := c.refused
	c.refused = nil
	return all
}

func (s *station) work(ctx context.Context) {
	var kept []*pushed
	for ctx.Err() == nil {
		s.crew.gate.RLock()
		if ctx.Err() == nil {
			kept = s.push(ctx, kept)
		}
		s.crew.gate.RUnlock()
		sleep(ctx, betweenPushes)
	}
}

// push sends what was kept, or something new, and returns what is to be sent again.
func (s *station) push(ctx context.Context, kept []*pushed) []*pushed {
	if len(kept) == 0 {
		count := 1
		if s.random.IntN(3) == 0 {
			count = 2 + s.random.IntN(5)
		}
		for range count {
			kept = append(kept, s.made())
		}
	}
	began := s.crew.o.Now()
	limited, cancel := context.WithTimeout(as(ctx, s.crew.sites[s.site].token), pushLimit)
	defer cancel()
	again := s.send(limited, kept)
	if len(again) == 0 {
		s.slowest = max(s.slowest, s.crew.o.Now().Sub(began))
		return nil
	}
	s.failures++
	if limited.Err() != nil {
		// No answer at all may mean that the connection is half-open, of which nobody will tell.
		s.redial()
	}
	s.next++
	sleep(ctx, betweenFailures)
	if !s.persist && s.random.IntN(2) == 0 {
		// Given up: it must be absent or whole.
		return nil
	}
	return again
}

func (s *station) redial() {
	i := s.next % len(s.conns)
	conn, err := dial(s.addresses[i])
	if err != nil {
		s.wrong("%v", err)
		return
	}
	_ = s.conns[i].Close()
	s.conns[i] = conn
}

func (s *station) made() *pushed {
	series, trials := 1+s.random.IntN(3), 1+s.random.IntN(4)
	made := session(s.crew.o, s.crew.sites[s.site], series, trials)
	p := &pushed{id: made.GetId(), site: s.site, content: content(made), trials: series * trials}
	s.crew.ledger.sending(p)
	return p
}

// content is a session in bytes that are the same for equal sessions.
func content(s *ponderalv1.Session) []byte {
	// Marshalling fails on text that is not UTF-8 only, of which there is none; an empty content would be refused.
	b, _ := proto.MarshalOptions{Deterministic: true}.Marshal(s)
	return b
}

// send sends one session by itself, several as a batch, and returns those that were not acknowledged.
func (s *station) send(ctx context.Context, list []*pushed) (again []*pushed) {
	conn := s.conns[s.next%len(s.conns)]
	messages := make([]*ponderalv1.Session, len(list))
	for i, p := range list {
		messages[i] = &ponderalv1.Session{}
		if err := proto.Unmarshal(p.content, messages[i]); err != nil {
			s.wrong("read own session: %v", err)
			return nil
		}
	}
	if len(list) == 1 {
		_, err := ponderalv1.NewSessionServiceClient(conn).PushSession(ctx, &ponderalv1.PushSessionRequest{Session: messages[0]})
		return s.judge(list, err)
	}
	answer, err := ponderalv1.NewSyncServiceClient(conn).PushSessions(ctx, &ponderalv1.PushSessionsRequest{Sessions: messages})
	if err != nil || len(answer.GetSessions()) != len(list) {
		return s.judge(list, errors.Join(err))
	}
	for i, got := range answer.GetSessions() {
		if refusal := got.GetRefused(); refusal != nil {
			s.allowed(refusal.GetCode(), refusal.GetReason())
			again = append(again, list[i])
			continue
		}
		s.crew.ledger.acked(list[i])
	}
	return again
}

func (s *station) judge(list []*pushed, err error) []*pushed {
	if err != nil {
		s.allowed(status.Code(err).String(), status.Convert(err).Message())
		return list
	}
	for _, p := range list {
		s.crew.ledger.acked(p)
	}
	return nil
}

// allowed notes an answer that no fault explains: under faults a push may be unavailable, late or shed, never refused for what it holds.
func (s *station) allowed(code, text string) {
	switch code {
	case codes.Unavailable.String(), codes.DeadlineExceeded.String(), codes.Canceled.String(), codes.ResourceExhausted.String(),
		"UNAVAILABLE", "DEADLINE_EXCEEDED", "CANCELLED", "CANCELED", "RESOURCE_EXHAUSTED":
		return
	}
	s.wrong("a push of clinic %d was answered %s: %s", s.site+1, code, text)
}

func (s *station) wrong(format string, args ...any) {
	s.crew.mu.Lock()
	defer s.crew.mu.Unlock()
	s.crew.refused = append(s.crew.refused, fmt.Sprintf(format, args...))
}
