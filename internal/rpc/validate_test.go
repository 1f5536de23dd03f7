package rpc

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
)

func testValidation(t testing.TB) *validation {
	t.Helper()
	v, err := newValidation(contract(t))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func testCall() *call {
	return &call{method: "/m", rule: &Rule{}, now: func() time.Time { return someTime }}
}

func fieldsOf(t *testing.T, err error) map[string]string {
	t.Helper()
	got := map[string]string{}
	if err == nil {
		return got
	}
	f := faultOf(err)
	if f.Kind != fault.Invalid {
		t.Fatalf("error %v, want Invalid", err)
	}
	for _, v := range f.Violations {
		if _, twice := got[v.Field]; twice {
			t.Errorf("%s is named twice", v.Field)
		}
		if v.Text == "" {
			t.Errorf("%s has no text", v.Field)
		}
		got[v.Field] = v.Rule
	}
	return got
}

func TestGoodSessionPasses(t *testing.T) {
	if err := testValidation(t).message(testCall(), &pb.PushSessionRequest{Session: fullSession(6, 8)}); err != nil {
		t.Fatal(err)
	}
}

func TestOneAnswerNamesEveryBadField(t *testing.T) {
	s := fullSession(2, 4)
	s.Series[1].Trials[3].HeartRateBpm = proto.Uint32(251)
	s.Series[0].Trials[0].HeartRateBpm = proto.Uint32(20) // just allowed
	s.Series[0].Trials[1].Load = &pb.Mass{Value: "-5", Unit: pb.Unit_UNIT_LB}
	s.Series[0].Trials[2].EffortRating = proto.Float64(7.3)
	s.Series[0].Trials[3].Number = 9 // out of order: known only to the record's rules
	s.Series[1].Trials[0].Load = &pb.Mass{Value: "9999", Unit: pb.Unit_UNIT_KG}
	s.EndedAt = timestamppb.New(someTime.Add(-time.Hour))
	got := fieldsOf(t, testValidation(t).message(testCall(), &pb.PushSessionRequest{Session: s}))
	for _, want := range []string{
		"session.series[1].trials[3].heart_rate_bpm",
		"session.series[0].trials[2].effort_rating",
		"session.series[0].trials[3].number",
		"session.series[1].trials[0].load.value",
		"session.ended_at",
	} {
		if got[want] == "" {
			t.Errorf("%s is not named in %v", want, got)
		}
	}
	if got["session.series[0].trials[1].load.value"] == "" && got["session.series[0].trials[1].load"] == "" {
		t.Errorf("the negative load is not named in %v", got)
	}
	if got["session.series[0].trials[0].heart_rate_bpm"] != "" {
		t.Errorf("a heart rate of 20 is refused: %v", got)
	}
}

func TestRequestsOfEveryServiceAreValidated(t *testing.T) {
	v := testValidation(t)
	for _, tt := range []struct {
		req  proto.Message
		want string
	}{
		{&pb.PutClinicRequest{Clinic: &pb.Clinic{Id: "x", Name: "n", DisplayUnit: pb.Unit_UNIT_LB}}, "clinic.id"},
		{&pb.PutMemberRequest{Member: &pb.Member{Id: someID, Name: "n", Roles: []pb.Role{5}}}, "member.roles[0]"},
		{&pb.CreateTokenRequest{Label: "l", Roles: []pb.Role{1}}, "expires_at"},
		{&pb.PutClientRequest{Client: &pb.Client{Id: someID, GivenName: "", FamilyName: "f", BirthDate: "1980-02-30"}}, "client.birth_date"},
		{&pb.PutJobProfileRequest{JobProfile: &pb.JobProfile{Id: someID}}, "job_profile.tasks"}, // no title either, or the use case would say it
		{&pb.PutJobProfileRequest{JobProfile: &pb.JobProfile{Id: someID, Title: "t", Positions: []*pb.PositionDemand{{Position: 1}}}}, "job_profile.positions[0].demand"},
		{&pb.PutJobProfileRequest{JobProfile: &pb.JobProfile{Id: someID, Title: "t", Hands: []*pb.HandDemand{{Name: "n", Measure: 9, Force: pounds("1")}}}}, "job_profile.hands[0].measure"},
		{&pb.PutReleaseRequest{Release: &pb.Release{Id: "x", ReferralId: someID, PayerId: someID, Purpose: "claim",
			ExpiresAt: timestamppb.New(someTime.Add(-time.Hour))}}, "release.expires_at"},
		{&pb.PutKitRequest{Kit: &pb.Kit{Id: someID, Name: "k", Inserts: []*pb.Piece{{Code: "a", Mass: pounds("1"), VerifiedOn: "2026-01-01"}}}}, "kit.tote"},
		{&pb.PublishProtocolRequest{Protocol: fullProtocol(&pb.HeartRateLimit{})}, "protocol.heart_rate_limit.limit"},
		{&pb.CorrectTrialRequest{SessionId: someID, SeriesNumber: 1, ExpectedRevision: 1, Reason: "misread"}, "trial"},
		{&pb.SignResultRequest{SessionId: someID, ResultId: someID, SessionRevision: 1, Meaning: 9}, "meaning"},
		{&pb.SupersedeResultRequest{SupersededId: someID, ResultId: someID, SessionRevision: 1, Meaning: 1}, "reason"},
		{&pb.ListClientsRequest{Page: &pb.Page{Size: 501}}, "page.size"},
		{&pb.GetProtocolRequest{Digest: "AB"}, "digest"},
	} {
		if got := fieldsOf(t, v.message(testCall(), tt.req)); got[tt.want] == "" {
			t.Errorf("%T: %s is not named in %v", tt.req, tt.want, got)
		}
	}
	if err := v.message(testCall(), &pb.ListClientsRequest{Page: &pb.Page{Size: 500}}); err != nil {
		t.Errorf("a page of 500: %v", err)
	}
}

// TestRestOfTheMeaning: what the contract's rules let pass and no record can hold is refused by the handler, with all else that is wrong.
func TestRestOfTheMeaning(t *testing.T) {
	s := fullSession(1, 2)
	s.Series[0].Trials[0].Load = &pb.Mass{Value: "9999", Unit: pb.Unit_UNIT_KG}
	s.Series[0].Trials[1].Number = 7
	req := &pb.PushSessionRequest{Session: s}
	if err := testValidation(t).message(testCall(), req); err != nil {
		t.Fatalf("the declared rules refuse it already: %v", err)
	}
	_, err := sessions{}.PushSession(context.WithValue(context.Background(), callKey{}, testCall()), req)
	got := fieldsOf(t, err)
	if got["session.series[0].trials[0].load.value"] != "mass.limit" || got["session.series[0].trials[1].number"] == "" {
		t.Errorf("got %v", got)
	}
}

func TestMerge(t *testing.T) {
	named := []fault.Violation{{Field: "a.b"}, {Field: "c[1].d"}}
	more := []fault.Violation{{Field: "a.b"}, {Field: "a"}, {Field: "a.b.c"}, {Field: "a.bc"}, {Field: "c[1]"}, {Field: "c[11]"}, {Field: "c"}, {Field: "e"}}
	var got []string
	for _, v := range merge(named, more) {
		got = append(got, v.Field)
	}
	want := []string{"a.b", "c[1].d", "a.bc", "c[11]", "e"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func BenchmarkValidateSession6x8(b *testing.B) {
	v, c, req := testValidation(b), testCall(), &pb.PushSessionRequest{Session: fullSession(6, 8)}
	b.ReportAllocs()
	for b.Loop() {
		if err := v.message(c, req); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkReadSession6x8(b *testing.B) {
	m := fullSession(6, 8)
	b.ReportAllocs()
	for b.Loop() {
		r := &reader{}
		if r.session(m, "session"); len(r.violations) > 0 {
			b.Fatal(r.violations)
		}
	}
}
