package casework

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

func TestPushScoresAndStores(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := session(t, w.ready(east), 1)
	got := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	if got.Already || got.Revision.Number != 1 {
		t.Errorf("first push: %+v", got)
	}
	f := got.Finding.Value
	if !f.Complete || len(f.Capacities) != 2 || *f.Capacities[0].Load != lb(t, "45") || f.Job.Outcome != record.Meets {
		t.Errorf("finding %+v", f)
	}
	s.ClinicID = east
	back := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 0))(t)
	if diff := cmp.Diff(s, back.Value, exact()); diff != "" {
		t.Errorf("session (-pushed +stored)\n%s", diff)
	}
	stored := must(w.c.GetFinding(w.ctx, w.station(east), s.ID, 1))(t)
	if diff := cmp.Diff(got.Finding, stored, exact()); diff != "" {
		t.Errorf("finding (-returned +stored)\n%s", diff)
	}
	w.accounted(east)
}

// TestPushTwiceIsPushOnce is a property over generated sessions, pushed one after another and at the same time.
func TestPushTwiceIsPushOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	for n := range 12 {
		s := generated(t, digest, n)
		first := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
		w.unchanged(func() {
			again := must(w.c.PushSession(w.ctx, w.station(east), s))(t)
			first.Already = true
			if diff := cmp.Diff(first, again, exact()); diff != "" {
				t.Errorf("session %d: answers differ (-first +second)\n%s", n, diff)
			}
		})
	}
	s := generated(t, digest, 99)
	var wg sync.WaitGroup
	stored := make([]bool, 8)
	for i := range stored {
		wg.Go(func() {
			got, err := w.c.PushSession(w.ctx, w.station(east), s)
			if err != nil {
				t.Error(err)
			}
			stored[i] = !got.Already
		})
	}
	wg.Wait()
	n := 0
	for _, s := range stored {
		if s {
			n++
		}
	}
	if n != 1 {
		t.Errorf("of 8 pushes at the same time %d stored the session, want 1", n)
	}
	w.accounted(east)
}

// generated is a session whose numbers vary with n but keep to every rule.
func generated(t testing.TB, digest string, n int) record.Session {
	r := rand.New(rand.NewPCG(uint64(n), 5))
	s := session(t, digest, 100+n)
	for i := range s.Series {
		for j := range s.Series[i].Trials {
			x := &s.Series[i].Trials[j]
			x.Load = lb(t, fmt.Sprintf("%d.%d", 5+r.IntN(60), r.IntN(1000)))
			x.HeartRate = ptr(60 + r.IntN(130))
			x.Effort = ptr(record.Effort(r.IntN(21)))
			x.Sustainable, x.MorePossible = ptr(r.IntN(4) > 0), ptr(r.IntN(3) > 0)
			if r.IntN(5) == 0 {
				x.HeartRate = nil
			}
			if r.IntN(6) == 0 {
				x.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: r.IntN(4)}}
			}
			if r.IntN(9) == 0 {
				x.ClosedReason = "strap slipped; \"no\" reading — é"
			}
		}
	}
	return s
}

func TestPushConflictNamesFields(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	other := s
	other.Series = append([]record.Series(nil), s.Series...)
	other.Series[0].Trials = append([]record.Trial(nil), s.Series[0].Trials...)
	other.Series[0].Trials[2].Load = lb(t, "36")
	other.Series[0].Trials[2].HeartRate = nil
	other.Series[1].Trials = append([]record.Trial(nil), s.Series[1].Trials[:2]...)
	other.Screening.RestingHeartRate = ptr(71)
	w.unchanged(func() {
		_, err := w.c.PushSession(w.ctx, w.station(east), other)
		got := wantFault(t, err, fault.Conflict, "SESSION_CONFLICT")
		want := []string{
			"session.screening.resting_heart_rate_bpm record.differs",
			"session.series[0].trials[2].heart_rate_bpm record.differs",
			"session.series[0].trials[2].load.value record.differs",
			"session.series[1].trials[2] record.differs",
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got)\n%s", diff)
		}
	})
}

