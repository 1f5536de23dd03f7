package rpc

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

const (
	someID  = "0190a8c4-0000-7000-8000-000000000001"
	otherID = "0190a8c4-0000-7000-8000-000000000002"
	digest  = "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
)

var someTime = time.Date(2026, 3, 2, 9, 15, 0, 123456000, time.UTC)

func pounds(value string) *pb.Mass { return &pb.Mass{Value: value, Unit: pb.Unit_UNIT_LB} }

// fullSession is a session of that many series of trials with every field set.
func fullSession(series, trials int) *pb.Session {
	s := &pb.Session{
		Id: someID, ClinicId: otherID, ReferralId: someID, EvaluatorId: otherID, StartedAt: timestamppb.New(someTime),
		EndedAt: timestamppb.New(someTime.Add(3 * time.Hour)),
		Screening: &pb.Screening{
			RestingHeartRateBpm: proto.Uint32(72), SystolicMmhg: proto.Uint32(124), DiastolicMmhg: proto.Uint32(80),
			RateLimitingDrug: true, OverrideReason: "cleared by telephone", OverrideBy: someID,
			Symptoms: []pb.Symptom{pb.Symptom_SYMPTOM_DIZZINESS, pb.Symptom_SYMPTOM_OTHER},
		},
		Body:           &pb.BodyMeasures{StatureMm: 1755, BodyMass: &pb.Mass{Value: "81.2", Unit: pb.Unit_UNIT_KG}},
		HandSeries:     []*pb.HandSeries{fullHandSeries()},
		PositionSeries: []*pb.PositionSeries{fullPositionSeries()},
	}
	at := someTime
	for i := range series {
		one := &pb.Series{
			Number: uint32(i + 1), Zone: pb.Zone(i%7 + 1), Pace: pb.Pace(i%3 + 1), ProtocolDigest: digest, KitId: someID,
			Stop: pb.Stop(i%4 + 1), StopNote: "as agreed",
		}
		for j := range trials {
			at = at.Add(2 * time.Minute)
			one.Trials = append(one.Trials, &pb.Trial{
				Number: uint32(j + 1), At: timestamppb.New(at), Load: pounds(fmt.Sprintf("%d.5", 10*(j+1))),
				InsertCodes: []string{"A1", "B2"}, Repetitions: 4, HeartRateBpm: proto.Uint32(uint32(90 + 5*j)),
				EffortRating: proto.Float64(float64(j) / 2), Sustainable: proto.Bool(true), MorePossible: proto.Bool(false),
				Signs:    []*pb.MechanicsSign{{Sign: pb.Sign_SIGN_TWIST, Grade: 2}, {Sign: pb.Sign_SIGN_HEEL_RISE, Grade: 1}},
				Symptoms: []pb.Symptom{pb.Symptom_SYMPTOM_OTHER}, Blinded: true, ClosedReason: "strap came off",
				StartHeartRateBpm: proto.Uint32(80), SteadyHeartRateBpm: proto.Uint32(uint32(88 + 5*j)),
				HeartRateTrace: &pb.HeartRateTrace{StartedAt: timestamppb.New(someTime), Changes: []int32{int32(88 + j), 1, -2, int32(-87 - j), 90}},
			})
		}
		s.Series = append(s.Series, one)
	}
	return s
}

// fullHandSeries is a series of the five positions of the handle.
func fullHandSeries() *pb.HandSeries {
	s := &pb.HandSeries{
		Number: 1, Measure: pb.HandMeasure_HAND_MEASURE_GRIP, Hand: pb.Hand_HAND_LEFT, Procedure: pb.HandProcedure_HAND_PROCEDURE_FIVE_POSITIONS,
		Dominant: proto.Bool(false), Instrument: "dynamometer 2", InstrumentVerifiedOn: "2026-01-02", Note: "a ring taken off",
	}
	for i := range uint32(5) {
		s.Trials = append(s.Trials, &pb.HandTrial{
			Number: i + 1, At: timestamppb.New(someTime.Add(time.Duration(i) * time.Minute)), HandlePosition: i + 1, Reading: pounds("71.5"),
			EffortRating: proto.Float64(7.5), Symptoms: []pb.Symptom{pb.Symptom_SYMPTOM_NUMBNESS_OR_WEAKNESS},
		})
	}
	return s
}

// fullPositionSeries is a series of one bout.
func fullPositionSeries() *pb.PositionSeries {
	return &pb.PositionSeries{
		Number: 1, Position: pb.Position_POSITION_KNEELING, Rating: pb.Tolerance_TOLERANCE_OCCASIONAL, Note: "on a mat",
		Bouts: []*pb.Bout{{
			Number: 1, At: timestamppb.New(someTime.Add(time.Hour)), AskedSeconds: 300, KeptSeconds: 200, EndedBy: pb.BoutEnd_BOUT_END_VOLITIONAL,
			EffortRating: proto.Float64(4), HeartRateBpm: proto.Uint32(101), Symptoms: []pb.Symptom{pb.Symptom_SYMPTOM_OTHER},
		}},
	}
}

