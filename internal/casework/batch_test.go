package casework

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// conflicting gives a session with an id that is stored, whose second trial of the first series has another load, and a third series' worth of
// difference in the screening.
func conflicting(t testing.TB, s record.Session) record.Session {
	t.Helper()
	other := s
	other.Series = append([]record.Series{}, s.Series...)
	other.Series[0].Trials = append([]record.Trial{}, s.Series[0].Trials...)
	other.Series[0].Trials[1].Repetitions++
	other.Screening.RestingHeartRate = ptr(71)
	return other
}

// TestBatch: each session by itself; a bad one keeps no other from being stored; the whole again changes nothing.
func TestBatch(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	digest := s.Series[0].ProtocolDigest
	bad := session(t, digest, 3)
	bad.EvaluatorID = lee
	list := []record.Session{session(t, digest, 2), bad, s, conflicting(t, s), session(t, digest, 4)}
	list[3].ID = s.ID
	if _, err := w.c.PushSessions(w.ctx, w.station(east), list); !fault.Is(err, fault.Invalid) {
		t.Fatalf("the same id twice: %v", err)
	}
	list = append(list[:2:2], list[3:]...)
	for round := range 2 {
		check := func() {
			got := must(w.c.PushSessions(w.ctx, w.station(east), list))(t)
			if got[0].Err != nil || got[0].Pushed.Already != (round == 1) || got[3].Err != nil {
				t.Errorf("round %d: good ones: %+v", round, got)
			}
			if diff := cmp.Diff([]string{"session.evaluator_id member.present"}, wantFault(t, got[1].Err, fault.Invalid, "INVALID_REQUEST")); diff != "" {
				t.Error(diff)
			}
			wantFault(t, got[2].Err, fault.Conflict, "SESSION_CONFLICT")
			if got[2].ConflictID == "" || got[1].ConflictID != "" {
				t.Errorf("round %d: conflicts %+v", round, got)
			}
		}
		if round == 0 {
			check()
		} else {
			w.unchanged(check)
		}
	}
	if seen := w.entries(east, record.ActionSessionConflict); len(seen) != 1 {
		t.Errorf("%d conflicts were recorded", len(seen))
	}
}

// conflict is a kept conflict of the first session.
func conflict(t *testing.T) (*world, record.Session, record.Session, string) {
	t.Helper()
	w, s := pushed(t)
	other := conflicting(t, s)
	got := must(w.c.PushSessions(w.ctx, w.station(east), []record.Session{other}))(t)
	return w, s, other, got[0].ConflictID
}

// TestConflictKeepsBothSides: both are shown, with where they differ and who sent it; another clinic sees nothing.
func TestConflictKeepsBothSides(t *testing.T) {
	t.Parallel()
	w, s, other, id := conflict(t)
	got := must(w.c.ListSessionConflicts(w.ctx, w.reviewer(east), true, record.Page{}))(t)
	if len(got.Items) != 1 || got.Items[0].Value.Conflict.ID != id || got.Items[0].Value.SentBy != "station 1" {
		t.Fatalf("%+v", got)
	}
	v := got.Items[0].Value
	if diff := cmp.Diff(s, v.Stored.Value, exact()); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(other, v.Conflict.Incoming, exact()); diff != "" {
		t.Error(diff)
	}
	want := []record.Difference{
		{Path: "session.screening.resting_heart_rate_bpm", Was: "64", Now: "71"},
		{Path: "session.series[0].trials[1].repetitions", Was: "1", Now: "2"},
	}
	want[0].Was = v.Differences[0].Was
	if diff := cmp.Diff(want, v.Differences); diff != "" {
		t.Error(diff)
	}
	if got := must(w.c.ListSessionConflicts(w.ctx, w.member(west, dana, record.RoleReviewer), false, record.Page{}))(t); len(got.Items) != 0 {
		t.Errorf("another clinic sees %+v", got)
	}
	_, err := w.c.ResolveSessionConflict(w.ctx, w.member(west, dana, record.RoleReviewer), Resolving{ID: id, Decision: record.StoredStands, Expected: 1, Reason: "mine"})
	wantFault(t, err, fault.NotFound, "NOT_FOUND")
}

