package casework

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// signing signs the first revision of a session as the engine recommends.
func signing(s record.Session) Signing {
	return Signing{Proof: proof, SessionID: s.ID, ResultID: id("f0", 1), SessionRevision: 1, Meaning: record.MeaningReviewed, Decision: record.Meets}
}

// superseding signs the second revision in place of the first result. The corrected capacity is short of the job's demand.
func superseding() Signing {
	return Signing{Proof: proof, ResultID: id("f0", 2), SessionRevision: 2, Meaning: record.MeaningReviewed, Decision: record.DoesNotMeet,
		Supersedes: id("f0", 1), SupersedeReason: "a load was misread"}
}

// verified demands that a result's bundle verifies offline, through its file.
func (w *world) verified(got ResultView) bundle.Report {
	w.t.Helper()
	if got.Bundle == nil {
		w.t.Fatal("the result has no bundle")
	}
	file := must(bundle.Encode(got.Bundle.File()))(w.t)
	r, err := bundle.Verify(w.ring, must(bundle.Decode(file))(w.t), logName)
	if err != nil {
		w.t.Errorf("verify offline: %v", err)
	}
	return r
}

func TestSignVerifiesOffline(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	got := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	r := w.verified(got.Value)
	if r.Document.Signature.Name != "Dana Whitfield" || r.Document.PayerName != "Invented Mutual" || r.Document.Job == nil {
		t.Errorf("document says %+v for %s", r.Document.Signature, r.Document.PayerName)
	}
	w.unchanged(func() {
		again := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
		if diff := cmp.Diff(got, again, exact()); diff != "" {
			t.Errorf("the same request again (-first +second)\n%s", diff)
		}
		other := signing(s)
		other.Comment = "other words"
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), other)
		if diff := cmp.Diff([]string{"comment record.differs"}, wantFault(t, err, fault.Conflict, "RESULT_CONFLICT")); diff != "" {
			t.Error(diff)
		}
		other = signing(s)
		other.ResultID = id("f0", 9)
		_, err = w.c.SignResult(w.ctx, w.reviewer(east), other)
		wantFault(t, err, fault.Conflict, "RESULT_EXISTS")
	})
	w.accounted(east)
}

func TestSignRefuses(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	digest := s.Series[0].ProtocolDigest
	open := session(t, digest, 2)
	open.Series[0].Stop, open.Series[0].Trials[3].HeartRate = "", nil
	must(w.c.PushSession(w.ctx, w.station(east), open))(t)
	jobless := session(t, digest, 3)
	jobless.ReferralID = id("e1", 2)
	must(w.c.PushSession(w.ctx, w.station(east), jobless))(t)
	edit := func(s record.Session, fn func(*Signing)) Signing { in := signing(s); fn(&in); return in }
	invalid := func(in Signing, want string) {
		t.Helper()
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), in)
		wantInvalid(t, err, want)
	}
	denied := func(p authn.Principal, reason string) {
		t.Helper()
		_, err := w.c.SignResult(w.ctx, p, signing(s))
		wantFault(t, err, fault.Denied, reason)
	}
	w.unchanged(func() {
		invalid(edit(s, func(x *Signing) { x.Meaning = "" }), "meaning signature.meaning")
		invalid(edit(s, func(x *Signing) { x.Meaning = record.MeaningTestedAndReviewed }), "meaning signature.tested")
		invalid(edit(s, func(x *Signing) { x.Decision = "" }), "decision decision.needed")
		invalid(edit(s, func(x *Signing) { x.Decision = record.DoesNotMeet }), "comment decision.comment")
		invalid(edit(jobless, func(x *Signing) {}), "decision decision.without_job")
		invalid(edit(open, func(x *Signing) { x.Comment = "seen" }), "decision decision.incomplete")
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), edit(s, func(x *Signing) { x.SessionRevision = 2 }))
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		_, err = w.c.SignResult(w.ctx, w.reviewer(east), edit(s, func(x *Signing) { x.SessionID = id("5e", 9) }))
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		for _, r := range []record.Role{record.RoleEvaluator, record.RoleClinicAdmin, record.RoleStation} {
			denied(w.member(east, dana, r), "ROLE_NEEDED")
		}
		denied(w.member(east, "", record.RoleReviewer), "MEMBER_NEEDED")
		denied(w.member(east, sam, record.RoleReviewer), "SIGNER")
		denied(w.member(east, id("da", 99), record.RoleReviewer), "SIGNER")
	})
	ok := func(in Signing, n int) {
		t.Helper()
		in.ResultID = id("f0", n)
		w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t).Value)
	}
	ok(edit(s, func(x *Signing) { x.Decision, x.Comment = record.DoesNotMeet, "Pain at night." }), 11)
	ok(edit(jobless, func(x *Signing) { x.Decision = "" }), 12)
	ok(edit(open, func(x *Signing) { x.Decision, x.Comment = record.CannotBeDetermined, "No heart rate." }), 13)
}

// TestSignAfterClientChanged: a birth date put right after scoring would change the finding's ground, so nothing is signed.
func TestSignAfterClientChanged(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	client := must(w.c.GetClient(w.ctx, w.admin(east), id("a1", 1)))(t).Value
	client.GivenName = "Patricia"
	must(w.c.PutClient(w.ctx, w.admin(east), client, 1))(t)
	r := w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t).Value)
	if r.Document.Client.GivenName != "Patricia" {
		t.Errorf("the result names %s", r.Document.Client.GivenName)
	}
	late := session(t, s.Series[0].ProtocolDigest, 2)
	late.Series[0].Trials[3].HeartRate = ptr(140)
	must(w.c.PushSession(w.ctx, w.station(east), late))(t)
	client.BirthDate = "1940-01-01"
	must(w.c.PutClient(w.ctx, w.admin(east), client, 2))(t)
	in := signing(late)
	in.ResultID = id("f0", 5)
	w.unchanged(func() {
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), in)
		wantFault(t, err, fault.Precondition, "FINDING_OUT_OF_DATE")
	})
}

