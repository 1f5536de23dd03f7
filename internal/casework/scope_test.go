package casework

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// scoped is a release for the payer of the first referral, the n-th of a test.
func scoped(n int, raw bool, results ...string) record.Release {
	return record.Release{ID: id("5a", n), ReferralID: id("e1", 1), PayerID: insure, Purpose: "claim", ExpiresAt: record.TimeOf(day.Add(time.Hour)),
		RawTrials: raw, ResultIDs: results}
}

func (w *world) put(v record.Release, expected int) {
	w.t.Helper()
	must(w.c.PutRelease(w.ctx, w.admin(east), v, expected))(w.t)
}

// two is a world with two signed sessions of one referral: results 1 and 3.
func two(t testing.TB) (*world, record.Session) {
	t.Helper()
	w, s := pushed(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	other := session(t, s.Series[0].ProtocolDigest, 2)
	must(w.c.PushSession(w.ctx, w.station(east), other))(t)
	in := signing(other)
	in.ResultID = id("f0", 3)
	must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t)
	return w, s
}

// inFeed lists the results of the payer's feed, those withheld in brackets.
func (w *world) inFeed() (out []string) {
	w.t.Helper()
	for _, item := range must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(w.t).Items {
		text := item.Result.Value.ID
		if item.Withheld {
			text = "(" + text + ")"
		}
		out = append(out, text)
	}
	return out
}

// shownUnder reads a result as its payer and wants it under that release, with raw trials or without, in the answer as in the log. Both verify.
func (w *world) shownUnder(result, release string, raw bool) {
	w.t.Helper()
	got := must(w.c.GetResult(w.ctx, w.payer(insure), result))(w.t)
	if b := got.Value.Bundle; (b.Enclosed != "") != raw || (len(b.EnclosedSalt) > 0) != raw || b.Format != bundle.Format2 {
		w.t.Errorf("%s: format %s, %d bytes of raw trials, salt of %d; want raw %v", result, b.Format, len(b.Enclosed), len(b.EnclosedSalt), raw)
	}
	r := w.verified(got.Value)
	if r.Rerun != raw || r.Document.ID != result {
		w.t.Errorf("%s: engine run again %v, want %v", result, r.Rerun, raw)
	}
	entries := w.entries(east, record.ActionResultDisclose)
	want := []record.Disclosed{{ResultID: result, ReleaseID: release, RawTrials: raw}}
	if diff := cmp.Diff(want, entries[len(entries)-1].Disclosed); diff != "" {
		w.t.Errorf("the entry says (-want +got)\n%s", diff)
	}
}

// hidden wants the answer for a result that is not there.
func (w *world) hidden(result string) {
	w.t.Helper()
	_, err := w.c.GetResult(w.ctx, w.payer(insure), result)
	wantFault(w.t, err, fault.NotFound, "NOT_FOUND")
}

// TestReleaseScope: a payer sees what a live release lists or what replaces it, with raw trials where one says so; the widest that fits counts and stands in
// the entry.
func TestReleaseScope(t *testing.T) {
	t.Parallel()
	w, s := two(t)
	first, second, third := id("f0", 1), id("f0", 2), id("f0", 3)
	w.put(scoped(1, false, first), 0)
	if diff := cmp.Diff([]string{first}, w.inFeed()); diff != "" {
		t.Errorf("a listed result (-want +got)\n%s", diff)
	}
	w.shownUnder(first, id("5a", 1), false)
	w.unchanged(func() { w.hidden(third) })

	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	if diff := cmp.Diff([]string{first, second}, w.inFeed()); diff != "" {
		t.Errorf("its correction (-want +got)\n%s", diff)
	}
	w.shownUnder(second, id("5a", 1), false)

	w.put(scoped(2, true, second), 0)
	w.shownUnder(second, id("5a", 2), true)
	w.shownUnder(first, id("5a", 1), false)
	w.unchanged(func() { w.hidden(third) })

	w.put(scoped(3, false), 0)
	if diff := cmp.Diff([]string{first, second, third}, w.inFeed()); diff != "" {
		t.Errorf("all (-want +got)\n%s", diff)
	}
	w.shownUnder(second, id("5a", 2), true)
	w.shownUnder(first, id("5a", 3), false)
	w.shownUnder(third, id("5a", 3), false)

	narrowed := scoped(3, false, first)
	w.put(narrowed, 1)
	if diff := cmp.Diff([]string{first, second, "(" + third + ")"}, w.inFeed()); diff != "" {
		t.Errorf("narrowed again (-want +got)\n%s", diff)
	}
	w.unchanged(func() { w.hidden(third) })
	w.accounted(east)
}

