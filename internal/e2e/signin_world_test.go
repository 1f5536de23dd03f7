package e2e

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha1"
	"encoding/base32"
	"encoding/binary"
	"fmt"
	"log/slog"
	"testing"
	"time"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/authn/password"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// unheard is a log of attempts that nobody reads.
type unheard struct{}

func (unheard) Locked()  {}
func (unheard) Refused() {}

// leastCost is OWASP's least recommendation (Password Storage Cheat Sheet: Argon2id with 19 MiB, 2 passes, 1 lane).
var leastCost = password.Params{MemoryKiB: 19456, Passes: 2, Lanes: 1}

// signIns are options with which people sign in, with attempts that are counted in the store. Their bound is beyond what a test reaches,
// unless it sets another.
func signIns(t testing.TB, st *store.Store, tokens casework.IDTokens, cost password.Params) *casework.SignIn {
	t.Helper()
	passwords := must(password.New(password.Config{Params: cost, BudgetKiB: 4 * 19456, MaxWaiting: 64,
		Policy: password.Policy{MinLength: password.MinLength}, Rand: rand.Reader}))(t)
	keys := must(factor.Read([]byte(must(factor.NewLine(rand.Reader, "k1"))(t))))(t)
	return &casework.SignIn{Passwords: passwords, Secrets: keys, IDTokens: tokens, Attempts: attempts(t, st, 1_000_000), Life: casework.LongestSignIn, Service: "Ponderal"}
}

func attempts(t testing.TB, st *store.Store, most int) casework.Attempts {
	t.Helper()
	return must(casework.NewStoredAttempts(st.Limits(nil), most, time.Hour, slog.New(slog.DiscardHandler), unheard{}))(t)
}

// newDoor is a world into which people sign in, with a passwords' door alone where issuer is nil.
func newDoor(t testing.TB, issuer *issuerProcess) *world { return newDoorFor(t, issuer, 1_000_000) }

// newDoorFor is newDoor where the most-th failed attempt locks.
func newDoorFor(t testing.TB, issuer *issuerProcess, most int) *world {
	t.Helper()
	w := newWorldWith(t, func(w *world, st *store.Store, o *casework.Options) {
		var tokens casework.IDTokens
		if issuer != nil {
			tokens = must(openid.New(openid.Config{Now: w.clock.now, Client: issuer.client(), Issuers: []openid.Issuer{{URL: issuer.url, Audiences: []string{"ponderal"},
				Algorithms: []string{"RS256", "ES256"}, TwoFactors: []string{"mfa"}}}}))(t)
		}
		// The people who sign in prove a signature by it.
		o.SignIn, o.Signers = signIns(t, st, tokens, leastCost), nil
		o.SignIn.Attempts = attempts(t, st, most)
	})
	w.clinic(east, dana)
	w.clinic(west, dana)
	return w
}

// hotp is RFC 4226, section 5.3, written here anew: what an authenticator app shows.
func hotp(t testing.TB, base32Secret string, counter int64) string {
	t.Helper()
	key := must(base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(base32Secret))(t)
	mac := hmac.New(sha1.New, key)
	_ = binary.Write(mac, binary.BigEndian, counter)
	sum := mac.Sum(nil)
	at := sum[len(sum)-1] & 0xf
	return fmt.Sprintf("%06d", binary.BigEndian.Uint32(sum[at:at+4])&0x7fffffff%1_000_000)
}

// code is what the app of that secret (RFC 6238) shows; the clock moves to the next step first, since a code is taken once.
func (w *world) code(secret string) string {
	w.pass(30 * time.Second)
	return hotp(w.t, secret, w.clock.now().Unix()/30)
}

func (w *world) pass(d time.Duration) {
	at := w.clock.now().Add(d)
	w.clock.set(at)
	w.logClock.set(at)
}

// administrator is a token of the network's.
func (w *world) administrator(way caller.Way) caller.Caller {
	w.t.Helper()
	secret, _ := w.mint(casework.NewToken{Label: "administrator", Roles: []record.Role{record.RoleNetworkAdmin}}, 200*24*time.Hour)
	return w.service.As(secret, way)
}

// person is somebody with a login.
type person struct {
	clinic, identity, login, password, secret string
	recovery                                  []string
}

// bind binds a login to dana; each way of calling has one of its own.
func (w *world) bind(admin caller.Caller, clinic string, n int) person {
	w.t.Helper()
	p := person{clinic: clinic, identity: id("1d", n), login: fmt.Sprintf("dana.w%d", n), password: "five brown boxes on a shelf"}
	member := id("dd", n)
	must(caller.Do[pb.PutMemberResponse](w.ctx, admin, "MemberService/PutMember", &pb.PutMemberRequest{ClinicId: clinic, Member: &pb.Member{Id: member,
		Name: "Dana Whitfield", Credential: "PT", Roles: []pb.Role{pb.Role_ROLE_EVALUATOR, pb.Role_ROLE_REVIEWER}}}))(w.t)
	must(caller.Do[pb.PutIdentityResponse](w.ctx, admin, "IdentityService/PutIdentity", &pb.PutIdentityRequest{ClinicId: clinic,
		Identity: &pb.Identity{Id: p.identity, MemberId: member, Proof: &pb.Identity_Login{Login: p.login}}}))(w.t)
	return p
}

// setUp sets the login up from a new setup code.
func (w *world) setUp(admin, anyone caller.Caller, p *person) {
	w.t.Helper()
	issued := must(caller.Do[pb.IssueSetupCodeResponse](w.ctx, admin, "IdentityService/IssueSetupCode", &pb.IssueSetupCodeRequest{IdentityId: p.identity,
		ClinicId: p.clinic, Reason: "a phone of its own"}))(w.t)
	begun := must(caller.Do[pb.SetUpSignInResponse](w.ctx, anyone, "SignInService/SetUpSignIn", &pb.SetUpSignInRequest{ClinicId: p.clinic, Login: p.login,
		SetupCode: issued.SetupCode, Password: p.password}))(w.t)
	p.secret = begun.SecondFactorSecret
	p.recovery = must(caller.Do[pb.ConfirmSetUpResponse](w.ctx, anyone, "SignInService/ConfirmSetUp", &pb.ConfirmSetUpRequest{ClinicId: p.clinic, Login: p.login,
		SetupCode: issued.SetupCode, Code: w.code(p.secret)}))(w.t).RecoveryCodes
}

func (w *world) signIn(anyone caller.Caller, p person, code string) (*pb.SignInResponse, error) {
	return caller.Do[pb.SignInResponse](w.ctx, anyone, "SignInService/SignIn", &pb.SignInRequest{ClinicId: p.clinic, Login: p.login, Password: p.password, Code: code})
}

// refusal is the reason of an answer, with its code; empty for a good one.
func refusal(err error) string {
	if err == nil {
		return ""
	}
	p, ok := caller.AsProblem(err)
	if !ok {
		return err.Error()
	}
	return p.Code + " " + p.Reason
}

const refusedAlike = "UNAUTHENTICATED SIGN_IN_REFUSED"

// letIn says how the service answers a token.
func (w *world) letIn(secret string, way caller.Way, clinic string) string {
	_, err := caller.Do[pb.GetClinicResponse](w.ctx, w.service.As(secret, way), "ClinicService/GetClinic", &pb.GetClinicRequest{ClinicId: clinic})
	return refusal(err)
}
