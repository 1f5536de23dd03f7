package e2e

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

// TestReleaseWithoutRawTrials: over both transports a payer without raw trials gets a result that verifies, with the digest in their place; the clinic's people get
// all; and the accounting tells who was shown what, and under which release.
func TestReleaseWithoutRawTrials(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	result := id("9a", 1)
	w.fill(east, eastMark, 37)
	person := w.token(east, dana, record.RoleReviewer)
	auditor, _ := w.mint(casework.NewToken{Label: "auditor", Roles: []record.Role{record.RoleNetworkAuditor}}, 48*time.Hour)
	release := &pb.Release{Id: id("4e", 1), ReferralId: id("e1", 1), PayerId: payer, Purpose: "claim", ExpiresAt: timestamppb.New(day.Add(240 * time.Hour)),
		ResultIds: []string{result, id("9a", 77)}}
	for _, way := range both {
		_, err := caller.Do[pb.PutReleaseResponse](w.ctx, w.service.As(person, way), "ReferralService/PutRelease", &pb.PutReleaseRequest{Release: release, ExpectedRevision: 1})
		if p := problem(t, "a result that is not the referral's", way, err, "INVALID_ARGUMENT", 400); p == nil || len(p.Fields) != 1 || p.Fields[0].Path != "release.result_ids[1]" {
			t.Errorf("over %v: names %v", way, p)
		}
	}
	release.ResultIds = release.ResultIds[:1]
	put := must(caller.Do[pb.PutReleaseResponse](w.ctx, w.service.As(person, caller.REST), "ReferralService/PutRelease",
		&pb.PutReleaseRequest{Release: release, ExpectedRevision: 1}))(t)
	if got := put.Release; got.WithRawTrials || len(got.ResultIds) != 1 {
		t.Errorf("stored %v", got)
	}
	for _, way := range both {
		shown := must(caller.Do[pb.GetResultResponse](w.ctx, w.service.As(w.payerToken(payer), way), "ResultService/GetResult", &pb.GetResultRequest{Id: result}))(t)
		whole := must(caller.Do[pb.GetResultResponse](w.ctx, w.service.As(person, way), "ResultService/GetResult", &pb.GetResultRequest{Id: result}))(t)
		w.without(way, shown.Result, whole.Result)
	}
	for _, way := range both {
		for who, token := range map[string]string{"a clinic's own": person, "the network's auditor": auditor} {
			got := must(caller.Do[pb.ListDisclosuresResponse](w.ctx, w.service.As(token, way), "AuditService/ListDisclosures",
				&pb.ListDisclosuresRequest{ClientId: id("a1", 1), ClinicId: east}))(t)
			if len(got.Disclosures) != 2 || got.NextCursor != "" {
				t.Fatalf("%s over %v: %v", who, way, got)
			}
			for _, d := range got.Disclosures {
				want := &pb.Disclosure{At: d.At, PayerId: payer, PayerName: "Invented Mutual", ResultId: result, ReleaseId: release.Id, Purpose: "claim",
					TokenId: d.TokenId, Label: "claims", EntryNumber: d.EntryNumber, RequestId: d.RequestId, SessionId: id("5e", 1)}
				if !proto.Equal(d, want) || d.EntryNumber == 0 || d.TokenId == "" || d.RequestId == "" || d.At == nil {
					t.Errorf("%s over %v: %v, want %v", who, way, d, want)
				}
			}
		}
	}
}

// without compares what a payer without raw trials is shown with what the clinic's people are.
func (w *world) without(way caller.Way, shown, whole *pb.Result) {
	t := w.t
	t.Helper()
	if b := shown.Bundle; b.Format != bundle.Format2 || b.Enclosed != "" || b.EnclosedSalt != "" || b.Jws != whole.Bundle.Jws {
		t.Errorf("over %v: a bundle of %s with %d bytes of raw trials", way, b.Format, len(b.Enclosed))
	}
	if b := whole.Bundle; b.Format != bundle.Format2 || !strings.Contains(b.Enclosed, `"heart_rate"`) || b.EnclosedSalt == "" {
		t.Errorf("over %v: the clinic's own people get a bundle of %s with %d bytes of raw trials", way, b.Format, len(b.Enclosed))
	}
	for rerun, r := range map[bool]*pb.Result{false: shown, true: whole} {
		report, err := bundle.Verify(w.published(), must(bundle.Decode(must(protojson.Marshal(r))(t)))(t), "")
		if err != nil || report.Rerun != rerun {
			t.Errorf("over %v: engine run again %v, want %v: %v", way, report.Rerun, rerun, err)
		}
		if err := report.Around(must(protojson.Marshal(r))(t)); err != nil {
			t.Errorf("over %v: %v", way, err)
		}
	}
}
