package casework

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// visit is a session of a scenario of our own with every part: loads, measures of the body, the grip of both hands, two positions.
func visit(t testing.TB, digest string, n int) record.Session {
	s := session(t, digest, n)
	s.Body = &record.BodyMeasures{StatureMM: 1650, Mass: ptr(lb(t, "150"))}
	at := func(minute int) record.Time {
		return record.TimeOf(s.StartedAt.Std().Add(time.Duration(minute) * time.Minute))
	}
	for i, hand := range []record.Hand{record.RightHand, record.LeftHand} {
		series := record.HandSeries{Number: i + 1, Measure: record.Grip, Hand: hand, Procedure: record.HandRepeated, Dominant: ptr(i == 0), Instrument: "dynamometer 1",
			InstrumentVerifiedOn: "2026-01-05"}
		for j, load := range []string{"80", "82", "81"} {
			series.Trials = append(series.Trials, record.HandTrial{Number: j + 1, At: at(30 + 4*i + j), Position: 2, Reading: lb(t, load), Effort: ptr(record.Effort(14))})
		}
		s.HandSeries = append(s.HandSeries, series)
	}
	s.PositionSeries = []record.PositionSeries{
		{Number: 1, Position: record.Standing, Rating: record.ToleratedFrequent, Note: "shifts weight after ten minutes", Bouts: []record.Bout{
			{Number: 1, At: at(40), AskedSeconds: 600, KeptSeconds: 600, EndedBy: record.BoutCompleted, HeartRate: ptr(88), Effort: ptr(record.Effort(6))}}},
		{Number: 2, Position: record.Kneeling, Rating: record.ToleratedOccasional, Note: "rises with help of the table"},
	}
	return s
}

// visited is a world in which a clinic has one session with every part.
func visited(t testing.TB) (*world, record.Session) {
	t.Helper()
	w := newWorld(t)
	s := visit(t, w.ready(east), 1)
	must(w.c.PushSession(w.ctx, w.station(east), s))(t)
	s.ClinicID = east
	return w, s
}

// partOf is a correction of one part of revision 1.
func partOf(s record.Session, set func(*PartCorrection)) PartCorrection {
	in := PartCorrection{SessionID: s.ID, Expected: 1, Reason: "the sheet was misread"}
	set(&in)
	return in
}

// corrections are one sound correction of each part, with what the history says of it and the path of a difference.
func corrections(t testing.TB, s record.Session) map[string]struct {
	in   PartCorrection
	line string
	path string
	want record.Correction
} {
	type c = struct {
		in   PartCorrection
		line string
		path string
		want record.Correction
	}
	hand, position := s.HandSeries[1], s.PositionSeries[0]
	hand.Trials = slices.Clone(hand.Trials)
	hand.Trials[2].Reading = lb(t, "91")
	position.Rating = record.ToleratedOccasional
	screening := s.Screening
	screening.Systolic, screening.OverrideReason, screening.OverrideBy = ptr(128), "seen and cleared", dana
	return map[string]c{
		"screening": {partOf(s, func(in *PartCorrection) { in.Screening = &screening }),
			`corrected the screening: systolic pressure 120 -> 128, reason for the override none -> "seen and cleared", override answered for by none -> Dana Whitfield`,
			"screening.systolic", record.Correction{Part: "screening"}},
		"body": {partOf(s, func(in *PartCorrection) { in.Body = &record.BodyMeasures{StatureMM: 1660, Mass: ptr(lb(t, "151"))} }),
			"corrected the measures of the body: stature 1650 mm -> 1660 mm, body mass 150 lb -> 151 lb", "body.stature_mm", record.Correction{Part: "body"}},
		"no body": {partOf(s, func(in *PartCorrection) { in.Body = &record.BodyMeasures{} }),
			"corrected the measures of the body: stature 1650 mm -> none, body mass 150 lb -> none", "body", record.Correction{Part: "body"}},
		"series end": {partOf(s, func(in *PartCorrection) {
			in.SeriesEnd = &SeriesEnd{Series: 2, Stop: record.StopAdministrative, Note: "fire drill"}
		}), `corrected the end of series 2: recorded end volitional -> administrative, note none -> "fire drill"`, "series[2].stop",
			record.Correction{Part: "series_end", Series: 2}},
		"hand series": {partOf(s, func(in *PartCorrection) { in.HandSeries = &hand }),
			"corrected the hand series 2: trial 3 reading 81 lb -> 91 lb", "hand_series[2].trials[3].reading.value", record.Correction{Part: "hand_series", Series: 2}},
		"position series": {partOf(s, func(in *PartCorrection) { in.PositionSeries = &position }),
			"corrected the position series 1: rating frequent -> occasional", "position_series[1].rating", record.Correction{Part: "position_series", Series: 1}},
	}
}

