package store

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// reads runs every read of a transaction and says what each found; an error other than NotFound ends it.
func reads(ctx context.Context, tx *Tx) (map[string]int, error) {
	found := make(map[string]int)
	var failure error
	note := func(name string, n int, err error) {
		found[name] = n
		if fault.Is(err, fault.NotFound) {
			found[name] = 0
		} else if err != nil && failure == nil {
			failure = err
		}
	}
	one := func(name string, err error) { note(name, 1, err) }
	for _, d := range docs(1, "") {
		_, err := tx.Newest(ctx, d.Kind, d.ID)
		one("newest "+d.Kind, err)
		_, err = tx.At(ctx, d.Kind, d.ID, 1)
		one("at "+d.Kind, err)
		list, err := tx.ListNewest(ctx, d.Kind, "", 10)
		note("list "+d.Kind, len(list), err)
	}
	sessions, err := tx.ListByEntry(ctx, record.KindSession, -1, 10)
	note("sessions", len(sessions), err)
	trials, err := tx.Trials(ctx, id(200), 1)
	note("trials", len(trials), err)
	_, err = tx.Result(ctx, id(300))
	one("result", err)
	results, err := tx.ResultsOfSession(ctx, id(200))
	note("results of session", len(results), err)
	results, err = tx.ResultsOfReferral(ctx, id(104))
	note("results of referral", len(results), err)
	results, err = tx.ListResults(ctx, -1, 10)
	note("results", len(results), err)
	entries, err := tx.Entries(ctx, -1, "", "", 10)
	note("entries", len(entries), err)
	_, err = tx.Entry(ctx, 0)
	one("entry", err)
	entries, err = tx.EntriesOfSession(ctx, id(200))
	note("entries of session", len(entries), err)
	nodes, err := tx.Nodes(ctx, []int64{0})
	note("nodes", len(nodes), err)
	at, err := tx.NodesAt(ctx, []int64{0}, 0)
	note("nodes at", len(at), err)
	_, _, err = tx.Head(ctx)
	one("head", err)
	_, _, err = tx.Checkpoint(ctx, 0)
	one("newest checkpoint", err)
	_, _, err = tx.Checkpoint(ctx, 1)
	one("checkpoint", err)
	_, _, err = tx.LockHead(ctx)
	one("lock head", err)
	p, err := tx.PushContext(ctx, PushKeys{SessionID: id(200), ReferralID: id(104), EvaluatorID: id(102), Digests: []string{digest}, KitIDs: []string{id(107)}})
	n := len(p.Trials) + len(p.Protocols) + len(p.Kits)
	for _, row := range []*Row{p.First, p.Session, p.Referral, p.Evaluator} {
		if row != nil {
			n++
		}
	}
	note("push", n, err)
	p, err = tx.PushContextAt(ctx, PushKeys{SessionID: id(200), OverrideID: id(102), KitIDs: []string{id(107)}}, 1<<40)
	n = len(p.Trials) + len(p.Kits)
	for _, row := range []*Row{p.First, p.Session, p.Override} {
		if row != nil {
			n++
		}
	}
	note("push at", n, err)
	scanned, err := dump(ctx, tx)
	for table, rows := range scanned {
		note("scan "+table, len(rows), nil)
	}
	note("scans", len(scanned), err)
	return found, failure
}

func TestReadsUnderAnotherClinicsSettingFindNothing(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	in(t, s, clinicA, func(tx *Tx) error {
		found, err := reads(ctx, tx)
		if err != nil {
			return err
		}
		if len(found) < 50 {
			t.Errorf("only %d reads", len(found))
		}
		for name, n := range found {
			if n == 0 {
				t.Errorf("%s: nothing under the own setting", name)
			}
		}
		if found["push"] != 8 {
			t.Errorf("push found %d records, want 8", found["push"])
		}
		return nil
	})
	in(t, s, clinicA, func(tx *Tx) error {
		b := tx.batch()
		b.Queue(bindClinic, clinicB)
		if err := tx.send(ctx, b, "bind to the other"); err != nil {
			return err
		}
		found, err := reads(ctx, tx)
		for name, n := range found {
			if n != 0 {
				t.Errorf("%s: %d rows under another clinic's setting", name, n)
			}
		}
		return err
	})
}

