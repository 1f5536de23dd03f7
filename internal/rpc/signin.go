package rpc

import (
	"context"
	"time"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// SignInCases are the use cases of signing in. The principal of those that need no credential carries the app and the id of the request alone.
type SignInCases interface {
	SignIn(ctx context.Context, p authn.Principal, clinicID string, in casework.LoginProof) (casework.SignedIn, error)
	SignInWithIDToken(ctx context.Context, p authn.Principal, clinicID, idToken string) (casework.SignedIn, error)
	SetUpSignIn(ctx context.Context, p authn.Principal, clinicID, login, setupCode, password string) (casework.SetUp, error)
	ConfirmSetUp(ctx context.Context, p authn.Principal, clinicID, login, setupCode, code string) ([]string, error)
	SignOut(context.Context, authn.Principal) (record.Stored[casework.TokenView], error)
	ChangePassword(ctx context.Context, p authn.Principal, in casework.LoginProof, newPassword string) error
	RenewRecoveryCodes(ctx context.Context, p authn.Principal, in casework.LoginProof) ([]string, error)
	RotateToken(ctx context.Context, p authn.Principal, overlap time.Duration, expires record.Time) (casework.Rotated, error)
}

type signIn struct {
	pb.UnimplementedSignInServiceServer
	cases SignInCases
}

func (s signIn) SignIn(ctx context.Context, req *pb.SignInRequest) (*pb.SignInResponse, error) {
	r := &reader{}
	clinic := r.id(req.GetClinicId(), "clinic_id")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.SignIn(ctx, principalOf(ctx), clinic, casework.LoginProof{Login: req.GetLogin(), Password: req.GetPassword(), Code: req.GetCode()})
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.SignInResponse{Token: w.token(got.Token), Secret: got.Secret, RecoveryCodesLeft: w.number(got.RecoveryLeft)})
}

func (s signIn) SignInWithIdToken(ctx context.Context, req *pb.SignInWithIdTokenRequest) (*pb.SignInWithIdTokenResponse, error) {
	r := &reader{}
	clinic := r.id(req.GetClinicId(), "clinic_id")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.SignInWithIDToken(ctx, principalOf(ctx), clinic, req.GetIdToken())
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.SignInWithIdTokenResponse{Token: w.token(got.Token), Secret: got.Secret})
}

func (s signIn) SetUpSignIn(ctx context.Context, req *pb.SetUpSignInRequest) (*pb.SetUpSignInResponse, error) {
	r := &reader{}
	clinic := r.id(req.GetClinicId(), "clinic_id")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.SetUpSignIn(ctx, principalOf(ctx), clinic, req.GetLogin(), req.GetSetupCode(), req.GetPassword())
	if err != nil {
		return nil, err
	}
	return &pb.SetUpSignInResponse{SecondFactorSecret: got.Secret, SecondFactorUri: got.URI}, nil
}

func (s signIn) ConfirmSetUp(ctx context.Context, req *pb.ConfirmSetUpRequest) (*pb.ConfirmSetUpResponse, error) {
	r := &reader{}
	clinic := r.id(req.GetClinicId(), "clinic_id")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	codes, err := s.cases.ConfirmSetUp(ctx, principalOf(ctx), clinic, req.GetLogin(), req.GetSetupCode(), req.GetCode())
	if err != nil {
		return nil, err
	}
	return &pb.ConfirmSetUpResponse{RecoveryCodes: codes}, nil
}

func (s signIn) SignOut(ctx context.Context, _ *pb.SignOutRequest) (*pb.SignOutResponse, error) {
	got, err := s.cases.SignOut(ctx, principalOf(ctx))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.SignOutResponse{Token: w.token(got)})
}

func (s signIn) ChangePassword(ctx context.Context, req *pb.ChangePasswordRequest) (*pb.ChangePasswordResponse, error) {
	in := casework.LoginProof{Password: req.GetPassword(), Code: req.GetCode()}
	if err := s.cases.ChangePassword(ctx, principalOf(ctx), in, req.GetNewPassword()); err != nil {
		return nil, err
	}
	return &pb.ChangePasswordResponse{}, nil
}

func (s signIn) RenewRecoveryCodes(ctx context.Context, req *pb.RenewRecoveryCodesRequest) (*pb.RenewRecoveryCodesResponse, error) {
	codes, err := s.cases.RenewRecoveryCodes(ctx, principalOf(ctx), casework.LoginProof{Password: req.GetPassword(), Code: req.GetCode()})
	if err != nil {
		return nil, err
	}
	return &pb.RenewRecoveryCodesResponse{RecoveryCodes: codes}, nil
}

// rotated answers a rotation; the method is of the service of tokens.
func rotated(ctx context.Context, cases SignInCases, req *pb.RotateTokenRequest) (*pb.RotateTokenResponse, error) {
	r := &reader{}
	expires := r.time(req.GetExpiresAt(), "expires_at")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := cases.RotateToken(ctx, principalOf(ctx), time.Duration(req.GetOverlapSeconds())*time.Second, expires)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.RotateTokenResponse{Token: w.token(got.Token), Secret: got.Secret, Former: w.token(got.Former)})
}
