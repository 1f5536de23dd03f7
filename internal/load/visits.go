package load

import (
	"context"
	"fmt"
	"time"

	"github.com/pquerna/otp/totp"
	"google.golang.org/protobuf/types/known/timestamppb"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// visitConnections sign and read, each in a clinic of its own.
const visitConnections = 4

// visits are signed results that a payer may see, each of a client and a referral of its own.
type visits struct {
	// token is the payer's.
	token   string
	clinics []string
	results []visit
}

type visit struct{ clinic, result string }

// reviewer signs in a clinic.
type reviewer struct {
	site            site
	token, password string
}

// signed makes the signed results, once: a session pushed, signed by a reviewer who signed in with two factors, and released with its raw trials.
func (r *run) signed(ctx context.Context) error {
	if r.visits != nil {
		return nil
	}
	if err := r.warmed(ctx); err != nil {
		return err
	}
	made, err := ponderalv1.NewTokenServiceClient(r.conn).CreateToken(as(ctx, r.o.AdminToken), &ponderalv1.CreateTokenRequest{PayerId: r.payer, Label: "load",
		Roles: []ponderalv1.Role{ponderalv1.Role_ROLE_PAYER}, ExpiresAt: timestamppb.New(r.o.Now().Add(24 * time.Hour))})
	if err != nil {
		return fmt.Errorf("create the payer's token: %w", err)
	}
	v := &visits{token: made.GetSecret(), results: make([]visit, r.o.Signed)}
	reviewers := make([]reviewer, min(visitConnections, r.o.Signed))
	for i := range reviewers {
		if reviewers[i], err = r.hire(ctx, i); err != nil {
			return fmt.Errorf("set up a reviewer: %w", err)
		}
		v.clinics = append(v.clinics, reviewers[i].site.clinic)
	}
	// Passwords are checked a few at a time; the service answers that it is busy when more wait.
	for i := range v.results {
		at := reviewers[i%len(reviewers)]
		if v.results[i], err = r.visit(ctx, at); err != nil {
			return fmt.Errorf("make signed result %d: %w", i+1, err)
		}
		if (i+1)%50 == 0 {
			r.say("  %d of %d results signed\n", i+1, r.o.Signed)
		}
	}
	r.visits = v
	return nil
}

// hire makes a clinic with a reviewer who sets up a login with a second factor and signs in.
func (r *run) hire(ctx context.Context, i int) (reviewer, error) {
	s, err := setUpSite(ctx, r.o, r.conn, r.payer, r.o.Clinics+i)
	if err != nil {
		return reviewer{}, err
	}
	got := reviewer{site: s, password: "load-" + r.o.NewID().String()}
	member, id, login := r.o.NewID().String(), r.o.NewID().String(), "reviewer@"+s.clinic[:8]
	_, err = ponderalv1.NewMemberServiceClient(r.conn).PutMember(as(ctx, r.o.AdminToken), &ponderalv1.PutMemberRequest{ClinicId: s.clinic,
		Member: &ponderalv1.Member{Id: member, Name: "Load Reviewer (invented)", Credential: "Reviewer", Roles: []ponderalv1.Role{ponderalv1.Role_ROLE_REVIEWER}}})
	if err != nil {
		return got, fmt.Errorf("put member: %w", err)
	}
	identities := ponderalv1.NewIdentityServiceClient(r.conn)
	_, err = identities.PutIdentity(as(ctx, s.admin), &ponderalv1.PutIdentityRequest{Identity: &ponderalv1.Identity{Id: id, MemberId: member,
		Proof: &ponderalv1.Identity_Login{Login: login}}})
	if err != nil {
		return got, fmt.Errorf("put identity: %w", err)
	}
	code, err := identities.IssueSetupCode(as(ctx, s.admin), &ponderalv1.IssueSetupCodeRequest{IdentityId: id, Reason: "first sign-in"})
	if err != nil {
		return got, fmt.Errorf("issue a set-up code: %w", err)
	}
	got.token, err = r.signIn(ctx, s.clinic, login, got.password, code.GetSetupCode())
	return got, err
}

// signIn sets a login up and signs in. Each one-time code is good once: setting up takes the one of half a minute ago (RFC 6238, periods of 30
// seconds), which is still good.
func (r *run) signIn(ctx context.Context, clinic, login, password, setup string) (token string, err error) {
	door := ponderalv1.NewSignInServiceClient(r.conn)
	factor, err := door.SetUpSignIn(ctx, &ponderalv1.SetUpSignInRequest{ClinicId: clinic, Login: login, SetupCode: setup, Password: password})
	if err != nil {
		return "", fmt.Errorf("set up the login: %w", err)
	}
	code, err := totp.GenerateCode(factor.GetSecondFactorSecret(), r.o.Now().Add(-30*time.Second))
	if err != nil {
		return "", fmt.Errorf("compute a one-time code: %w", err)
	}
	_, err = door.ConfirmSetUp(ctx, &ponderalv1.ConfirmSetUpRequest{ClinicId: clinic, Login: login, SetupCode: setup, Code: code})
	if err != nil {
		return "", fmt.Errorf("confirm the login: %w", err)
	}
	if code, err = totp.GenerateCode(factor.GetSecondFactorSecret(), r.o.Now()); err != nil {
		return "", fmt.Errorf("compute a one-time code: %w", err)
	}
	in, err := door.SignIn(ctx, &ponderalv1.SignInRequest{ClinicId: clinic, Login: login, Password: password, Code: code})
	if err != nil {
		return "", fmt.Errorf("sign in: %w", err)
	}
	return in.GetSecret(), nil
}

// visit is one client's: referred, tested, signed and released.
func (r *run) visit(ctx context.Context, at reviewer) (visit, error) {
	s := at.site
	s.referral = r.o.NewID().String()
	admin := as(ctx, s.admin)
	if err := setUpReferral(admin, r.o, r.conn, s.referral, r.payer); err != nil {
		return visit{}, err
	}
	_, err := ponderalv1.NewReferralServiceClient(r.conn).PutRelease(admin, &ponderalv1.PutReleaseRequest{Release: &ponderalv1.Release{
		Id: r.o.NewID().String(), ReferralId: s.referral, PayerId: r.payer, Purpose: "load", WithRawTrials: true,
		ExpiresAt: timestamppb.New(r.o.Now().Add(48 * time.Hour))}})
	if err != nil {
		return visit{}, fmt.Errorf("put release: %w", err)
	}
	pushed := session(r.o, s)
	_, err = ponderalv1.NewSessionServiceClient(r.conn).PushSession(as(ctx, s.token), &ponderalv1.PushSessionRequest{Session: pushed})
	if err != nil {
		return visit{}, fmt.Errorf("push session: %w", err)
	}
	v := visit{clinic: s.clinic, result: r.o.NewID().String()}
	_, err = ponderalv1.NewResultServiceClient(r.conn).SignResult(as(ctx, at.token), &ponderalv1.SignResultRequest{SessionId: pushed.GetId(), ResultId: v.result,
		SessionRevision: 1, Meaning: ponderalv1.SignatureMeaning_SIGNATURE_MEANING_REVIEWED, Proof: &ponderalv1.SignerProof{Password: at.password}})
	if err != nil {
		return visit{}, fmt.Errorf("sign result: %w", err)
	}
	return v, nil
}
