package auditcheck

import (
	"bytes"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// eraserURL logs in as a superuser and is at once the role that may only erase.
func (w *world) eraserURL() string {
	u := must(url.Parse(w.db.SuperURL))(w.t)
	q := u.Query()
	q.Set("role", "ponderal_eraser")
	u.RawQuery = q.Encode()
	return u.String()
}

// order is an erasure of a client of the eastern clinic.
func order(client string) store.Erasure {
	return store.Erasure{ClinicID: east, ClientID: client, Demand: `law of the place, "article 1", letter 7`, AskedBy: "the client's counsel", Operator: "Robin Ü",
		At: time.Now(), Salt: bytes.Repeat([]byte{7}, 32), Confirmed: true}
}

func (w *world) erase(o store.Erasure) store.Erased {
	w.t.Helper()
	return must(store.Erase(w.ctx, w.eraserURL(), o))(w.t)
}

// refused demands that an erasure is refused for that reason, and that nothing changed.
func (w *world) refused(o store.Erasure, reason string) {
	w.t.Helper()
	before := w.print()
	_, err := store.Erase(w.ctx, w.eraserURL(), o)
	var f *fault.Error
	if !errors.As(err, &f) || f.Reason != reason {
		w.t.Errorf("erase: %v, want %s", err, reason)
	}
	if after := w.print(); after != before {
		w.t.Errorf("a refused erasure (%s) changed something", reason)
	}
}

// print is a digest of the eastern clinic's log and records.
func (w *world) print() string {
	w.t.Helper()
	var parts []string
	for _, table := range []string{"audit_head", "audit_entry", "client", "session", "trial", "result", "legal_hold"} {
		parts = append(parts, w.ask("SELECT coalesce(md5(string_agg(t::text, '|' ORDER BY t::text)), '') FROM ponderal."+table+" t WHERE clinic_id = $1", east)...)
	}
	return strings.Join(parts, " ")
}

// taken is what the payer's system has pulled.
func (w *world) taken() map[string]bundle.Bundle {
	w.t.Helper()
	payer := w.network()
	payer.Network, payer.Roles, payer.Role, payer.PayerID = false, []record.Role{record.RolePayer}, record.RolePayer, insure
	feed := must(w.c.ListFeed(w.ctx, payer, record.Page{Size: 100}))(w.t)
	got := make(map[string]bundle.Bundle)
	for _, item := range feed.Items {
		if !item.Withheld && item.Result.Value.ClinicID == east {
			got[item.Result.Value.ID] = item.Result.Value.Bundle.File()
		}
	}
	return got
}

// TestErased: a client's content is gone, the log proves as before, and what others hold or are is untouched.
func TestErased(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	held := w.taken()
	if len(held) != 4 {
		t.Fatalf("the payer pulled %d results, want both of both clients", len(held))
	}
	nodes := w.ask("SELECT encode(nodes, 'hex') FROM ponderal.audit_entry WHERE clinic_id = $1 ORDER BY number", east)
	others := w.ask("SELECT count(*)::text || md5(string_agg(body, '' ORDER BY id, revision)) FROM ponderal.session WHERE clinic_id = $1 OR id = $2", west, id("5e", 2))
	marks := w.ask("SELECT content FROM ponderal.audit_entry WHERE clinic_id = $1 AND action = 'result.disclose'", east)

	o := order(id("a1", 1))
	o.Confirmed = false
	before := w.print()
	dry := w.erase(o)
	if after := w.print(); after != before {
		t.Fatal("an erasure that was not confirmed changed something")
	}
	o.Confirmed = true
	done := w.erase(o)
	if fmt.Sprint(dry) != fmt.Sprint(done) || done.Entry != int64(len(nodes)) {
		t.Errorf("done %+v, foretold %+v; want the same, as entry %d", done, dry, len(nodes))
	}
	want := map[string]int64{"client": 1, "referral": 1, "release": 1, "session": 2, "finding": 2, "trial": 8, "result": 2, "feed_item": 2, "audit_entry": 7}
	for _, rows := range done.Rows {
		if want[rows.Kind] != rows.Count {
			t.Errorf("%d rows of %s, want %d", rows.Count, rows.Kind, want[rows.Kind])
		}
		delete(want, rows.Kind)
	}
	if len(want) > 0 || len(done.Held) != 2 || done.Held[0].PayerID != insure || done.Held[0].Times != 1 || !done.Held[0].First.Equal(day) {
		t.Errorf("not erased: %v; held: %+v", want, done.Held)
	}
	w.clean()

	after := w.ask("SELECT encode(nodes, 'hex') FROM ponderal.audit_entry WHERE clinic_id = $1 ORDER BY number", east)
	if strings.Join(after[:len(nodes)], " ") != strings.Join(nodes, " ") {
		t.Error("tree hashes of older entries changed")
	}
	if now := w.ask("SELECT count(*)::text || md5(string_agg(body, '' ORDER BY id, revision)) FROM ponderal.session WHERE clinic_id = $1 OR id = $2", west, id("5e", 2)); now[0] != others[0] {
		t.Error("sessions of others changed")
	}
	if now := w.ask("SELECT content FROM ponderal.audit_entry WHERE clinic_id = $1 AND action = 'result.disclose'", east); strings.Join(now, " ") != strings.Join(marks, " ") {
		t.Error("the accounting of disclosures changed")
	}
	for name, b := range held {
		if _, err := bundle.Verify(w.ring, b, logName); err != nil {
			t.Errorf("result %s, pulled before, no longer verifies: %v", name, err)
		}
	}
	w.nothingLeft()
}

// nothingLeft demands that what the client alone has stands in no row that may be read.
func (w *world) nothingLeft() {
	w.t.Helper()
	for _, table := range w.ask("SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'ponderal' ORDER BY 1") {
		for _, mark := range []string{"Example 1", "X-1\""} {
			n := w.ask("SELECT count(*)::text FROM ponderal."+table+" t WHERE t::text LIKE '%' || $1 || '%' AND to_jsonb(t) ->> 'clinic_id' = $2", mark, east)[0]
			if n != "0" {
				w.t.Errorf("%q is left in %s rows of %s", mark, n, table)
			}
		}
	}
	// Readings name nobody; of two results of each client those of the other are left.
	if n := w.ask("SELECT count(*)::text FROM ponderal.result WHERE clinic_id = $1 AND enclosed IS NOT NULL", east)[0]; n != "2" {
		w.t.Errorf("raw trials of %s results are left, want the other client's 2", n)
	}
}

// TestErasedIsNotThere: reads of the own clinic say that it was erased; to others it is as if it had never been; nothing comes back.
func TestErasedIsNotThere(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.taken()
	done := w.erase(order(id("a1", 1)))
	admin, reviewer := w.member(east, robin, record.RoleClinicAdmin), w.member(east, dana, record.RoleReviewer)
	wantReason := func(what string, err error, kind fault.Kind, reason string) {
		t.Helper()
		var f *fault.Error
		if !errors.As(err, &f) || f.Reason != reason || f.Kind != kind {
			t.Errorf("%s: %v, want %s", what, err, reason)
		}
	}
	_, err := w.c.GetClient(w.ctx, admin, id("a1", 1))
	wantReason("client", err, fault.NotFound, "ERASED")
	_, err = w.c.GetReferral(w.ctx, admin, id("e1", 1))
	wantReason("referral", err, fault.NotFound, "ERASED")
	for revision := range 3 {
		_, err = w.c.GetSession(w.ctx, reviewer, id("5e", 1), revision)
		wantReason("session", err, fault.NotFound, "ERASED")
		_, err = w.c.GetFinding(w.ctx, reviewer, id("5e", 1), revision)
		wantReason("finding", err, fault.NotFound, "ERASED")
	}
	_, err = w.c.GetResult(w.ctx, reviewer, id("9b", 1))
	wantReason("result", err, fault.NotFound, "ERASED")
	payer := w.network()
	payer.Network, payer.Roles, payer.Role, payer.PayerID = false, []record.Role{record.RolePayer}, record.RolePayer, insure
	_, err = w.c.GetResult(w.ctx, payer, id("9b", 99))
	wantReason("result that never was, for the payer", err, fault.NotFound, "NOT_FOUND")
	if got := w.taken(); len(got) != 2 {
		t.Errorf("the payer is still shown %d results of the clinic, want the other client's 2", len(got))
	}
	_, err = w.c.GetClient(w.ctx, w.member(id("c1", 9), robin, record.RoleClinicAdmin), id("a1", 1))
	wantReason("client, from another clinic", err, fault.NotFound, "NOT_FOUND")

	if got := must(w.c.ListClients(w.ctx, admin, record.Page{}))(t); len(got.Items) != 1 || got.Items[0].Value.ID != id("a1", 2) {
		t.Errorf("list of clients: %+v", got.Items)
	}
	if got := must(w.c.ListSessions(w.ctx, reviewer, record.Page{}))(t); len(got.Items) != 2 {
		t.Errorf("%d revisions of sessions are pulled, want the other's 2", len(got.Items))
	}
	if got := must(w.c.ListFindings(w.ctx, reviewer, record.Page{}))(t); len(got.Items) != 1 {
		t.Errorf("%d findings", len(got.Items))
	}
	if got := must(w.c.ListResults(w.ctx, reviewer, record.Page{}))(t); len(got.Items) != 2 {
		t.Errorf("%d results", len(got.Items))
	}
	if got := must(w.c.ListDisclosures(w.ctx, admin, id("a1", 1), record.Time{}, record.Page{}))(t); len(got.Items) != 2 {
		t.Errorf("%d disclosures of the erased client are accounted for, want 2", len(got.Items))
	}
	w.comesNotBack(wantReason)
	w.historyOfErased(done)
	w.clean()
}

func (w *world) comesNotBack(wantReason func(string, error, fault.Kind, string)) {
	w.t.Helper()
	admin, evaluator := w.member(east, robin, record.RoleClinicAdmin), w.member(east, sam, record.RoleEvaluator)
	before := w.print()
	client := record.Client{ID: id("a1", 1), GivenName: "Pat", FamilyName: "Example 1", BirthDate: "1980-03-05", Sex: record.Female}
	for expected := range 3 {
		_, err := w.c.PutClient(w.ctx, admin, client, expected)
		wantReason("client put again", err, fault.Precondition, "ERASED")
	}
	_, err := w.c.PutReferral(w.ctx, admin, record.Referral{ID: id("e1", 7), ClientID: id("a1", 1), PayerID: insure, ClaimNumber: "X-7"}, 0)
	wantReason("referral of an erased client", err, fault.Precondition, "ERASED")
	digest := w.ask("SELECT id FROM ponderal.protocol WHERE clinic_id = $1 LIMIT 1", east)[0]
	s := session(w.t, digest, 1)
	_, err = w.c.PushSession(w.ctx, evaluator, s)
	wantReason("session pushed again", err, fault.Precondition, "ERASED")
	s.ID = id("5e", 77)
	_, err = w.c.PushSession(w.ctx, evaluator, s)
	wantReason("session of an erased referral", err, fault.Precondition, "ERASED")
	if after := w.print(); after != before {
		w.t.Error("something of an erased client was stored")
	}
}

// historyOfErased demands that history and entries say what was erased, and where it is told.
func (w *world) historyOfErased(done store.Erased) {
	w.t.Helper()
	reviewer := w.member(east, dana, record.RoleReviewer)
	history := must(w.c.GetScoreHistory(w.ctx, reviewer, id("5e", 1)))(w.t)
	words := fmt.Sprintf("content erased on demand, see entry %d", done.Entry)
	gone, shown, told := 0, 0, 0
	for _, step := range history {
		switch {
		case step.Entry.ErasedBy == done.Entry && strings.Contains(step.Line, words) && step.Entry.ActorName == "":
			gone++
		case step.Entry.Entry.Action == record.ActionResultDisclose && strings.Contains(step.Line, "Invented Mutual"):
			shown++
		case step.Entry.Entry.Number == done.Entry && len(step.Entry.Entry.Erased) == 7:
			told++
		default:
			w.t.Errorf("history: %s", step.Line)
		}
	}
	if gone != 4 || shown == 0 || told != 1 {
		w.t.Errorf("%d steps erased, %d disclosures, %d erasures", gone, shown, told)
	}
	first := history[0].Entry.Entry.Number
	view, proof, err := w.c.GetEntry(w.ctx, reviewer, first)
	if err != nil || view.ErasedBy != done.Entry || view.Entry.Reason != words || view.Entry.Action != record.ActionSessionPush || proof.Entry != "" ||
		proof.Salt != nil || len(proof.Path) == 0 {
		w.t.Errorf("entry %d: %+v, %+v, %v", first, view, proof, err)
	}
}

// TestErasedOnce: what is not there, or was erased before, is not erased.
func TestErasedOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.refused(order(id("a1", 99)), "NOT_FOUND")
	o := order(id("a1", 1))
	o.ClinicID = id("c1", 99)
	w.refused(o, "NOT_FOUND")
	w.erase(order(id("a1", 1)))
	w.refused(order(id("a1", 1)), "ERASED")
	for _, wrong := range []func(*store.Erasure){
		func(o *store.Erasure) { o.Demand = "" }, func(o *store.Erasure) { o.AskedBy = "a\nb" }, func(o *store.Erasure) { o.Operator = "x\u202ey" },
		func(o *store.Erasure) { o.Salt = o.Salt[:31] },
	} {
		o := order(id("a1", 2))
		wrong(&o)
		w.refused(o, "ERASURE_WORDS")
	}
	for _, off := range []time.Duration{-6 * time.Minute, 6 * time.Minute} {
		o := order(id("a1", 2))
		o.At = o.At.Add(off)
		w.refused(o, "CLOCK")
	}
	w.erase(order(id("a1", 2)))
	w.clean()
}

