package casework

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// withoutLoads is the visit without any series with loads.
func withoutLoads(t testing.TB, digest string, n int) record.Session {
	s := visit(t, digest, n)
	s.Series = nil
	return s
}

// TestSessionWithoutLoads: a session of hands and positions only is pushed, read, listed, corrected and signed like any other.
func TestSessionWithoutLoads(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	for n, cut := range []func(*record.Session){func(*record.Session) {}, func(s *record.Session) { s.HandSeries = nil }, func(s *record.Session) { s.PositionSeries = nil }} {
		s := withoutLoads(t, digest, 1+n)
		cut(&s)
		first := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
		s.ClinicID, s.Series = east, []record.Series{}
		got := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 0))(t)
		if diff := cmp.Diff(s, got.Value, exact()); diff != "" {
			t.Errorf("(-pushed +stored)\n%s", diff)
		}
		w.unchanged(func() {
			again := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
			if first.Already = true; !cmp.Equal(first, again, exact()) {
				t.Errorf("pushed again: %s", cmp.Diff(first, again, exact()))
			}
		})
		if list := must(w.c.ListSessions(w.ctx, w.station(east), record.Page{}))(t); len(list.Items) != 1+2*n || !cmp.Equal(list.Items[2*n].Value, s, exact()) {
			t.Errorf("%d sessions are listed, the last %+v", len(list.Items), list.Items[len(list.Items)-1])
		}
		fix := partOf(s, func(in *PartCorrection) {
			in.Screening = &record.Screening{RestingHeartRate: ptr(66)}
		})
		corrected := must(w.c.CorrectSession(w.ctx, w.reviewer(east), fix))(t)
		if diff := cmp.Diff(s.HandSeries, corrected.Session.Value.HandSeries, exact()); diff != "" || len(corrected.Finding.Value.Capacities) != 0 {
			t.Errorf("after a correction of the screening: %s, %+v", diff, corrected.Finding.Value)
		}
		sign := Signing{Proof: proof, SessionID: s.ID, ResultID: id("f0", 1+n), SessionRevision: 2, Meaning: record.MeaningReviewed, Decision: record.CannotBeDetermined,
			Comment: "no loads were tested"}
		w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), sign))(t).Value)
	}
	w.accounted(east)
}

// TestPushConflictNamesFurtherParts: what differs in a hand or position series is named by the contract's path.
func TestPushConflictNamesFurtherParts(t *testing.T) {
	t.Parallel()
	w, s := visited(t)
	other := visit(t, s.Series[0].ProtocolDigest, 1)
	other.HandSeries[1].Trials[2].Reading = lb(t, "70")
	other.PositionSeries[0].Bouts[0].HeartRate = ptr(90)
	other.Body.StatureMM = 1700
	other.Series[0].Trials[0].StartHeartRate = ptr(80)
	w.unchanged(func() {
		_, err := w.c.PushSession(w.ctx, w.station(east), other)
		want := []string{"session.body.stature_mm record.differs", "session.hand_series[1].trials[2].reading.value record.differs",
			"session.position_series[0].bouts[0].heart_rate_bpm record.differs", "session.series[0].trials[0].start_heart_rate_bpm record.differs"}
		got := wantFault(t, err, fault.Conflict, "SESSION_CONFLICT")
		slices.Sort(got)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got)\n%s", diff)
		}
	})
}