func TestPushContextFollowsTheReferral(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	doc := func(kind, id string, revision int, body string) DocRow {
		return DocRow{Kind: kind, ID: id, Revision: revision, Body: []byte(body)}
	}
	add(t, s, clinicA, "x", Write{Docs: []DocRow{doc(record.KindClient, id(1), 1, `{"c":1}`), doc(record.KindClient, id(2), 1, `{"c":2}`),
		doc(record.KindJobProfile, id(3), 1, `{"j":1}`), doc(record.KindReferral, id(4), 1, `{"client_id":"`+id(1)+`"}`)}})
	add(t, s, clinicA, "x", Write{Docs: []DocRow{doc(record.KindClient, id(2), 2, `{"c":3}`),
		doc(record.KindReferral, id(4), 2, `{"client_id":"`+id(2)+`","job_profile_id":"`+id(3)+`"}`)}})
	add(t, s, clinicA, "x", Write{Sessions: []SessionRow{{ID: id(5), ReferralID: id(4), Revision: 1, Body: []byte(`{"s":1}`)}},
		Trials: []NewTrial{{SessionID: id(5), Series: 1, Number: 2, Revision: 1, Body: []byte(`2`)}, {SessionID: id(5), Series: 1, Number: 1, Revision: 1, Body: []byte(`1`)}}})
	add(t, s, clinicA, "x", Write{Sessions: []SessionRow{{ID: id(5), ReferralID: id(4), Revision: 2, Body: []byte(`{"s":2}`)}},
		Trials: []NewTrial{{SessionID: id(5), Series: 1, Number: 1, Revision: 2, Body: []byte(`11`)}}})
	in(t, s, clinicA, func(tx *Tx) error {
		p, err := tx.PushContext(ctx, PushKeys{SessionID: id(5), ReferralID: id(4)})
		if err != nil {
			return err
		}
		if p.HeadSize != 4 || len(p.HeadEdge) != 32 || p.Session.Revision != 2 || p.First.Revision != 1 || p.Evaluator != nil {
			t.Errorf("%+v", p)
		}
		if string(p.Client.Body) != `{"c":3}` || string(p.Job.Body) != `{"j":1}` || p.Client.At.IsZero() {
			t.Errorf("client %+v, job %+v", p.Client, p.Job)
		}
		want := []TrialRow{{1, 1, 1, 2, []byte(`1`)}, {1, 2, 1, 2, []byte(`2`)}}
		if diff := cmp.Diff(want, p.Trials); diff != "" {
			t.Errorf("trials of revision 1:\n%s", diff)
		}
		now, err := tx.Trials(ctx, id(5), 2)
		if diff := cmp.Diff([]TrialRow{{1, 1, 2, 3, []byte(`11`)}, {1, 2, 1, 2, []byte(`2`)}}, now); diff != "" || err != nil {
			t.Errorf("trials at revision 2: %v\n%s", err, diff)
		}
		fresh, err := tx.PushContext(ctx, PushKeys{SessionID: id(99), ReferralID: id(98)})
		if err != nil || fresh.Session != nil || fresh.First != nil || fresh.Referral != nil || fresh.Client != nil || len(fresh.Trials) != 0 {
			t.Errorf("of a new session: %+v, %v", fresh, err)
		}
		return nil
	})
}