// TestReleaseOfReplaced: a release may list a result that has been replaced; the one that replaces it follows.
func TestReleaseOfReplaced(t *testing.T) {
	t.Parallel()
	w, s := two(t)
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	w.put(scoped(1, false, id("f0", 2)), 0)
	if diff := cmp.Diff([]string{id("f0", 2)}, w.inFeed()); diff != "" {
		t.Errorf("the newer alone (-want +got)\n%s", diff)
	}
	w.unchanged(func() { w.hidden(id("f0", 1)) })
	w.put(scoped(2, false, id("f0", 1)), 0)
	if diff := cmp.Diff([]string{id("f0", 2), id("f0", 1)}, w.inFeed()); diff != "" {
		t.Errorf("the older too (-want +got)\n%s", diff)
	}
	w.shownUnder(id("f0", 1), id("5a", 2), false)
}

func TestReleaseListRefused(t *testing.T) {
	t.Parallel()
	w, s := two(t)
	jobless := session(t, s.Series[0].ProtocolDigest, 4)
	jobless.ReferralID = id("e1", 2)
	must(w.c.PushSession(w.ctx, w.station(east), jobless))(t)
	in := signing(jobless)
	in.ResultID, in.Decision = id("f0", 4), ""
	must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t)
	w.unchanged(func() {
		_, err := w.c.PutRelease(w.ctx, w.admin(east), scoped(1, true, id("f0", 1), id("f0", 4), id("f0", 9)), 0)
		wantInvalid(t, err, "release.result_ids[1] release.result", "release.result_ids[2] release.result")
	})
	withdrawn := scoped(1, true, id("f0", 9))
	withdrawn.Revoked = true
	w.put(withdrawn, 0)
}