// TestHolds: nothing under a legal hold is erased, be it on the client or on the whole clinic; once lifted, or on another client, it does not hinder.
func TestHolds(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	admin := w.member(east, robin, record.RoleClinicAdmin)
	hold := record.LegalHold{ID: id("41", 1), ClientID: id("a1", 2), Reason: "a suit"}
	must(w.c.PutLegalHold(w.ctx, admin, hold, 0))(t)
	w.refused(order(id("a1", 2)), "LEGAL_HOLD")
	whole := record.LegalHold{ID: id("41", 2), Reason: "an inquiry"}
	must(w.c.PutLegalHold(w.ctx, admin, whole, 0))(t)
	w.refused(order(id("a1", 1)), "LEGAL_HOLD")
	whole.Lifted = true
	must(w.c.PutLegalHold(w.ctx, admin, whole, 1))(t)
	w.erase(order(id("a1", 1))) // the hold on the other client stands
	w.refused(order(id("a1", 2)), "LEGAL_HOLD")
	hold.Lifted = true
	must(w.c.PutLegalHold(w.ctx, admin, hold, 1))(t)
	hold.Lifted = false
	must(w.c.PutLegalHold(w.ctx, admin, hold, 2))(t) // placed again
	w.refused(order(id("a1", 2)), "LEGAL_HOLD")
	hold.Lifted = true
	must(w.c.PutLegalHold(w.ctx, admin, hold, 3))(t)
	w.erase(order(id("a1", 2)))
	w.clean()
}

