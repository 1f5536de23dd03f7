package rpc

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// TestIdentitiesComeBack: each kind of holder and of proof is read and shown again as it was.
func TestIdentitiesComeBack(t *testing.T) {
	const a, b = "019a0000-0000-7000-8000-0000000000aa", "019a0000-0000-7000-8000-0000000000bb"
	moment := time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)
	for name, m := range map[string]*pb.Identity{
		"member with a login":   {Id: a, MemberId: b, Proof: &pb.Identity_Login{Login: "dana.w"}, Revoked: true},
		"member with a subject": {Id: a, MemberId: b, Proof: &pb.Identity_Openid{Openid: &pb.OpenIDSubject{Issuer: "https://id.example", Subject: "s 1"}}},
		"payer":                 {Id: a, PayerId: b, Proof: &pb.Identity_CertificateSha256{CertificateSha256: "ab"}},
		"person of the network": {Id: a, NetworkName: "Noa Reyes", NetworkRoles: []pb.Role{pb.Role_ROLE_NETWORK_ADMIN, pb.Role_ROLE_NETWORK_AUDITOR}, Proof: &pb.Identity_Login{Login: "noa"}},
	} {
		m.SetUp = true
		m.Revision = &pb.Revision{Number: 2, EntryNumber: 7, RecordedAt: timestamppb.New(moment)}
		r, w := &reader{}, &writer{}
		v := r.identity(m, "identity")
		got := w.identity(record.Stored[casework.IdentityView]{Value: casework.IdentityView{Identity: v, SetUp: true},
			Revision: record.Revision{Number: 2, Entry: 7, At: record.TimeOf(moment)}})
		if diff := cmp.Diff(m, got, protocmp.Transform()); diff != "" || len(r.violations) > 0 || w.err != nil {
			t.Errorf("%s: %v, %v\n%s", name, r.violations, w.err, diff)
		}
	}
	w := &writer{}
	if w.identity(record.Stored[casework.IdentityView]{}); w.err == nil {
		t.Error("an identity without a proof is shown")
	}
	r := &reader{}
	r.identity(&pb.Identity{Id: nilID, NetworkName: "two\nlines", Proof: &pb.Identity_Login{Login: "a\u202eb"}}, "identity")
	if len(r.violations) != 3 {
		t.Errorf("violations %v", r.violations)
	}
}
