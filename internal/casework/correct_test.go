package casework

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// correction makes 35 lb of the 45 lb in the last trial of the first series.
func correction(t testing.TB, s record.Session, expected int) Correction {
	trial := s.Series[0].Trials[3]
	trial.Load = lb(t, "35")
	return Correction{SessionID: s.ID, Series: 1, Trial: trial, Expected: expected, Reason: "the recipe was misread"}
}

func TestCorrectTrial(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	got := must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	if got.Session.Revision.Number != 2 || got.Finding.Revision.Number != 2 || got.Finding.Value.SessionRevision != 2 {
		t.Errorf("revisions %+v", got)
	}
	if load := *got.Finding.Value.Capacities[0].Load; load != lb(t, "35") {
		t.Errorf("new capacity %v", load)
	}
	found := make(map[string]record.Difference)
	for _, d := range got.Differences {
		found[d.Path] = d
	}
	want := record.Difference{Path: "capacities[0].load.value", Was: `"45"`, Now: `"35"`}
	if found[want.Path] != want {
		t.Errorf("differences lack %+v: %+v", want, got.Differences)
	}
	if _, ok := found["session_revision"]; ok {
		t.Error("the revision's number is told as a change of the score")
	}
	first := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 1))(t)
	if diff := cmp.Diff(s, first.Value, exact()); diff != "" {
		t.Errorf("what was measured changed (-measured +revision 1)\n%s", diff)
	}
	newest := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 0))(t)
	if diff := cmp.Diff(got.Session, newest, exact()); diff != "" {
		t.Errorf("(-returned +stored)\n%s", diff)
	}
	again := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	if !again.Already || again.Revision.Number != 2 || again.Finding.Value.SessionRevision != 2 {
		t.Errorf("the first push again after a correction: %+v", again)
	}
	w.accounted(east)
}

func TestCorrectTrialRefuses(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	good := correction(t, s, 1)
	edit := func(fn func(*Correction)) Correction { in := good; fn(&in); return in }
	w.unchanged(func() {
		invalid := func(in Correction, want ...string) {
			t.Helper()
			_, err := w.c.CorrectTrial(w.ctx, w.reviewer(east), in)
			wantInvalid(t, err, want...)
		}
		invalid(edit(func(c *Correction) { c.Reason = " " }), "reason correction.reason")
		invalid(edit(func(c *Correction) { c.Series = 3 }), "series_number series.exists")
		invalid(edit(func(c *Correction) { c.Trial.Number = 5 }), "trial.number trial.exists")
		invalid(edit(func(c *Correction) { c.Trial = s.Series[0].Trials[3] }), "trial correction.differs")
		invalid(edit(func(c *Correction) { c.Trial.Load = lb(t, "0") }), "trial.load trial.load_positive")
		invalid(edit(func(c *Correction) { c.Trial.At = s.StartedAt }), "trial.at trial.time_order")
		invalid(edit(func(c *Correction) { c.Trial.InsertCodes = []string{"A"} }), "trial series.kit_for_recipe")
		_, err := w.c.CorrectTrial(w.ctx, w.reviewer(east), edit(func(c *Correction) { c.Expected = 2 }))
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		_, err = w.c.CorrectTrial(w.ctx, w.reviewer(east), edit(func(c *Correction) { c.SessionID = id("5e", 77) }))
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		for _, r := range []record.Role{record.RoleEvaluator, record.RoleClinicAdmin, record.RoleStation} {
			_, err := w.c.CorrectTrial(w.ctx, w.member(east, sam, r), good)
			wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		}
	})
}

// TestCorrectTrialAgain: the same correction again is answered with what stands, and nothing is written; another one on the old revision, or by
// another member, is a conflict; and so is the same one once it is not the newest.
func TestCorrectTrialAgain(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	good := correction(t, s, 1)
	first := must(w.c.CorrectTrial(w.ctx, w.reviewer(east), good))(t)
	w.unchanged(func() {
		again := must(w.c.CorrectTrial(w.ctx, w.reviewer(east), good))(t)
		if diff := cmp.Diff(first, again, exact()); diff != "" {
			t.Errorf("(-first +again)\n%s", diff)
		}
		for name, other := range map[string]func(*Correction){
			"other reason": func(c *Correction) { c.Reason = "the recipe was misread twice" },
			"other trial":  func(c *Correction) { c.Trial.Load = lb(t, "36") },
			"no revision":  func(c *Correction) { c.Expected = 0 },
		} {
			in := good
			other(&in)
			_, err := w.c.CorrectTrial(w.ctx, w.reviewer(east), in)
			if !fault.Is(err, fault.Conflict) {
				t.Errorf("%s: %v, want a conflict", name, err)
			}
		}
		_, err := w.c.CorrectTrial(w.ctx, w.member(east, sam, record.RoleReviewer), good)
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
	})
	back := correction(t, s, 2)
	back.Trial.Load = lb(t, "40")
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), back))(t)
	_, err := w.c.CorrectTrial(w.ctx, w.reviewer(east), good)
	wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
}