// TestJobOfPositionsAndHands: a job may ask for positions and hands only; a session is matched with it.
func TestJobOfPositionsAndHands(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	job := record.JobProfile{ID: id("b1", 2), Title: "Inspector", Positions: []record.PositionDemand{{Position: record.Standing, Demand: record.ToleratedFrequent}},
		Hands: []record.HandDemand{{Name: "hold the gauge", Measure: record.Grip, Hand: record.RightHand, Force: lb(t, "30")}}}
	must(w.c.PutJobProfile(w.ctx, w.admin(east), job, 0))(t)
	job.ClinicID = east
	if got := must(w.c.GetJobProfile(w.ctx, w.admin(east), job.ID))(t); !cmp.Equal(got.Value, job, exact()) {
		t.Errorf("(-put +stored)\n%s", cmp.Diff(job, got.Value, exact()))
	}
	must(w.c.PutReferral(w.ctx, w.admin(east), record.Referral{ID: id("e1", 3), ClientID: id("a1", 1), PayerID: insure, ClaimNumber: "X-3", JobProfileID: job.ID}, 0))(t)
	s := withoutLoads(t, digest, 1)
	s.ReferralID = id("e1", 3)
	got := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	if j := got.Finding.Value.Job; j == nil || j.JobProfileID != job.ID || len(j.Tasks) != 0 {
		t.Errorf("job match %+v", j)
	}
	sign := signing(s)
	sign.Decision, sign.Comment = record.CannotBeDetermined, "to be asked again"
	doc := w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), sign))(t).Value).Document
	if diff := cmp.Diff(&job, doc.Job, exact()); diff != "" {
		t.Errorf("the job in the document (-put +signed)\n%s", diff)
	}
}

// TestOverrideBy: who answers for an override is a member of the clinic with a credential who has not left; on a push and on a correction alike.
func TestOverrideBy(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	root := w.network(record.RoleNetworkAdmin)
	root.ClinicID = east
	gone := record.Member{ID: id("da", 5), Name: "Kim Reed", Credential: "OT", Roles: []record.Role{record.RoleEvaluator}, Left: true}
	must(w.c.PutMember(w.ctx, root, gone, 0))(t)
	root.ClinicID = west
	must(w.c.PutMember(w.ctx, root, record.Member{ID: id("da", 6), Name: "Jo Hill", Credential: "PT", Roles: []record.Role{record.RoleEvaluator}}, 0))(t)
	stored := session(t, digest, 1)
	must(w.c.PushSession(w.ctx, w.station(east), stored))(t)
	for n, c := range []struct {
		by   string
		want []string
	}{
		{id("da", 9), []string{"member.exists"}},
		{id("da", 6), []string{"member.exists"}}, // a member of the other clinic
		{sam, []string{"member.credential"}},
		{lee, []string{"member.credential", "member.present"}},
		{gone.ID, []string{"member.present"}},
		{dana, nil},
	} {
		s := session(t, digest, 10+n)
		s.Screening.OverrideReason, s.Screening.OverrideBy = "seen and cleared", c.by
		fix := partOf(stored, func(in *PartCorrection) { in.Screening = &s.Screening })
		if c.want == nil {
			must(w.c.PushSession(w.ctx, w.station(east), s))(t)
			got := must(w.c.CorrectSession(w.ctx, w.reviewer(east), fix))(t)
			if got.Session.Value.Screening.OverrideBy != dana {
				t.Errorf("override by %q", got.Session.Value.Screening.OverrideBy)
			}
			continue
		}
		w.unchanged(func() {
			_, err := w.c.PushSession(w.ctx, w.station(east), s)
			wantInvalid(t, err, under("session.screening.override_by ", c.want)...)
			_, err = w.c.CorrectSession(w.ctx, w.reviewer(east), fix)
			wantInvalid(t, err, under("screening.override_by ", c.want)...)
		})
	}
}

func under(field string, rules []string) []string {
	var out []string
	for _, r := range rules {
		out = append(out, field+r)
	}
	return out
}

