package casework

import (
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// wantFault demands an error of that kind and reason, and returns its violations as "field rule".
func wantFault(t testing.TB, err error, kind fault.Kind, reason string) []string {
	t.Helper()
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != kind || f.Reason != reason {
		t.Fatalf("got %v, want kind %d reason %s", err, kind, reason)
	}
	var got []string
	for _, v := range f.Violations {
		got = append(got, v.Field+" "+v.Rule)
	}
	return got
}

// wantInvalid demands exactly these violations, in any order.
func wantInvalid(t testing.TB, err error, want ...string) {
	t.Helper()
	got := wantFault(t, err, fault.Invalid, "INVALID_REQUEST")
	slices.Sort(got)
	slices.Sort(want)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("violations (-want +got)\n%s", diff)
	}
}

// rows is every row of every table that a clinic has, as text, by the number of the entry that wrote it.
func (w *world) rows(clinic string) map[int64][]string {
	w.t.Helper()
	out := make(map[int64][]string)
	err := w.store.ReadClinic(w.ctx, clinic, func(tx *store.Tx) error {
		add := func(entry int64, kind, id string, revision int, body []byte) {
			out[entry] = append(out[entry], fmt.Sprintf("%s %s %d %s", kind, id, revision, body))
		}
		for _, kind := range store.ScanKinds() {
			if err := tx.ScanDocs(w.ctx, kind, func(d store.DocScan) error { add(d.Entry, kind, d.ID, d.Revision, d.Body); return nil }); err != nil {
				return err
			}
		}
		return errors.Join(
			tx.ScanSessions(w.ctx, func(s store.SessionScan) error {
				add(s.Entry, record.KindSession, s.ID, s.Revision, s.Body)
				return nil
			}),
			tx.ScanTrials(w.ctx, func(s store.TrialScan) error {
				add(s.Entry, record.KindTrial, fmt.Sprintf("%s/%d/%d", s.SessionID, s.Series, s.Number), s.Revision, s.Body)
				return nil
			}),
			tx.ScanResults(w.ctx, func(r store.ResultScan) error { add(r.Entry, record.KindResult, r.ID, 1, []byte(r.JWS)); return nil }),
			tx.ScanFeed(w.ctx, func(f store.FeedRow) error { add(f.Entry, record.KindFeedItem, f.ResultID, 1, f.Body); return nil }),
			tx.ScanEntries(w.ctx, func(e store.EntryScan) error { add(e.Number, "entry", e.Action, 0, e.Content); return nil }),
			tx.ScanCheckpoints(w.ctx, func(c store.CheckpointScan) error { add(c.Entry, "checkpoint", "", 0, []byte(c.Note)); return nil }),
		)
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

// unchanged runs fn and demands that no row of either clinic or of the network is there that was not before.
func (w *world) unchanged(fn func()) {
	w.t.Helper()
	logs := []string{record.NetworkClinic, east, west}
	var before []map[int64][]string
	for _, log := range logs {
		before = append(before, w.rows(log))
	}
	fn()
	for i, log := range logs {
		if diff := cmp.Diff(before[i], w.rows(log)); diff != "" {
			w.t.Errorf("log %s changed (-before +after)\n%s", log, diff)
		}
	}
}

// accounted demands of every row that the entry which wrote it lists it with the digest of what is stored, and of every entry that each
// record which it lists is there. Session trials stand in runs.
func (w *world) accounted(clinic string) {
	w.t.Helper()
	salts, entries := make(map[int64][]byte), make(map[int64]record.Entry)
	err := w.store.ReadClinic(w.ctx, clinic, func(tx *store.Tx) error {
		return tx.ScanEntries(w.ctx, func(e store.EntryScan) error {
			got, err := entryOf(e.EntryRow)
			salts[e.Number], entries[e.Number] = e.Salt, got
			return err
		})
	})
	if err != nil {
		w.t.Fatal(err)
	}
	rows := w.rows(clinic)
	for number, e := range entries {
		want := listed(w.t, e)
		var got []string
		for _, row := range rows[number] {
			kind, rest, _ := cutSpace(row)
			id, rest, _ := cutSpace(rest)
			revision, body, _ := cutSpace(rest)
			if kind == "entry" || kind == "checkpoint" {
				continue
			}
			got = append(got, fmt.Sprintf("%s %s %s %s", kind, id, revision, canon.DigestBase64url(canon.Digest(salts[number], []byte(body)))))
		}
		slices.Sort(want)
		slices.Sort(got)
		if diff := cmp.Diff(want, got); diff != "" {
			w.t.Errorf("entry %d %s of %s (-listed +stored)\n%s", number, e.Action, clinic, diff)
		}
	}
	for number := range rows {
		if _, ok := entries[number]; !ok {
			w.t.Errorf("rows of entry %d of %s have no entry", number, clinic)
		}
	}
}

func cutSpace(s string) (before, after string, found bool) {
	for i := range len(s) {
		if s[i] == ' ' {
			return s[:i], s[i+1:], true
		}
	}
	return s, "", false
}

// listed spells out what an entry says that it wrote.
func listed(t testing.TB, e record.Entry) []string {
	var out []string
	for _, r := range e.Records {
		out = append(out, fmt.Sprintf("%s %s %d %s", r.Kind, r.ID, r.Revision, r.Digest))
		for _, run := range r.Trials {
			joined := must(base64.RawURLEncoding.DecodeString(run.Digests))(t)
			for i := 0; i*32 < len(joined); i++ {
				out = append(out, fmt.Sprintf("trial %s/%d/%d %d %s", r.ID, run.Series, run.First+i, r.Revision,
					base64.RawURLEncoding.EncodeToString(joined[i*32:(i+1)*32])))
			}
		}
	}
	return out
}
