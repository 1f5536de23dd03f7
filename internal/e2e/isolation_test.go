package e2e

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/gateway"
	"ponderal.example/internal/record"
)

const (
	eastMark = "markedeast"
	westMark = "markedwest"
)

// north is a clinic with people and nothing else.
var north = id("c1", 3)

// fill gives a clinic one record of every kind, with ids that are alike everywhere and a mark in every text, and a load of its own.
func (w *world) fill(clinic, mark string, load int) (digest, token string) {
	t, admin := w.t, w.admin(clinic)
	t.Helper()
	must(w.cases.PutClinic(w.ctx, w.network(""), record.Clinic{ID: clinic, Name: "Clinic " + mark, DisplayUnit: "lb"}, 0))(t)
	all := []record.Role{record.RoleEvaluator, record.RoleReviewer, record.RoleClinicAdmin}
	must(w.cases.PutMember(w.ctx, w.network(clinic), record.Member{ID: dana, Name: "Dana " + mark, Roles: all}, 0))(t)
	token = w.token(clinic, dana, all...)
	if mark == "" {
		return "", token
	}
	admin.MemberID = dana
	must(w.cases.PutClient(w.ctx, admin, record.Client{ID: id("a1", 1), GivenName: "Pat", FamilyName: mark, BirthDate: "1980-03-05", Sex: record.Female}, 0))(t)
	must(w.cases.PutJobProfile(w.ctx, admin, record.JobProfile{ID: id("b1", 1), Title: mark, Tasks: []record.JobTask{
		{Name: mark, Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, load)}}}, 0))(t)
	must(w.cases.PutReferral(w.ctx, admin, record.Referral{ID: id("e1", 1), ClientID: id("a1", 1), PayerID: payer, ClaimNumber: mark, JobProfileID: id("b1", 1)}, 0))(t)
	must(w.cases.PutRelease(w.ctx, admin, record.Release{ID: id("4e", 1), ReferralID: id("e1", 1), PayerID: payer, Purpose: mark,
		ExpiresAt: record.TimeOf(day.Add(240 * time.Hour))}, 0))(t)
	must(w.cases.PutKit(w.ctx, admin, record.Kit{ID: id("f1", 1), Name: mark, Tote: record.Piece{Code: "T", Mass: lb(t, 5), VerifiedOn: "2026-01-05"},
		Inserts: []record.Piece{{Code: "A", Mass: lb(t, 10), VerifiedOn: "2026-01-05"}}}, 0))(t)
	digest = must(w.cases.PublishProtocol(w.ctx, admin, record.Protocol{Name: mark, Zones: []record.Zone{record.FloorWaist},
		Pace: record.Occasional, StartLoad: lb(t, 15), Steps: []record.LoadStep{{Increment: lb(t, 10)}}, Repetitions: 1, RestSeconds: 60,
		EffortStop: 16, RequiresHeartRate: true, RequiresEffortRating: true, Source: "common practice, no source"}))(t).Value.Digest
	s := session(t, digest, 1)
	s.Series[0].StopNote = mark
	s.Series[0].Trials[2].Load.Value = fmt.Sprint(load)
	call := w.service.As(token, caller.GRPC)
	must(w.push(call, s))(t)
	must(w.cases.SignResult(w.ctx, principal(clinic), casework.Signing{Proof: casework.SignerProof{Password: "right"}, SessionID: s.Id, ResultID: id("9a", 1), SessionRevision: 1,
		Meaning: record.MeaningReviewed, Decision: record.CannotBeDetermined, Comment: mark}))(t)
	return digest, token
}

func principal(clinic string) authn.Principal {
	return authn.Principal{TokenID: id("aa", 3), MemberID: dana, ClinicID: clinic, Roles: []record.Role{record.RoleReviewer}, Role: record.RoleReviewer}
}

// fields are the values by which requests of every method ask for the records of another clinic.
func fields(digest string) map[string]string {
	return map[string]string{
		"GetClientRequest.id": id("a1", 1), "GetReferralRequest.id": id("e1", 1), "GetJobProfileRequest.id": id("b1", 1), "GetKitRequest.id": id("f1", 1),
		"GetMemberRequest.id": dana, "GetSessionRequest.id": id("5e", 1), "GetResultRequest.id": id("9a", 1), "GetFindingRequest.session_id": id("5e", 1),
		"GetScoreHistoryRequest.session_id": id("5e", 1), "CompareFindingsRequest.session_id": id("5e", 1),
		"ListDisclosuresRequest.client_id": id("a1", 1), "GetProtocolRequest.digest": digest,
	}
}

// scoped are the methods of the contract that act on a clinic, by their declared scope.
func scoped(t *testing.T) []protoreflect.MethodDescriptor {
	t.Helper()
	var out []protoreflect.MethodDescriptor
	for _, service := range gateway.Services() {
		for i := range service.Methods().Len() {
			m := service.Methods().Get(i)
			access, ok := proto.GetExtension(m.Options(), pb.E_Access).(*pb.Access)
			if !ok || access == nil {
				t.Fatalf("%s has no access rule", m.FullName())
			}
			if access.Scope == pb.Scope_SCOPE_CLINIC || access.Scope == pb.Scope_SCOPE_NAMED_CLINIC {
				out = append(out, m)
			}
		}
	}
	return out
}

