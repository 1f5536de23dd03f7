package auditlog

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/tlog"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

const clinic = "019a0000-0000-7000-8000-00000000000a"

func id(n int) string { return fmt.Sprintf("019a0000-0000-7000-8000-%012x", n) }

var now = time.Date(2026, 3, 2, 9, 15, 0, 123456789, time.UTC)

func testLog(t testing.TB) *Log {
	t.Helper()
	source := rand.NewChaCha8([32]byte{1})
	key, err := seal.GenerateKey(source, seal.UseLog)
	if err != nil {
		t.Fatal(err)
	}
	ring, err := seal.NewRing(key.Public())
	if err != nil {
		t.Fatal(err)
	}
	l, err := New(t.Context(), Options{Name: "log.example", Key: key, Ring: ring, Now: func() time.Time { return now }, Rand: source})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func testStore(t testing.TB) *store.Store {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, store.Options{URL: pgtest.New(t).ServiceURL, MaxConns: 4})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if err := s.InClinic(ctx, clinic, func(tx *store.Tx) error { return tx.OpenLog(ctx) }); err != nil {
		t.Fatal(err)
	}
	return s
}

// sessionDraft writes session n at revision 1 with two series of trials and its finding.
func sessionDraft(n int) Draft {
	d := Draft{ClinicID: clinic, Action: record.ActionSessionPush, Actor: record.Actor{TokenID: id(1), Role: record.RoleStation, App: "station <1>"},
		Subjects: []string{id(n)},
		Docs:     []store.DocRow{{Kind: record.KindFinding, ID: id(n), Revision: 1, Body: []byte(`{"n":1}`)}},
		Sessions: []store.SessionRow{{ID: id(n), ReferralID: id(2), Revision: 1, Body: []byte(`{"n":2}`)}}}
	for _, place := range [][2]int{{1, 1}, {1, 2}, {1, 3}, {2, 1}, {2, 2}} {
		d.Trials = append(d.Trials, store.NewTrial{SessionID: id(n), Series: place[0], Number: place[1], Revision: 1,
			Body: fmt.Appendf(nil, `{"number":%d,"series":%d}`, place[1], place[0])})
	}
	return d
}

