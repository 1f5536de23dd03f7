package e2e

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/auditcheck"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// change is one way to change what is stored. Each nth request of it is another change.
type change struct {
	method string
	// by is who asks.
	by string
	// prepare stores what the nth request needs and returns the request.
	prepare func(n int) proto.Message
	answer  proto.Message
	// perCall says that each call is a change of its own, a repetition too: a disclosure, a token with a new secret.
	perCall bool
	// again is how a repetition is answered that finds the change made; empty where it gets the answer that the first was to get.
	again string
}

// scene is a clinic in which every change can be asked for.
type scene struct {
	*world
	digest string
	calls  map[string]caller.Caller
	// tables is the query that counts what is stored.
	tables string
}

func newScene(t testing.TB) *scene {
	t.Helper()
	s := &scene{world: newWorld(t)}
	s.digest = s.ready(east)
	must(s.cases.PutJobProfile(s.ctx, s.admin(east), record.JobProfile{ID: id("b1", 1), Title: "Stock clerk", Tasks: []record.JobTask{
		{Name: "shelve boxes", Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, 36)}}}, 0))(t)
	s.calls = map[string]caller.Caller{
		"station":  s.service.As(s.token(east, "", record.RoleStation), caller.GRPC),
		"reviewer": s.service.As(s.token(east, dana, record.RoleEvaluator, record.RoleReviewer), caller.GRPC),
		"admin":    s.service.As(s.token(east, robin, record.RoleClinicAdmin), caller.GRPC),
		"payer":    s.service.As(s.payerToken(payer), caller.GRPC),
	}
	s.released(1)
	var parts []string
	for _, table := range s.ask(`SELECT DISTINCT table_name::text FROM information_schema.columns
		WHERE table_schema = 'ponderal' AND column_name = 'entry_number' ORDER BY 1`) {
		parts = append(parts, fmt.Sprintf("SELECT '%[1]s', count(*) FROM ponderal.%[1]s", table))
	}
	s.tables = strings.Join(append(parts, "SELECT 'audit_entry', count(*) FROM ponderal.audit_entry",
		"SELECT 'audit_head', coalesce(sum(size), 0)::int8 FROM ponderal.audit_head"), " UNION ALL ")
	return s
}

// stored counts the rows of every table that the log accounts for, and the entries, and what the heads say of them.
func (s *scene) stored() map[string]int64 {
	s.t.Helper()
	got := map[string]int64{}
	rows, err := s.super.Query(s.ctx, s.tables)
	if err != nil {
		s.t.Fatal(err)
	}
	var table string
	var count int64
	if _, err := pgx.ForEachRow(rows, []any{&table, &count}, func() error { got[table] = count; return nil }); err != nil {
		s.t.Fatal(err)
	}
	return got
}

// since is what was added to each table.
func (s *scene) since(before map[string]int64) string {
	s.t.Helper()
	after := s.stored()
	var added []string
	for _, table := range slices.Sorted(maps.Keys(after)) {
		if n := after[table] - before[table]; n != 0 {
			added = append(added, fmt.Sprintf("%s+%d", table, n))
		}
	}
	return strings.Join(added, " ")
}

// request asks for a change.
func (s *scene) request(ctx context.Context, c change, in proto.Message) (proto.Message, error) {
	out := c.answer.ProtoReflect().New().Interface()
	err := s.calls[c.by].Call(ctx, c.method, in, out)
	return out, err
}

// pushed stores the nth session, of a referral.
func (s *scene) pushed(n int, referral string) *pb.Session {
	s.t.Helper()
	in := session(s.t, s.digest, n)
	in.ReferralId = referral
	must(s.push(s.calls["station"], in))(s.t)
	return in
}

func (s *scene) signed(n int, referral string) *pb.Session {
	s.t.Helper()
	in := s.pushed(n, referral)
	must(s.cases.SignResult(s.ctx, principal(east), casework.Signing{Proof: casework.SignerProof{Password: "right"}, SessionID: in.Id, ResultID: id("9a", n), SessionRevision: 1,
		Meaning: record.MeaningReviewed}))(s.t)
	return in
}

// referral makes the nth referral.
func (s *scene) referral(n int) string {
	s.t.Helper()
	must(s.cases.PutReferral(s.ctx, s.admin(east), record.Referral{ID: id("e2", n), ClientID: id("a1", 1), PayerID: payer, ClaimNumber: fmt.Sprint("N-", n)}, 0))(s.t)
	return id("e2", n)
}

