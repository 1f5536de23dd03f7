package e2e

import (
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
)

// askedFor says, for the fields of reading requests that name a record, which of a place's ids they take.
var askedFor = map[string]string{
	"GetClientRequest.id": "client", "GetReferralRequest.id": "referral", "GetJobProfileRequest.id": "job", "GetKitRequest.id": "kit",
	"GetMemberRequest.id": "member", "GetSessionRequest.id": "signed", "GetResultRequest.id": "result", "GetFindingRequest.session_id": "signed",
	"GetScoreHistoryRequest.session_id": "signed", "CompareFindingsRequest.session_id": "signed", "ListDisclosuresRequest.client_id": "client", "GetProtocolRequest.digest": "digest",
}

// examples are the requests of the methods that touch no stored record.
var examples = map[string]string{
	"AdviseRequest": "advice", "ScoreSessionRequest": "session", "GetHeartRateLimitsRequest": "heart-rate", "ClassifyStrengthRequest": "strength",
	"AnalyzeLiftingRequest": "lifting", "GetPopulationPercentileRequest": "percentile", "AnalyzeAgreementRequest": "agreement",
	"FindRecipesRequest": "recipes", "GetBodyLimitsRequest": "body", "AnalyzeHandsRequest": "hands", "EstimateAerobicDemandRequest": "aerobic",
	"AssessConsistencyRequest": "consistency",
}

// sample is a request of a method that names records of the place alone, and finds them. ok is false where nobody has said what to ask.
func sample(t *testing.T, m protoreflect.MethodDescriptor, p *place) (in proto.Message, ok bool) {
	t.Helper()
	if file, known := examples[string(m.Input().Name())]; known {
		in := dynamicpb.NewMessage(m.Input())
		text := must(os.ReadFile("../../testdata/examples/" + file + ".json"))(t)
		if err := protojson.Unmarshal(text, in); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		return in, true
	}
	if in, known := writesAt(t, p)[methodName(m)]; known {
		return in, true
	}
	if !reads(m) {
		return nil, false
	}
	return reading(m, p)
}

// reading fills in the fields of a reading request.
func reading(m protoreflect.MethodDescriptor, p *place) (proto.Message, bool) {
	in := dynamicpb.NewMessage(m.Input())
	for i := range m.Input().Fields().Len() {
		f := m.Input().Fields().Get(i)
		path := string(m.Input().Name()) + "." + string(f.Name())
		switch name, known := askedFor[path]; {
		case known:
			in.Set(f, protoreflect.ValueOfString(p.ids[name]))
		case f.Name() == "page", f.Name() == "revision", f.Name() == "since", f.Name() == "until", f.Name() == "filter", f.Name() == "after":
			// Left out: the first page, the newest revision, the usual period, no filter, from the first.
		case path == "ListEntriesRequest.action":
			// The reads of the auditor who asks are entries about the same client.
			in.Set(f, protoreflect.ValueOfString("client.put"))
		case path == "ExportEntriesRequest.format":
			in.Set(f, protoreflect.ValueOfEnum(1))
		case path == "CompareFindingsRequest.from_revision", path == "CompareFindingsRequest.to_revision":
			in.Set(f, protoreflect.ValueOfUint32(1))
		case f.Name() == "clinic_id":
			in.Set(f, protoreflect.ValueOfString(p.clinic))
		case path == "ListEntriesRequest.subject":
			in.Set(f, protoreflect.ValueOfString("client:"+p.ids["client"]))
		case path == "GetLogTileRequest.path":
			in.Set(f, protoreflect.ValueOfString("0/000.p/1"))
		case path == "GetConsistencyProofRequest.old_size":
			in.Set(f, protoreflect.ValueOfUint64(1))
		case path == "GetConsistencyProofRequest.new_size", path == "GetInclusionProofRequest.number", path == "GetInclusionProofRequest.size":
			// Left out: the log as it stands, its first entry.
		case path == "GetEntryRequest.number":
			in.Set(f, protoreflect.ValueOfUint64(number(p.ids["entry"])))
		default:
			return nil, false
		}
	}
	return in, true
}

func number(text string) (n uint64) {
	for _, digit := range text {
		n = n*10 + uint64(digit-'0')
	}
	return n
}

