package e2e

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// writing is a writing request with the ids of another clinic's records, and what becomes of it: code is empty where it makes a record of that
// id in the own clinic, or tells of what stands there.
type writing struct {
	in   proto.Message
	code string
	http int
}

// writings has one for every writing method that acts on a clinic. token is one of the other clinic's.
func writings(t *testing.T, digest, token string) map[string]writing {
	t.Helper()
	const reason = "not ours to change"
	s := session(t, digest, 1)
	trial := proto.CloneOf(s.Series[0].Trials[1])
	trial.HeartRateBpm = ptr(uint32(99))
	mass := &pb.Mass{Value: "10", Unit: pb.Unit_UNIT_LB}
	return map[string]writing{
		"SessionService/PushSession": {&pb.PushSessionRequest{Session: s}, "INVALID_ARGUMENT", 400},
		"SessionService/CorrectTrial": {&pb.CorrectTrialRequest{SessionId: s.Id, SeriesNumber: 1, Trial: trial, ExpectedRevision: 1, Reason: reason},
			"NOT_FOUND", 404},
		"SessionService/CorrectSession": {&pb.CorrectSessionRequest{SessionId: s.Id, ExpectedRevision: 1, Reason: reason,
			Part: &pb.CorrectSessionRequest_Body{Body: &pb.BodyMeasures{StatureMm: 1700}}}, "NOT_FOUND", 404},
		"SessionService/RescoreSession": {&pb.RescoreSessionRequest{SessionId: s.Id, ExpectedRevision: 1, Reason: reason}, "NOT_FOUND", 404},
		"ResultService/SignResult": {&pb.SignResultRequest{Proof: proof(), SessionId: s.Id, ResultId: id("9c", 1), SessionRevision: 1,
			Meaning: pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED}, "NOT_FOUND", 404},
		"ResultService/SupersedeResult": {&pb.SupersedeResultRequest{Proof: proof(), SupersededId: id("9a", 1), ResultId: id("9c", 1), SessionRevision: 1,
			Meaning: pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED, Reason: reason}, "NOT_FOUND", 404},
		"ResultService/CountersignResult": {&pb.CountersignResultRequest{Proof: proof(), ResultId: id("9a", 1), CountersignatureId: id("cc", 1)}, "NOT_FOUND", 404},
		// Each session of a batch is answered by itself: this one by what PushSession answers.
		"SyncService/PushSessions": {&pb.PushSessionsRequest{Sessions: []*pb.Session{s}}, "", 200},
		"SyncService/ResolveSessionConflict": {&pb.ResolveSessionConflictRequest{Id: id("59", 1), ExpectedRevision: 1, Reason: reason,
			Decision: pb.ConflictDecision_CONFLICT_DECISION_INCOMING_TAKEN}, "NOT_FOUND", 404},
		"RetentionService/PutLegalHold": {&pb.PutLegalHoldRequest{ClinicId: east, LegalHold: &pb.LegalHold{Id: id("4d", 1), Reason: reason}}, "PERMISSION_DENIED", 403},
		"ClientService/PutClient": {&pb.PutClientRequest{Client: &pb.Client{Id: id("a1", 1), GivenName: "Pat", FamilyName: "Elsewhere",
			BirthDate: "1980-03-05"}}, "", 200},
		"ReferralService/PutReferral": {&pb.PutReferralRequest{Referral: &pb.Referral{Id: id("e1", 2), ClientId: id("a1", 2), PayerId: payer,
			ClaimNumber: "Y-1"}}, "INVALID_ARGUMENT", 400},
		"ReferralService/PutJobProfile": {&pb.PutJobProfileRequest{JobProfile: &pb.JobProfile{Id: id("b1", 1), Title: "Elsewhere",
			Tasks: []*pb.JobTask{{Name: "carry", Zone: pb.Zone_ZONE_CARRY, Pace: pb.Pace_PACE_OCCASIONAL, Load: mass}}}}, "", 200},
		"ReferralService/PutRelease": {&pb.PutReleaseRequest{Release: &pb.Release{Id: id("4e", 1), ReferralId: id("e1", 1), PayerId: payer,
			Purpose: "claim", ExpiresAt: timestamppb.New(day.Add(time.Hour))}}, "INVALID_ARGUMENT", 400},
		"KitService/PutKit": {&pb.PutKitRequest{Kit: &pb.Kit{Id: id("f1", 1), Name: "Elsewhere",
			Tote:    &pb.Piece{Code: "T", Mass: mass, VerifiedOn: "2026-01-05"},
			Inserts: []*pb.Piece{{Code: "A", Mass: mass, VerifiedOn: "2026-01-05"}}}}, "", 200},
		"ProtocolService/PublishProtocol": {&pb.PublishProtocolRequest{Protocol: &pb.Protocol{Name: "Elsewhere", Zones: []pb.Zone{pb.Zone_ZONE_CARRY},
			Pace: pb.Pace_PACE_OCCASIONAL, StartLoad: mass, Steps: []*pb.LoadStep{{Increment: mass}}, Repetitions: 1, RestSeconds: 60, EffortStop: 8,
			Source: "common practice, no source"}}, "", 200},
		"MemberService/PutMember": {&pb.PutMemberRequest{ClinicId: east, Member: &pb.Member{Id: dana, Name: "Elsewhere",
			Roles: []pb.Role{pb.Role_ROLE_EVALUATOR}}, ExpectedRevision: 1}, "PERMISSION_DENIED", 403},
		"TokenService/CreateToken": {&pb.CreateTokenRequest{ClinicId: east, Label: "elsewhere", Roles: []pb.Role{pb.Role_ROLE_STATION},
			ExpiresAt: timestamppb.New(day.Add(time.Hour))}, "PERMISSION_DENIED", 403},
		"IdentityService/PutIdentity": {&pb.PutIdentityRequest{ClinicId: east, Identity: &pb.Identity{Id: id("1d", 1), MemberId: dana,
			Proof: &pb.Identity_Login{Login: "elsewhere"}}}, "PERMISSION_DENIED", 403},
		"IdentityService/IssueSetupCode": {&pb.IssueSetupCodeRequest{IdentityId: eastLogin, Reason: reason}, "NOT_FOUND", 404},
		"TokenService/RevokeToken":       {&pb.RevokeTokenRequest{Id: token, Reason: reason}, "NOT_FOUND", 404},
	}
}

