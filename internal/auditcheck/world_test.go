package auditcheck

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

const logName = "log.ponderal.example"

func id(group string, n int) string { return fmt.Sprintf("018f%.4x-0000-7000-8000-%012x", group, n) }

var (
	east   = id("c1", 1)
	west   = id("c1", 2)
	insure = id("ba", 1)
	dana   = id("da", 1)
	sam    = id("da", 2)
	robin  = id("da", 3)
	day    = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
)

// world is an invented network with some weeks of work in two clinics, stored by the use cases, and a superuser who can do anything to it.
type world struct {
	t     testing.TB
	ctx   context.Context
	store *store.Store
	ring  seal.Ring
	// logKey is the key that really signs the logs, for a forger who has it.
	logKey seal.Key
	c      *casework.Casework
	log    *auditlog.Log
	super  *pgx.Conn
	db     *pgtest.DB
}

// seeded is seeded randomness, safe for concurrent use.
type seeded struct {
	mu sync.Mutex
	r  io.Reader
}

func (s *seeded) Read(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.r.Read(b)
}

func newWorld(t testing.TB) *world {
	t.Helper()
	db := pgtest.New(t)
	w := &world{t: t, ctx: context.Background(), db: db}
	w.store = must(store.Open(w.ctx, store.Options{URL: db.ServiceURL, MaxConns: 4}))(t)
	t.Cleanup(w.store.Close)
	w.super = must(pgx.Connect(w.ctx, db.SuperURL))(t)
	t.Cleanup(func() { _ = w.super.Close(context.Background()) })
	w.exec("SET session_replication_role = replica")
	random := &seeded{r: rand.NewChaCha8([32]byte{1})}
	resultKey := must(seal.GenerateKey(random, seal.UseResult))(t)
	logKey := must(seal.GenerateKey(random, seal.UseLog))(t)
	w.logKey = logKey
	w.ring = must(seal.NewRing(resultKey.Public(), logKey.Public()))(t)
	now := func() time.Time { return day }
	w.log = must(auditlog.New(w.ctx, auditlog.Options{Name: logName, Key: logKey, Ring: w.ring, Now: now, Rand: random}))(t)
	w.c = must(casework.New(w.ctx, casework.Options{Store: w.store, Log: w.log, ResultKey: resultKey, Ring: w.ring, Now: now, Rand: random, Signers: anyProof{}}))(t)
	w.work()
	return w
}

func (w *world) network() authn.Principal {
	return authn.Principal{TokenID: id("aa", 1), Label: "network", Network: true, Roles: []record.Role{record.RoleNetworkAdmin},
		Role: record.RoleNetworkAdmin, App: "test", RequestID: "r-1"}
}

func (w *world) member(clinic, member string, r record.Role) authn.Principal {
	return authn.Principal{TokenID: id("aa", 2), MemberID: member, ClinicID: clinic, Roles: []record.Role{r}, Role: r, App: "test", RequestID: "r-2"}
}

// work fills the network: each table of the schema gets at least two rows, so that bodies can be swapped.
func (w *world) work() {
	t, root := w.t, w.network()
	must(w.c.PutPayer(w.ctx, root, record.Payer{ID: insure, Name: "Invented Mutual"}, 0))(t)
	must(w.c.PutPayer(w.ctx, root, record.Payer{ID: id("ba", 2), Name: "Invented Life"}, 0))(t)
	for i, clinic := range []string{east, west} {
		must(w.c.PutClinic(w.ctx, root, record.Clinic{ID: clinic, Name: fmt.Sprint("Invented Clinic ", i), DisplayUnit: mass.Pound}, 0))(t)
		must(w.c.PutClinic(w.ctx, root, record.Clinic{ID: clinic, Name: fmt.Sprint("Invented Clinic, renamed ", i), DisplayUnit: mass.Pound}, 1))(t)
		here := root
		here.ClinicID = clinic
		for _, m := range []record.Member{
			{ID: dana, Name: "Dana Whitfield", Credential: "PT", Roles: []record.Role{record.RoleEvaluator, record.RoleReviewer}},
			{ID: sam, Name: "Sam Okafor", Roles: []record.Role{record.RoleEvaluator}},
			{ID: robin, Name: "Robin Vale", Roles: []record.Role{record.RoleClinicAdmin}},
		} {
			must(w.c.PutMember(w.ctx, here, m, 0))(t)
		}
		w.clinic(clinic)
	}
}

