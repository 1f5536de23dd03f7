package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// TokenCases are the use cases of tokens. The second result of CreateToken is the secret.
type TokenCases interface {
	CreateToken(context.Context, authn.Principal, casework.NewToken) (record.Stored[casework.TokenView], string, error)
	ListTokens(context.Context, authn.Principal, record.Page) (record.List[casework.TokenView], error)
	RevokeToken(ctx context.Context, p authn.Principal, id, reason string) (record.Stored[casework.TokenView], error)
}

type tokens struct {
	pb.UnimplementedTokenServiceServer
	cases     TokenCases
	rotations SignInCases
}

func (s tokens) RotateToken(ctx context.Context, req *pb.RotateTokenRequest) (*pb.RotateTokenResponse, error) {
	return rotated(ctx, s.rotations, req)
}

// CreateToken binds the token to the clinic that the access link settled on; for the network's own and payers' tokens there is none.
func (s tokens) CreateToken(ctx context.Context, req *pb.CreateTokenRequest) (*pb.CreateTokenResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	in := r.newToken(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	in.ClinicID = p.ClinicID
	stored, secret, err := s.cases.CreateToken(ctx, p, in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.CreateTokenResponse{Token: w.token(stored), Secret: secret})
}

func (s tokens) ListTokens(ctx context.Context, req *pb.ListTokensRequest) (*pb.ListTokensResponse, error) {
	got, err := s.cases.ListTokens(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListTokensResponse{Tokens: list(w, got.Items, (*writer).token), NextCursor: got.Next})
}

func (s tokens) RevokeToken(ctx context.Context, req *pb.RevokeTokenRequest) (*pb.RevokeTokenResponse, error) {
	r := &reader{}
	id, reason := r.id(req.GetId(), "id"), r.text(req.GetReason(), "reason")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.RevokeToken(ctx, principalOf(ctx), id, reason)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.RevokeTokenResponse{Token: w.token(stored)})
}

func (r *reader) newToken(m *pb.CreateTokenRequest) casework.NewToken {
	return casework.NewToken{
		ClinicID: r.id(m.GetClinicId(), "clinic_id"), PayerID: r.id(m.GetPayerId(), "payer_id"), MemberID: r.id(m.GetMemberId(), "member_id"), Label: r.line(m.GetLabel(), "label"),
		Roles: r.roles(m.GetRoles(), "roles"), ExpiresAt: r.time(m.GetExpiresAt(), "expires_at"),
	}
}

// token shows a token; the hash of its secret has no place in the contract.
func (w *writer) token(s record.Stored[casework.TokenView]) *pb.Token {
	v := s.Value.Token
	return &pb.Token{
		Id: v.ID, ClinicId: v.ClinicID, PayerId: v.PayerID, MemberId: v.MemberID, Label: v.Label, Roles: w.roles(v.Roles),
		ExpiresAt: w.time(v.ExpiresAt), RevokedAt: w.time(s.Value.RevokedAt), Revision: w.revision(s.Revision),
		IdentityId: v.IdentityID, TwoFactors: v.TwoFactors, RotatedFrom: v.RotatedFrom,
	}
}
