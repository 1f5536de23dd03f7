package e2e

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

// otherPayer is a second insurer of the network.
var otherPayer = id("ba", 2)

// payerToken makes the token of a payer's system.
func (w *world) payerToken(payer string) string {
	w.t.Helper()
	_, secret, err := w.cases.BootstrapToken(w.ctx, casework.NewToken{PayerID: payer, Label: "claims", Roles: []record.Role{record.RolePayer},
		ExpiresAt: record.TimeOf(day.Add(48 * time.Hour))})
	if err != nil {
		w.t.Fatal(err)
	}
	return secret
}

// case2 is a second case of the clinic's client, for the other payer: referral, session and result, and a release unless it is withheld.
func (w *world) case2(clinic, token, digest, result string, released bool) {
	t, admin := w.t, w.admin(clinic)
	t.Helper()
	must(w.cases.PutReferral(w.ctx, admin, record.Referral{ID: id("e1", 2), ClientID: id("a1", 1), PayerID: otherPayer, ClaimNumber: "B-2"}, 0))(t)
	if released {
		must(w.cases.PutRelease(w.ctx, admin, record.Release{ID: id("4e", 2), ReferralID: id("e1", 2), PayerID: otherPayer, Purpose: "claim",
			ExpiresAt: record.TimeOf(day.Add(240 * time.Hour))}, 0))(t)
	}
	s := session(t, digest, 2)
	s.ReferralId = id("e1", 2)
	must(w.push(w.service.As(token, caller.GRPC), s))(t)
	must(w.cases.SignResult(w.ctx, principal(clinic), casework.Signing{Proof: casework.SignerProof{Password: "right"}, SessionID: s.Id, ResultID: result, SessionRevision: 1,
		Meaning: record.MeaningReviewed}))(t)
}

// TestPayersSeeTheirOwnFeed: two payers with cases in two clinics. Each pulls its own results, in one gap-free order, and the other's are to it
// as if they were not; so are its own that nobody released.
func TestPayersSeeTheirOwnFeed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	must(w.cases.PutPayer(w.ctx, w.network(""), record.Payer{ID: otherPayer, Name: "Imagined Assurance"}, 0))(t)
	digest, token := w.fill(east, eastMark, 37)
	eastSecond, withheld := id("9b", 2), id("9b", 3)
	w.case2(east, token, digest, eastSecond, true)
	digest, token = w.fill(west, westMark, 36)
	w.case2(west, token, digest, withheld, false)
	// The first case of each clinic has the same result id, and is the first payer's.
	wants := map[string][]string{payer: {id("9a", 1), id("9a", 1)}, otherPayer: {eastSecond}}
	for who, want := range wants {
		token := w.payerToken(who)
		for _, way := range both {
			call := w.service.As(token, way)
			feed := must(caller.Do[pb.ListFeedResponse](w.ctx, call, "FeedService/ListFeed", &pb.ListFeedRequest{}))(t)
			var got []string
			for i, item := range feed.Items {
				got = append(got, item.Result.GetId())
				if item.Number != uint64(i+1) || item.Withheld || item.Result.GetBundle() == nil {
					t.Errorf("%s over %v: item %d is number %d, withheld %v", who, way, i, item.Number, item.Withheld)
				}
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s over %v: results %v, want %v", who, way, got, want)
			}
			for _, result := range []string{id("9a", 1), eastSecond, withheld, id("9b", 1)} {
				_, err := caller.Do[pb.GetResultResponse](w.ctx, call, "ResultService/GetResult", &pb.GetResultRequest{Id: result})
				if slices.Contains(want, result) {
					if err != nil {
						t.Errorf("%s over %v: its own result %s: %v", who, way, result, err)
					}
					continue
				}
				problem(t, fmt.Sprintf("%s asks for %s", who, result), way, err, "NOT_FOUND", 404)
			}
		}
	}
}

// TestNetworkRecordsNeedTheNetwork: clinics and payers are put by the network's administrator, and by nobody else.
func TestNetworkRecordsNeedTheNetwork(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.ready(east)
	network := func(role record.Role) string {
		_, secret, err := w.cases.BootstrapToken(w.ctx, casework.NewToken{Label: "network", Roles: []record.Role{role}, ExpiresAt: record.TimeOf(day.Add(time.Hour))})
		if err != nil {
			t.Fatal(err)
		}
		return secret
	}
	tokens := map[string]string{
		"evaluator": w.token(east, dana, record.RoleEvaluator), "reviewer": w.token(east, dana, record.RoleReviewer),
		"clinic administrator": w.token(east, robin, record.RoleClinicAdmin), "station": w.token(east, "", record.RoleStation),
		"payer": w.payerToken(payer), "network auditor": network(record.RoleNetworkAuditor),
	}
	administrator := network(record.RoleNetworkAdmin)
	before := w.rows()
	requests := func(n int) map[string]proto.Message {
		return map[string]proto.Message{
			"ClinicService/PutClinic": &pb.PutClinicRequest{Clinic: &pb.Clinic{Id: id("c2", n), Name: "New", DisplayUnit: pb.Unit_UNIT_KG}},
			"ClinicService/PutPayer":  &pb.PutPayerRequest{Payer: &pb.Payer{Id: id("bb", n), Name: "New"}},
			"MemberService/PutMember": &pb.PutMemberRequest{ClinicId: west, Member: &pb.Member{Id: id("db", n), Name: "New"}},
			"TokenService/CreateToken": &pb.CreateTokenRequest{Label: "new", Roles: []pb.Role{pb.Role_ROLE_NETWORK_ADMIN},
				ExpiresAt: timestamppb.New(day.Add(time.Hour))},
		}
	}
	for who, token := range tokens {
		for method, in := range requests(1) {
			for _, way := range both {
				err := w.service.As(token, way).Call(w.ctx, method, in, &pb.PutClinicResponse{})
				if p, ok := caller.AsProblem(err); who == "clinic administrator" && method == "TokenService/CreateToken" && ok && p.Names("roles") {
					continue // may make tokens, but not such
				}
				problem(t, who+" calls "+method, way, err, "PERMISSION_DENIED", 403)
			}
		}
	}
	if after := w.rows(); after != before {
		t.Errorf("something was stored:\n%s\nbefore\n%s", after, before)
	}
	must(w.cases.PutClinic(w.ctx, w.network(""), record.Clinic{ID: west, Name: "West", DisplayUnit: "lb"}, 0))(t)
	for n, way := range both {
		for method, in := range requests(n + 1) {
			var out proto.Message = &pb.PutClinicResponse{}
			switch method {
			case "ClinicService/PutPayer":
				out = &pb.PutPayerResponse{}
			case "MemberService/PutMember":
				out = &pb.PutMemberResponse{}
			case "TokenService/CreateToken":
				out = &pb.CreateTokenResponse{}
			}
			if err := w.service.As(administrator, way).Call(w.ctx, method, in, out); err != nil || len(must(protojson.Marshal(out))(t)) < 10 {
				t.Errorf("the network's administrator calls %s over %v: %v, %v", method, way, err, out)
			}
		}
	}
}
