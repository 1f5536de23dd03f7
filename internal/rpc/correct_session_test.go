package rpc

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// partCases keeps what it is asked for and answers with a session that holds nothing.
type partCases struct {
	SessionCases
	got casework.PartCorrection
}

func (c *partCases) CorrectSession(_ context.Context, _ authn.Principal, in casework.PartCorrection) (casework.Corrected, error) {
	c.got = in
	return casework.Corrected{Differences: []record.Difference{{Path: "complete", Was: "true", Now: "false"}}}, nil
}

// partRequests are one request for each part, with what it asks of the use case.
func partRequests(t *testing.T) map[string]struct {
	req  *pb.CorrectSessionRequest
	want casework.PartCorrection
} {
	t.Helper()
	eighty, err := mass.Parse("80", mass.Pound)
	if err != nil {
		t.Fatal(err)
	}
	number, dominant, effort := 128, true, record.Effort(13)
	request := func() *pb.CorrectSessionRequest {
		return &pb.CorrectSessionRequest{SessionId: someID, ExpectedRevision: 4, Reason: "misread"}
	}
	with := func(set func(*pb.CorrectSessionRequest)) *pb.CorrectSessionRequest { m := request(); set(m); return m }
	want := func(set func(*casework.PartCorrection)) casework.PartCorrection {
		in := casework.PartCorrection{SessionID: someID, Expected: 4, Reason: "misread"}
		set(&in)
		return in
	}
	at := record.TimeOf(someTime)
	return map[string]struct {
		req  *pb.CorrectSessionRequest
		want casework.PartCorrection
	}{
		"screening": {with(func(m *pb.CorrectSessionRequest) {
			m.Part = &pb.CorrectSessionRequest_Screening{Screening: &pb.Screening{SystolicMmhg: proto.Uint32(128), OverrideReason: "seen", OverrideBy: otherID}}
		}), want(func(in *casework.PartCorrection) {
			in.Screening = &record.Screening{Systolic: &number, OverrideReason: "seen", OverrideBy: otherID}
		})},
		"body": {with(func(m *pb.CorrectSessionRequest) {
			m.Part = &pb.CorrectSessionRequest_Body{Body: &pb.BodyMeasures{StatureMm: 1650, BodyMass: pounds("80")}}
		}), want(func(in *casework.PartCorrection) { in.Body = &record.BodyMeasures{StatureMM: 1650, Mass: &eighty} })},
		"no body": {with(func(m *pb.CorrectSessionRequest) { m.Part = &pb.CorrectSessionRequest_Body{Body: &pb.BodyMeasures{}} }),
			want(func(in *casework.PartCorrection) { in.Body = &record.BodyMeasures{} })},
		"series end": {with(func(m *pb.CorrectSessionRequest) {
			m.Part = &pb.CorrectSessionRequest_SeriesEnd_{SeriesEnd: &pb.CorrectSessionRequest_SeriesEnd{SeriesNumber: 2, Stop: pb.Stop_STOP_SYMPTOM, StopNote: "pain"}}
		}), want(func(in *casework.PartCorrection) {
			in.SeriesEnd = &casework.SeriesEnd{Series: 2, Stop: record.StopSymptom, Note: "pain"}
		})},
		"hand series": {with(func(m *pb.CorrectSessionRequest) {
			m.Part = &pb.CorrectSessionRequest_HandSeries{HandSeries: &pb.HandSeries{Number: 1, Measure: pb.HandMeasure_HAND_MEASURE_GRIP, Hand: pb.Hand_HAND_LEFT,
				Procedure: pb.HandProcedure_HAND_PROCEDURE_REPEATED, Dominant: &dominant, Trials: []*pb.HandTrial{
					{Number: 1, At: timestamppb.New(someTime), HandlePosition: 2, Reading: pounds("80"), EffortRating: proto.Float64(6.5)}}}}
		}), want(func(in *casework.PartCorrection) {
			in.HandSeries = &record.HandSeries{Number: 1, Measure: record.Grip, Hand: record.LeftHand, Procedure: record.HandRepeated, Dominant: &dominant,
				Trials: []record.HandTrial{{Number: 1, At: at, Position: 2, Reading: eighty, Effort: &effort}}}
		})},
		"position series": {with(func(m *pb.CorrectSessionRequest) {
			m.Part = &pb.CorrectSessionRequest_PositionSeries{PositionSeries: &pb.PositionSeries{Number: 3, Position: pb.Position_POSITION_KNEELING,
				Rating: pb.Tolerance_TOLERANCE_OCCASIONAL, Note: "slow"}}
		}), want(func(in *casework.PartCorrection) {
			in.PositionSeries = &record.PositionSeries{Number: 3, Position: record.Kneeling, Rating: record.ToleratedOccasional, Note: "slow"}
		})},
	}
}