// TestRetention: to the day after the last session, by the database's clock.
func TestRetention(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ended := day.Add(-2 * time.Hour)
	days := int(time.Since(ended) / (24 * time.Hour))
	set := func(n, revision int) {
		must(w.c.PutClinic(w.ctx, w.network(), record.Clinic{ID: east, Name: "Invented Clinic", DisplayUnit: "lb", RetentionDays: n}, revision))(t)
	}
	set(days+1, 2)
	w.refused(order(id("a1", 1)), "RETENTION")
	// To the microsecond, as the function judges it.
	conn := must(pgx.Connect(w.ctx, w.db.SuperURL))(t)
	defer func() { _ = conn.Close(w.ctx) }()
	for _, tt := range []struct {
		at   time.Time
		want bool
	}{{ended.Add(time.Duration(days+1) * 24 * time.Hour), true}, {ended.Add(time.Duration(days+1)*24*time.Hour - time.Microsecond), false}} {
		tx := must(conn.Begin(w.ctx))(t)
		_, err := tx.Exec(w.ctx, "SELECT set_config('ponderal.clinic_id', $1, true)", east)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(w.ctx, "SELECT ponderal.refuse_erasure($1, $2)", id("a1", 1), tt.at); (err == nil) != tt.want {
			t.Errorf("at %s: %v, allowed %v wanted", tt.at, err, tt.want)
		}
		_ = tx.Rollback(w.ctx)
	}
	set(days, 3)
	w.erase(order(id("a1", 1)))
	w.clean()
}

