package demo

import (
	"context"
	"fmt"
	"time"

	"github.com/pquerna/otp/totp"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// codePeriod is how long a one-time code is shown (RFC 6238).
const codePeriod = 30 * time.Second

// signIn gives a clinic's reviewer a login, as an administrator and the reviewer do it between them, and signs in with password and second factor.
// The administrator never learns the password. It returns the reviewer's token.
func (s *story) signIn(ctx context.Context, d *clinicDay) (string, error) {
	id, login := s.day.NewID(), "reviewer@"+d.Clinic.Clinic.Id[:8]
	identity := &ponderalv1.Identity{Id: id, MemberId: d.Reviewer.Id, Proof: &ponderalv1.Identity_Login{Login: login}}
	if err := d.admin.Call(ctx, "IdentityService/PutIdentity", &ponderalv1.PutIdentityRequest{Identity: identity}, &ponderalv1.PutIdentityResponse{}); err != nil {
		return "", err
	}
	setup, err := caller.Do[ponderalv1.IssueSetupCodeResponse](ctx, d.admin, "IdentityService/IssueSetupCode",
		&ponderalv1.IssueSetupCodeRequest{IdentityId: id, Reason: "first sign-in"})
	if err != nil {
		return "", err
	}
	clinic, nobody := d.Clinic.Clinic.Id, s.service.As("", d.way)
	d.password = "desk-" + s.day.NewID()
	factor, err := caller.Do[ponderalv1.SetUpSignInResponse](ctx, nobody, "SignInService/SetUpSignIn",
		&ponderalv1.SetUpSignInRequest{ClinicId: clinic, Login: login, SetupCode: setup.GetSetupCode(), Password: d.password})
	if err != nil {
		return "", err
	}
	// Each code is good once: setting up takes the one of half a minute ago, which is still good, and signing in the present one.
	code, err := totp.GenerateCode(factor.GetSecondFactorSecret(), s.o.Now().Add(-codePeriod))
	if err != nil {
		return "", fmt.Errorf("compute a one-time code: %w", err)
	}
	confirmed, err := caller.Do[ponderalv1.ConfirmSetUpResponse](ctx, nobody, "SignInService/ConfirmSetUp",
		&ponderalv1.ConfirmSetUpRequest{ClinicId: clinic, Login: login, SetupCode: setup.GetSetupCode(), Code: code})
	if err != nil {
		return "", err
	}
	if len(confirmed.GetRecoveryCodes()) == 0 {
		return "", fmt.Errorf("login %s got no recovery codes", login)
	}
	if code, err = totp.GenerateCode(factor.GetSecondFactorSecret(), s.o.Now()); err != nil {
		return "", fmt.Errorf("compute a one-time code: %w", err)
	}
	got, err := caller.Do[ponderalv1.SignInResponse](ctx, nobody, "SignInService/SignIn",
		&ponderalv1.SignInRequest{ClinicId: clinic, Login: login, Password: d.password, Code: code})
	if err != nil {
		return "", err
	}
	if !got.GetToken().GetTwoFactors() {
		return "", fmt.Errorf("login %s was signed in for without two factors", login)
	}
	return got.GetSecret(), nil
}

// proof is the reviewer's credential, given again at each signature.
func (d *clinicDay) proof() *ponderalv1.SignerProof {
	return &ponderalv1.SignerProof{Password: d.password}
}
