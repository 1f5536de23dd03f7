package casework

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// TestRescoreAfterBirthDate: the heart-rate limit falls with age, so a birth date put right can undo a capacity; nothing measured changes,
// and the result can be signed again.
func TestRescoreAfterBirthDate(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	s2 := session(t, s.Series[0].ProtocolDigest, 2)
	s2.Series[0].Trials[3].HeartRate = ptr(140)
	must(w.c.PushSession(w.ctx, w.station(east), s2))(t)
	client := must(w.c.GetClient(w.ctx, w.admin(east), id("a1", 1)))(t).Value
	client.BirthDate = "1940-01-01"
	must(w.c.PutClient(w.ctx, w.admin(east), client, 1))(t)

	in := Rescoring{SessionID: s2.ID, Expected: 1, Reason: "the birth date was put right"}
	got := must(w.c.RescoreSession(w.ctx, w.reviewer(east), in))(t)
	if load := *got.Finding.Value.Capacities[0].Load; got.Finding.Revision.Number != 2 || load != lb(t, "35") {
		t.Errorf("got revision %d, capacity %v; want 2, 35 lb", got.Finding.Revision.Number, load)
	}
	s2.ClinicID = east
	newest := must(w.c.GetSession(w.ctx, w.station(east), s2.ID, 0))(t)
	if diff := cmp.Diff(s2, newest.Value, exact()); diff != "" || newest.Revision.Number != 2 {
		t.Errorf("revision %d; what was measured changed (-pushed +stored)\n%s", newest.Revision.Number, diff)
	}
	sign := signing(s2)
	sign.SessionRevision, sign.ResultID = 2, id("f0", 7)
	sign.Decision = got.Finding.Value.Job.Outcome
	w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), sign))(t).Value)

	steps := must(w.c.GetScoreHistory(w.ctx, w.reviewer(east), s2.ID))(t)
	if len(steps) != 3 || !strings.Contains(steps[1].Line, "had the session scored again: capacity floor to waist 45 lb -> 35 lb") {
		t.Errorf("the history does not tell the new score: %d steps, %q", len(steps), steps[1].Line)
	}
	w.accounted(east)
}

func TestRescoreRefuses(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	in := Rescoring{SessionID: s.ID, Expected: 1, Reason: "to see whether it changes"}
	w.unchanged(func() {
		_, err := w.c.RescoreSession(w.ctx, w.reviewer(east), in)
		wantFault(t, err, fault.Precondition, "FINDING_UNCHANGED")
		_, err = w.c.RescoreSession(w.ctx, w.reviewer(east), Rescoring{SessionID: s.ID, Expected: 2, Reason: in.Reason})
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		_, err = w.c.RescoreSession(w.ctx, w.reviewer(east), Rescoring{SessionID: s.ID, Expected: 1, Reason: " "})
		wantInvalid(t, err, "reason rescore.reason")
		_, err = w.c.RescoreSession(w.ctx, w.reviewer(west), in)
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		for _, r := range []record.Role{record.RoleEvaluator, record.RoleClinicAdmin, record.RoleStation} {
			_, err := w.c.RescoreSession(w.ctx, w.member(east, sam, r), in)
			wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		}
	})
}

func TestCursorAfter(t *testing.T) {
	item := record.Stored[int]{Revision: record.Revision{Entry: 41}}
	for _, c := range []struct {
		items       []record.Stored[int]
		began, want string
	}{{nil, "", ""}, {nil, "40", "40"}, {[]record.Stored[int]{{}, item}, "12", "41"}} {
		if got := CursorAfter(c.items, c.began); got != c.want {
			t.Errorf("%d items from %q: got %q, want %q", len(c.items), c.began, got, c.want)
		}
	}
}