// TestPushContextAt: a kit is read as it stood once an entry was written, and everything else in its newest revision; without an entry the kit is
// the newest too. A member who answers for an override comes in the same read.
func TestPushContextAt(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA, clinicB)
	doc := func(kind string, n, revision int, body string) DocRow {
		return DocRow{Kind: kind, ID: id(n), Revision: revision, Body: []byte(body)}
	}
	add(t, s, clinicA, "x", Write{Docs: []DocRow{doc(record.KindKit, 1, 1, `{"k":1}`), doc(record.KindMember, 2, 1, `{"m":1}`), doc(record.KindMember, 3, 1, `{"n":1}`)}})
	add(t, s, clinicA, "x", Write{Docs: []DocRow{doc(record.KindKit, 1, 2, `{"k":2}`), doc(record.KindMember, 3, 2, `{"n":2}`)}})
	add(t, s, clinicA, "x", Write{Docs: []DocRow{doc(record.KindKit, 1, 3, `{"k":3}`), doc(record.KindKit, 4, 1, `{"k":4}`)}})
	add(t, s, clinicB, "x", Write{Docs: []DocRow{doc(record.KindKit, 1, 1, `{"k":"of the other clinic"}`)}})
	keys := PushKeys{SessionID: id(9), EvaluatorID: id(2), OverrideID: id(3), KitIDs: []string{id(1), id(4)}}
	want := func(name string, p PushContext, err error, kits map[string]string) {
		t.Helper()
		got := make(map[string]string)
		for id, row := range p.Kits {
			got[id] = string(row.Body)
		}
		if diff := cmp.Diff(kits, got); diff != "" || err != nil {
			t.Errorf("%s: %v\n%s", name, err, diff)
		}
		if p.Evaluator == nil || string(p.Evaluator.Body) != `{"m":1}` || p.Override == nil || string(p.Override.Body) != `{"n":2}` {
			t.Errorf("%s: evaluator %+v, override %+v", name, p.Evaluator, p.Override)
		}
	}
	in(t, s, clinicA, func(tx *Tx) error {
		for entry, kits := range []map[string]string{{id(1): `{"k":1}`}, {id(1): `{"k":2}`}, {id(1): `{"k":3}`, id(4): `{"k":4}`}} {
			p, err := tx.PushContextAt(ctx, keys, int64(entry))
			want("at entry", p, err, kits)
		}
		p, err := tx.PushContext(ctx, keys)
		want("newest", p, err, map[string]string{id(1): `{"k":3}`, id(4): `{"k":4}`})
		if p, err = tx.PushContextAt(ctx, keys, -1); err != nil || len(p.Kits) != 0 {
			t.Errorf("before the first entry: %+v, %v", p.Kits, err)
		}
		if p, err = tx.PushContext(ctx, PushKeys{SessionID: id(9), EvaluatorID: id(2)}); err != nil || p.Override != nil || p.Evaluator == nil {
			t.Errorf("without an override: %+v, %v", p.Override, err)
		}
		return nil
	})
	in(t, s, clinicB, func(tx *Tx) error {
		p, err := tx.PushContextAt(ctx, keys, 0)
		if err != nil || len(p.Kits) != 1 || string(p.Kits[id(1)].Body) != `{"k":"of the other clinic"}` || p.Override != nil {
			t.Errorf("the other clinic: %+v, %v", p, err)
		}
		return nil
	})
}

