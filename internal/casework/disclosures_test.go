package casework

import (
	"bytes"
	"context"
	"net/url"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// disclosures are all of a client's, page by page.
func (w *world) disclosures(client string, since record.Time, size int) []Disclosure {
	w.t.Helper()
	var all []Disclosure
	page := record.Page{Size: size}
	for {
		got := must(w.c.ListDisclosures(w.ctx, w.admin(east), client, since, page))(w.t)
		if size > 0 && len(got.Items) > size {
			w.t.Errorf("a page of %d has %d", size, len(got.Items))
		}
		all = append(all, got.Items...)
		if got.Next == "" {
			return all
		}
		page.Cursor = got.Next
	}
}

// otherClient gives the clinic a second client with a released result of the same payer: result 7.
func (w *world) otherClient(digest string) {
	t := w.t
	t.Helper()
	must(w.c.PutClient(w.ctx, w.admin(east), record.Client{ID: id("a1", 2), GivenName: "Kim", FamilyName: "Example", BirthDate: "1985-04-05", Sex: record.Male}, 0))(t)
	must(w.c.PutReferral(w.ctx, w.admin(east), record.Referral{ID: id("e1", 3), ClientID: id("a1", 2), PayerID: insure, ClaimNumber: "X-3"}, 0))(t)
	other := session(t, digest, 7)
	other.ReferralID = id("e1", 3)
	must(w.c.PushSession(w.ctx, w.station(east), other))(t)
	in := signing(other)
	in.ResultID, in.Decision = id("f0", 7), ""
	must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t)
	release := scoped(7, false)
	release.ReferralID = id("e1", 3)
	w.put(release, 0)
}

// TestListDisclosures: every pull of every result of the client, with the release as it was then, and nobody else's.
func TestListDisclosures(t *testing.T) {
	t.Parallel()
	w, s := two(t)
	w.otherClient(s.Series[0].ProtocolDigest)
	w.put(scoped(1, true, id("f0", 1)), 0)
	w.put(scoped(2, false), 0)
	w.inFeed()
	renamed := scoped(2, false)
	renamed.Purpose = "a second opinion"
	w.put(renamed, 1)
	w.setClock(day.Add(time.Minute))
	must(w.c.GetResult(w.ctx, w.payer(insure), id("f0", 3)))(t)
	entries := w.entries(east, record.ActionResultDisclose)
	want := []Disclosure{
		{ResultID: id("f0", 1), SessionID: id("5e", 1), ReleaseID: id("5a", 1), Purpose: "claim", RawTrials: true, Entry: entries[0].Number},
		{ResultID: id("f0", 3), SessionID: id("5e", 2), ReleaseID: id("5a", 2), Purpose: "claim", Entry: entries[0].Number},
		{ResultID: id("f0", 3), SessionID: id("5e", 2), ReleaseID: id("5a", 2), Purpose: "a second opinion", Entry: entries[1].Number},
	}
	for i := range want {
		want[i].PayerID, want[i].PayerName, want[i].TokenID, want[i].Label = insure, "Invented Mutual", id("aa", 4), "claims"
		want[i].At = entries[min(i/2, 1)].At
	}
	w.unchanged(func() {
		for _, size := range []int{0, 1, 2, 3, 50} {
			if diff := cmp.Diff(want, w.disclosures(id("a1", 1), record.Time{}, size)); diff != "" {
				t.Errorf("by pages of %d (-want +got)\n%s", size, diff)
			}
		}
		if got := w.disclosures(id("a1", 2), record.Time{}, 1); len(got) != 1 || got[0].ResultID != id("f0", 7) || got[0].RawTrials {
			t.Errorf("the other client's: %+v", got)
		}
		if got := w.disclosures(id("a1", 1), record.TimeOf(day.Add(time.Minute)), 0); len(got) != 1 || got[0].Entry != entries[1].Number {
			t.Errorf("since the second: %+v", got)
		}
		if got := w.disclosures(id("a1", 1), record.TimeOf(day.Add(time.Minute+time.Microsecond)), 0); len(got) != 0 {
			t.Errorf("since later: %+v", got)
		}
	})
	// Six years: to the microsecond, unless more is asked for.
	w.setClock(day.AddDate(6, 0, 0))
	if got := w.disclosures(id("a1", 1), record.Time{}, 0); len(got) != 3 {
		t.Errorf("after six years %d, want 3", len(got))
	}
	w.setClock(day.AddDate(6, 0, 0).Add(time.Microsecond))
	if got := w.disclosures(id("a1", 1), record.Time{}, 0); len(got) != 1 {
		t.Errorf("after more than six years %d, want 1", len(got))
	}
	if got := w.disclosures(id("a1", 1), record.TimeOf(day), 0); len(got) != 3 {
		t.Errorf("asked for more %d, want 3", len(got))
	}
	w.accounted(east)
}