// eastLogin is an identity of the other clinic.
var eastLogin = id("1c", 1)

// TestWritesStayInTheClinic calls every writing method from a clinic that has people only, with the ids of another clinic's records. Whatever is
// answered, not one row of the other clinic comes, goes or changes.
func TestWritesStayInTheClinic(t *testing.T) {
	t.Parallel()
	w := newWorldWith(t, withSignIn(t))
	digest, _ := w.fill(east, eastMark, 37)
	must(w.cases.PutIdentity(w.ctx, w.network(east), record.Identity{ID: eastLogin, MemberID: dana, Login: "dana.w"}, 0))(t)
	_, northToken := w.fill(north, "", 0)
	eastToken := w.ask("SELECT id::text FROM ponderal.token WHERE clinic_id = $1", east)[0]
	before := w.print(east)
	all := writings(t, digest, eastToken)
	for _, m := range scoped(t) {
		if reads(m) {
			continue
		}
		name := methodName(m)
		x, known := all[name]
		if !known {
			t.Errorf("%s writes, and this test does not try it", name)
			continue
		}
		delete(all, name)
		for _, way := range both {
			call := w.service.As(northToken, way)
			err := call.Call(w.ctx, name, x.in, answerOf(m))
			if x.code != "" {
				p := problem(t, name, way, err, x.code, x.http)
				if p != nil && strings.Contains(fmt.Sprint(p), eastMark) {
					t.Errorf("%s over %v shows the other clinic's record: %v", name, way, p)
				}
			} else if err != nil {
				t.Errorf("%s over %v: %v, want a record of the own clinic", name, way, err)
			}
			if after := w.print(east); after != before {
				t.Fatalf("%s over %v changed the other clinic's rows:\n%s\nbefore\n%s", name, way, after, before)
			}
		}
	}
	for name := range all {
		t.Errorf("%s is no writing method of the contract", name)
	}
	if got := w.ask("SELECT count(*)::text FROM ponderal.client WHERE clinic_id = $1 AND id = $2", north, id("a1", 1))[0]; got != "1" {
		t.Errorf("the own record of the same id: %s rows, want 1", got)
	}
}

func answerOf(m protoreflect.MethodDescriptor) proto.Message { return dynamicpb.NewMessage(m.Output()) }

// print is a digest of every row of a clinic, table by table.
func (w *world) print(clinic string) string {
	w.t.Helper()
	var parts []string
	for _, table := range w.ask("SELECT table_name::text FROM information_schema.columns WHERE table_schema = 'ponderal' AND column_name = 'clinic_id' ORDER BY 1") {
		parts = append(parts, table+"="+w.ask("SELECT coalesce(md5(string_agg(t::text, '|' ORDER BY t::text)), '') FROM ponderal."+table+
			" t WHERE t.clinic_id = $1", clinic)[0])
	}
	return strings.Join(parts, "\n")
}