// released makes a result that the payer may see.
func (s *scene) released(n int) {
	s.t.Helper()
	referral := s.referral(n)
	s.signed(n, referral)
	must(s.cases.PutRelease(s.ctx, s.admin(east), record.Release{ID: id("4e", n), ReferralID: referral, PayerID: payer, Purpose: "claim",
		ExpiresAt: record.TimeOf(day.Add(240 * time.Hour))}, 0))(s.t)
}

// changes are those of every kind: what one may change, and the payer's reads, which are entries.
func (s *scene) changes() []change {
	return slices.Concat(s.sessionChanges(), s.resultChanges(), s.recordChanges())
}

func (s *scene) sessionChanges() []change {
	const reason = "the sheet was misread"
	first := id("e1", 1)
	return []change{
		{method: "SessionService/PushSession", by: "station", answer: &pb.PushSessionResponse{}, prepare: func(n int) proto.Message {
			return &pb.PushSessionRequest{Session: session(s.t, s.digest, n)}
		}},
		{method: "SessionService/CorrectTrial", by: "reviewer", answer: &pb.CorrectTrialResponse{}, prepare: func(n int) proto.Message {
			in := s.pushed(n, first)
			trial := in.Series[0].Trials[1]
			trial.HeartRateBpm = ptr(uint32(99))
			return &pb.CorrectTrialRequest{SessionId: in.Id, SeriesNumber: 1, Trial: trial, ExpectedRevision: 1, Reason: reason}
		}},
		{method: "SessionService/CorrectSession", by: "reviewer", answer: &pb.CorrectSessionResponse{}, prepare: func(n int) proto.Message {
			return &pb.CorrectSessionRequest{SessionId: s.pushed(n, first).Id, ExpectedRevision: 1, Reason: reason,
				Part: &pb.CorrectSessionRequest_Body{Body: &pb.BodyMeasures{StatureMm: 1700}}}
		}},
		{method: "SessionService/RescoreSession", by: "reviewer", answer: &pb.RescoreSessionResponse{}, again: "ABORTED", prepare: func(n int) proto.Message {
			referral := s.referral(n)
			in := s.pushed(n, referral)
			// With a job to hold it against, the finding is another.
			must(s.cases.PutReferral(s.ctx, s.admin(east), record.Referral{ID: referral, ClientID: id("a1", 1), PayerID: payer, ClaimNumber: fmt.Sprint("N-", n),
				JobProfileID: id("b1", 1)}, 1))(s.t)
			return &pb.RescoreSessionRequest{SessionId: in.Id, ExpectedRevision: 1, Reason: "the job is known now"}
		}},
	}
}

func (s *scene) resultChanges() []change {
	const reviewed = pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED
	return []change{
		{method: "ResultService/SignResult", by: "reviewer", answer: &pb.SignResultResponse{}, prepare: func(n int) proto.Message {
			return &pb.SignResultRequest{Proof: proof(), SessionId: s.pushed(n, id("e1", 1)).Id, ResultId: id("9a", n), SessionRevision: 1, Meaning: reviewed}
		}},
		{method: "ResultService/SupersedeResult", by: "reviewer", answer: &pb.SupersedeResultResponse{}, prepare: func(n int) proto.Message {
			s.signed(n, id("e1", 1))
			return &pb.SupersedeResultRequest{Proof: proof(), SupersededId: id("9a", n), ResultId: id("9b", n), SessionRevision: 1, Meaning: reviewed, Reason: "a word was wrong"}
		}},
		{method: "ReferralService/PutRelease", by: "admin", answer: &pb.PutReleaseResponse{}, prepare: func(n int) proto.Message {
			referral := s.referral(n)
			s.signed(n, referral)
			return &pb.PutReleaseRequest{Release: &pb.Release{Id: id("4e", n), ReferralId: referral, PayerId: payer, Purpose: "claim",
				ExpiresAt: timestamppb.New(day.Add(240 * time.Hour))}}
		}},
		{method: "ResultService/GetResult", by: "payer", perCall: true, answer: &pb.GetResultResponse{}, prepare: func(int) proto.Message {
			return &pb.GetResultRequest{Id: id("9a", 1)}
		}},
		{method: "FeedService/ListFeed", by: "payer", perCall: true, answer: &pb.ListFeedResponse{}, prepare: func(int) proto.Message {
			return &pb.ListFeedRequest{Page: &pb.Page{Size: 1}}
		}},
	}
}