// checkFull demands that a message has every field set but its revision, so that a round trip through the record proves something.
func checkFull(t *testing.T, m proto.Message) {
	t.Helper()
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		inOneof := f.ContainingOneof() != nil && !f.ContainingOneof().IsSynthetic()
		if f.Name() != "revision" && !inOneof && !r.Has(f) {
			t.Errorf("%s is not set in the sample", f.FullName())
		}
		if r.Has(f) && f.Message() != nil && f.Message().FullName() != "google.protobuf.Timestamp" {
			if f.IsList() {
				checkFull(t, r.Get(f).List().Get(0).Message().Interface())
			} else {
				checkFull(t, r.Get(f).Message().Interface())
			}
		}
	}
}

// roundTrip reads the message and writes it again.
func roundTrip[M proto.Message, T any](t *testing.T, m M, read func(*reader, M) T, write func(*writer, record.Stored[T]) M) {
	t.Helper()
	checkFull(t, m)
	r, w := &reader{}, &writer{}
	v := read(r, m)
	if len(r.violations) > 0 {
		t.Fatalf("read %T: %v", m, r.violations)
	}
	revision := record.Revision{Number: 3, Entry: 7, At: record.TimeOf(someTime)}
	got := write(w, record.Stored[T]{Value: v, Revision: revision})
	if w.err != nil {
		t.Fatalf("write %T: %v", m, w.err)
	}
	want := proto.Clone(m)
	field := want.ProtoReflect().Descriptor().Fields().ByName("revision")
	want.ProtoReflect().Set(field, protoreflect.ValueOfMessage(
		(&pb.Revision{Number: 3, EntryNumber: 7, RecordedAt: timestamppb.New(someTime)}).ProtoReflect()))
	if d := cmp.Diff(want, proto.Message(got), protocmp.Transform()); d != "" {
		t.Errorf("%T changed on its way through the record (-sent +got):\n%s", m, d)
	}
}

func TestRoundTrips(t *testing.T) {
	roundTrip(t, fullSession(6, 8), func(r *reader, m *pb.Session) record.Session { return r.session(m, "session") }, (*writer).session)
	roundTrip(t, &pb.Clinic{Id: someID, Name: "Hill Clinic", DisplayUnit: pb.Unit_UNIT_KG, RetentionDays: 2190, IndependentReview: true},
		func(r *reader, m *pb.Clinic) record.Clinic { return r.clinic(m, "clinic") }, (*writer).clinic)
	roundTrip(t, &pb.Payer{Id: someID, Name: "Example Mutual"},
		func(r *reader, m *pb.Payer) record.Payer { return r.payer(m, "payer") }, (*writer).payer)
	roundTrip(t, &pb.Member{Id: someID, Name: "A. Example", Credential: "PT", Roles: []pb.Role{1, 2}, Left: true},
		func(r *reader, m *pb.Member) record.Member { return r.member(m, "member") }, (*writer).member)
	roundTrip(t, &pb.Client{Id: someID, GivenName: "A", FamilyName: "Example", BirthDate: "1980-01-31", Sex: pb.Sex_SEX_FEMALE},
		func(r *reader, m *pb.Client) record.Client { return r.client(m, "client") }, (*writer).client)
	roundTrip(t, &pb.Referral{Id: someID, ClientId: otherID, PayerId: someID, ClaimNumber: "C-1", Question: "?", JobProfileId: otherID},
		func(r *reader, m *pb.Referral) record.Referral { return r.referral(m, "referral") }, (*writer).referral)
	roundTrip(t, &pb.JobProfile{Id: someID, Title: "Mover", Tasks: []*pb.JobTask{
		{Name: "boxes", Zone: pb.Zone_ZONE_CARRY, Pace: pb.Pace_PACE_FREQUENT, Load: pounds("25")},
	}, Positions: []*pb.PositionDemand{
		{Position: pb.Position_POSITION_STOOPING, Demand: pb.Tolerance_TOLERANCE_FREQUENT},
	}, Hands: []*pb.HandDemand{
		{Name: "pliers", Measure: pb.HandMeasure_HAND_MEASURE_GRIP, Hand: pb.Hand_HAND_RIGHT, Force: pounds("40")},
	}}, func(r *reader, m *pb.JobProfile) record.JobProfile { return r.jobProfile(m, "job_profile") }, (*writer).jobProfile)
	roundTrip(t, &pb.Release{
		Id: someID, ReferralId: otherID, PayerId: someID, Purpose: "claim", ExpiresAt: timestamppb.New(someTime), Revoked: true,
		ResultIds: []string{someID, otherID}, WithRawTrials: true,
	}, func(r *reader, m *pb.Release) record.Release { return r.release(m, "release") }, (*writer).release)
	roundTrip(t, &pb.Kit{
		Id: someID, Name: "kit 1", Tote: &pb.Piece{Code: "T", Mass: pounds("5"), VerifiedOn: "2026-01-02"},
		Inserts: []*pb.Piece{{Code: "A1", Mass: pounds("2.5"), VerifiedOn: "2026-01-02"}},
	}, func(r *reader, m *pb.Kit) record.Kit { return r.kit(m, "kit") }, (*writer).kit)
}