func TestCorrectSessionReadsEachPart(t *testing.T) {
	masses := cmp.Comparer(func(a, b mass.Mass) bool { return a == b })
	for name, c := range partRequests(t) {
		if err := testValidation(t).message(testCall(), c.req); err != nil {
			t.Errorf("%s: refused: %v", name, err)
		}
		cases := &partCases{}
		got, err := sessions{cases: cases}.CorrectSession(context.WithValue(context.Background(), callKey{}, testCall()), c.req)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if d := cmp.Diff(c.want, cases.got, masses); d != "" {
			t.Errorf("%s (-want +asked)\n%s", name, d)
		}
		if d := cmp.Diff([]*pb.Difference{{Path: "complete", Was: "true", Now: "false"}}, got.GetDifferences(), protocmp.Transform()); d != "" {
			t.Errorf("%s: answer\n%s", name, d)
		}
	}
}

// TestCorrectSessionRefuses: what cannot be read is named by the request's path, and nothing is asked of the use case.
func TestCorrectSessionRefuses(t *testing.T) {
	good := partRequests(t)
	bad := func(name string, edit func(*pb.CorrectSessionRequest)) *pb.CorrectSessionRequest {
		m := proto.Clone(good[name].req).(*pb.CorrectSessionRequest)
		edit(m)
		return m
	}
	for field, req := range map[string]*pb.CorrectSessionRequest{
		"part":                      bad("screening", func(m *pb.CorrectSessionRequest) { m.Part = nil }),
		"reason":                    bad("screening", func(m *pb.CorrectSessionRequest) { m.Reason = "no" }),
		"expected_revision":         bad("screening", func(m *pb.CorrectSessionRequest) { m.ExpectedRevision = 0 }),
		"screening.systolic_mmhg":   bad("screening", func(m *pb.CorrectSessionRequest) { m.GetScreening().SystolicMmhg = proto.Uint32(301) }),
		"body.stature_mm":           bad("body", func(m *pb.CorrectSessionRequest) { m.GetBody().StatureMm = 999 }),
		"body.body_mass.value":      bad("body", func(m *pb.CorrectSessionRequest) { m.GetBody().BodyMass = pounds("x") }),
		"series_end.series_number":  bad("series end", func(m *pb.CorrectSessionRequest) { m.GetSeriesEnd().SeriesNumber = 0 }),
		"series_end.stop":           bad("series end", func(m *pb.CorrectSessionRequest) { m.GetSeriesEnd().Stop = 77 }),
		"hand_series.trials":        bad("hand series", func(m *pb.CorrectSessionRequest) { m.GetHandSeries().Trials = nil }),
		"hand_series.trials[0].at":  bad("hand series", func(m *pb.CorrectSessionRequest) { m.GetHandSeries().Trials[0].At = nil }),
		"position_series.rating":    bad("position series", func(m *pb.CorrectSessionRequest) { m.GetPositionSeries().Rating = 0 }),
		"position_series.note":      bad("position series", func(m *pb.CorrectSessionRequest) { m.GetPositionSeries().Note = "  " }),
		"screening.override_reason": bad("screening", func(m *pb.CorrectSessionRequest) { m.GetScreening().OverrideReason = "a\u202eb" }),
		"hand_series.trials[0].effort_rating": bad("hand series", func(m *pb.CorrectSessionRequest) {
			m.GetHandSeries().Trials[0].EffortRating = proto.Float64(6.3)
		}),
	} {
		err := testValidation(t).message(testCall(), req)
		cases := &partCases{}
		if err == nil {
			_, err = sessions{cases: cases}.CorrectSession(context.WithValue(context.Background(), callKey{}, testCall()), req)
		}
		if got := fieldsOf(t, err); got[field] == "" || cases.got.SessionID != "" {
			t.Errorf("%s is not named in %v, or the use case was asked", field, got)
		}
	}
}