// writesAt has a writing request for every method that writes. Nothing in them is an id but those of the place and the new results'.
func writesAt(t *testing.T, p *place) map[string]proto.Message {
	t.Helper()
	const reason = "the matrix asks"
	ids := p.ids
	trial := proto.CloneOf(sessionAt(t, p, "corrected").Series[0].Trials[1])
	trial.HeartRateBpm = ptr(uint32(99))
	mass := &pb.Mass{Value: "10", Unit: pb.Unit_UNIT_LB}
	reviewed := pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED
	soon := timestamppb.New(day.Add(12 * time.Hour))
	// One that nobody has: what comes with the id of a stored one and other content would be kept.
	fresh := sessionAt(t, p, "unsigned")
	fresh.Id = id("5b", 70)
	all := map[string]proto.Message{
		"SessionService/PushSession": &pb.PushSessionRequest{Session: sessionAt(t, p, "unsigned")},
		"SessionService/CorrectTrial": &pb.CorrectTrialRequest{SessionId: ids["corrected"], SeriesNumber: 1, Trial: trial, ExpectedRevision: 1,
			Reason: reason},
		"SessionService/CorrectSession": &pb.CorrectSessionRequest{SessionId: ids["changed"], ExpectedRevision: 1, Reason: reason,
			Part: &pb.CorrectSessionRequest_Body{Body: &pb.BodyMeasures{StatureMm: 1700}}},
		"SessionService/RescoreSession": &pb.RescoreSessionRequest{SessionId: ids["rescored"], ExpectedRevision: 1, Reason: reason},
		"ResultService/SignResult": &pb.SignResultRequest{Proof: proof(), SessionId: ids["unsigned"], ResultId: id("9c", 1), SessionRevision: 1, Meaning: reviewed,
			Decision: pb.JobOutcome_JOB_OUTCOME_CANNOT_BE_DETERMINED, Comment: reason},
		"ResultService/SupersedeResult": &pb.SupersedeResultRequest{Proof: proof(), SupersededId: ids["result"], ResultId: id("9c", 2), SessionRevision: 1,
			Meaning: reviewed, Decision: pb.JobOutcome_JOB_OUTCOME_CANNOT_BE_DETERMINED, Comment: reason,
			Reason: reason},
		"ResultService/CountersignResult":  &pb.CountersignResultRequest{Proof: proof(), ResultId: ids["result"], CountersignatureId: id("cc", 1)},
		"SyncService/PushSessions":         &pb.PushSessionsRequest{Sessions: []*pb.Session{fresh}},
		"SyncService/PullChanges":          &pb.PullChangesRequest{},
		"SyncService/WatchChanges":         &pb.WatchChangesRequest{},
		"SyncService/ListSessionConflicts": &pb.ListSessionConflictsRequest{OpenOnly: true},
		"SyncService/ResolveSessionConflict": &pb.ResolveSessionConflictRequest{Id: ids["conflict"], ExpectedRevision: 1, Reason: reason,
			Decision: pb.ConflictDecision_CONFLICT_DECISION_STORED_STANDS},
		"ClientService/PutClient": &pb.PutClientRequest{Client: &pb.Client{Id: ids["client"], GivenName: "Pat", FamilyName: "Elsewhere",
			BirthDate: "1980-03-05", Sex: pb.Sex_SEX_FEMALE}, ExpectedRevision: 1},
		"ReferralService/PutReferral": &pb.PutReferralRequest{Referral: &pb.Referral{Id: ids["referral"], ClientId: ids["client"], PayerId: payer,
			ClaimNumber: "Y-1", JobProfileId: ids["job"]}, ExpectedRevision: 1},
		"ReferralService/PutRelease": &pb.PutReleaseRequest{Release: &pb.Release{Id: ids["release"], ReferralId: ids["referral"], PayerId: payer,
			Purpose: "claim", ExpiresAt: soon}, ExpectedRevision: 1},
	}
	maps.Copy(all, recordsAt(p, mass))
	maps.Copy(all, networkAt(p, soon, reason))
	maps.Copy(all, signInsAt(p, soon, reason))
	return all
}

// recordsAt are the writing requests that name no record but the one they write.
func recordsAt(p *place, mass *pb.Mass) map[string]proto.Message {
	return map[string]proto.Message{
		"ReferralService/PutJobProfile": &pb.PutJobProfileRequest{JobProfile: &pb.JobProfile{Id: p.ids["job"], Title: "Elsewhere",
			Tasks: []*pb.JobTask{{Name: "carry", Zone: pb.Zone_ZONE_CARRY, Pace: pb.Pace_PACE_OCCASIONAL, Load: mass}}}, ExpectedRevision: 1},
		"KitService/PutKit": &pb.PutKitRequest{Kit: &pb.Kit{Id: p.ids["kit"], Name: "Elsewhere",
			Tote:    &pb.Piece{Code: "T", Mass: mass, VerifiedOn: "2026-01-05"},
			Inserts: []*pb.Piece{{Code: "A", Mass: mass, VerifiedOn: "2026-01-05"}}}, ExpectedRevision: 1},
		"ProtocolService/PublishProtocol": &pb.PublishProtocolRequest{Protocol: &pb.Protocol{Name: "Elsewhere", Zones: []pb.Zone{pb.Zone_ZONE_CARRY},
			Pace: pb.Pace_PACE_OCCASIONAL, StartLoad: mass, Steps: []*pb.LoadStep{{Increment: mass}}, Repetitions: 1, RestSeconds: 60, EffortStop: 8,
			Source: "common practice, no source"}},
	}
}

