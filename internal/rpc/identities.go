package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// IdentityCases are the use cases of identities: ways of proving who one is.
type IdentityCases interface {
	PutIdentity(context.Context, authn.Principal, record.Identity, int) (record.Stored[casework.IdentityView], error)
	ListIdentities(context.Context, authn.Principal, record.Page) (record.List[casework.IdentityView], error)
	IssueSetupCode(ctx context.Context, p authn.Principal, identityID, reason string) (casework.IssuedCode, error)
}

type identities struct {
	pb.UnimplementedIdentityServiceServer
	cases IdentityCases
}

func (s identities) PutIdentity(ctx context.Context, req *pb.PutIdentityRequest) (*pb.PutIdentityResponse, error) {
	r := &reader{}
	v := r.identity(req.GetIdentity(), "identity")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.PutIdentity(ctx, principalOf(ctx), v, int(req.GetExpectedRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PutIdentityResponse{Identity: w.identity(stored)})
}

func (s identities) ListIdentities(ctx context.Context, req *pb.ListIdentitiesRequest) (*pb.ListIdentitiesResponse, error) {
	got, err := s.cases.ListIdentities(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListIdentitiesResponse{Identities: list(w, got.Items, (*writer).identity), NextCursor: got.Next})
}

func (s identities) IssueSetupCode(ctx context.Context, req *pb.IssueSetupCodeRequest) (*pb.IssueSetupCodeResponse, error) {
	r := &reader{}
	id, reason := r.id(req.GetIdentityId(), "identity_id"), r.text(req.GetReason(), "reason")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	issued, err := s.cases.IssueSetupCode(ctx, principalOf(ctx), id, reason)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.IssueSetupCodeResponse{SetupCode: issued.Code, ExpiresAt: w.time(issued.ExpiresAt)})
}

func (r *reader) identity(m *pb.Identity, at string) record.Identity {
	return record.Identity{
		ID: r.id(m.GetId(), at+".id"), MemberID: r.id(m.GetMemberId(), at+".member_id"), PayerID: r.id(m.GetPayerId(), at+".payer_id"),
		NetworkName: r.line(m.GetNetworkName(), at+".network_name"), NetworkRoles: r.roles(m.GetNetworkRoles(), at+".network_roles"),
		Login:  r.line(m.GetLogin(), at+".login"),
		Issuer: r.line(m.GetOpenid().GetIssuer(), at+".openid.issuer"), Subject: r.line(m.GetOpenid().GetSubject(), at+".openid.subject"),
		CertificateSHA256: m.GetCertificateSha256(), Revoked: m.GetRevoked(),
	}
}

func (w *writer) identity(s record.Stored[casework.IdentityView]) *pb.Identity {
	v := s.Value.Identity
	out := &pb.Identity{
		Id: v.ID, MemberId: v.MemberID, PayerId: v.PayerID, NetworkName: v.NetworkName, NetworkRoles: w.roles(v.NetworkRoles),
		Revoked: v.Revoked, SetUp: s.Value.SetUp, Revision: w.revision(s.Revision),
	}
	switch {
	case v.Login != "":
		out.Proof = &pb.Identity_Login{Login: v.Login}
	case v.Issuer != "":
		out.Proof = &pb.Identity_Openid{Openid: &pb.OpenIDSubject{Issuer: v.Issuer, Subject: v.Subject}}
	case v.CertificateSHA256 != "":
		out.Proof = &pb.Identity_CertificateSha256{CertificateSha256: v.CertificateSHA256}
	default:
		w.fail("identity %s has no proof", v.ID)
	}
	return out
}