// TestCorrectSession corrects each part: what was recorded stays as revision 1, the first push is still there already, the correction is told in the
// history, and a result signed after it names it.
func TestCorrectSession(t *testing.T) {
	t.Parallel()
	w, first := visited(t)
	n := 10
	for name, c := range corrections(t, first) {
		n++
		s := visit(t, first.Series[0].ProtocolDigest, n)
		must(w.c.PushSession(w.ctx, w.station(east), s))(t)
		s.ClinicID = east
		c.in.SessionID = s.ID
		got := must(w.c.CorrectSession(w.ctx, w.reviewer(east), c.in))(t)
		if got.Session.Revision.Number != 2 || got.Finding.Value.SessionRevision != 2 {
			t.Errorf("%s: revisions %+v", name, got.Session.Revision)
		}
		newest := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 0))(t)
		if diff := cmp.Diff(got.Session, newest, exact()); diff != "" {
			t.Errorf("%s (-returned +stored)\n%s", name, diff)
		}
		if old := must(w.c.GetSession(w.ctx, w.station(east), s.ID, 1))(t); !cmp.Equal(s, old.Value, exact()) {
			t.Errorf("%s: what was recorded changed (-recorded +revision 1)\n%s", name, cmp.Diff(s, old.Value, exact()))
		}
		if again := must(w.c.PushSession(w.ctx, w.station(east), s))(t); !again.Already || again.Revision.Number != 2 {
			t.Errorf("%s: the first push again: %+v", name, again.Revision)
		}
		steps := must(w.c.GetScoreHistory(w.ctx, w.reviewer(east), s.ID))(t)
		if len(steps) != 2 || !strings.Contains(steps[1].Line, c.line) {
			t.Errorf("%s: the history says %q\nwant %q", name, steps[len(steps)-1].Line, c.line)
		}
		if !slices.ContainsFunc(steps[1].Measured, func(d record.Difference) bool { return d.Path == c.path }) {
			t.Errorf("%s: %s is not among %+v", name, c.path, steps[1].Measured)
		}
		w.signedAfter(got, n, c.want)
	}
	w.accounted(east)
}

// signedAfter signs the second revision and demands that the document says what was corrected.
func (w *world) signedAfter(got Corrected, n int, want record.Correction) {
	w.t.Helper()
	in := Signing{Proof: proof, SessionID: got.Session.Value.ID, ResultID: id("f0", n), SessionRevision: 2, Meaning: record.MeaningReviewed,
		Decision: record.CannotBeDetermined, Comment: "more to be asked"}
	doc := w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), in))(w.t).Value).Document
	want.Revision, want.By, want.Reason = 2, "Dana Whitfield", "the sheet was misread"
	if len(doc.Corrections) != 1 {
		w.t.Fatalf("the document names corrections %+v", doc.Corrections)
	}
	want.At = doc.Corrections[0].At
	if diff := cmp.Diff(want, doc.Corrections[0]); diff != "" {
		w.t.Errorf("correction (-want +signed)\n%s", diff)
	}
}

func TestCorrectSessionRefuses(t *testing.T) {
	t.Parallel()
	w, s := visited(t)
	invalid := func(in PartCorrection, want ...string) {
		t.Helper()
		_, err := w.c.CorrectSession(w.ctx, w.reviewer(east), in)
		wantInvalid(t, err, want...)
	}
	screening := func(edit func(*record.Screening)) PartCorrection {
		v := s.Screening
		edit(&v)
		return partOf(s, func(in *PartCorrection) { in.Screening = &v })
	}
	hand := func(edit func(*record.HandSeries)) PartCorrection {
		v := s.HandSeries[0]
		v.Trials = slices.Clone(v.Trials)
		edit(&v)
		return partOf(s, func(in *PartCorrection) { in.HandSeries = &v })
	}
	good := screening(func(v *record.Screening) { v.Systolic = ptr(128) })
	w.unchanged(func() {
		blank := good
		blank.Reason = " "
		invalid(blank, "reason correction.reason")
		invalid(partOf(s, func(*PartCorrection) {}), "part correction.part")
		invalid(partOf(s, func(in *PartCorrection) { in.Screening, in.Body = good.Screening, s.Body }), "part correction.part")
		invalid(partOf(s, func(in *PartCorrection) { in.Screening = &s.Screening }), "screening correction.differs")
		invalid(partOf(s, func(in *PartCorrection) { in.Body = s.Body }), "body correction.differs")
		invalid(partOf(s, func(in *PartCorrection) { in.SeriesEnd = &SeriesEnd{Series: 1, Stop: record.StopVolitional} }), "series_end correction.differs")
		invalid(partOf(s, func(in *PartCorrection) { in.SeriesEnd = &SeriesEnd{Series: 3, Stop: record.StopSymptom} }), "series_end.series_number series.exists")
		invalid(hand(func(*record.HandSeries) {}), "hand_series correction.differs")
		invalid(hand(func(v *record.HandSeries) { v.Number = 3 }), "hand_series.number series.exists")
		position := s.PositionSeries[0]
		position.Number = 9
		invalid(partOf(s, func(in *PartCorrection) { in.PositionSeries = &position }), "position_series.number series.exists")
		invalid(screening(func(v *record.Screening) { v.Diastolic = ptr(120) }), "screening.diastolic_mmhg screening.pressures")
		_, err := w.c.CorrectSession(w.ctx, w.reviewer(east), partOf(s, func(in *PartCorrection) { in.Screening, in.Expected = good.Screening, 2 }))
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		unknown := good
		unknown.SessionID = id("5e", 77)
		_, err = w.c.CorrectSession(w.ctx, w.reviewer(east), unknown)
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		_, err = w.c.CorrectSession(w.ctx, w.reviewer(west), good)
		wantFault(t, err, fault.NotFound, "NOT_FOUND")
		for _, r := range []record.Role{record.RoleEvaluator, record.RoleClinicAdmin, record.RoleStation, record.RolePayer, record.RoleNetworkAdmin} {
			_, err := w.c.CorrectSession(w.ctx, w.member(east, sam, r), good)
			wantFault(t, err, fault.Denied, "ROLE_NEEDED")
		}
	})
}