func fullProtocol(limit *pb.HeartRateLimit) *pb.Protocol {
	return &pb.Protocol{
		Name: "floor to waist", Zones: []pb.Zone{1, 4}, Pace: pb.Pace_PACE_OCCASIONAL, StartLoad: pounds("10"),
		Steps:       []*pb.LoadStep{{FromEffortRating: 0.5, Increment: pounds("10")}, {FromEffortRating: 6, Increment: pounds("5")}},
		Repetitions: 4, RestSeconds: 30, HeartRateLimit: limit, EffortStop: 8, LoadCeiling: pounds("100"), RequiresHeartRate: true,
		RequiresEffortRating: true, Source: "common practice, no source", RepetitionIs: pb.RepetitionKind_REPETITION_KIND_CYCLE,
		LiftsPerMinute: 4, Minutes: 1, HeartRateStartLimit: limit, BackOff: pounds("5"), StopMechanicsGrade: 2, PercentOfBodyMass: 55,
		ScreeningLimits: &pb.ScreeningLimits{RestingHeartRateBpm: 100, SystolicMmhg: 180, DiastolicMmhg: 100},
		Calibration:     &pb.CalibrationLimit{Days: 365, Block: true}, AppliesToSex: pb.Sex_SEX_FEMALE, MaxTrials: 12,
		RequiresMorePossible: true, Compression: &pb.CompressionLimit{CriterionNewtons: 3400, MuscleArmMm: 60, ForwardMm: 300},
		CapacityError: &pb.CapacityError{StandardError: pounds("2.5"), Source: "our own repeated tests"},
	}
}

func TestProtocolRoundTrip(t *testing.T) {
	fox := pb.HeartRateFormula_HEART_RATE_FORMULA_FOX_1971
	for _, limit := range []*pb.HeartRateLimit{
		{Limit: &pb.HeartRateLimit_Bpm{Bpm: 150}, Formula: fox},
		{Limit: &pb.HeartRateLimit_PercentOfPredictedMaximum{PercentOfPredictedMaximum: 85}, Formula: fox},
		{Limit: &pb.HeartRateLimit_PercentOfReserve{PercentOfReserve: 60}, Formula: fox},
	} {
		m := fullProtocol(limit)
		checkFull(t, m)
		r, w := &reader{}, &writer{}
		got := w.protocol(record.Stored[record.NamedProtocol]{
			Value: record.NamedProtocol{Digest: digest, Protocol: r.protocol(m, "protocol")},
		})
		if len(r.violations) > 0 || w.err != nil {
			t.Fatalf("%v, %v", r.violations, w.err)
		}
		if d := cmp.Diff(m, got.GetProtocol(), protocmp.Transform()); d != "" || got.GetDigest() != digest {
			t.Errorf("the protocol changed (-sent +got):\n%s", d)
		}
	}
	w := &writer{}
	if w.heartRateLimit(&record.HeartRateLimit{}); w.err == nil {
		t.Error("a limit without a form was written")
	}
}