// networkAt are the writing requests about people, tokens and the network.
func networkAt(p *place, soon *timestamppb.Timestamp, reason string) map[string]proto.Message {
	return map[string]proto.Message{
		"MemberService/PutMember": &pb.PutMemberRequest{ClinicId: p.clinic, Member: &pb.Member{Id: p.ids["member"], Name: "Elsewhere", Credential: "PT",
			Roles: []pb.Role{pb.Role_ROLE_EVALUATOR, pb.Role_ROLE_REVIEWER, pb.Role_ROLE_CLINIC_ADMIN}}, ExpectedRevision: 1},
		"TokenService/CreateToken": &pb.CreateTokenRequest{ClinicId: p.clinic, MemberId: p.ids["member"], Label: "elsewhere",
			Roles: []pb.Role{pb.Role_ROLE_EVALUATOR}, ExpiresAt: soon},
		"TokenService/RevokeToken": &pb.RevokeTokenRequest{ClinicId: p.clinic, Id: p.ids["token"], Reason: reason},
		"RetentionService/PutLegalHold": &pb.PutLegalHoldRequest{ClinicId: p.clinic, LegalHold: &pb.LegalHold{Id: id("4d", 1), ClientId: p.ids["client"],
			Reason: reason}},
		"ClinicService/PutClinic": &pb.PutClinicRequest{Clinic: &pb.Clinic{Id: p.clinic, Name: "Elsewhere", DisplayUnit: pb.Unit_UNIT_KG},
			ExpectedRevision: 1},
		"WebhookService/PutWebhook":     &pb.PutWebhookRequest{Webhook: &pb.Webhook{Id: id("eb", 1), PayerId: payer, Url: "https://hooks.payer.example/in"}},
		"WebhookService/ListWebhooks":   &pb.ListWebhooksRequest{},
		"WebhookService/ListDeliveries": &pb.ListDeliveriesRequest{PayerId: payer},
		"ClinicService/PutPayer":        &pb.PutPayerRequest{Payer: &pb.Payer{Id: id("bb", 1), Name: "Elsewhere"}},
	}
}

// uses are the names of the place's ids that stand in a request, in order.
func uses(t *testing.T, in proto.Message, p *place) []string {
	t.Helper()
	text := string(must(protojson.Marshal(in))(t))
	var names []string
	for name, value := range p.ids {
		if name == "entry" {
			// A number is taken for an entry's only where it is one.
			if in.ProtoReflect().Descriptor().Name() == "GetEntryRequest" {
				names = append(names, name)
			}
			continue
		}
		if strings.Contains(text, value) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// makes is the name of the id under which a request would store a record: `id` in a message of its own; empty where there is none.
func makes(in proto.Message, p *place) (made string) {
	in.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.Message() == nil || f.IsList() || f.IsMap() {
			return true
		}
		field := f.Message().Fields().ByName("id")
		if field == nil {
			return true
		}
		for name, value := range p.ids {
			if v.Message().Get(field).String() == value {
				made = name
			}
		}
		return true
	})
	return made
}

// moved is a request in which ids of one place are those of another.
func moved(t *testing.T, in proto.Message, from, to *place, names ...string) proto.Message {
	t.Helper()
	text := string(must(protojson.Marshal(in))(t))
	for _, name := range names {
		a, b := from.ids[name], to.ids[name]
		if name == "entry" {
			a, b = `"`+a+`"`, `"`+b+`"`
		}
		text = strings.ReplaceAll(text, a, b)
	}
	return parsed(t, in, text)
}

// naming is a request that names another clinic.
func naming(t *testing.T, in proto.Message, clinic string) proto.Message {
	t.Helper()
	out := proto.Clone(in)
	out.ProtoReflect().Set(out.ProtoReflect().Descriptor().Fields().ByName("clinic_id"), protoreflect.ValueOfString(clinic))
	return out
}

func parsed(t *testing.T, like proto.Message, text string) proto.Message {
	t.Helper()
	out := like.ProtoReflect().New().Interface()
	if err := protojson.Unmarshal([]byte(text), out); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return out
}