func appendOne(t testing.TB, s *store.Store, l *Log, d Draft, sign bool) record.Entry {
	t.Helper()
	ctx := context.Background()
	var e record.Entry
	err := s.InClinic(ctx, d.ClinicID, func(tx *store.Tx) error {
		var err error
		e, err = l.Append(ctx, tx, d, sign)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func TestEveryEntryProvesAtEverySize(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	const entries = 11
	for n := range entries {
		d := sessionDraft(100 + n)
		d.Last = n%2 == 0
		if e := appendOne(t, s, l, d, true); e.Number != int64(n) {
			t.Fatalf("entry %d, want %d", e.Number, n)
		}
	}
	err := s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err := tx.Entries(ctx, -1, "", "", 100)
		if err != nil || len(rows) != entries {
			t.Fatalf("%d entries, %v", len(rows), err)
		}
		roots := rootsFromScratch(t, rows)
		for size := int64(1); size <= entries; size++ {
			for number := range size {
				checkProof(t, tx, l, number, size, roots[size])
			}
			if _, err := l.Prove(ctx, tx, clinic, size, size); !fault.Is(err, fault.NotFound) {
				t.Errorf("entry %d in the log of size %d: %v, want NotFound", size, size, err)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestEntriesStoredTogetherProve: entries of one CommitAll are leaves like any others, each with its own salt.
func TestEntriesStoredTogetherProve(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	appendOne(t, s, l, sessionDraft(100), true)
	const together = 6
	var drafts []Draft
	for n := range together {
		drafts = append(drafts, sessionDraft(200+n))
	}
	drafts[together-1].Last = true
	err := s.InClinic(ctx, clinic, func(tx *store.Tx) error {
		size, edge, err := tx.LockHead(ctx)
		if err != nil {
			return err
		}
		entries, err := l.CommitAll(ctx, tx, Head{Size: size, Edge: edge}, drafts)
		for i, e := range entries {
			if e.Number != int64(i)+1 || e.Subjects[0] != drafts[i].Subjects[0] {
				t.Errorf("entry %d of the group: number %d, subjects %v", i, e.Number, e.Subjects)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	appendOne(t, s, l, sessionDraft(300), true)
	other := sessionDraft(400)
	other.ClinicID = id(9)
	err = s.InClinic(ctx, clinic, func(tx *store.Tx) error {
		size, edge, err := tx.LockHead(ctx)
		if err != nil {
			return err
		}
		_, err = l.CommitAll(ctx, tx, Head{Size: size, Edge: edge}, []Draft{sessionDraft(401), other})
		return err
	})
	if !fault.Is(err, fault.Internal) {
		t.Errorf("a draft of another clinic in the group: %v, want Internal", err)
	}
	err = s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err := tx.Entries(ctx, -1, "", "", 100)
		if err != nil || len(rows) != together+2 {
			t.Fatalf("%d entries, %v", len(rows), err)
		}
		salts := map[string]bool{}
		roots := rootsFromScratch(t, rows)
		for number := range int64(len(rows)) {
			salts[string(rows[number].Salt)] = true
			checkProof(t, tx, l, number, int64(len(rows)), roots[len(rows)])
		}
		if len(salts) != len(rows) {
			t.Errorf("%d salts for %d entries", len(salts), len(rows))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// rootsFromScratch computes the tree heads with golang.org/x/mod/sumdb/tlog alone (RFC 6962), from salt and content.
func rootsFromScratch(t *testing.T, rows []store.EntryRow) []tlog.Hash {
	t.Helper()
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			out[i] = stored[index]
		}
		return out, nil
	})
	roots := make([]tlog.Hash, 1)
	for n, row := range rows {
		hashes, err := tlog.StoredHashes(int64(n), append(bytes.Clone(row.Salt), row.Content...), reader)
		if err != nil {
			t.Fatal(err)
		}
		var joined []byte
		for _, h := range hashes {
			joined = append(joined, h[:]...)
		}
		if !bytes.Equal(joined, row.Nodes) {
			t.Errorf("entry %d: stored nodes differ from tlog's", n)
		}
		stored = append(stored, hashes...)
		root, err := tlog.TreeHash(int64(n)+1, reader)
		if err != nil {
			t.Fatal(err)
		}
		roots = append(roots, root)
	}
	return roots
}

func checkProof(t *testing.T, tx *store.Tx, l *Log, number, size int64, want [32]byte) {
	t.Helper()
	p, err := l.Prove(context.Background(), tx, clinic, number, size)
	if err != nil {
		t.Fatal(err)
	}
	c, err := seal.VerifyCheckpoint(l.ring, l.Origin(clinic), p.Checkpoint)
	if err != nil || c.Size != size || c.Root != want {
		t.Errorf("checkpoint of size %d: %+v, %v", size, c, err)
	}
	if err := merkle.VerifyInclusion(p.Path, c.Size, c.Root, number, merkle.LeafHash(p.Salt, p.Entry)); err != nil {
		t.Errorf("entry %d at size %d: %v", number, size, err)
	}
}

func TestEntrySaysWhatWasWritten(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	got := appendOne(t, s, l, sessionDraft(100), false)
	if !got.At.Equal(record.TimeOf(now)) || got.At.Std().Nanosecond() != 123456000 {
		t.Errorf("time %s, want that of the clock", got.At)
	}
	err := s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		row, err := tx.Entry(ctx, 0)
		if err != nil {
			return err
		}
		var parsed record.Entry
		if err := json.Unmarshal(row.Content, &parsed); err != nil {
			return err
		}
		again, err := canon.Marshal(parsed)
		if err != nil || !bytes.Equal(again, row.Content) || !canon.IsCanonical(row.Content) {
			t.Errorf("entry re-encodes to %s, %v; stored %s", again, err, row.Content)
		}
		if parsed.Number != got.Number || row.At != got.At.Std() || row.Action != parsed.Action {
			t.Errorf("columns %v %s, content %+v", row.At, row.Action, parsed)
		}
		trials, err := tx.Trials(ctx, id(100), 1)
		if err != nil {
			return err
		}
		joined := func(from, to int) string {
			var all []byte
			for _, trial := range trials[from:to] {
				sum := canon.Digest(row.Salt, trial.Body)
				all = append(all, sum[:]...)
			}
			return base64.RawURLEncoding.EncodeToString(all)
		}
		digest := func(body string) string { return canon.DigestBase64url(canon.Digest(row.Salt, []byte(body))) }
		want := []record.Written{
			{Kind: record.KindFinding, ID: id(100), Revision: 1, Digest: digest(`{"n":1}`)},
			{Kind: record.KindSession, ID: id(100), Revision: 1, Digest: digest(`{"n":2}`), Trials: []record.WrittenTrials{
				{Series: 1, First: 1, Digests: joined(0, 3)}, {Series: 2, First: 1, Digests: joined(3, 5)}}},
		}
		if diff := cmp.Diff(want, parsed.Records); diff != "" {
			t.Errorf("records (-want +got):\n%s", diff)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestTrialsAreGroupedByRuns(t *testing.T) {
	d := Draft{Trials: []store.NewTrial{{SessionID: "s", Series: 1, Number: 2, Revision: 2}, {SessionID: "s", Series: 1, Number: 3, Revision: 2},
		{SessionID: "s", Series: 1, Number: 5, Revision: 2}, {SessionID: "s", Series: 2, Number: 6, Revision: 2}, {SessionID: "other", Series: 2, Number: 7, Revision: 2}}}
	var got [][3]int
	for _, run := range trialsOf(d, "s", 2, nil) {
		got = append(got, [3]int{run.Series, run.First, base64.RawURLEncoding.DecodedLen(len(run.Digests)) / 32})
	}
	if diff := cmp.Diff([][3]int{{1, 2, 2}, {1, 5, 1}, {2, 6, 1}}, got); diff != "" {
		t.Error(diff)
	}
}

func TestEncodeEqualsMarshal(t *testing.T) {
	full := record.Entry{ClinicID: clinic, Number: merkle.MaxSize, At: record.TimeOf(now), Action: "a", Reason: "\"why\" <&> \u2028 \x01 ü 🏋",
		Actor:    record.Actor{TokenID: "t", MemberID: "m", Label: "l", Role: "r", App: "a", RequestID: "q"},
		Subjects: []string{"b", "a"},
		Records: []record.Written{{Kind: "k", ID: "i", Revision: 3, Digest: "d"},
			{Kind: "session", ID: "i", Revision: 1, Digest: "d", Trials: []record.WrittenTrials{{Series: 1, First: 2, Digests: "x"}, {Series: 2, First: 1}}}},
		Disclosed: []record.Disclosed{{ResultID: "r", ReleaseID: "e", RawTrials: true}, {ResultID: "s", ReleaseID: "e"}}, Erased: []int64{0, 7}, Remains: []string{"a", "b"}}
	for name, e := range map[string]record.Entry{"full": full, "zero": {}, "no records": {Action: "x", Subjects: []string{""}}} {
		want, err := canon.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := encode(e); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: got %s, %v, want %s", name, got, err, want)
		}
	}
	if _, err := encode(record.Entry{Reason: "\xff"}); err == nil {
		t.Error("text that is not UTF-8 was encoded")
	}
}

func TestSignedCommitFillsPathsAndCheckpoint(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	for n := range 6 {
		appendOne(t, s, l, sessionDraft(100+n), false)
		d := Draft{ClinicID: clinic, Action: record.ActionResultSign,
			Results: []store.NewResult{{ID: id(200 + n), SessionID: id(100 + n), SessionRevision: 1, JWS: fmt.Sprintf("jws %d", n)}}}
		e := appendOne(t, s, l, d, true)
		if d.Results[0].Path != nil {
			t.Error("the draft was changed")
		}
		err := s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			r, err := tx.Result(ctx, id(200+n))
			if err != nil {
				return err
			}
			_, note, err := tx.Checkpoint(ctx, e.Number+1)
			if err != nil {
				return err
			}
			c, err := seal.VerifyCheckpoint(l.ring, l.Origin(clinic), note)
			if err != nil {
				return err
			}
			row, err := tx.Entry(ctx, e.Number)
			if err != nil {
				return err
			}
			var path [][32]byte
			for i := 0; i < len(r.Path); i += 32 {
				path = append(path, [32]byte(r.Path[i:i+32]))
			}
			return merkle.VerifyInclusion(path, c.Size, c.Root, e.Number, merkle.LeafHash(row.Salt, row.Content))
		})
		if err != nil {
			t.Errorf("result %d: %v", n, err)
		}
	}
}

func TestCheckpoint(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	stored := func(size int64) bool {
		err := s.ReadClinic(ctx, clinic, func(tx *store.Tx) error { _, _, err := tx.Checkpoint(ctx, size); return err })
		if err != nil && !fault.Is(err, fault.NotFound) {
			t.Fatal(err)
		}
		return err == nil
	}
	ask := func(in func(context.Context, string, func(*store.Tx) error) error) (note string, size int64, err error) {
		err = in(ctx, clinic, func(tx *store.Tx) error {
			var err error
			note, size, _, err = l.Checkpoint(ctx, tx, clinic)
			return err
		})
		return note, size, err
	}
	if _, _, err := ask(s.ReadClinic); !fault.Is(err, fault.NotFound) {
		t.Errorf("empty log: %v, want NotFound", err)
	}
	appendOne(t, s, l, sessionDraft(100), false)
	read, size, err := ask(s.ReadClinic)
	if err != nil || size != 1 || stored(1) {
		t.Errorf("read-only: size %d, stored %v, %v", size, stored(1), err)
	}
	written, _, err := ask(s.InClinic)
	if err != nil || written != read || !stored(1) {
		t.Errorf("writing: same note %v, stored %v, %v", written == read, stored(1), err)
	}
	again, _, err := ask(s.InClinic)
	if err != nil || again != read {
		t.Errorf("again: same note %v, %v", again == read, err)
	}
}

// Every statement of a write is made to fail in turn; after each the log and the rows are as before.
func TestFailingApplyLeavesNothing(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	appendOne(t, s, l, sessionDraft(100), true)
	before := everyRow(t, s)
	for name, spoil := range map[string]func(*Draft){
		"entry: text":          func(d *Draft) { d.Reason = "\xff" },
		"entry: NUL in a copy": func(d *Draft) { d.Subjects = []string{"\x00"} },
		"document: twice":      func(d *Draft) { d.Docs = append(d.Docs, d.Docs[0]) },
		"document: revision 0": func(d *Draft) { d.Docs[0].Revision = 0 },
		"document: kind":       func(d *Draft) { d.Docs[0].Kind = "other" },
		"document: id":         func(d *Draft) { d.Docs[0].ID = "x" },
		"document: text":       func(d *Draft) { d.Docs[0].Body = []byte{0xff} },
		"session: stands":      func(d *Draft) { d.Sessions[0].ID = id(100); d.Trials = nil },
		"session: referral":    func(d *Draft) { d.Sessions[0].ReferralID = "" },
		"trial: twice":         func(d *Draft) { d.Trials[4] = d.Trials[3] },
		"trial: number 0":      func(d *Draft) { d.Trials[0].Number = 0 },
		"trial: too large":     func(d *Draft) { d.Trials[4].Number = 70000 },
		"trial: no session":    func(d *Draft) { d.Trials[4].SessionID = id(999) },
		"result: no session":   func(d *Draft) { d.Results[0].SessionID = id(999) },
		"result: supersedes":   func(d *Draft) { d.Results[0].Supersedes = id(999) },
		"feed: no result":      func(d *Draft) { d.Feed[0].ResultID = id(999) },
		"feed: number 0":       func(d *Draft) { d.Feed[0].Number = 0 },
		"feed: clinic":         func(d *Draft) { d.Feed[0].ClinicID = id(999) },
		"clinic":               func(d *Draft) { d.ClinicID = id(999) },
	} {
		for _, last := range []bool{false, true} {
			d := sessionDraft(101)
			d.Last = last
			d.Results = []store.NewResult{{ID: id(300), SessionID: id(101), SessionRevision: 1, JWS: "jws"}}
			d.Feed = []store.FeedRow{{PayerID: id(400), Number: 1, ClinicID: clinic, ResultID: id(300), Body: []byte("{}")}}
			spoil(&d)
			err := s.InClinic(ctx, clinic, func(tx *store.Tx) error { _, err := l.Append(ctx, tx, d, true); return err })
			if err == nil {
				t.Fatalf("%s: stored", name)
			}
			if diff := cmp.Diff(before, everyRow(t, s)); diff != "" {
				t.Fatalf("%s: rows changed:\n%s", name, diff)
			}
		}
	}
	d := sessionDraft(101)
	d.Results = []store.NewResult{{ID: id(300), SessionID: id(101), SessionRevision: 1, JWS: "jws"}}
	d.Feed = []store.FeedRow{{PayerID: id(400), Number: 1, ClinicID: clinic, ResultID: id(300), Body: []byte("{}")}}
	appendOne(t, s, l, d, true)
}

// everyRow is every row of the clinic as text.
func everyRow(t *testing.T, s *store.Store) []string {
	t.Helper()
	ctx := context.Background()
	var all []string
	err := s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		for _, kind := range store.ScanKinds() {
			if err := tx.ScanDocs(ctx, kind, func(r store.DocScan) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }); err != nil {
				return err
			}
		}
		for _, err := range []error{
			tx.ScanEntries(ctx, func(r store.EntryScan) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }),
			tx.ScanSessions(ctx, func(r store.SessionScan) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }),
			tx.ScanTrials(ctx, func(r store.TrialScan) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }),
			tx.ScanResults(ctx, func(r store.ResultScan) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }),
			tx.ScanFeed(ctx, func(r store.FeedRow) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }),
			tx.ScanCheckpoints(ctx, func(r store.CheckpointScan) error { all = append(all, fmt.Sprintf("%+v", r)); return nil }),
		} {
			if err != nil {
				return err
			}
		}
		size, edge, err := tx.Head(ctx)
		all = append(all, fmt.Sprintf("head %d %x", size, edge))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestNewRefuses(t *testing.T) {
	source := rand.NewChaCha8([32]byte{2})
	key := func(use seal.Use) seal.Key {
		k, err := seal.GenerateKey(source, use)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	good, result := key(seal.UseLog), key(seal.UseResult)
	ring, err := seal.NewRing(good.Public(), result.Public())
	if err != nil {
		t.Fatal(err)
	}
	clock := func() time.Time { return now }
	for name, tt := range map[string]struct {
		o  Options
		ok bool
	}{
		"good":          {Options{"log.example", good, ring, clock, source}, true},
		"result key":    {Options{"log.example", result, ring, clock, source}, false},
		"unknown key":   {Options{"log.example", key(seal.UseLog), ring, clock, source}, false},
		"no key":        {Options{"log.example", nil, ring, clock, source}, false},
		"bad name":      {Options{"log example", good, ring, clock, source}, false},
		"no clock":      {Options{"log.example", good, ring, nil, source}, false},
		"no randomness": {Options{"log.example", good, ring, clock, nil}, false},
	} {
		if _, err := New(t.Context(), tt.o); (err == nil) != tt.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
}