// TestKitsAsOfTheSession: a kit that is weighed again later, or recalibrated, changes nothing about a session that is stored: a correction's recipe is
// held against the old masses, a new score is the same, and the document encloses the kit as it was.
func TestKitsAsOfTheSession(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.ready(east)
	p := protocol(t)
	// The kit was weighed 58 days before the session.
	p.Calibration = &record.CalibrationLimit{Days: 30}
	digest := must(w.c.PublishProtocol(w.ctx, w.admin(east), p))(t).Value.Digest
	kitted := func(n int) record.Session {
		s := session(t, digest, n)
		s.Series[0].KitID = id("f1", 1)
		s.Series[0].Trials[0].InsertCodes = []string{"A"} // 5 + 10 lb
		s.Series[0].Trials[1].Load, s.Series[0].Trials[1].InsertCodes = lb(t, "30"), []string{"A", "B"}
		return s
	}
	s := kitted(1)
	must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	old := must(w.c.GetKit(w.ctx, w.admin(east), id("f1", 1)))(t).Value
	heavier := old
	heavier.Tote.VerifiedOn = "2026-03-03"
	heavier.Inserts = []record.Piece{{Code: "A", Mass: lb(t, "11"), VerifiedOn: "2026-03-03"}, {Code: "B", Mass: lb(t, "15"), VerifiedOn: "2026-03-03"}}
	must(w.c.PutKit(w.ctx, w.admin(east), heavier, 1))(t)
	w.unchanged(func() {
		_, err := w.c.RescoreSession(w.ctx, w.reviewer(east), Rescoring{SessionID: s.ID, Expected: 1, Reason: "to see whether it changes"})
		wantFault(t, err, fault.Precondition, "FINDING_UNCHANGED")
		fix := Correction{SessionID: s.ID, Series: 1, Trial: s.Series[0].Trials[0], Expected: 1, Reason: "the load was misread"}
		fix.Trial.Load = lb(t, "16") // what the recipe weighs now
		_, err = w.c.CorrectTrial(w.ctx, w.reviewer(east), fix)
		wantInvalid(t, err, "trial.load trial.recipe_sum")
		_, err = w.c.PushSession(w.ctx, w.station(east), kitted(2))
		wantInvalid(t, err, "session.series[0].trials[0].load trial.recipe_sum", "session.series[0].trials[1].load trial.recipe_sum")
	})
	fix := Correction{SessionID: s.ID, Series: 1, Trial: s.Series[0].Trials[0], Expected: 1, Reason: "the rate was misread"}
	fix.Trial.HeartRate = ptr(92)
	got := must(w.c.CorrectTrial(w.ctx, w.reviewer(east), fix))(t)
	in := Signing{Proof: proof, SessionID: s.ID, ResultID: id("f0", 1), SessionRevision: 2, Meaning: record.MeaningReviewed, Decision: record.CannotBeDetermined, Comment: "to be asked"}
	doc := w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t).Value).Document
	for i, v := range got.Finding.Value.Capacities[0].Trials[:2] {
		if !slices.ContainsFunc(v.Guards, func(g record.GuardHit) bool { return g.Guard == record.GuardCalibration }) {
			t.Errorf("trial %d does not say that its pieces were weighed too long ago: %+v", i+1, v.Guards)
		}
	}
	if diff := cmp.Diff([]record.Kit{old}, doc.Kits, exact()); diff != "" {
		t.Errorf("kits in the document (-as of the session +signed)\n%s", diff)
	}
	w.accounted(east)
}

// TestFindingByOldRules: a finding that was stored under rules 1 is shown as it is, is not signed as it is, and once scored again and signed names the
// rules of today; the history tells both.
func TestFindingByOldRules(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := session(t, w.ready(east), 1)
	s.ClinicID = east
	s.Series[0].KitID = id("f1", 1)
	w.storedByRules1(s)
	if f := must(w.c.GetFinding(w.ctx, w.station(east), s.ID, 0))(t).Value; f.Engine != score.Rules1 || f.Screening != nil {
		t.Errorf("stored finding %+v", f)
	}
	if again := must(w.c.PushSession(w.ctx, w.station(east), s))(t); !again.Already || again.Finding.Value.Engine != score.Rules1 {
		t.Errorf("pushed again: %+v", again)
	}
	_, err := w.c.SignResult(w.ctx, w.reviewer(east), signing(s))
	wantFault(t, err, fault.Precondition, "FINDING_OUT_OF_DATE")
	got := must(w.c.RescoreSession(w.ctx, w.reviewer(east), Rescoring{SessionID: s.ID, Expected: 1, Reason: "new rules"}))(t)
	if got.Finding.Value.Engine != score.Version {
		t.Errorf("scored again by rules %s", got.Finding.Value.Engine)
	}
	sign := signing(s)
	sign.SessionRevision, sign.Decision, sign.Comment = 2, record.CannotBeDetermined, "to be asked"
	doc := w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), sign))(t).Value).Document
	if doc.Finding.Engine != score.Version || len(doc.Kits) != 1 {
		t.Errorf("signed by rules %s with kits %+v", doc.Finding.Engine, doc.Kits)
	}
	steps := must(w.c.GetScoreHistory(w.ctx, w.reviewer(east), s.ID))(t)
	if !strings.Contains(steps[1].Line, "rules of the engine 1 -> 2") {
		t.Errorf("the history says %q", steps[1].Line)
	}
}