func methodName(m protoreflect.MethodDescriptor) string {
	return string(m.Parent().Name()) + "/" + string(m.Name())
}

func reads(m protoreflect.MethodDescriptor) bool {
	for _, word := range []string{"Get", "List", "Compare", "Export", "Pull", "Watch"} {
		if strings.HasPrefix(string(m.Name()), word) {
			return true
		}
	}
	return false
}

// asking makes a reading request with every id filled in; named is the clinic that it names, if it has a field for one.
func asking(t *testing.T, m protoreflect.MethodDescriptor, digest, named string) *dynamicpb.Message {
	t.Helper()
	in := dynamicpb.NewMessage(m.Input())
	known := fields(digest)
	for i := range m.Input().Fields().Len() {
		f := m.Input().Fields().Get(i)
		switch {
		case f.Name() == "clinic_id":
			if named != "" {
				in.Set(f, protoreflect.ValueOfString(named))
			}
		case f.Kind() == protoreflect.Uint32Kind && strings.HasSuffix(string(f.Name()), "_revision"):
			in.Set(f, protoreflect.ValueOfUint32(1))
		case f.Kind() == protoreflect.EnumKind && f.Name() == "format":
			in.Set(f, protoreflect.ValueOfEnum(1))
		case f.Kind() == protoreflect.StringKind && f.Name() != "action" && f.Name() != "subject" && f.Name() != "after" && f.Name() != "cursor":
			value, ok := known[string(m.Input().Name())+"."+string(f.Name())]
			if !ok {
				t.Fatalf("%s: this test does not know what to ask for in %s", m.FullName(), f.Name())
			}
			in.Set(f, protoreflect.ValueOfString(value))
		}
	}
	return in
}

// TestReadsStayInTheClinic calls every reading method with equal ids from a clinic that has records of those ids, and from one that has none.
// The first sees its own only, the second nothing; and naming another clinic is refused.
func TestReadsStayInTheClinic(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	eastDigest, _ := w.fill(east, eastMark, 37)
	westDigest, westToken := w.fill(west, westMark, 36)
	_, northToken := w.fill(north, "", 0)
	tried := 0
	for _, m := range scoped(t) {
		if !reads(m) || m.Name() == "WatchChanges" { // a stream without an end: the access matrix and the use case's own tests try it
			continue
		}
		for _, way := range both {
			tried++
			name := fmt.Sprintf("%s over %v", methodName(m), way)
			w.sees(t, name, w.service.As(westToken, way), m, asking(t, m, westDigest, ""), west, true)
			w.sees(t, name+", other clinic's digest", w.service.As(westToken, way), m, asking(t, m, eastDigest, ""), west, false)
			w.sees(t, name+", from the empty clinic", w.service.As(northToken, way), m, asking(t, m, eastDigest, ""), north, false)
			if m.Input().Fields().ByName("clinic_id") == nil {
				continue
			}
			out := dynamicpb.NewMessage(m.Output())
			err := w.service.As(westToken, way).Call(w.ctx, methodName(m), asking(t, m, eastDigest, east), out)
			problem(t, name+", naming the other clinic", way, err, "PERMISSION_DENIED", 403)
		}
	}
	if tried < 30 {
		t.Errorf("only %d reads tried", tried)
	}
}

// nothingThere are the reads that find nothing in these clinics, with the reason.
var nothingThere = map[string]string{
	"AuditService/CompareFindings":     "a revision does not differ from itself",
	"AuditService/ListDisclosures":     "nothing was disclosed",
	"IdentityService/ListIdentities":   "nobody signs in",
	"SyncService/ListSessionConflicts": "no session came twice with other content",
	"RetentionService/ListLegalHolds":  "there is no hold",
}

// sees calls a reading method; nothing of the other clinic may show, and with own something of the caller's clinic must.
func (w *world) sees(t *testing.T, name string, call caller.Caller, m protoreflect.MethodDescriptor, in proto.Message, clinic string, own bool) {
	t.Helper()
	if f := m.Input().Fields().ByName("clinic_id"); f != nil && m.Name() == "GetClinic" {
		in.ProtoReflect().Set(f, protoreflect.ValueOfString(clinic))
	}
	out := dynamicpb.NewMessage(m.Output())
	err := call.Call(w.ctx, methodName(m), in, out)
	if p, ok := caller.AsProblem(err); err != nil && (own || !ok || p.Code != "NOT_FOUND") {
		t.Errorf("%s: %v", name, err)
		return
	}
	text := string(must(protojson.Marshal(out))(t))
	if f := m.Output().Fields().ByName("data"); f != nil && m.Output().Name() == "HttpBody" {
		text += string(out.Get(f).Bytes())
	}
	for _, mark := range []string{eastMark, east, `"37"`} {
		if strings.Contains(text, mark) || err != nil && strings.Contains(err.Error(), mark) {
			t.Errorf("%s: shows %q of the other clinic: %s", name, mark, text)
		}
	}
	ownMarks := []string{westMark, west, `"36"`}
	shown := slices.ContainsFunc(ownMarks, func(mark string) bool { return strings.Contains(text, mark) })
	if own && !shown && nothingThere[methodName(m)] == "" {
		t.Errorf("%s: shows nothing of the own clinic: %s", name, text)
	}
}
