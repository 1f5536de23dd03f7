package auditlog

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"ponderal.example/internal/localpg"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
	"ponderal.example/migrations"
)

// benchServer is a private server that syncs to disk, unlike the one of the tests.
func benchServer(b *testing.B) (service, admin string) {
	b.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	server, err := localpg.Start(ctx, localpg.Options{Random: rand.Reader})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = server.Close(context.Background()) })
	owner, err := server.CreateDatabase(ctx, "bench")
	if err != nil {
		b.Fatal(err)
	}
	if err := migrations.Up(ctx, owner); err != nil {
		b.Fatal(err)
	}
	if err := migrations.GrantLogin(ctx, server.AdminURL(""), server.ServicePassword()); err != nil {
		b.Fatal(err)
	}
	return server.RoleURL(migrations.ServiceRole, server.ServicePassword(), "bench"), server.AdminURL("bench")
}

// push is one session of 6 series with 48 trials and its finding, with bodies of the length that real ones have.
type push struct {
	session store.SessionRow
	trials  []store.NewTrial
	finding store.DocRow
}

const (
	benchClinics = 4
	benchSeries  = 6
	benchTrials  = 8
)

func benchClinic(i int) string {
	return fmt.Sprintf("019a0000-0000-7000-8000-00000000c0%02d", i%benchClinics)
}

func newPush() push {
	id := uuid.Must(uuid.NewV7()).String()
	var p push
	p.session = store.SessionRow{ID: id, ReferralID: id, Revision: 1, Body: fmt.Appendf(nil, `{"id":%q,"filler":"%s"}`, id, bytes.Repeat([]byte("session "), 110))}
	verdict := []byte(`{"number":3,"status":"accepted","guards":[{"guard":"effort_stop","limit":"8","measured":"7"}]},`)
	p.finding = store.DocRow{Kind: record.KindFinding, ID: id, Revision: 1, Body: fmt.Appendf(nil, `{"id":%q,"capacities":[%s]}`, id, bytes.Repeat(verdict, 36))}
	for s := range benchSeries {
		for n := range benchTrials {
			p.trials = append(p.trials, store.NewTrial{SessionID: id, Series: s + 1, Number: n + 1, Revision: 1,
				Body: fmt.Appendf(nil, `{"at":"2026-03-02T09:15:%02dZ","effort_rating":%d,"heart_rate":%d,"insert_codes":["K1","K2","K3"],"load":{"unit":"lb","value":"%d"},"more_possible":true,"number":%d,"repetitions":3,"signs":[{"grade":1,"sign":"trunk_lean"}],"sustainable":true}`, n, n, 80+n*7+s, 10+n*5, n+1)})
		}
	}
	return p
}

// BenchmarkPush measures one pushed session through the store and the log, and the same session and trial rows by raw COPY into tables
// without keys, policies and audit, on the same server with fsync on.
func BenchmarkPush(b *testing.B) {
	service, admin := benchServer(b)
	ctx := context.Background()
	s, err := store.Open(ctx, store.Options{URL: service, MaxConns: 20})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.Close)
	l := benchLog(b)
	for i := range benchClinics {
		if err := s.InClinic(ctx, benchClinic(i), func(tx *store.Tx) error { return tx.OpenLog(ctx) }); err != nil {
			b.Fatal(err)
		}
	}
	raw := openRawCopy(b, admin)
	for _, workers := range []int{1, 16} {
		b.Run(fmt.Sprintf("log-%d", workers), func(b *testing.B) {
			inParallel(b, workers, func(worker int, p push) error {
				return pushOnce(ctx, s, l, benchClinic(worker), p)
			})
		})
		b.Run(fmt.Sprintf("copy-%d", workers), func(b *testing.B) {
			inParallel(b, workers, func(worker int, p push) error { return raw.write(ctx, benchClinic(worker), p) })
		})
	}
}

func benchLog(b *testing.B) *Log {
	b.Helper()
	key, err := seal.GenerateKey(rand.Reader, seal.UseLog)
	if err != nil {
		b.Fatal(err)
	}
	ring, err := seal.NewRing(key.Public())
	if err != nil {
		b.Fatal(err)
	}
	l, err := New(b.Context(), Options{Name: "log.example", Key: key, Ring: ring, Now: time.Now, Rand: rand.Reader})
	if err != nil {
		b.Fatal(err)
	}
	return l
}

func pushOnce(ctx context.Context, s *store.Store, l *Log, clinic string, p push) error {
	return s.InClinic(ctx, clinic, func(tx *store.Tx) error {
		c, err := tx.PushContext(ctx, store.PushKeys{SessionID: p.session.ID, ReferralID: p.session.ReferralID, EvaluatorID: p.session.ID,
			Digests: []string{"3f786850e387550fdab836ed7e6dc881de23001b3f786850e387550fdab836ed"}})
		if err != nil {
			return err
		}
		_, err = l.Commit(ctx, tx, Head{Size: c.HeadSize, Edge: c.HeadEdge}, Draft{ClinicID: clinic, Action: record.ActionSessionPush,
			Actor:    record.Actor{TokenID: p.session.ID, App: "bench", Role: record.RoleStation, RequestID: p.session.ID},
			Subjects: []string{p.session.ID}, Docs: []store.DocRow{p.finding}, Sessions: []store.SessionRow{p.session}, Trials: p.trials, Last: true}, false)
		return err
	})
}

// inParallel shares b.N pushes, made beforehand, among the workers, and reports the rate.
func inParallel(b *testing.B, workers int, do func(worker int, p push) error) {
	pushes := make([]push, b.N)
	for i := range pushes {
		pushes[i] = newPush()
	}
	var next atomic.Int64
	var group sync.WaitGroup
	b.ResetTimer()
	for w := range workers {
		group.Go(func() {
			for i := next.Add(1) - 1; i < int64(b.N); i = next.Add(1) - 1 {
				if err := do(w, pushes[i]); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	group.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "pushes/s")
}