// TestConflictStoredStands: the decision is recorded, the session untouched; the same decision again changes nothing, another one is refused.
func TestConflictStoredStands(t *testing.T) {
	t.Parallel()
	w, s, _, id := conflict(t)
	in := Resolving{ID: id, Decision: record.StoredStands, Expected: 1, Reason: "the second station had an old copy"}
	w.unchanged(func() {
		_, err := w.c.ResolveSessionConflict(w.ctx, w.member(east, sam, record.RoleEvaluator), in)
		wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		late := in
		late.Expected = 2
		_, err = w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), late)
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		for _, bad := range []Resolving{{ID: id, Expected: 1, Reason: "x"}, {ID: id, Decision: record.StoredStands, Expected: 1, Reason: " "}} {
			_, err = w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), bad)
			wantFault(t, err, fault.Invalid, "INVALID_REQUEST")
		}
	})
	got := must(w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), in))(t)
	if got.Value.Conflict.Decision != record.StoredStands || got.Value.Stored.Revision.Number != 1 {
		t.Errorf("%+v", got)
	}
	w.unchanged(func() {
		must(w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), in))(t)
		in.Decision = record.IncomingTaken
		_, err := w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), in)
		wantFault(t, err, fault.Conflict, "CONFLICT_DECIDED")
	})
	if open := must(w.c.ListSessionConflicts(w.ctx, w.reviewer(east), true, record.Page{}))(t); len(open.Items) != 0 {
		t.Errorf("open still: %+v", open)
	}
	if all := must(w.c.ListSessionConflicts(w.ctx, w.reviewer(east), false, record.Page{}))(t); len(all.Items) != 1 {
		t.Errorf("gone: %+v", all)
	}
	_ = s
}

// TestConflictIncomingTaken: what came is the next revision, scored anew, and what was stored stays as the earlier one.
func TestConflictIncomingTaken(t *testing.T) {
	t.Parallel()
	w, s, other, id := conflict(t)
	got := must(w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), Resolving{ID: id, Decision: record.IncomingTaken, Expected: 1,
		Reason: "the first station sent before the last trial was put right"}))(t)
	if got.Value.Stored.Revision.Number != 2 || len(got.Value.Differences) != 0 {
		t.Errorf("%+v", got)
	}
	now := must(w.c.GetSession(w.ctx, w.reviewer(east), s.ID, 0))(t)
	if diff := cmp.Diff(other, now.Value, exact()); diff != "" {
		t.Error(diff)
	}
	was := must(w.c.GetSession(w.ctx, w.reviewer(east), s.ID, 1))(t)
	if diff := cmp.Diff(s, was.Value, exact()); diff != "" {
		t.Error(diff)
	}
	if f := must(w.c.GetFinding(w.ctx, w.reviewer(east), s.ID, 0))(t); f.Revision.Number != 2 || f.Value.SessionRevision != 2 {
		t.Errorf("finding of revision %d", f.Revision.Number)
	}
}

// TestConflictThatDoesNotFit: what came can be taken only where it is of the same ground and lacks no stored trial.
func TestConflictThatDoesNotFit(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	for name, c := range map[string]struct {
		change func(*record.Session)
		want   string
	}{
		"another referral":  {func(x *record.Session) { x.ReferralID = id("e1", 2) }, "incoming.referral_id conflict.ground"},
		"another evaluator": {func(x *record.Session) { x.EvaluatorID = dana }, "incoming.evaluator_id conflict.ground"},
		"a trial less": {func(x *record.Session) {
			x.Series[0].Trials = x.Series[0].Trials[:len(x.Series[0].Trials)-1]
		}, "incoming.series conflict.trial_missing"},
	} {
		other := conflicting(t, s)
		c.change(&other)
		got := must(w.c.PushSessions(w.ctx, w.station(east), []record.Session{other}))(t)
		w.unchanged(func() {
			_, err := w.c.ResolveSessionConflict(w.ctx, w.reviewer(east), Resolving{ID: got[0].ConflictID, Decision: record.IncomingTaken, Expected: 1, Reason: "try it"})
			if found := wantFault(t, err, fault.Invalid, "INVALID_REQUEST"); len(found) != 1 || found[0] != c.want {
				t.Errorf("%s: %v, want %s", name, found, c.want)
			}
		})
	}
}
