package casework

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

const logName = "log.ponderal.example"

// id makes the n-th id of a group of records; the same in every test, as each has a database of its own.
func id(group string, n int) string { return fmt.Sprintf("018f%.4x-0000-7000-8000-%012x", group, n) }

// clock is a clock that a test sets, and that calls back once when the test wants something to happen in the middle of a transaction.
type clock struct {
	mu   sync.Mutex
	at   time.Time
	hook func()
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	hook, at := c.hook, c.at
	c.hook = nil
	c.mu.Unlock()
	if hook != nil {
		hook()
	}
	return at
}

func (c *clock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

func (c *clock) onNext(hook func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.hook = hook
}

// source is seeded randomness, safe for concurrent use.
type source struct {
	mu sync.Mutex
	r  io.Reader
}

// without runs fn while the source gives nothing.
func (s *source) without(fn func()) {
	set := func(r io.Reader) (was io.Reader) {
		s.mu.Lock()
		defer s.mu.Unlock()
		was, s.r = s.r, r
		return was
	}
	defer set(set(iotest.ErrReader(io.ErrUnexpectedEOF)))
	fn()
}

func (s *source) Read(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.r.Read(b)
}

// world is one test's service with an invented network in it: two clinics, a payer, and people.
type world struct {
	t     testing.TB
	ctx   context.Context
	c     *Casework
	store *store.Store
	url   string
	ring  seal.Ring
	clock *clock
	db    *pgtest.DB
	// logClock is the clock of the audit log, which is read between what a transaction reads and what it writes.
	logClock *clock
	// random is the service's randomness, which a test may take away.
	random *source
}

var (
	east   = id("c1", 1)
	west   = id("c1", 2)
	insure = id("ba", 1)
	rival  = id("ba", 2)
	day    = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
)

// roles of the invented people: their member ids are alike in both clinics.
var (
	dana  = id("da", 1) // reviewer and evaluator
	sam   = id("da", 2) // evaluator
	robin = id("da", 3) // administrator
	lee   = id("da", 4) // evaluator who has left
)

func newWorld(t testing.TB) *world {
	t.Helper()
	w := bareWorld(t)
	root := w.network(record.RoleNetworkAdmin)
	for _, clinic := range []record.Clinic{
		{ID: east, Name: "Invented Clinic East", DisplayUnit: mass.Pound},
		{ID: west, Name: "Invented Clinic West", DisplayUnit: mass.Kilogram},
	} {
		must(w.c.PutClinic(w.ctx, root, clinic, 0))(t)
	}
	must(w.c.PutPayer(w.ctx, root, record.Payer{ID: insure, Name: "Invented Mutual"}, 0))(t)
	must(w.c.PutPayer(w.ctx, root, record.Payer{ID: rival, Name: "Invented Life"}, 0))(t)
	for _, clinic := range []string{east, west} {
		w.staff(clinic)
	}
	return w
}

// bareWorld is a service over an empty database.
func bareWorld(t testing.TB) *world {
	t.Helper()
	db := pgtest.New(t)
	w := &world{t: t, ctx: context.Background(), db: db, clock: &clock{at: day}, logClock: &clock{at: day}, url: db.ServiceURL}
	var err error
	if w.store, err = store.Open(w.ctx, store.Options{URL: db.ServiceURL, MaxConns: 6}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.store.Close)
	random := &source{r: rand.NewChaCha8([32]byte{1})}
	w.random = random
	resultKey := must(seal.GenerateKey(random, seal.UseResult))(t)
	logKey := must(seal.GenerateKey(random, seal.UseLog))(t)
	w.ring = must(seal.NewRing(resultKey.Public(), logKey.Public()))(t)
	log := must(auditlog.New(w.ctx, auditlog.Options{Name: logName, Key: logKey, Ring: w.ring, Now: w.logClock.now, Rand: random}))(t)
	w.c = must(New(w.ctx, Options{Store: w.store, Log: log, ResultKey: resultKey, Ring: w.ring, Now: w.clock.now, Rand: random, Signers: &checker{}}))(t)
	return w
}

func (w *world) staff(clinic string) {
	root := w.network(record.RoleNetworkAdmin)
	root.ClinicID = clinic
	for _, m := range []record.Member{
		{ID: dana, Name: "Dana Whitfield", Credential: "PT", Roles: []record.Role{record.RoleEvaluator, record.RoleReviewer}},
		{ID: sam, Name: "Sam Okafor", Roles: []record.Role{record.RoleEvaluator}},
		{ID: robin, Name: "Robin Vale", Roles: []record.Role{record.RoleClinicAdmin}},
		{ID: lee, Name: "Lee Marsh", Roles: []record.Role{record.RoleEvaluator}, Left: true},
	} {
		must(w.c.PutMember(w.ctx, root, m, 0))(w.t)
	}
}

// setClock sets both clocks.
func (w *world) setClock(at time.Time) {
	w.clock.set(at)
	w.logClock.set(at)
}

func (w *world) network(r record.Role) authn.Principal {
	return authn.Principal{TokenID: id("aa", 1), Label: "network", Network: true, Roles: []record.Role{r}, Role: r, App: "test", RequestID: "r-1"}
}

func (w *world) member(clinic, member string, r record.Role) authn.Principal {
	return authn.Principal{TokenID: id("aa", 2), MemberID: member, ClinicID: clinic, Roles: []record.Role{r}, Role: r, App: "test", RequestID: "r-2"}
}

func (w *world) station(clinic string) authn.Principal {
	return authn.Principal{TokenID: id("aa", 3), Label: "station 1", ClinicID: clinic, Roles: []record.Role{record.RoleStation}, Role: record.RoleStation}
}

func (w *world) payer(payer string) authn.Principal {
	return authn.Principal{TokenID: id("aa", 4), Label: "claims", PayerID: payer, Roles: []record.Role{record.RolePayer}, Role: record.RolePayer}
}

func (w *world) reviewer(clinic string) authn.Principal {
	return w.member(clinic, dana, record.RoleReviewer)
}

func (w *world) admin(clinic string) authn.Principal {
	return w.member(clinic, robin, record.RoleClinicAdmin)
}

// ready gives a clinic a client, a job, a referral, a kit and a protocol, and returns the protocol's digest.
func (w *world) ready(clinic string) string {
	t, p := w.t, w.admin(clinic)
	must(w.c.PutClient(w.ctx, p, record.Client{ID: id("a1", 1), GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05", Sex: record.Female}, 0))(t)
	must(w.c.PutJobProfile(w.ctx, p, record.JobProfile{ID: id("b1", 1), Title: "Stock clerk", Tasks: []record.JobTask{
		{Name: "shelve boxes", Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, "40")}}}, 0))(t)
	must(w.c.PutReferral(w.ctx, p, record.Referral{ID: id("e1", 1), ClientID: id("a1", 1), PayerID: insure, ClaimNumber: "X-1", JobProfileID: id("b1", 1)}, 0))(t)
	must(w.c.PutReferral(w.ctx, p, record.Referral{ID: id("e1", 2), ClientID: id("a1", 1), PayerID: insure, ClaimNumber: "X-2"}, 0))(t)
	must(w.c.PutKit(w.ctx, p, record.Kit{ID: id("f1", 1), Name: "Kit 1", Tote: record.Piece{Code: "T", Mass: lb(t, "5"), VerifiedOn: "2026-01-05"},
		Inserts: []record.Piece{{Code: "A", Mass: lb(t, "10"), VerifiedOn: "2026-01-05"}, {Code: "B", Mass: lb(t, "15"), VerifiedOn: "2026-01-05"}}}, 0))(t)
	return must(w.c.PublishProtocol(w.ctx, p, protocol(t)))(t).Value.Digest
}

func protocol(t testing.TB) record.Protocol {
	return record.Protocol{Name: "Occasional lift", Zones: []record.Zone{record.FloorWaist, record.WaistShoulder}, Pace: record.Occasional,
		StartLoad: lb(t, "15"), Steps: []record.LoadStep{{Increment: lb(t, "10")}}, Repetitions: 1, RestSeconds: 60,
		HeartRateLimit: &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971},
		EffortStop:     16, RequiresHeartRate: true, RequiresEffortRating: true, Source: "common practice, no source"}
}

// session is the n-th session of a scenario of our own: two series climbing by 10 lb from 15 lb, the first to 45 lb, which decides the
// client's strength level, the second to 35 lb.
func session(t testing.TB, digest string, n int) record.Session {
	s := record.Session{ID: id("5e", n), ReferralID: id("e1", 1), EvaluatorID: sam,
		StartedAt: record.TimeOf(day.Add(-3 * time.Hour)), EndedAt: record.TimeOf(day.Add(-2 * time.Hour)),
		Screening: record.Screening{RestingHeartRate: ptr(70), Systolic: ptr(120), Diastolic: ptr(80)}}
	minute := 5
	for i, zone := range []record.Zone{record.FloorWaist, record.WaistShoulder} {
		series := record.Series{Number: i + 1, Zone: zone, Pace: record.Occasional, ProtocolDigest: digest, Stop: record.StopVolitional}
		for j := range 4 - i {
			series.Trials = append(series.Trials, record.Trial{Number: j + 1, At: record.TimeOf(s.StartedAt.Std().Add(time.Duration(minute) * time.Minute)),
				Load: lb(t, fmt.Sprint(15+10*j)), Repetitions: 1, HeartRate: ptr(90 + 8*j), Effort: ptr(record.Effort(4 + 2*j)),
				Sustainable: ptr(true), MorePossible: ptr(j < 3-i)})
			minute += 3
		}
		s.Series = append(s.Series, series)
	}
	return s
}

// pushed is a world in which a clinic has one session.
func pushed(t testing.TB) (*world, record.Session) {
	t.Helper()
	w := newWorld(t)
	s := session(t, w.ready(east), 1)
	must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	s.ClinicID = east
	return w, s
}

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func lb(t testing.TB, value string) mass.Mass {
	t.Helper()
	return must(mass.Parse(value, mass.Pound))(t)
}

func ptr[T any](v T) *T { return &v }