func TestSupersede(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	first := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	outdated := must(w.c.GetResult(w.ctx, w.reviewer(east), first.Value.ID))(t)
	if !outdated.Value.Outdated || outdated.Value.SupersededBy != "" {
		t.Errorf("after a correction: %+v", outdated.Value)
	}
	w.unchanged(func() {
		in := superseding()
		in.SupersedeReason = ""
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), in)
		wantInvalid(t, err, "reason supersede.reason")
		in = superseding()
		in.Supersedes = id("f0", 77)
		_, err = w.c.SignResult(w.ctx, w.reviewer(east), in)
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
	})
	second := must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	r := w.verified(second.Value)
	if len(r.Document.Corrections) != 1 || r.Document.Corrections[0].By != "Dana Whitfield" || r.Document.Corrections[0].Trial != 4 {
		t.Errorf("corrections in the result: %+v", r.Document.Corrections)
	}
	old := must(w.c.GetResult(w.ctx, w.reviewer(east), first.Value.ID))(t)
	if old.Value.SupersededBy != second.Value.ID || old.Value.Bundle.JWS != first.Value.Bundle.JWS {
		t.Errorf("the old result: %+v", old.Value)
	}
	w.verified(old.Value)
	w.unchanged(func() {
		must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
		in := superseding()
		in.ResultID = id("f0", 3)
		_, err := w.c.SignResult(w.ctx, w.reviewer(east), in)
		wantFault(t, err, fault.Conflict, "RESULT_SUPERSEDED")
	})
	list := must(w.c.ListResults(w.ctx, w.reviewer(east), record.Page{}))(t)
	if len(list.Items) != 2 || list.Items[0].Value.ID != first.Value.ID || list.Items[0].Value.Bundle != nil {
		t.Errorf("list of results: %+v", list.Items)
	}
	w.accounted(east)
}

func TestScoreHistory(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	// Another result on the same page of the feed: the first session's history says nothing of it.
	other := session(t, s.Series[0].ProtocolDigest, 2)
	must(w.c.PushSession(w.ctx, w.station(east), other))(t)
	second := signing(other)
	second.ResultID = id("f0", 9)
	must(w.c.SignResult(w.ctx, w.reviewer(east), second))(t)
	w.release(east, day.Add(time.Hour))
	must(w.c.ListFeed(w.ctx, w.payer(insure), record.Page{}))(t)
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	must(w.c.SignResult(w.ctx, w.reviewer(east), superseding()))(t)
	got := must(w.c.GetScoreHistory(w.ctx, w.admin(east), s.ID))(t)
	want := []string{
		"2026-03-04 12:00 UTC  station 1 (station) pushed the session: capacity floor to waist 45 lb, capacity waist to shoulder 35 lb, strength level",
		"2026-03-04 12:00 UTC  Dana Whitfield (reviewer) signed result " + id("f0", 1) + " on revision 1.",
		"2026-03-04 12:00 UTC  claims (payer) was shown result " + id("f0", 1) + " as Invented Mutual.",
		"2026-03-04 12:00 UTC  Dana Whitfield (reviewer) corrected series 1 trial 4: load 45 lb -> 35 lb; capacity floor to waist 45 lb -> 35 lb, ",
		"2026-03-04 12:00 UTC  Dana Whitfield (reviewer) signed result " + id("f0", 2) + " on revision 2 in place of result " + id("f0", 1) + ". Reason: \"a load was misread\"",
	}
	if len(got) != len(want) {
		t.Fatalf("%d steps, want %d: %+v", len(got), len(want), got)
	}
	for i, step := range got {
		t.Log(step.Line)
		if !strings.HasPrefix(step.Line, want[i]) {
			t.Errorf("step %d\n got %s\nwant %s…", i, step.Line, want[i])
		}
		if step.Proof.Checkpoint == "" || len(step.Proof.Entry) == 0 {
			t.Errorf("step %d has no proof", i)
		}
	}
	fix := got[3]
	measured := record.Difference{Path: "series[1].trials[4].load.value", Was: `"45"`, Now: `"35"`}
	if diff := cmp.Diff([]record.Difference{measured}, fix.Measured); diff != "" {
		t.Errorf("measured (-want +got)\n%s", diff)
	}
	for _, part := range []string{"job match meets -> does not meet", `Reason: "the recipe was misread"`, "of log " + logName + "/" + east + "]"} {
		if !strings.Contains(fix.Line, part) {
			t.Errorf("the correction's line lacks %q", part)
		}
	}
	if _, err := w.c.GetScoreHistory(w.ctx, w.admin(west), s.ID); !fault.Is(err, fault.NotFound) {
		t.Errorf("history in the other clinic: got %v, want NotFound", err)
	}
}

// TestAnyAlteredBitFails flips bits, sampled over a bundle of two series with a job, and wants each flip noticed.
func TestAnyAlteredBitFails(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	got := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	file := must(bundle.Encode(got.Value.Bundle.File()))(t)
	for i := 0; i < len(file); i += 7 {
		bit := byte(1) << (i % 8)
		file[i] ^= bit
		if b, err := bundle.Decode(file); err == nil {
			if _, err := bundle.Verify(w.ring, b, ""); err == nil {
				t.Errorf("bit %d of byte %d altered still verifies", i%8, i)
			}
		}
		file[i] ^= bit
	}
	b := must(bundle.Decode(file))(t)
	must(bundle.Verify(w.ring, b, ""))(t)
}