// storedByRules1 stores a session as the program did when it knew rules 1 only.
func (w *world) storedByRules1(s record.Session) {
	w.t.Helper()
	err := w.store.InClinic(w.ctx, s.ClinicID, func(tx *store.Tx) error {
		in := must(encodePush(s))(w.t)
		in.actor = w.station(s.ClinicID).Actor()
		known := must(tx.PushContext(w.ctx, in.keys))(w.t)
		draft, _, err := draftOf(in, known)
		if err != nil {
			return err
		}
		g, _, err := groundOf(known, s)
		if err != nil {
			return err
		}
		f := must(score.Score(score.Input{Rules: score.Rules1, Session: s, SessionRevision: 1, Person: g.person, Protocols: g.protocols, Job: g.job, JobRevision: g.jobRev}))(w.t)
		draft.Docs[0].Body = must(record.CanonicalFinding(f))(w.t)
		_, err = w.c.log.Commit(w.ctx, tx, auditlog.Head{Size: known.HeadSize, Edge: known.HeadEdge}, draft, false)
		return err
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

func TestNamedKits(t *testing.T) {
	kits := map[string]record.Kit{"a": {ID: "a"}, "b": {ID: "b"}, "c": {ID: "c"}}
	s := record.Session{Series: []record.Series{{KitID: "b"}, {}, {KitID: "a"}, {KitID: "b"}}}
	got, err := namedKits(s, kits, "2")
	if diff := cmp.Diff([]record.Kit{{ID: "a"}, {ID: "b"}}, got, exact()); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	if got, err := namedKits(s, kits, "1"); got != nil || err != nil {
		t.Errorf("under rules 1: %v, %v", got, err)
	}
	delete(kits, "a")
	if _, err := namedKits(s, kits, "2"); !fault.Is(err, fault.Internal) {
		t.Errorf("a kit that is not there: %v", err)
	}
}

// TestOldSessionStaysCorrectable: what was wrong with a session before is not held against a correction elsewhere; what it makes wrong is, and so is all
// that is wrong in the part itself.
func TestOldSessionStaysCorrectable(t *testing.T) {
	s := session(t, "d", 1)
	s.Series[1].Trials[0].Load = lb(t, "0")
	before := record.CheckSession(s, record.KindSession)
	if len(before) != 1 {
		t.Fatalf("want one thing wrong, got %+v", before)
	}
	at := spot{"session.screening", partScreening}
	if got := newlyWrong(before, s, partScreening, at); len(got) != 0 {
		t.Errorf("held against a correction of the screening: %+v", got)
	}
	if got := newlyWrong(before, s, "trial", spot{"session.series[1].trials[0]", "trial"}); len(got) != 1 || got[0].Field != "trial.load" {
		t.Errorf("of the trial itself: %+v", got)
	}
	s.EndedAt = s.Series[1].Trials[1].At
	s.Series[0].Trials[0].Load = lb(t, "0")
	if got := newlyWrong(before, s, partScreening, at); len(got) < 2 || got[0].Field != partScreening {
		t.Errorf("newly wrong: %+v", got)
	}
}
