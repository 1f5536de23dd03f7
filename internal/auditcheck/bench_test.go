package auditcheck

import (
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// benchSessions is how many further sessions are pushed into a clinic's log before it is measured.
const benchSessions = 1000

// BenchmarkCheck measures the whole check, and in the same run the least that any check must do: read the same rows, and hash the same bytes once.
// "of-raw" is the speed of the check as a part of that least; the aim is half.
func BenchmarkCheck(b *testing.B) {
	w := newWorld(b)
	w.sessions(east, benchSessions)
	o := Options{Store: w.store, Ring: w.ring, LogName: logName}
	var raw, whole time.Duration
	var bytes, entries int64
	for b.Loop() {
		begin := time.Now()
		bytes = w.raw(b)
		middle := time.Now()
		report := must(Run(w.ctx, o))(b)
		raw, whole, entries = raw+middle.Sub(begin), whole+time.Since(middle), report.Entries
		if !report.OK() {
			b.Fatal(report.Problems)
		}
	}
	b.ReportMetric(float64(raw)/float64(whole), "of-raw")
	b.ReportMetric(float64(raw.Milliseconds())/float64(b.N), "raw-ms/op")
	b.ReportMetric(float64(whole.Milliseconds())/float64(b.N), "check-ms/op")
	b.ReportMetric(float64(entries), "entries")
	b.ReportMetric(float64(bytes)/1e6, "MB")
}

// raw reads every row of every log in the order that the check needs, and hashes its bytes.
func (w *world) raw(b *testing.B) (n int64) {
	h := sha256.New()
	add := func(parts ...[]byte) error {
		for _, p := range parts {
			n += int64(len(p))
			h.Write(p)
		}
		return nil
	}
	for _, clinic := range must(w.store.ListClinicIDs(w.ctx))(b) {
		err := w.store.ReadClinic(w.ctx, clinic, func(tx *store.Tx) error {
			for _, kind := range store.ScanKinds() {
				if err := tx.ScanDocs(w.ctx, kind, func(d store.DocScan) error { return add(d.Body) }); err != nil {
					return err
				}
			}
			for _, scan := range []func() error{
				func() error { return tx.ScanSessions(w.ctx, func(s store.SessionScan) error { return add(s.Body) }) },
				func() error { return tx.ScanTrials(w.ctx, func(t store.TrialScan) error { return add(t.Body) }) },
				func() error {
					return tx.ScanResults(w.ctx, func(r store.ResultScan) error { return add([]byte(r.JWS), r.Path) })
				},
				func() error { return tx.ScanFeed(w.ctx, func(f store.FeedRow) error { return add(f.Body) }) },
				func() error {
					return tx.ScanEntries(w.ctx, func(e store.EntryScan) error { return add(e.Salt, e.Content, e.Nodes) })
				},
				func() error {
					return tx.ScanCheckpoints(w.ctx, func(c store.CheckpointScan) error { return add([]byte(c.Note)) })
				},
			} {
				if err := scan(); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	return n
}

// sessions pushes sessions that nobody signs, and signs one in ten.
func (w *world) sessions(clinic string, count int) {
	digest := w.ask("SELECT id FROM ponderal.protocol WHERE clinic_id = $1 ORDER BY id LIMIT 1", clinic)[0]
	for n := 10; n < 10+count; n++ {
		s := session(w.t, digest, n)
		s.ReferralID = id("e1", 1)
		must(w.c.PushSession(w.ctx, w.member(clinic, sam, record.RoleEvaluator), s))(w.t)
		if n%10 == 0 {
			w.sign(clinic, casework.Signing{SessionID: s.ID, ResultID: fmt.Sprintf("018fab00-0000-7000-8000-%012x", n), SessionRevision: 1, Meaning: record.MeaningReviewed})
		}
	}
}
