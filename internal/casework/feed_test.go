package casework

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// release authorizes the payer for the first referral until then.
func (w *world) release(clinic string, until time.Time) record.Stored[record.Release] {
	w.t.Helper()
	return must(w.c.PutRelease(w.ctx, w.admin(clinic), record.Release{ID: id("5a", 1), ReferralID: id("e1", 1), PayerID: insure,
		Purpose: "claim", ExpiresAt: record.TimeOf(until)}, 0))(w.t)
}

// entries are the actions in a clinic's log about a subject.
func (w *world) entries(clinic, action string) []record.Entry {
	w.t.Helper()
	list := must(w.c.ListEntries(w.ctx, w.admin(clinic), EntryFilter{Action: action}, record.Page{Size: 500}))(w.t)
	var out []record.Entry
	for _, v := range list.Items {
		out = append(out, v.Entry)
	}
	return out
}

func TestFeedOrderAndDisclosure(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	w.unchanged(func() {
		if got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t); len(got.Items) != 0 || got.Next != "0" {
			t.Errorf("feed before any release: %+v", got)
		}
		_, err := w.c.GetResult(w.ctx, w.payer(insure), id("f0", 1))
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
	})
	release := w.release(east, day.Add(time.Hour))
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	first := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{Size: 1}))(t)
	if len(first.Items) != 1 || !first.More || first.Next != "1" || first.Items[0].Result.Value.ID != id("f0", 1) {
		t.Errorf("first page: %+v", first)
	}
	second := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{Size: 1, Cursor: first.Next}))(t)
	if len(second.Items) != 1 || second.More || second.Items[0].Number != 2 || second.Items[0].Result.Value.Supersedes != id("f0", 1) {
		t.Errorf("second page: %+v", second)
	}
	w.verified(first.Items[0].Result.Value)
	w.verified(second.Items[0].Result.Value)
	w.verified(must(w.c.GetResult(w.ctx, w.payer(insure), id("f0", 2)))(t).Value)
	seen := w.entries(east, record.ActionResultDisclose)
	if len(seen) != 3 {
		t.Fatalf("%d disclosures, want 3", len(seen))
	}
	want := []string{"result:" + id("f0", 1), "referral:" + id("e1", 1), "client:" + id("a1", 1), "payer:" + insure}
	if !slices.Equal(seen[0].Subjects, want) {
		t.Errorf("disclosure names %v, want %v", seen[0].Subjects, want)
	}
	w.unchanged(func() {
		if got := must(w.c.ListFeed(w.ctx, w.payer(rival), record.Page{}))(t); len(got.Items) != 0 {
			t.Errorf("another payer's feed: %+v", got)
		}
		_, err := w.c.GetResult(w.ctx, w.payer(rival), id("f0", 1))
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		_, err = w.c.ListFeed(w.ctx, w.admin(east), record.Page{})
		wantFault(t, err, fault.Denied, "PAYER_ONLY")
		for _, cursor := range []string{"x", "-1", "01", "+1", " 1", "1.0"} {
			_, err := w.c.ListFeed(w.ctx, w.payer(insure), record.Page{Cursor: cursor})
			wantInvalid(t, err, "page.cursor page.cursor")
		}
	})
	longer := release.Value
	longer.ExpiresAt = record.TimeOf(day.Add(2 * time.Hour))
	must(w.c.PutRelease(w.ctx, w.admin(east), longer, 1))(t)
	if got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t); len(got.Items) != 2 {
		t.Errorf("a longer release put results into the feed again: %d items", len(got.Items))
	}
	w.accounted(east)
}

// TestReleaseEnds: at the very moment of its end a release authorizes no more; a microsecond before it still does.
func TestReleaseEnds(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	end := day.Add(time.Hour)
	w.release(east, end)
	w.setClock(end.Add(-time.Microsecond))
	if got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t); got.Items[0].Withheld || got.Items[0].Result.Value.Bundle == nil {
		t.Error("withheld a microsecond before the release ends")
	}
	must(w.c.GetResult(w.ctx, w.payer(insure), id("f0", 1)))(t)
	w.setClock(end)
	w.withheld()
}

// withheld demands that the first result is shown by its id only, and that nothing is recorded.
func (w *world) withheld() {
	w.t.Helper()
	w.unchanged(func() {
		got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(w.t)
		if len(got.Items) != 1 || !got.Items[0].Withheld || !cmp.Equal(got.Items[0].Result.Value, ResultView{ID: id("f0", 1)}, exact()) {
			w.t.Errorf("shown without a live release: %+v", got.Items)
		}
		_, err := w.c.GetResult(w.ctx, w.payer(insure), id("f0", 1))
		wantFault(w.t, err, fault.NotFound, "NOT_FOUND")
	})
}

func TestReleaseRevoked(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	release := w.release(east, day.Add(time.Hour))
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	if got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t); len(got.Items) != 1 || got.Items[0].Withheld {
		t.Errorf("signed under a live release: %+v", got)
	}
	revoked := release.Value
	revoked.Revoked = true
	must(w.c.PutRelease(w.ctx, w.admin(east), revoked, 1))(t)
	w.withheld()
	w.setClock(day.Add(time.Minute))
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	w.withheld()
	must(w.c.PutRelease(w.ctx, w.admin(east), release.Value, 2))(t)
	if got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t); len(got.Items) != 2 || got.Items[1].Result.Value.ID != id("f0", 2) {
		t.Errorf("after a new authorization: %+v", got)
	}
	w.accounted(east)
}

func TestReleaseRefuses(t *testing.T) {
	t.Parallel()
	w, _ := pushed(t)
	w.unchanged(func() {
		put := func(edit func(*record.Release), want string) {
			t.Helper()
			v := record.Release{ID: id("5a", 1), ReferralID: id("e1", 1), PayerID: insure, Purpose: "claim", ExpiresAt: record.TimeOf(day.Add(time.Hour))}
			edit(&v)
			_, err := w.c.PutRelease(w.ctx, w.admin(east), v, 0)
			wantInvalid(t, err, want)
		}
		put(func(v *record.Release) { v.ReferralID = id("e1", 9) }, "release.referral_id referral.exists")
		put(func(v *record.Release) { v.PayerID = rival }, "release.payer_id release.payer")
		put(func(v *record.Release) { v.ExpiresAt = record.TimeOf(day) }, "release.expires_at release.expires_in_future")
	})
}

// TestFeedSpansClinics: equal ids in two clinics are two items, each disclosed in the log of its own clinic.
func TestFeedSpansClinics(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	w.ready(west)
	must(w.c.PushSession(w.ctx, w.station(west), session(t, s.Series[0].ProtocolDigest, 1)))(t)
	for _, clinic := range []string{east, west} {
		w.release(clinic, day.Add(time.Hour))
		must(w.c.SignResult(w.ctx, w.reviewer(clinic), signing(s)))(t)
	}
	got := must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t)
	if len(got.Items) != 2 || got.Items[0].Result.Value.ClinicID != east || got.Items[1].Result.Value.ClinicID != west {
		t.Fatalf("feed over two clinics: %+v", got.Items)
	}
	for i, clinic := range []string{east, west} {
		w.verified(got.Items[i].Result.Value)
		if n := len(w.entries(clinic, record.ActionResultDisclose)); n != 1 {
			t.Errorf("%d disclosures in clinic %s, want 1", n, clinic)
		}
	}
}