// TestCorrectSessionAgain: the same correction again is answered with what stands, and nothing is written; another one on the old revision, of
// another part or by another member, is a conflict; and so is the same one once it is not the newest.
func TestCorrectSessionAgain(t *testing.T) {
	t.Parallel()
	w, s := visited(t)
	all := corrections(t, s)
	good := all["hand series"].in
	first := must(w.c.CorrectSession(w.ctx, w.reviewer(east), good))(t)
	w.unchanged(func() {
		again := must(w.c.CorrectSession(w.ctx, w.reviewer(east), good))(t)
		if diff := cmp.Diff(first, again, exact()); diff != "" {
			t.Errorf("(-first +again)\n%s", diff)
		}
		conflict := func(name string, in PartCorrection) {
			t.Helper()
			_, err := w.c.CorrectSession(w.ctx, w.reviewer(east), in)
			if !fault.Is(err, fault.Conflict) {
				t.Errorf("%s: %v, want a conflict", name, err)
			}
		}
		other := good
		other.Reason = "the sheet was misread twice"
		conflict("other reason", other)
		conflict("other part", all["screening"].in)
		conflict("other part, as it stands", partOf(s, func(in *PartCorrection) { in.Screening = &s.Screening }))
		_, err := w.c.CorrectSession(w.ctx, w.member(east, sam, record.RoleReviewer), good)
		wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
		late := good
		late.Expected = 2
		_, err = w.c.CorrectSession(w.ctx, w.reviewer(east), late)
		wantInvalid(t, err, "hand_series correction.differs")
	})
	next := all["screening"].in
	next.Expected = 2
	must(w.c.CorrectSession(w.ctx, w.reviewer(east), next))(t)
	_, err := w.c.CorrectSession(w.ctx, w.reviewer(east), good)
	wantFault(t, err, fault.Conflict, "REVISION_CONFLICT")
	trial := correction(t, s, 3)
	got := must(w.c.CorrectTrial(w.ctx, w.reviewer(east), trial))(t)
	if got.Session.Value.HandSeries[1].Trials[2].Reading != lb(t, "91") || *got.Session.Value.Screening.Systolic != 128 {
		t.Errorf("a trial's correction undid those before: %+v", got.Session.Value)
	}
	w.accounted(east)
}

// TestCorrectSessionOutdatesResult: a result signed before is outdated, and can be superseded on the new revision.
func TestCorrectSessionOutdatesResult(t *testing.T) {
	t.Parallel()
	w, s := visited(t)
	in := signing(s)
	in.Decision, in.Comment = record.CannotBeDetermined, "more to be asked"
	must(w.c.SignResult(w.ctx, w.reviewer(east), in))(t)
	if got := must(w.c.GetResult(w.ctx, w.reviewer(east), in.ResultID))(t); got.Value.Outdated {
		t.Error("the result is outdated before any correction")
	}
	must(w.c.CorrectSession(w.ctx, w.reviewer(east), corrections(t, s)["screening"].in))(t)
	if got := must(w.c.GetResult(w.ctx, w.reviewer(east), in.ResultID))(t); !got.Value.Outdated {
		t.Error("the result is not outdated after a correction")
	}
	next := superseding()
	next.Decision, next.Comment = record.CannotBeDetermined, "more to be asked"
	doc := w.verified(must(w.c.SignResult(w.ctx, w.reviewer(east), next))(t).Value).Document
	if len(doc.Corrections) != 1 || doc.Corrections[0].Part != "screening" || *doc.Session.Screening.Systolic != 128 {
		t.Errorf("corrections %+v, screening %+v", doc.Corrections, doc.Session.Screening)
	}
}