func TestPushInvalidNamesEveryField(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	digest := w.ready(east)
	cases := []struct {
		name string
		edit func(*record.Session)
		want []string
	}{
		{"all at once", func(s *record.Session) {
			s.ReferralID, s.EvaluatorID = id("e1", 9), id("da", 9)
			s.Series[1].Zone = record.Carry
			s.Series[0].ProtocolDigest = fmt.Sprintf("%064x", 7)
			s.Series[0].Trials[1].Number = 7
			s.Series[0].Trials[3].Load = lb(t, "0")
			s.EndedAt = record.TimeOf(s.StartedAt.Std().Add(-time.Second))
		}, []string{
			"session.ended_at session.end", "session.referral_id referral.exists", "session.evaluator_id member.exists",
			"session.series[0].protocol_digest protocol.published", "session.series[1].zone protocol.zone",
			"session.series[0].trials[1].number trial.order", "session.series[0].trials[3].load trial.load_positive",
			"session.series[0].trials[0].at trial.within_session", "session.series[0].trials[1].at trial.within_session",
			"session.series[0].trials[2].at trial.within_session", "session.series[0].trials[3].at trial.within_session",
			"session.series[1].trials[0].at trial.within_session", "session.series[1].trials[1].at trial.within_session",
			"session.series[1].trials[2].at trial.within_session",
		}},
		{"evaluator without the role", func(s *record.Session) { s.EvaluatorID = robin }, []string{"session.evaluator_id member.evaluator"}},
		{"evaluator who left", func(s *record.Session) { s.EvaluatorID = lee }, []string{"session.evaluator_id member.present"}},
		{"before the client was born", func(s *record.Session) {
			back := func(t record.Time) record.Time { return record.TimeOf(t.Std().AddDate(-60, 0, 0)) }
			s.StartedAt, s.EndedAt = back(s.StartedAt), back(s.EndedAt)
			for i := range s.Series {
				for j := range s.Series[i].Trials {
					s.Series[i].Trials[j].At = back(s.Series[i].Trials[j].At)
				}
			}
		}, []string{"session.started_at session.client_age"}},
		{"recipe does not weigh the load", func(s *record.Session) {
			s.Series[0].KitID, s.Series[0].Trials[1].InsertCodes = id("f1", 1), []string{"A", "B"}
		}, []string{"session.series[0].trials[1].load trial.recipe_sum"}},
		{"unknown kit", func(s *record.Session) { s.Series[0].KitID = id("f1", 9) }, []string{"session.series[0].kit_id kit.known"}},
	}
	for i, c := range cases {
		s := session(t, digest, 10+i)
		c.edit(&s)
		w.unchanged(func() {
			_, err := w.c.PushSession(w.ctx, w.station(east), s)
			t.Log(c.name)
			wantInvalid(t, err, c.want...)
		})
	}
	just := session(t, digest, 30)
	just.Series[0].KitID, just.Series[0].Trials[1].InsertCodes, just.Series[0].Trials[1].Load = id("f1", 1), []string{"A", "B"}, lb(t, "30")
	must(w.c.PushSession(w.ctx, w.station(east), just))(t)
}

func TestPushRoles(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := session(t, w.ready(east), 1)
	w.unchanged(func() {
		for _, r := range []record.Role{record.RoleReviewer, record.RoleClinicAdmin} {
			_, err := w.c.PushSession(w.ctx, w.member(east, dana, r), s)
			wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		}
		other := s
		other.ClinicID = west
		_, err := w.c.PushSession(w.ctx, w.station(east), other)
		wantFault(t, err, fault.Denied, "OTHER_CLINIC")
	})
	must(w.c.PushSession(w.ctx, w.member(east, sam, record.RoleEvaluator), s))(t)
}

// TestEqualIDsInTwoClinics: both clinics use the same ids for everything, and neither sees or disturbs the other.
func TestEqualIDsInTwoClinics(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := session(t, w.ready(east), 1)
	w.ready(west)
	must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	if _, err := w.c.GetSession(w.ctx, w.station(west), s.ID, 0); !fault.Is(err, fault.NotFound) {
		t.Errorf("the other clinic's session: got %v, want NotFound", err)
	}
	other := s
	other.Series = s.Series[:1]
	got := must(w.c.PushSession(w.ctx, w.station(west), other))(t)
	if got.Already {
		t.Error("the other clinic's push was taken for the first's")
	}
	must(w.c.CorrectTrial(w.ctx, w.reviewer(west), correction(t, other, 1)))(t)
	if back := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 0))(t); back.Revision.Number != 1 || len(back.Value.Series) != 2 {
		t.Errorf("a correction in the other clinic reached this one: %+v", back.Revision)
	}
	w.accounted(east)
	w.accounted(west)
}

// TestStoredSessionIsAnsweredUnderNewRules: a session that is stored is answered when it is sent again, even if it breaks a rule that has come since;
// with other content it is told what it breaks.
func TestStoredSessionIsAnsweredUnderNewRules(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	again := func(edit func(*record.Session)) pushAnswer {
		t.Helper()
		edit(&s)
		in := must(encodePush(plainSession(s)))(t)
		in.wrong = []fault.Violation{{Field: "session.x", Rule: "rule.new", Text: "a rule that has come since"}}
		return must(w.c.storePushes(w.ctx, []*pushing{in}))(t)[0]
	}
	w.unchanged(func() {
		if a := again(func(*record.Session) {}); a.err != nil || !a.pushed.Already {
			t.Errorf("the same session: %+v, %v", a.pushed, a.err)
		}
		a := again(func(s *record.Session) { s.Screening.Systolic = ptr(121) })
		wantInvalid(t, a.err, "session.x rule.new")
	})
}
