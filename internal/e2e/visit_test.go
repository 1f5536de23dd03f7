package e2e

import (
	"io"
	"net/http"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// visit is a session with every part, in the contract's form, of a scenario of our own.
func visit(t testing.TB, digest string, n int) *pb.Session {
	t.Helper()
	out := session(t, digest, n)
	at := func(minute int) record.Time {
		return record.TimeOf(day.Add(-3*time.Hour + time.Duration(minute)*time.Minute))
	}
	mass := lb(t, 150)
	s := record.Session{Body: &record.BodyMeasures{StatureMM: 1650, Mass: &mass}}
	hand := record.HandSeries{Number: 1, Measure: record.Grip, Hand: record.LeftHand, Procedure: record.HandRepeated, Dominant: ptr(false), Instrument: "dynamometer 1",
		InstrumentVerifiedOn: "2026-01-05"}
	for j := range 3 {
		hand.Trials = append(hand.Trials, record.HandTrial{Number: j + 1, At: at(30 + j), Position: 2, Reading: lb(t, 80+j)})
	}
	s.HandSeries = []record.HandSeries{hand}
	s.PositionSeries = []record.PositionSeries{{Number: 1, Position: record.Standing, Rating: record.ToleratedFrequent, Bouts: []record.Bout{
		{Number: 1, At: at(40), AskedSeconds: 600, KeptSeconds: 600, EndedBy: record.BoutCompleted, HeartRate: ptr(88), Effort: ptr(record.Effort(6))}}}}
	parts := message(t, s)
	out.Body, out.HandSeries, out.PositionSeries = parts.Body, parts.HandSeries, parts.PositionSeries
	return out
}

// partsOf are a correction of each part of a visit.
func partsOf(t testing.TB, s *pb.Session) []*pb.CorrectSessionRequest {
	t.Helper()
	screening, body := proto.CloneOf(s.Screening), proto.CloneOf(s.Body)
	screening.SystolicMmhg = proto.Uint32(128)
	body.StatureMm = 1660
	hand, position := proto.CloneOf(s.HandSeries[0]), proto.CloneOf(s.PositionSeries[0])
	hand.Trials[1].Reading.Value = "91"
	position.Rating = pb.Tolerance_TOLERANCE_OCCASIONAL
	return []*pb.CorrectSessionRequest{
		{Part: &pb.CorrectSessionRequest_Screening{Screening: screening}},
		{Part: &pb.CorrectSessionRequest_Body{Body: body}},
		{Part: &pb.CorrectSessionRequest_SeriesEnd_{SeriesEnd: &pb.CorrectSessionRequest_SeriesEnd{SeriesNumber: 1, Stop: pb.Stop_STOP_SYMPTOM, StopNote: "pain"}}},
		{Part: &pb.CorrectSessionRequest_HandSeries{HandSeries: hand}},
		{Part: &pb.CorrectSessionRequest_PositionSeries{PositionSeries: position}},
	}
}

// TestVisitFromPushToPayer: a session with every part is read back as it was pushed, each part is corrected, signed, pulled by the payer and verified
// offline; a correction after that outdates the result, and a superseding one takes its place. Every step over gRPC and over REST.
func TestVisitFromPushToPayer(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i, way := range both {
		clinic := []string{east, west}[i]
		digest := w.ready(clinic)
		must(w.cases.PutRelease(w.ctx, w.admin(clinic), record.Release{ID: id("4e", 1), ReferralID: id("e1", 1), PayerID: payer, Purpose: "claim",
			ExpiresAt: record.TimeOf(day.Add(240 * time.Hour)), RawTrials: true}, 0))(t)
		call := w.service.As(w.token(clinic, dana, record.RoleEvaluator, record.RoleReviewer), way)
		s := visit(t, digest, 1)
		must(w.push(call, s))(t)
		got := must(caller.Do[pb.GetSessionResponse](w.ctx, call, "SessionService/GetSession", &pb.GetSessionRequest{Id: s.Id}))(t).Session
		listed := must(caller.Do[pb.ListSessionsResponse](w.ctx, call, "SessionService/ListSessions", &pb.ListSessionsRequest{}))(t).Sessions
		if len(listed) != 1 || !proto.Equal(listed[0], got) {
			t.Errorf("over %v: listed\n%v\ngot\n%v", way, listed, got)
		}
		bare := proto.CloneOf(got)
		bare.ClinicId, bare.Revision = "", nil
		if !proto.Equal(bare, s) {
			t.Errorf("over %v: pushed\n%v\nread\n%v", way, protojson.Format(s), protojson.Format(bare))
		}
		for n, req := range partsOf(t, s) {
			req.SessionId, req.ExpectedRevision, req.Reason = s.Id, uint32(n+1), "the sheet was misread"
			first := must(caller.Do[pb.CorrectSessionResponse](w.ctx, call, "SessionService/CorrectSession", req))(t)
			again := must(caller.Do[pb.CorrectSessionResponse](w.ctx, call, "SessionService/CorrectSession", req))(t)
			if !proto.Equal(first, again) {
				t.Errorf("over %v: part %d twice\n%v\n%v", way, n, first, again)
			}
			req.Reason = "another reason"
			_, err := caller.Do[pb.CorrectSessionResponse](w.ctx, call, "SessionService/CorrectSession", req)
			problem(t, "the wrong revision", way, err, "ABORTED", 409)
		}
		result := id("9a", 20+i)
		must(caller.Do[pb.SignResultResponse](w.ctx, call, "ResultService/SignResult", &pb.SignResultRequest{Proof: proof(), SessionId: s.Id, ResultId: result,
			SessionRevision: 6, Meaning: pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED}))(t)
		w.pulled(result, way, 5)
		late := partsOf(t, s)[0]
		late.SessionId, late.ExpectedRevision, late.Reason = s.Id, 6, "misread once more"
		late.GetScreening().SystolicMmhg = proto.Uint32(131)
		must(caller.Do[pb.CorrectSessionResponse](w.ctx, call, "SessionService/CorrectSession", late))(t)
		if r := must(caller.Do[pb.GetResultResponse](w.ctx, call, "ResultService/GetResult", &pb.GetResultRequest{Id: result}))(t); !r.Result.GetOutdated() {
			t.Errorf("over %v: the result is not outdated", way)
		}
		next := id("9a", 30+i)
		must(caller.Do[pb.SupersedeResultResponse](w.ctx, call, "ResultService/SupersedeResult", &pb.SupersedeResultRequest{Proof: proof(), SupersededId: result, ResultId: next,
			SessionRevision: 7, Meaning: pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED, Reason: "a reading was put right"}))(t)
		w.pulled(next, way, 6)
	}
}

// pulled fetches a result as the payer and verifies its bundle without the service.
func (w *world) pulled(result string, way caller.Way, corrections int) {
	t := w.t
	t.Helper()
	call := w.service.As(w.payerToken(payer), way)
	got := must(caller.Do[pb.GetResultResponse](w.ctx, call, "ResultService/GetResult", &pb.GetResultRequest{Id: result}))(t)
	b := must(bundle.Decode(must(protojson.Marshal(got.Result.Bundle))(t)))(t)
	report, err := bundle.Verify(w.published(), b, "")
	if err != nil {
		t.Errorf("over %v: %s: %v", way, result, err)
		return
	}
	if !report.Rerun {
		t.Errorf("over %v: %s was verified without its raw trials", way, result)
	}
	if n := len(report.Document.Corrections); n != corrections {
		t.Errorf("over %v: %s names %d corrections, want %d", way, result, n, corrections)
	}
}

// published is the key set that the service publishes.
func (w *world) published() seal.Ring {
	w.t.Helper()
	resp := must(http.Get("http://" + w.at.REST + "/.well-known/jwks.json"))(w.t)
	defer func() { _ = resp.Body.Close() }()
	return must(seal.ParseJWKS(must(io.ReadAll(resp.Body))(w.t)))(w.t)
}