// TestGoesOnAfterAnErasure: an erasure made since a mark does not undo the mark, and content that was taken from before it otherwise is named.
func TestGoesOnAfterAnErasure(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	o := Options{Store: w.store, Ring: w.ring, LogName: logName, From: w.marks()}
	w.erase(order(id("a1", 1)))
	if r := must(Run(w.ctx, o))(t); !r.OK() || r.Before == 0 || r.Entries == 0 {
		t.Errorf("after an erasure: %d entries after %d, %v", r.Entries, r.Before, r.Problems)
	}
	w.exec("UPDATE ponderal.audit_entry SET content = NULL, salt = NULL WHERE clinic_id = $1 AND number = 1", east)
	if r := must(Run(w.ctx, o))(t); len(r.Problems) != 1 || !names(r, east, tableEntry, "1") {
		t.Errorf("content taken from before the mark: %v", r.Problems)
	}
}

// TestErasedFurther: what later steps keep about a client's sessions and results goes with them: second signatures, and sessions that came with a stored one's
// id, by that session's client and by their own referral's.
func TestErasedFurther(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	second := record.Member{ID: id("da", 7), Name: "Kim Second", Credential: "OT", Roles: []record.Role{record.RoleReviewer}}
	here := w.network()
	here.ClinicID = east
	must(w.c.PutMember(w.ctx, here, second, 0))(t)
	digest := w.ask("SELECT id FROM ponderal.protocol WHERE clinic_id = $1 LIMIT 1", east)[0]
	for n := 1; n <= 2; n++ {
		must(w.c.CountersignResult(w.ctx, w.member(east, second.ID, record.RoleReviewer), casework.Countersigning{ID: id("c5", n), ResultID: id("9b", n),
			Proof: casework.SignerProof{Password: "right"}}))(t)
		// The same id with another end; then with the other client's referral.
		other, mistaken := session(t, digest, n), session(t, digest, n)
		other.Series[0].StopNote, mistaken.ReferralID = "another end", id("e1", 3-n)
		for _, s := range []record.Session{other, mistaken} {
			if got := must(w.c.PushSessions(w.ctx, w.member(east, sam, record.RoleEvaluator), []record.Session{s}))(t)[0]; got.ConflictID == "" {
				t.Fatalf("no conflict was kept: %+v", got)
			}
		}
	}
	w.clean()
	done := w.erase(order(id("a1", 1)))
	for _, rows := range done.Rows {
		if want := map[string]int64{"countersignature": 1, "session_conflict": 3}[rows.Kind]; want > 0 && rows.Count != want {
			t.Errorf("%d rows of %s went, want %d", rows.Count, rows.Kind, want)
		}
	}
	if left := w.ask("SELECT id::text FROM ponderal.countersignature WHERE clinic_id = $1 AND body <> '{}'", east); len(left) != 1 || left[0] != id("c5", 2) {
		t.Errorf("countersignatures left: %v", left)
	}
	if left := w.ask("SELECT body::jsonb ->> 'session_id' FROM ponderal.session_conflict WHERE clinic_id = $1 AND body <> '{}'", east); len(left) != 1 || left[0] != id("5e", 2) {
		t.Errorf("conflicts left: %v", left)
	}
	w.clean()
	w.erase(order(id("a1", 2)))
	if left := w.ask("SELECT count(*)::text FROM ponderal.session_conflict WHERE clinic_id = $1 AND body <> '{}'", east)[0]; left != "0" {
		t.Errorf("%s conflicts left of nobody", left)
	}
	w.clean()
}