func TestResultsSupersede(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	session := func(revision int) []SessionRow {
		return []SessionRow{{ID: id(5), ReferralID: id(4), Revision: revision, Body: []byte(`{}`)}}
	}
	result := func(n, revision int, supersedes string) []NewResult {
		return []NewResult{{ID: id(n), SessionID: id(5), SessionRevision: revision, Supersedes: supersedes, JWS: "jws", Path: make([]byte, 32)}}
	}
	add(t, s, clinicA, "x", Write{Sessions: session(1)})
	add(t, s, clinicA, "x", Write{Results: result(10, 1, "")})
	add(t, s, clinicA, "x", Write{Sessions: session(2)})
	refuse := func(want string, r []NewResult) {
		t.Helper()
		err := s.InClinic(ctx, clinicA, func(tx *Tx) error {
			size, _, err := tx.LockHead(ctx)
			if err != nil {
				return err
			}
			return tx.Apply(ctx, Write{Entry: entry(size, "x"), Edge: make([]byte, 32), Results: r})
		})
		if got := reasonOf(t, err); got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
	refuse("RESULT_EXISTS", result(11, 2, ""))
	refuse("RESULT_MISSING", result(11, 2, id(12)))
	add(t, s, clinicA, "x", Write{Results: result(11, 2, id(10))})
	refuse("RESULT_SUPERSEDED", result(12, 2, id(10)))
	add(t, s, clinicA, record.ActionResultDisclose, Write{}, record.KindResult+":"+id(10))
	add(t, s, clinicA, record.ActionResultDisclose, Write{}, record.KindResult+":"+id(99))
	in(t, s, clinicA, func(tx *Tx) error {
		old, err := tx.Result(ctx, id(10))
		if err != nil || old.SupersededBy != id(11) || old.Supersedes != "" || old.Newest != 2 || old.SessionRevision != 1 {
			t.Errorf("old result %+v, %v", old, err)
		}
		list, err := tx.ListResults(ctx, old.Entry, 10)
		if err != nil || len(list) != 1 || list[0].Supersedes != id(10) || list[0].SupersededBy != "" {
			t.Errorf("results after the first: %+v, %v", list, err)
		}
		entries, err := tx.EntriesOfSession(ctx, id(5))
		var numbers []int64
		for _, e := range entries {
			numbers = append(numbers, e.Number)
		}
		if diff := cmp.Diff([]int64{0, 1, 2, 3, 4}, numbers); diff != "" || err != nil {
			t.Errorf("entries of the session: %v\n%s", err, diff)
		}
		filtered, err := tx.Entries(ctx, 1, record.ActionResultDisclose, record.KindResult+":"+id(99), 10)
		if err != nil || len(filtered) != 1 || filtered[0].Number != 5 {
			t.Errorf("filtered entries %+v, %v", filtered, err)
		}
		return nil
	})
}

func TestReleasesOfReferral(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	release := func(n, revision int, referral string) DocRow {
		return DocRow{Kind: record.KindRelease, ID: id(n), Revision: revision, Body: []byte(`{"referral_id":"` + referral + `"}`)}
	}
	add(t, s, clinicA, "x", Write{Docs: []DocRow{release(1, 1, id(4)), release(2, 1, id(4)), release(3, 1, id(6))}})
	add(t, s, clinicA, "x", Write{Docs: []DocRow{release(1, 2, id(4)), release(2, 2, id(6))}})
	in(t, s, clinicA, func(tx *Tx) error {
		got, err := tx.Releases(ctx, id(4))
		if err != nil || len(got) != 1 || got[0].ID != id(1) || got[0].Revision != 2 {
			t.Errorf("%+v, %v", got, err)
		}
		return nil
	})
}

func TestNetworkReads(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	put := func(clinic string, revision int) int64 {
		return add(t, s, clinic, "clinic.put", Write{Docs: []DocRow{{Kind: record.KindClinic, ID: clinic, Revision: revision, Body: []byte(clinic)}}})
	}
	put(clinicA, 1)
	newest := put(clinicA, 2)
	put(clinicB, 1)
	rows, err := s.ReadNetwork(ctx, record.KindClinic, "", 2)
	if err != nil || len(rows) != 2 || rows[0].ID != clinicA || rows[0].Revision != 2 || rows[0].Entry != newest || rows[0].At.IsZero() || rows[1].ID != clinicB {
		t.Errorf("clinics %+v, %v", rows, err)
	}
	if rest, err := s.ReadNetwork(ctx, record.KindClinic, clinicA, 1); err != nil || len(rest) != 1 || rest[0].ID != clinicB {
		t.Errorf("clinics after the first: %+v, %v", rest, err)
	}
	if _, err := s.ReadNetwork(ctx, record.KindClient, "", 2); err == nil {
		t.Error("clients were listed over the network")
	}
	ids, err := s.ListClinicIDs(ctx)
	if diff := cmp.Diff([]string{record.NetworkClinic, clinicA, clinicB, id(100)}, ids); diff != "" || err != nil {
		t.Errorf("logs: %v\n%s", err, diff)
	}
	if token, err := s.FindToken(ctx, id(401)); err != nil || string(token.Revocation) != `{"mark":"b"}` || string(token.Token) != `{"mark":"b"}` {
		t.Errorf("token %+v, %v", token, err)
	}
	for _, unknown := range []string{id(402), "x", "", "019A0000-0000-7000-8000-000000000190"} {
		if _, err := s.FindToken(ctx, unknown); !fault.Is(err, fault.NotFound) {
			t.Errorf("token %q: %v, want NotFound", unknown, err)
		}
	}
}

func TestFeed(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, pgtest.New(t))
	fill(t, s, clinicA, "a")
	fill(t, s, clinicB, "b")
	items, err := s.ReadFeed(ctx, payer, 0, 10)
	if err != nil || len(items) != 2 || items[0].Number != 1 || items[0].ClinicID != clinicA || items[1].Number != 2 || items[1].ClinicID != clinicB {
		t.Errorf("feed %+v, %v", items, err)
	}
	if rest, err := s.ReadFeed(ctx, payer, 1, 10); err != nil || len(rest) != 1 || rest[0].Number != 2 {
		t.Errorf("feed after the first: %+v, %v", rest, err)
	}
	if other, err := s.ReadFeed(ctx, id(77), 0, 10); err != nil || len(other) != 0 {
		t.Errorf("another payer's feed: %+v, %v", other, err)
	}
	if item, err := s.FindFeedItem(ctx, payer, id(300)); err != nil || item.Number != 1 {
		t.Errorf("item %+v, %v", item, err)
	}
	for _, pair := range [][2]string{{payer, id(301)}, {id(77), id(300)}, {"x", id(300)}, {payer, ""}} {
		if _, err := s.FindFeedItem(ctx, pair[0], pair[1]); !fault.Is(err, fault.NotFound) {
			t.Errorf("item %v: %v, want NotFound", pair, err)
		}
	}
}
