package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/limit"
	"ponderal.example/internal/pgtest"
)

// handed is a clock that a test sets.
type handed struct {
	mu sync.Mutex
	at time.Time
}

func (c *handed) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *handed) move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

func key(name string) [32]byte { return limit.KeyOf("test", name) }

// TestNobodyTouchesCounters: the service has no right on the counts but through the functions, and whoever got one would see no row.
func TestNobodyTouchesCounters(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s, super := open(t, db), connect(t, db.SuperURL)
	l := s.Limits((&handed{at: now}).now)
	if granted, _, _, err := l.TakeTokens(t.Context(), key("a"), 1, 5, 5, time.Minute); err != nil || granted != 1 {
		t.Fatalf("granted %d, %v", granted, err)
	}
	if _, err := l.BeginAttempt(t.Context(), AttemptKeys{key("p"), key("l"), key("address")}, tried10); err != nil {
		t.Fatal(err)
	}
	service := connect(t, db.ServiceURL)
	for _, table := range counters {
		for _, sql := range []string{"SELECT * FROM ponderal.%s", "INSERT INTO ponderal.%s DEFAULT VALUES", "UPDATE ponderal.%s SET key = key",
			"DELETE FROM ponderal.%s", "TRUNCATE ponderal.%s"} {
			if code := codeOf(t, service, fmt.Sprintf(sql, table)); code != "42501" {
				t.Errorf("%s: %s: SQLSTATE %q, want 42501", table, sql, code)
			}
		}
		var rls, forced bool
		var kind string
		const facts = "SELECT relrowsecurity, relforcerowsecurity, relpersistence::text FROM pg_class WHERE oid = ('ponderal.' || $1)::regclass"
		if err := super.QueryRow(t.Context(), facts, table).Scan(&rls, &forced, &kind); err != nil || !rls || !forced || kind != "u" {
			t.Errorf("%s: row security %v, forced %v, persistence %q, %v", table, rls, forced, kind, err)
		}
		exec(t, super, "GRANT SELECT ON ponderal."+table+" TO ponderal_service")
		var seen, there int
		if err := service.QueryRow(t.Context(), "SELECT count(*) FROM ponderal."+table).Scan(&seen); err != nil || seen != 0 {
			t.Errorf("%s: with a right to read, the service sees %d rows, %v", table, seen, err)
		}
		if err := super.QueryRow(t.Context(), "SELECT count(*) FROM ponderal."+table).Scan(&there); err != nil || there == 0 {
			t.Errorf("%s: %d rows, %v: nothing was hidden", table, there, err)
		}
		exec(t, super, "REVOKE SELECT ON ponderal."+table+" FROM ponderal_service")
	}
}

// TestTakeIsTheArithmetic: the database's bucket and that of package limit, which is tested by itself, answer alike, whatever is asked at
// whatever moments, backwards ones too.
func TestTakeIsTheArithmetic(t *testing.T) {
	t.Parallel()
	s := open(t, pgtest.New(t))
	random := rand.New(rand.NewPCG(4, 2))
	for n, p := range []limit.Policy{{Calls: 1, Span: time.Minute}, {Calls: 7, Span: time.Minute}, {Calls: 100, Span: 15 * time.Minute}, {Calls: 10_000_000, Span: time.Minute}} {
		clock, bucket := &handed{at: now}, limit.Bucket{}
		l := s.Limits(clock.now)
		for range 300 {
			clock.move(time.Duration(random.Int64N(int64(p.Span/2))-int64(p.Span/8)) / time.Duration(1+random.IntN(p.Calls)) * time.Duration(random.IntN(3)))
			clock.at = clock.at.Truncate(time.Microsecond)
			want := min(random.IntN(2*p.Lease()+1)-1, p.Capacity())
			granted, left, wait, err := l.TakeTokens(t.Context(), key(fmt.Sprint(n)), want, p.Capacity(), p.Calls, p.Span)
			g, f, w := bucket.Take(p, clock.at, want)
			if err != nil || granted != g || left != f || wait != w {
				t.Fatalf("%+v, want %d at %v: got %d, %d, %v, %v; the arithmetic says %d, %d, %v", p, want, clock.at, granted, left, wait, err, g, f, w)
			}
		}
	}
}