func TestWhatCannotBeReadIsNamed(t *testing.T) {
	s := fullSession(2, 4)
	s.Series[1].Trials[3].Load = &pb.Mass{Value: "1001", Unit: pb.Unit_UNIT_KG}
	s.Series[1].Trials[2].Load = &pb.Mass{Value: "20", Unit: 77}
	s.Series[1].Trials[1].Load = nil
	s.Series[0].Trials[0].EffortRating = proto.Float64(7.3)
	s.Series[0].Zone = 99
	s.Series[0].Trials[1].At = &timestamppb.Timestamp{Seconds: 1 << 60}
	s.EndedAt = nil
	s.Screening.Symptoms[1] = 77
	s.Body.BodyMass.Value = "80.000000000001"
	s.HandSeries[0].Hand = 0
	s.HandSeries[0].Measure = 99
	s.HandSeries[0].Trials[3].Reading = nil
	s.HandSeries[0].Trials[4] = nil
	s.PositionSeries[0].Position = 99
	s.PositionSeries[0].Rating = 0
	s.PositionSeries[0].Bouts[0].EndedBy = 99
	s.PositionSeries[0].Bouts[0].EffortRating = proto.Float64(7.25)
	r := &reader{}
	r.session(s, "session")
	got := map[string]string{}
	for _, v := range r.violations {
		got[v.Field] = v.Rule
	}
	want := map[string]string{
		"session.series[1].trials[3].load.value":    "mass.limit",
		"session.series[1].trials[2].load.unit":     "mass.unit",
		"session.series[1].trials[1].load":          "mass.required",
		"session.series[0].trials[0].effort_rating": "effort_rating",
		"session.series[0].zone":                    "enum.defined",
		"session.series[0].trials[1].at":            "time.valid",
		"session.ended_at":                          "time.required",

		"session.screening.symptoms[1]":                     "enum.defined",
		"session.body.body_mass.value":                      "mass.decimals",
		"session.hand_series[0].hand":                       "enum.defined",
		"session.hand_series[0].measure":                    "enum.defined",
		"session.hand_series[0].trials[3].reading":          "mass.required",
		"session.hand_series[0].trials[4].at":               "time.required",
		"session.hand_series[0].trials[4].reading":          "mass.required",
		"session.position_series[0].position":               "enum.defined",
		"session.position_series[0].rating":                 "enum.defined",
		"session.position_series[0].bouts[0].ended_by":      "enum.defined",
		"session.position_series[0].bouts[0].effort_rating": "effort_rating",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("violations (-want +got):\n%s", d)
	}
}

func TestMassOnTheWireIsCanonical(t *testing.T) {
	r, w := &reader{}, &writer{}
	// 22.6796185 kg is exactly 50 lb (international yard and pound agreement, 1959).
	got := w.mass(r.mass(&pb.Mass{Value: "22.6796185", Unit: pb.Unit_UNIT_KG}, "m"))
	if d := cmp.Diff(pounds("50"), got, protocmp.Transform()); d != "" {
		t.Error(d)
	}
}

func TestWithheldFeedItemShowsItsIDOnly(t *testing.T) {
	w := &writer{}
	view := casework.ResultView{ID: someID, ClinicID: otherID, SessionID: otherID, Bundle: &casework.Bundle{JWS: "secret"},
		Signature: record.Signature{Name: "A. Example", Meaning: record.MeaningReviewed}}
	got := w.feedItem(casework.FeedItem{Number: 4, Withheld: true, Result: record.Stored[casework.ResultView]{Value: view}})
	want := &pb.FeedItem{Number: 4, Withheld: true, Result: &pb.Result{Id: someID}}
	if d := cmp.Diff(want, got, protocmp.Transform()); d != "" || w.err != nil {
		t.Errorf("%v (-want +got):\n%s", w.err, d)
	}
	shown := w.feedItem(casework.FeedItem{Number: 5, Result: record.Stored[casework.ResultView]{Value: view}})
	if shown.GetResult().GetBundle().GetJws() != "secret" || shown.GetResult().GetSignedBy() != "A. Example" || w.err != nil {
		t.Errorf("a released result is not shown: %v, %v", shown, w.err)
	}
}

func TestEntryNamesEveryTrial(t *testing.T) {
	joined := make([]byte, 64)
	joined[0], joined[32] = 1, 2
	w := &writer{}
	got := w.entry(casework.EntryView{ActorName: "A", Entry: record.Entry{
		ClinicID: otherID, Number: 5, Records: []record.Written{{
			Kind: record.KindSession, ID: someID, Revision: 1, Digest: "d",
			Trials: []record.WrittenTrials{{Series: 2, First: 3, Digests: base64url(joined)}},
		}},
	}})
	want := []*pb.WrittenRecord{
		{Kind: "session", Id: someID, Revision: 1, Digest: "d"},
		{Kind: "trial", Id: someID + "/2/3", Revision: 1, Digest: base64url(joined[:32])},
		{Kind: "trial", Id: someID + "/2/4", Revision: 1, Digest: base64url(joined[32:])},
	}
	if d := cmp.Diff(want, got.GetRecords(), protocmp.Transform()); d != "" || w.err != nil {
		t.Errorf("%v (-want +got):\n%s", w.err, d)
	}
	w.entry(casework.EntryView{Entry: record.Entry{Records: []record.Written{{Trials: []record.WrittenTrials{{Digests: "AA"}}}}}})
	if w.err == nil {
		t.Error("half a digest was written")
	}
}