func TestListDisclosuresRefuses(t *testing.T) {
	t.Parallel()
	w, _ := two(t)
	w.unchanged(func() {
		_, err := w.c.ListDisclosures(w.ctx, w.admin(east), id("a1", 9), record.Time{}, record.Page{})
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		_, err = w.c.ListDisclosures(w.ctx, w.admin(west), id("a1", 1), record.Time{}, record.Page{})
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		_, err = w.c.ListDisclosures(w.ctx, w.network(record.RoleNetworkAuditor), id("a1", 1), record.Time{}, record.Page{})
		wantInvalid(t, err, "clinic_id clinic.named")
		for _, cursor := range []string{"x", "1", "1.", ".1", "-1.0", "1.-1", "01.0", "1.00", "1.0.0", "1.+1"} {
			_, err := w.c.ListDisclosures(w.ctx, w.admin(east), id("a1", 1), record.Time{}, record.Page{Cursor: cursor})
			wantInvalid(t, err, "page.cursor page.cursor")
		}
	})
}

// TestAuditorReadsDisclosures: what the network is shown of a client is an entry itself.
func TestAuditorReadsDisclosures(t *testing.T) {
	t.Parallel()
	w, _ := two(t)
	w.put(scoped(1, true), 0)
	w.inFeed()
	auditor := w.network(record.RoleNetworkAuditor)
	auditor.ClinicID = east
	if got := must(w.c.ListDisclosures(w.ctx, auditor, id("a1", 1), record.Time{}, record.Page{}))(t); len(got.Items) != 2 {
		t.Errorf("%d disclosures, want 2", len(got.Items))
	}
	reads := w.entries(east, record.ActionRecordRead)
	if len(reads) != 1 || reads[0].Reason != "disclosures of a client" || !cmp.Equal(reads[0].Subjects, []string{"client:" + id("a1", 1)}) {
		t.Errorf("entries of the read: %+v", reads)
	}
}

// TestDisclosuresFromBefore: an entry that does not say what it showed under which release is listed by its subjects; every result had its trials
// inside then.
func TestDisclosuresFromBefore(t *testing.T) {
	t.Parallel()
	w, s := two(t)
	w.otherClient(s.Series[0].ProtocolDigest)
	draft := auditlog.Draft{ClinicID: east, Action: record.ActionResultDisclose, Actor: w.payer(insure).Actor(), Subjects: []string{
		"result:" + id("f0", 1), "referral:" + id("e1", 1), "client:" + id("a1", 1), "result:" + id("f0", 7), "referral:" + id("e1", 3), "client:" + id("a1", 2),
		"result:" + id("f0", 3), "payer:" + insure}}
	err := w.store.InClinic(w.ctx, east, func(tx *store.Tx) error {
		_, err := w.c.log.Append(w.ctx, tx, draft, false)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, d := range w.disclosures(id("a1", 1), record.Time{}, 1) {
		if !d.RawTrials || d.ReleaseID != "" || d.Purpose != "" || d.PayerName != "Invented Mutual" || d.Label != "claims" {
			t.Errorf("%+v", d)
		}
		got = append(got, d.ResultID+" of "+d.SessionID)
	}
	want := []string{id("f0", 1) + " of " + id("5e", 1), id("f0", 3) + " of " + id("5e", 2)}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

// TestDisclosuresOfErased: after a client was erased, what was shown to whom is listed as before; what the release was for went with the release.
func TestDisclosuresOfErased(t *testing.T) {
	t.Parallel()
	w, s := two(t)
	w.otherClient(s.Series[0].ProtocolDigest)
	w.put(scoped(1, true, id("f0", 1)), 0)
	w.inFeed()
	before := w.disclosures(id("a1", 1), record.Time{}, 0)
	others := w.disclosures(id("a1", 2), record.Time{}, 0)
	u := must(url.Parse(w.db.SuperURL))(t)
	q := u.Query()
	q.Set("role", "ponderal_eraser")
	u.RawQuery = q.Encode()
	must(store.Erase(context.Background(), u.String(), store.Erasure{ClinicID: east, ClientID: id("a1", 1), Demand: "letter 7", AskedBy: "the client", Operator: "an operator",
		At: time.Now(), Salt: bytes.Repeat([]byte{7}, 32), Confirmed: true}))(t)
	if len(before) != 1 || before[0].Purpose != "claim" {
		t.Fatalf("before: %+v", before)
	}
	before[0].Purpose = ""
	if diff := cmp.Diff(before, w.disclosures(id("a1", 1), record.Time{}, 0)); diff != "" {
		t.Errorf("the erased client's (-want +got)\n%s", diff)
	}
	if diff := cmp.Diff(others, w.disclosures(id("a1", 2), record.Time{}, 0)); diff != "" {
		t.Errorf("another's (-want +got)\n%s", diff)
	}
	w.hidden(id("f0", 1))
}
