package e2e

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/serve"
	"ponderal.example/internal/store"
)

func TestMain(m *testing.M) {
	if os.Getenv(issuerVariable) != "" {
		if err := beIssuer(os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
		return
	}
	pgtest.Main(m)
}

func id(group string, n int) string { return fmt.Sprintf("018f%.4x-0000-7000-8000-%012x", group, n) }

// The ids of the invented network; those inside a clinic are alike in every clinic.
var (
	east  = id("c1", 1)
	west  = id("c1", 2)
	payer = id("ba", 1)
	dana  = id("da", 1) // evaluator and reviewer
	robin = id("da", 2) // administrator
	day   = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
)

// clock is the service's clock; a test may have something done at its next reading, which is in the middle of a transaction.
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

func (c *clock) onNext(hook func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.hook = hook
}

func (c *clock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

// world is one test's running service.
type world struct {
	t       testing.TB
	ctx     context.Context
	db      *pgtest.DB
	super   *pgx.Conn
	proxy   *proxy
	cases   *casework.Casework
	at      serve.Addresses
	service *caller.Service
	clock   *clock
	// rates are high: the matrix alone is refused thousands of times in a minute.
	rates rpc.RateLimits
	// logClock is read between what a transaction reads and what it writes.
	logClock *clock
}

func newWorld(t testing.TB) *world { return newWorldWith(t, nil) }

// newWorldWith is newWorld with other options of the use cases, unless change is nil.
func newWorldWith(t testing.TB, change func(*world, *store.Store, *casework.Options)) *world {
	t.Helper()
	w := &world{t: t, ctx: context.Background(), db: pgtest.New(t), clock: &clock{at: day}, logClock: &clock{at: day}}
	w.super = must(pgx.Connect(w.ctx, w.db.SuperURL))(t)
	t.Cleanup(func() { _ = w.super.Close(context.Background()) })
	var url string
	w.proxy, url = newProxy(t, w.db.ServiceURL)
	st := must(store.Open(w.ctx, store.Options{URL: url, MaxConns: 6}))(t)
	t.Cleanup(st.Close)
	resultKey := must(seal.GenerateKey(rand.Reader, seal.UseResult))(t)
	logKey := must(seal.GenerateKey(rand.Reader, seal.UseLog))(t)
	ring := must(seal.NewRing(resultKey.Public(), logKey.Public()))(t)
	log := must(auditlog.New(t.Context(), auditlog.Options{Name: "log.ponderal.example", Key: logKey, Ring: ring, Now: w.logClock.now, Rand: rand.Reader}))(t)
	options := casework.Options{Store: st, Log: log, ResultKey: resultKey, Ring: ring, Now: w.clock.now, Rand: rand.Reader, Signers: anyProof{}}
	if change != nil {
		change(w, st, &options)
	}
	w.cases = must(casework.New(t.Context(), options))(t)
	w.rates = rpc.RateLimits{PerMinute: 10_000_000, AddressPerMinute: 10_000_000, Shared: st.Limits(nil)}
	server := must(serve.New(serve.Options{
		Cases: w.cases, Authenticator: authn.NewAuthenticator(st, w.clock.now), Ready: st.Ready, GRPCAddress: "127.0.0.1:0", RESTAddress: "127.0.0.1:0",
		Logger: slog.New(slog.DiscardHandler), Registry: prometheus.NewRegistry(), Now: time.Now, NewRequestID: uuid.NewString,
		RateLimits: w.rates,
	}))(t)
	w.at = must(server.Start(w.ctx))(t)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := server.Stop(ctx); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	w.service = must(caller.Dial(w.at.GRPC, "http://"+w.at.REST))(t)
	t.Cleanup(func() { _ = w.service.Close(); http.DefaultClient.CloseIdleConnections() })
	must(w.cases.PutPayer(w.ctx, w.network(""), record.Payer{ID: payer, Name: "Invented Mutual"}, 0))(t)
	return w
}

func (w *world) network(clinic string) authn.Principal {
	return authn.Principal{TokenID: id("aa", 1), Label: "network", Network: true, ClinicID: clinic, Roles: []record.Role{record.RoleNetworkAdmin},
		Role: record.RoleNetworkAdmin}
}

func (w *world) admin(clinic string) authn.Principal {
	return authn.Principal{TokenID: id("aa", 2), MemberID: robin, ClinicID: clinic, Roles: []record.Role{record.RoleClinicAdmin}, Role: record.RoleClinicAdmin}
}

// clinic makes a clinic with its people.
func (w *world) clinic(clinic string, evaluator string) {
	w.t.Helper()
	must(w.cases.PutClinic(w.ctx, w.network(""), record.Clinic{ID: clinic, Name: "Invented Clinic", DisplayUnit: mass.Pound}, 0))(w.t)
	for _, m := range []record.Member{
		{ID: evaluator, Name: "Dana Whitfield", Credential: "PT", Roles: []record.Role{record.RoleEvaluator, record.RoleReviewer}},
		{ID: robin, Name: "Robin Vale", Roles: []record.Role{record.RoleClinicAdmin}},
	} {
		must(w.cases.PutMember(w.ctx, w.network(clinic), m, 0))(w.t)
	}
}

// token makes a token; without a member it is a station's.
func (w *world) token(clinic, member string, roles ...record.Role) string {
	w.t.Helper()
	_, secret := w.newToken(clinic, member, roles...)
	return secret
}

func (w *world) newToken(clinic, member string, roles ...record.Role) (tokenID, secret string) {
	w.t.Helper()
	made, secret, err := w.cases.BootstrapToken(w.ctx, casework.NewToken{ClinicID: clinic, MemberID: member, Label: "test", Roles: roles,
		ExpiresAt: record.TimeOf(day.Add(48 * time.Hour))})
	if err != nil {
		w.t.Fatal(err)
	}
	return made.Value.Token.ID, secret
}

// both are the two ways of calling.
var both = []caller.Way{caller.GRPC, caller.REST}

// rows counts every row of every table of records, so that a test can show that nothing was stored. Calls are counted elsewhere.
func (w *world) rows() string {
	w.t.Helper()
	tables := w.ask(`SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'ponderal'
		AND table_name NOT IN ('allowance', 'sign_in_attempt') ORDER BY 1`)
	var parts []string
	for _, table := range tables {
		parts = append(parts, table+"="+w.ask("SELECT count(*)::text FROM ponderal." + table)[0])
	}
	return strings.Join(parts, " ")
}

func (w *world) ask(sql string, args ...any) []string {
	w.t.Helper()
	rows, err := w.super.Query(w.ctx, sql, args...)
	if err != nil {
		w.t.Fatalf("%s: %v", sql, err)
	}
	return must(pgx.CollectRows(rows, pgx.RowTo[string]))(w.t)
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

// anyProof lets every signer sign who gives any proof, where the test is not about what it takes.
type anyProof struct{}

func (anyProof) CheckSigner(context.Context, authn.Principal, casework.SignerProof, string) error {
	return nil
}

func proof() *pb.SignerProof { return &pb.SignerProof{Password: "right"} }