func (s *scene) recordChanges() []change {
	mass := &pb.Mass{Value: "10", Unit: pb.Unit_UNIT_LB}
	return []change{
		{method: "ClientService/PutClient", by: "admin", answer: &pb.PutClientResponse{}, prepare: func(n int) proto.Message {
			return &pb.PutClientRequest{Client: &pb.Client{Id: id("a1", n), GivenName: "Pat", FamilyName: "Example", BirthDate: "1980-03-05", Sex: pb.Sex_SEX_FEMALE}}
		}},
		{method: "KitService/PutKit", by: "admin", answer: &pb.PutKitResponse{}, prepare: func(n int) proto.Message {
			return &pb.PutKitRequest{Kit: &pb.Kit{Id: id("f1", n), Name: "Kit", Tote: &pb.Piece{Code: "T", Mass: mass, VerifiedOn: "2026-01-05"},
				Inserts: []*pb.Piece{{Code: "A", Mass: mass, VerifiedOn: "2026-01-05"}}}}
		}},
		{method: "ProtocolService/PublishProtocol", by: "admin", answer: &pb.PublishProtocolResponse{}, prepare: func(n int) proto.Message {
			return &pb.PublishProtocolRequest{Protocol: &pb.Protocol{Name: fmt.Sprint("Carry ", n), Zones: []pb.Zone{pb.Zone_ZONE_CARRY},
				Pace: pb.Pace_PACE_OCCASIONAL, StartLoad: mass, Steps: []*pb.LoadStep{{Increment: mass}}, Repetitions: 1, RestSeconds: 60, EffortStop: 8,
				Source: "common practice, no source"}}
		}},
		{method: "RetentionService/PutLegalHold", by: "admin", answer: &pb.PutLegalHoldResponse{}, prepare: func(n int) proto.Message {
			return &pb.PutLegalHoldRequest{ClinicId: east, LegalHold: &pb.LegalHold{Id: id("4d", n), ClientId: id("a1", 1), Reason: "a claim is disputed"}}
		}},
		{method: "TokenService/CreateToken", by: "admin", perCall: true, answer: &pb.CreateTokenResponse{}, prepare: func(int) proto.Message {
			return &pb.CreateTokenRequest{ClinicId: east, Label: "station", Roles: []pb.Role{pb.Role_ROLE_STATION}, ExpiresAt: timestamppb.New(day.Add(time.Hour))}
		}},
		{method: "TokenService/RevokeToken", by: "admin", answer: &pb.RevokeTokenResponse{}, prepare: func(int) proto.Message {
			tokenID, _ := s.newToken(east, "", record.RoleStation)
			return &pb.RevokeTokenRequest{ClinicId: east, Id: tokenID, Reason: "the tablet is lost"}
		}},
	}
}

// refused demands an answer that says to try again, and nothing of the inside.
func refused(t testing.TB, c change, err error, codes ...string) {
	t.Helper()
	p, ok := caller.AsProblem(err)
	if !ok || !slices.Contains(codes, p.Code) {
		t.Errorf("%s: %v, want one of %v", c.method, err, codes)
		return
	}
	for _, inside := range []string{"SQLSTATE", "pgx", "EOF", "127.0.0.1", "audit_entry", "ponderal.", "tablespace", "No space", "connection"} {
		if strings.Contains(p.Text, inside) {
			t.Errorf("%s: the answer tells of the inside: %s", c.method, p.Text)
		}
	}
}

// repeated sends a request again that was not answered, and demands that the change is made then, once.
func (s *scene) repeated(c change, in proto.Message, made bool) {
	s.t.Helper()
	_, err := s.request(s.ctx, c, in)
	if made && c.again != "" {
		refused(s.t, c, err, c.again)
	} else if err != nil {
		s.t.Errorf("%s again: %v", c.method, err)
	}
}

// whole runs the audit check over all that is stored.
func (s *scene) whole() {
	s.t.Helper()
	st := must(store.Open(s.ctx, store.Options{URL: s.db.ServiceURL, MaxConns: 2}))(s.t)
	defer st.Close()
	report := must(auditcheck.Run(s.ctx, auditcheck.Options{Store: st, Ring: s.published(), LogName: "log.ponderal.example"}))(s.t)
	if !report.OK() {
		s.t.Errorf("the audit check finds %v", report.Problems)
	}
}