func (w *world) clinic(clinic string) {
	t, admin := w.t, w.member(clinic, robin, record.RoleClinicAdmin)
	var digest string
	for n := 1; n <= 2; n++ {
		must(w.c.PutClient(w.ctx, admin, record.Client{ID: id("a1", n), GivenName: "Pat", FamilyName: fmt.Sprint("Example ", n),
			BirthDate: "1980-03-05", Sex: record.Female}, 0))(t)
		must(w.c.PutJobProfile(w.ctx, admin, record.JobProfile{ID: id("b1", n), Title: fmt.Sprint("Stock clerk ", n), Tasks: []record.JobTask{
			{Name: "shelve boxes", Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, "40")}}}, 0))(t)
		must(w.c.PutReferral(w.ctx, admin, record.Referral{ID: id("e1", n), ClientID: id("a1", n), PayerID: insure, ClaimNumber: fmt.Sprint("X-", n),
			JobProfileID: id("b1", n)}, 0))(t)
		must(w.c.PutKit(w.ctx, admin, record.Kit{ID: id("f1", n), Name: fmt.Sprint("Kit ", n),
			Tote:    record.Piece{Code: "T", Mass: lb(t, "5"), VerifiedOn: "2026-01-05"},
			Inserts: []record.Piece{{Code: "A", Mass: lb(t, "10"), VerifiedOn: "2026-01-05"}}}, 0))(t)
		p := protocol(t)
		p.Name = fmt.Sprint("Occasional lift ", n)
		digest = must(w.c.PublishProtocol(w.ctx, admin, p))(t).Value.Digest
		token, _, err := w.c.CreateToken(w.ctx, admin, casework.NewToken{ClinicID: clinic, Label: fmt.Sprint("station ", n),
			Roles: []record.Role{record.RoleStation}, ExpiresAt: record.TimeOf(day.Add(24 * time.Hour))})
		must(token, err)(t)
		must(w.c.RevokeToken(w.ctx, admin, token.Value.Token.ID, "lost"))(t)
		must(w.c.PutLegalHold(w.ctx, admin, record.LegalHold{ID: id("40", n), ClientID: id("a1", n), Reason: "a dispute", Lifted: true}, 0))(t)
		must(w.c.PutRelease(w.ctx, admin, record.Release{ID: id("4e", n), ReferralID: id("e1", n), PayerID: insure, Purpose: "claim",
			ExpiresAt: record.TimeOf(day.Add(240 * time.Hour))}, 0))(t)
	}
	for n := 1; n <= 2; n++ {
		w.session(clinic, digest, n)
	}
}

// session pushes, signs, corrects and supersedes.
func (w *world) session(clinic, digest string, n int) {
	t, reviewer := w.t, w.member(clinic, dana, record.RoleReviewer)
	s := session(t, digest, n)
	must(w.c.PushSession(w.ctx, w.member(clinic, sam, record.RoleEvaluator), s))(t)
	w.sign(clinic, casework.Signing{SessionID: s.ID, ResultID: id("9a", n), SessionRevision: 1, Meaning: record.MeaningReviewed})
	trial := s.Series[0].Trials[1]
	trial.HeartRate = ptr(101)
	must(w.c.CorrectTrial(w.ctx, reviewer, casework.Correction{SessionID: s.ID, Series: 1, Trial: trial, Expected: 1, Reason: "read from the strap"}))(t)
	w.sign(clinic, casework.Signing{SessionID: s.ID, ResultID: id("9b", n), SessionRevision: 2, Meaning: record.MeaningReviewed,
		Supersedes: id("9a", n), SupersedeReason: "trial corrected"})
}

func (w *world) sign(clinic string, in casework.Signing) {
	in.Proof = casework.SignerProof{Password: "right"}
	in.Decision, in.Comment = record.CannotBeDetermined, "more to be asked of the employer"
	must(w.c.SignResult(w.ctx, w.member(clinic, dana, record.RoleReviewer), in))(w.t)
}

func protocol(t testing.TB) record.Protocol {
	return record.Protocol{Name: "Occasional lift", Zones: []record.Zone{record.FloorWaist, record.WaistShoulder}, Pace: record.Occasional,
		StartLoad: lb(t, "15"), Steps: []record.LoadStep{{Increment: lb(t, "10")}}, Repetitions: 1, RestSeconds: 60,
		HeartRateLimit: &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971},
		EffortStop:     16, RequiresHeartRate: true, RequiresEffortRating: true, Source: "common practice, no source"}
}

func session(t testing.TB, digest string, n int) record.Session {
	s := record.Session{ID: id("5e", n), ReferralID: id("e1", n), EvaluatorID: sam,
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

func (w *world) exec(sql string, args ...any) {
	w.t.Helper()
	if _, err := w.super.Exec(w.ctx, sql, args...); err != nil {
		w.t.Fatalf("%s: %v", sql, err)
	}
}

// ask returns the first column of a query's rows as text.
func (w *world) ask(sql string, args ...any) []string {
	w.t.Helper()
	rows, err := w.super.Query(w.ctx, sql, args...)
	if err != nil {
		w.t.Fatalf("%s: %v", sql, err)
	}
	return must(pgx.CollectRows(rows, pgx.RowTo[string]))(w.t)
}

func (w *world) check(known ...string) Report {
	w.t.Helper()
	return must(Run(w.ctx, Options{Store: w.store, Ring: w.ring, LogName: logName, Known: known}))(w.t)
}

// clean demands that nothing is wrong; it is the other half of every tamper test.
func (w *world) clean() {
	w.t.Helper()
	if r := w.check(); !r.OK() {
		w.t.Fatalf("a log that nobody touched: %v", r.Problems)
	}
}

// names reports whether one of the problems is about that row.
func names(r Report, clinic, table, key string) bool {
	return slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.Clinic == clinic && p.Table == table && p.Key == key })
}

// clinicAgain writes one further entry into a clinic's log.
func (w *world) clinicAgain(clinic string) {
	w.t.Helper()
	must(w.c.PutClinic(w.ctx, w.network(), record.Clinic{ID: clinic, Name: "Invented Clinic, renamed again", DisplayUnit: mass.Pound}, 2))(w.t)
}

// anyProof lets every signer sign who gives any proof: what it takes is not what these tests are about.
type anyProof struct{}

func (anyProof) CheckSigner(context.Context, authn.Principal, casework.SignerProof, string) error {
	return nil
}