// signedInFormat1 signs as the program did before results committed to their trials by digest.
func (w *world) signedInFormat1(in Signing) {
	w.t.Helper()
	err := w.store.InClinic(w.ctx, east, func(tx *store.Tx) error {
		s, err := standingOf(w.ctx, tx, in.SessionID, "")
		if err != nil {
			return err
		}
		signer, err := signerOf(w.ctx, tx, dana)
		if err != nil {
			return err
		}
		doc, err := w.c.document(w.ctx, tx, in, &s, signer)
		if err != nil {
			return err
		}
		doc.PayerName = "Invented Mutual"
		jws, err := seal.SignJWS(w.ctx, w.c.key, must(bundle.Payload(doc))(w.t))
		if err != nil {
			return err
		}
		return w.c.commitResult(w.ctx, tx, w.reviewer(east), in, &s, store.NewResult{JWS: jws}, false)
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

// TestFormat1NeedsRawTrials: a result with its trials inside is shown under a release with raw trials alone. The clinic's people are told why; the payer is
// told nothing.
func TestFormat1NeedsRawTrials(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	w.put(scoped(1, false), 0)
	w.signedInFormat1(signing(s))
	w.unchanged(func() {
		if got := w.inFeed(); !slices.Equal(got, []string{"(" + id("f0", 1) + ")"}) {
			t.Errorf("feed %v", got)
		}
		w.hidden(id("f0", 1))
		_, err := w.c.PutRelease(w.ctx, w.admin(east), scoped(2, false), 0)
		wantInvalid(t, err, "release.with_raw_trials release.trials_inside")
		_, err = w.c.PutRelease(w.ctx, w.admin(east), scoped(2, false, id("f0", 1)), 0)
		wantInvalid(t, err, "release.result_ids[0] release.trials_inside")
	})
	w.put(scoped(2, true, id("f0", 1)), 0)
	got := must(w.c.GetResult(w.ctx, w.payer(insure), id("f0", 1)))(t).Value
	if r := w.verified(got); !r.Rerun || r.Document.Format != record.ResultFormat || got.Bundle.Format != bundle.Format || got.Bundle.Enclosed != "" {
		t.Errorf("format %s in a file of form %s, run again %v", r.Document.Format, got.Bundle.Format, r.Rerun)
	}
	if mine := must(w.c.GetResult(w.ctx, w.reviewer(east), id("f0", 1)))(t).Value; mine.Bundle.Format != bundle.Format {
		t.Errorf("the clinic's own people get %s", mine.Bundle.Format)
	}
}

// TestClinicSeesAll: a release narrows what a payer sees, and nothing else.
func TestClinicSeesAll(t *testing.T) {
	t.Parallel()
	w, _ := two(t)
	w.put(scoped(1, false, id("f0", 1)), 0)
	for _, result := range []string{id("f0", 1), id("f0", 3)} {
		if r := w.verified(must(w.c.GetResult(w.ctx, w.admin(east), result))(t).Value); !r.Rerun {
			t.Errorf("%s: shown to the clinic without its trials", result)
		}
	}
}

// TestPayerGuesses: whatever keeps a result from a payer, the answer is the one for a result that is not there, and nothing is recorded.
func TestPayerGuesses(t *testing.T) {
	t.Parallel()
	w, _ := two(t)
	end := day.Add(time.Hour)
	revoked := scoped(1, true)
	w.put(revoked, 0)
	w.setClock(day.Add(time.Minute))
	w.shownUnder(id("f0", 1), id("5a", 1), true)
	revoked.Revoked = true
	w.put(revoked, 1)
	asked := func(payer, result string) string {
		_, err := w.c.GetResult(w.ctx, w.payer(payer), result)
		var f *fault.Error
		if !errors.As(err, &f) {
			t.Fatalf("%s is shown to %s: %v", result, payer, err)
		}
		return string(rune(f.Kind)) + f.Reason + f.Text
	}
	nothing := asked(insure, id("f0", 99))
	same := func(why, payer, result string) {
		t.Helper()
		w.unchanged(func() {
			if got := asked(payer, result); got != nothing {
				t.Errorf("%s: %q, want %q", why, got, nothing)
			}
		})
	}
	same("revoked", insure, id("f0", 1))
	same("another payer's", rival, id("f0", 1))
	same("no id", insure, "x")
	w.put(scoped(2, false, id("f0", 1)), 0)
	same("not listed", insure, id("f0", 3))
	w.setClock(end.Add(-time.Microsecond))
	w.shownUnder(id("f0", 1), id("5a", 2), false)
	w.setClock(end)
	same("ended this microsecond", insure, id("f0", 1))
	jobless := session(t, must(w.c.GetSession(w.ctx, w.reviewer(east), id("5e", 1), 0))(t).Value.Series[0].ProtocolDigest, 5)
	jobless.ReferralID = id("e1", 2)
	must(w.c.PushSession(w.ctx, w.station(east), jobless))(t)
	in := signing(jobless)
	in.ResultID, in.Decision = id("f0", 5), ""
	must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t)
	same("never released", insure, id("f0", 5))
}

// TestWidest: with raw trials before without, all before listed, later before earlier; the choice is always the same.
func TestWidest(t *testing.T) {
	a, b := id("f0", 1), id("f0", 2)
	later := scoped(4, false)
	later.ExpiresAt = record.TimeOf(day.Add(2 * time.Hour))
	other := scoped(1, true)
	other.PayerID = rival
	of := func(line ...string) candidate { return candidate{line: line} }
	for name, c := range map[string]struct {
		releases []record.Release
		of       candidate
		want     string
	}{
		"none":             {nil, of(a), ""},
		"another payer's":  {[]record.Release{other}, of(a), ""},
		"not listed":       {[]record.Release{scoped(1, true, b)}, of(a), ""},
		"listed":           {[]record.Release{scoped(1, true, b, a)}, of(a), id("5a", 1)},
		"replaces listed":  {[]record.Release{scoped(1, true, a)}, of(b, a), id("5a", 1)},
		"replaced":         {[]record.Release{scoped(1, true, b)}, of(a), ""},
		"raw":              {[]record.Release{scoped(1, false), scoped(2, true, a), scoped(3, false, a)}, of(a), id("5a", 2)},
		"all":              {[]record.Release{scoped(1, true, a), scoped(2, true)}, of(a), id("5a", 2)},
		"later":            {[]record.Release{scoped(1, false), later, scoped(2, false)}, of(a), id("5a", 4)},
		"equal":            {[]record.Release{scoped(2, false), scoped(1, false), scoped(3, false)}, of(a), id("5a", 1)},
		"inside":           {[]record.Release{scoped(1, false)}, candidate{line: []string{a}, whole: true}, ""},
		"inside, with raw": {[]record.Release{scoped(1, false), scoped(2, true)}, candidate{line: []string{a}, whole: true}, id("5a", 2)},
	} {
		got, ok := widest(c.releases, insure, c.of)
		if got.ID != c.want || ok != (c.want != "") {
			t.Errorf("%s: %q, %v; want %q", name, got.ID, ok, c.want)
		}
	}
}