// TestTakeRefusesNoLimit: a limit of nothing is no limit that is off.
func TestTakeRefusesNoLimit(t *testing.T) {
	t.Parallel()
	l := open(t, pgtest.New(t)).Limits(nil)
	for _, c := range [][3]int{{1, 0, 1}, {1, 1, 0}, {2, 1, 1}} {
		if granted, _, _, err := l.TakeTokens(t.Context(), key("x"), c[0], c[1], c[2], time.Minute); err == nil || granted != 0 {
			t.Errorf("want, capacity, calls %v: granted %d", c, granted)
		}
	}
	if granted, _, _, err := l.TakeTokens(t.Context(), key("x"), 1, 1, 1, time.Minute); err != nil || granted != 1 {
		t.Errorf("the least limit: %d, %v", granted, err)
	}
}

// TestTwoReplicas: however many call at once on two replicas, exactly the limit is let through, and after a refill exactly what was refilled.
func TestTwoReplicas(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	clock := &handed{at: now}
	p := limit.Policy{Name: "test", Calls: 200, Span: time.Minute}
	replicas := []*limit.Leases{limit.NewLeases(p, open(t, db).Limits(clock.now), clock.now), limit.NewLeases(p, open(t, db).Limits(clock.now), clock.now)}
	burst := func() (passed int) {
		var n atomic.Int64
		var all sync.WaitGroup
		for i := range 16 {
			all.Go(func() {
				for range 25 {
					state, err := replicas[i%2].Spend(context.Background(), key("caller"))
					if err != nil {
						t.Error(err)
					}
					if state.Allowed {
						n.Add(1)
					}
				}
			})
		}
		all.Wait()
		return int(n.Load())
	}
	// 200 a minute: the bucket holds 180, and 20 more within the life of a lease, 6 s.
	if got := burst(); got != 180 {
		t.Errorf("at once: %d, want 180", got)
	}
	for _, step := range []struct {
		d    time.Duration
		want int
	}{{299 * time.Millisecond, 0}, {time.Millisecond, 1}, {3 * time.Second, 10}, {-time.Hour, 0}, {time.Hour, 0}, {time.Hour, 180}} {
		clock.move(step.d)
		if got := burst(); got != step.want {
			t.Errorf("%v later: %d, want %d", step.d, got, step.want)
		}
	}
}

// TestCountsAreSweptAway: rows that say nothing any more do not pile up.
func TestCountsAreSweptAway(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	clock := &handed{at: now}
	l, super := open(t, db).Limits(clock.now), connect(t, db.SuperURL)
	for i := range 60 {
		clock.move(time.Hour)
		name := fmt.Sprint(i)
		if _, _, _, err := l.TakeTokens(t.Context(), key(name), 3, 5, 5, time.Minute); err != nil {
			t.Fatal(err)
		}
		if _, err := l.BeginAttempt(t.Context(), AttemptKeys{key("p" + name), key("l" + name), key("a" + name)}, tried10); err != nil {
			t.Fatal(err)
		}
	}
	for _, table := range counters {
		if n := countRows(t, super, table); n > 10 {
			t.Errorf("%s: %d rows, of which only the newest count", table, n)
		}
	}
}

func countRows(t *testing.T, conn *pgx.Conn, table string) (n int) {
	t.Helper()
	if err := conn.QueryRow(t.Context(), "SELECT count(*) FROM ponderal."+table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// BenchmarkTake is what a lease costs: one call of the shared bucket.
func BenchmarkTake(b *testing.B) {
	l := open(b, pgtest.New(b)).Limits(nil)
	for b.Loop() {
		if _, _, _, err := l.TakeTokens(b.Context(), key("one"), 1, 1_000_000, 1_000_000, time.Minute); err != nil {
			b.Fatal(err)
		}
	}
}
