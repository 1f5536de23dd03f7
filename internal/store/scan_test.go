package store

import (
	"context"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// everything is a write with at least one row of every table but the tokens', with the same ids in every clinic.
func everything(clinic, mark string) Write {
	return Write{
		Docs:     docs(1, mark),
		Sessions: []SessionRow{{ID: id(200), ReferralID: id(104), Revision: 1, Body: []byte(`{"mark":"` + mark + `"}`)}},
		Trials: []NewTrial{
			{SessionID: id(200), Series: 1, Number: 1, Revision: 1, Body: []byte(`{"mark":"` + mark + `"}`)},
			{SessionID: id(200), Series: 1, Number: 2, Revision: 1, Body: []byte(`{"mark":"` + mark + `"}`)},
		},
		Results: []NewResult{{ID: id(300), SessionID: id(200), SessionRevision: 1, JWS: "jws." + mark, Path: make([]byte, 64)}},
		Note:    "note " + mark,
	}
}

// fill puts everything into a clinic, and the result into the payer's feed.
func fill(t testing.TB, s *Store, clinic, mark string) {
	t.Helper()
	openLogs(t, s, clinic)
	ctx := context.Background()
	in(t, s, clinic, func(tx *Tx) error {
		size, _, err := tx.LockHead(ctx)
		if err != nil {
			return err
		}
		number, err := tx.NextFeedNumber(ctx, payer)
		if err != nil {
			return err
		}
		w := everything(clinic, mark)
		w.Entry, w.Edge = entry(size, "everything", id(200), "client:"+id(103)), make([]byte, 32)
		w.Feed = []FeedRow{{PayerID: payer, Number: number, ClinicID: clinic, ResultID: id(300), Body: []byte(`{"mark":"` + mark + `"}`)}}
		if err := tx.Apply(ctx, w); err != nil {
			return err
		}
		return tx.SaveCosignature(ctx, size+1, witnessKey, "line "+mark)
	})
	// A token's id is one of its kind in the network.
	token := id(400)
	if clinic == clinicB {
		token = id(401)
	}
	add(t, s, clinic, "token", Write{Docs: []DocRow{
		{Kind: record.KindToken, ID: token, Revision: 1, Body: []byte(`{"mark":"` + mark + `"}`)},
		{Kind: record.KindTokenRevocation, ID: token, Revision: 1, Body: []byte(`{"mark":"` + mark + `"}`)}}})
}

// dump is every row that the scans give, as text, by table.
func dump(ctx context.Context, tx *Tx) (map[string][]string, error) {
	out := make(map[string][]string)
	note := func(table string, row any) error {
		out[table] = append(out[table], fmt.Sprintf("%+v", row))
		return nil
	}
	for _, kind := range ScanKinds() {
		if err := tx.ScanDocs(ctx, kind, func(d DocScan) error { return note(kind, d) }); err != nil {
			return nil, err
		}
	}
	for _, err := range []error{
		tx.ScanEntries(ctx, func(e EntryScan) error { return note("audit_entry", e) }),
		tx.ScanSessions(ctx, func(s SessionScan) error { return note("session", s) }),
		tx.ScanTrials(ctx, func(t TrialScan) error { return note("trial", t) }),
		tx.ScanResults(ctx, func(r ResultScan) error { return note("result", r) }),
		tx.ScanFeed(ctx, func(f FeedRow) error { return note("feed_item", f) }),
		tx.ScanCheckpoints(ctx, func(c CheckpointScan) error { return note("checkpoint", c) }),
		tx.ScanCosignatures(ctx, func(c CosignatureRow) error { return note("cosignature", c) }),
	} {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

func TestScansGiveEveryRowOfTheClinic(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	var got map[string][]string
	err := s.ReadClinic(ctx, clinicA, func(tx *Tx) error {
		var err error
		got, err = dump(ctx, tx)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	counts := make(map[string]int)
	for table, rows := range got {
		counts[table] = len(rows)
	}
	want := map[string]int{"audit_entry": 2, "session": 1, "trial": 2, "result": 1, "feed_item": 1, "checkpoint": 1, "cosignature": 1}
	for _, kind := range ScanKinds() {
		want[kind] = 1
	}
	if diff := cmp.Diff(want, counts); diff != "" {
		t.Errorf("rows (-want +got):\n%s", diff)
	}
	wantTrial := fmt.Sprintf("%+v", TrialScan{ClinicID: clinicA, SessionID: id(200), Series: 1, Number: 2, Revision: 1, Body: []byte(`{"mark":"a"}`)})
	if got["trial"][1] != wantTrial {
		t.Errorf("trial %s, want %s", got["trial"][1], wantTrial)
	}
	wantResult := fmt.Sprintf("%+v", ResultScan{ClinicID: clinicA, ID: id(300), Revision: 1, SessionID: id(200), SessionRevision: 1, JWS: "jws.a",
		Path: make([]byte, 64)})
	if got["result"][0] != wantResult {
		t.Errorf("result %s, want %s", got["result"][0], wantResult)
	}
}

func TestScanCrossesBatchesAndNests(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	const rows = 2*scanBatch + 1
	var kits []DocRow
	for i := range rows {
		kits = append(kits, DocRow{Kind: record.KindKit, ID: id(1000 + i), Revision: 1, Body: []byte(`{}`)})
	}
	add(t, s, clinicA, "kits", Write{Docs: kits})
	err := s.ReadClinic(ctx, clinicA, func(tx *Tx) error {
		n := 0
		err := tx.ScanDocs(ctx, record.KindKit, func(d DocScan) error {
			if d.ID != id(1000+n) {
				t.Errorf("row %d is %s", n, d.ID)
			}
			n++
			if n%scanBatch == 1 {
				return tx.ScanEntries(ctx, func(EntryScan) error { return nil })
			}
			return nil
		})
		if n != rows {
			t.Errorf("%d rows, want %d", n, rows)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
