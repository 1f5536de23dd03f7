package e2e

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn/password"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/store"
)

// knocks are the methods that anybody may call and that let nobody in who does not prove who they are: whoever calls is refused alike.
var knocks = map[string]bool{"SignInService/SignIn": true, "SignInService/SignInWithIdToken": true, "SignInService/SetUpSignIn": true,
	"SignInService/ConfirmSetUp": true}

// ownLogin are the methods about the login for which the presented token was signed in; the matrix' tokens were made by an administrator and have none.
var ownLogin = map[string]bool{"SignInService/ChangePassword": true, "SignInService/RenewRecoveryCodes": true}

// ending are the methods that end the token that is presented.
var ending = map[string]bool{"SignInService/SignOut": true, "TokenService/RotateToken": true}

// presented is the token with which a holder calls a method.
func (x *matrix) presented(m method, h *holder) string {
	if ending[m.name] {
		return h.fresh()
	}
	return h.live
}

// withSignIn are options under which people sign in, with passwords of the least cost: the matrix tries many.
func withSignIn(t *testing.T) func(*world, *store.Store, *casework.Options) {
	return func(_ *world, st *store.Store, o *casework.Options) {
		o.SignIn = signIns(t, st, nil, password.Params{MemoryKiB: 64, Passes: 1, Lanes: 1})
	}
}

// signInsAt are the requests of signing in, and about the identities of the place. Who signs in is nobody's login.
func signInsAt(p *place, soon *timestamppb.Timestamp, reason string) map[string]proto.Message {
	const login, secret, code = "nobody.here", "five brown boxes on a shelf", "000000"
	return map[string]proto.Message{
		"SignInService/SignIn":             &pb.SignInRequest{Login: login, Password: secret, Code: code},
		"SignInService/SignInWithIdToken":  &pb.SignInWithIdTokenRequest{IdToken: strings.Repeat("not.a.token", 3)},
		"SignInService/SetUpSignIn":        &pb.SetUpSignInRequest{Login: login, SetupCode: "0000-0000", Password: secret},
		"SignInService/ConfirmSetUp":       &pb.ConfirmSetUpRequest{Login: login, SetupCode: "0000-0000", Code: code},
		"SignInService/SignOut":            &pb.SignOutRequest{},
		"SignInService/ChangePassword":     &pb.ChangePasswordRequest{Password: secret, Code: code, NewPassword: secret + "s"},
		"SignInService/RenewRecoveryCodes": &pb.RenewRecoveryCodesRequest{Password: secret, Code: code},
		"TokenService/RotateToken":         &pb.RotateTokenRequest{OverlapSeconds: 60, ExpiresAt: soon},
		"IdentityService/IssueSetupCode":   &pb.IssueSetupCodeRequest{ClinicId: p.clinic, IdentityId: p.ids["login"], Reason: reason},
		"IdentityService/PutIdentity": &pb.PutIdentityRequest{ClinicId: p.clinic, ExpectedRevision: 1, Identity: &pb.Identity{Id: p.ids["login"],
			MemberId: p.ids["colleague"], Proof: &pb.Identity_Login{Login: "cole.m"}, Revoked: true}},
	}
}

// refusedToAll demands that everybody gets the same refusal, whatever credential they show.
func (x *matrix) refusedToAll(m method, all []*attempt) {
	x.test.Helper()
	for _, a := range all {
		a.class = "everybody"
	}
	x.refused(m, all, "UNAUTHENTICATED", 401, map[string]answer{})
}
