package e2e

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// TestLifeOfALogin, over both transports: bound, set up, signed in for, rotated, its password changed, its recovery codes renewed, signed out; the phone
// lost; at another clinic; and the member left. Yardsticks: NIST SP 800-63B, sections 5.1 and 6.2; RFC 6238; RFC 6750 for the token.
func TestLifeOfALogin(t *testing.T) {
	t.Parallel()
	w := newDoor(t, nil)
	for n, way := range both {
		admin, anyone := w.administrator(way), w.service.As("", way)
		p := w.bind(admin, east, 10+n)
		if _, err := w.signIn(anyone, p, "123456"); refusal(err) != refusedAlike {
			t.Errorf("%v: before it is set up: %v", way, err)
		}
		w.setUp(admin, anyone, &p)
		if !strings.Contains(w.shownIdentity(admin, p), `"set_up":true`) {
			t.Errorf("%v: the identity is not shown as set up", way)
		}
		first := must(w.signIn(anyone, p, w.code(p.secret)))(t)
		if !first.Token.TwoFactors || first.Token.IdentityId != p.identity || first.RecoveryCodesLeft != 10 {
			t.Errorf("%v: %v", way, first)
		}
		if got := w.letIn(first.Secret, way, east); got != "" {
			t.Errorf("%v: the token of a sign-in: %s", way, got)
		}
		if got := w.letIn(first.Secret, way, west); got == "" {
			t.Errorf("%v: the token of a sign-in is let into another clinic", way)
		}
		w.changes(way, p, first)
		w.lostPhone(admin, anyone, way, p)
	}
}

// changes: rotation, password and recovery codes of somebody who is signed in.
func (w *world) changes(way caller.Way, p person, first *pb.SignInResponse) {
	t := w.t
	t.Helper()
	anyone, me := w.service.As("", way), w.service.As(first.Secret, way)
	rotated := must(caller.Do[pb.RotateTokenResponse](w.ctx, me, "TokenService/RotateToken", &pb.RotateTokenRequest{OverlapSeconds: 60, ExpiresAt: first.Token.ExpiresAt}))(t)
	if rotated.Token.RotatedFrom != first.Token.Id || rotated.Former.RevokedAt == nil {
		t.Errorf("%v: %v", way, rotated)
	}
	if _, err := caller.Do[pb.RotateTokenResponse](w.ctx, w.service.As(rotated.Secret, way), "TokenService/RotateToken",
		&pb.RotateTokenRequest{ExpiresAt: timestamppb.New(first.Token.ExpiresAt.AsTime().Add(time.Second))}); refusal(err) != "INVALID_ARGUMENT INVALID_REQUEST" {
		t.Errorf("%v: rotated for longer than it was signed in for: %v", way, err)
	}
	w.pass(time.Minute - time.Microsecond)
	if got := w.letIn(first.Secret, way, east); got != "" {
		t.Errorf("%v: a microsecond before the end of the overlap: %s", way, got)
	}
	w.pass(time.Microsecond)
	if got := w.letIn(first.Secret, way, east); got != "UNAUTHENTICATED TOKEN_REVOKED" {
		t.Errorf("%v: at the end of the overlap: %s", way, got)
	}
	me = w.service.As(rotated.Secret, way)
	renewed := must(caller.Do[pb.RenewRecoveryCodesResponse](w.ctx, me, "SignInService/RenewRecoveryCodes", &pb.RenewRecoveryCodesRequest{Password: p.password,
		Code: p.recovery[0]}))(t)
	if _, err := w.signIn(anyone, p, p.recovery[1]); refusal(err) != refusedAlike {
		t.Errorf("%v: a recovery code from before: %v", way, err)
	}
	other := must(w.signIn(anyone, p, renewed.RecoveryCodes[0]))(t)
	was := p.password
	p.password = "seven blue crates in a row"
	change := func(old string) error {
		_, err := caller.Do[pb.ChangePasswordResponse](w.ctx, me, "SignInService/ChangePassword", &pb.ChangePasswordRequest{Password: old, Code: w.code(p.secret), NewPassword: p.password})
		return err
	}
	if err := change("not it at all"); refusal(err) != "PERMISSION_DENIED PROOF_REFUSED" {
		t.Errorf("%v: a wrong password: %v", way, err)
	}
	if err := change(was); err != nil {
		t.Fatal(err)
	}
	if got := w.letIn(other.Secret, way, east); got != "UNAUTHENTICATED TOKEN_REVOKED" {
		t.Errorf("%v: another token after the change: %s", way, got)
	}
	must(caller.Do[pb.SignOutResponse](w.ctx, me, "SignInService/SignOut", &pb.SignOutRequest{}))(t)
	if got := w.letIn(rotated.Secret, way, east); got != "UNAUTHENTICATED TOKEN_REVOKED" {
		t.Errorf("%v: signed out: %s", way, got)
	}
}

// lostPhone: a setup code takes everything from before away; and who has left stays outside whatever they know.
func (w *world) lostPhone(admin, anyone caller.Caller, way caller.Way, p person) {
	t := w.t
	t.Helper()
	old := p
	old.password = "seven blue crates in a row"
	before := must(w.signIn(anyone, old, w.code(old.secret)))(t)
	p.password = "nine tall jars of sand"
	w.setUp(admin, anyone, &p)
	if got := w.letIn(before.Secret, way, east); got != "UNAUTHENTICATED TOKEN_REVOKED" {
		t.Errorf("%v: a token from before the new set-up: %s", way, got)
	}
	for name, c := range map[string]struct {
		p    person
		code string
	}{
		"the old password and app":              {old, w.code(old.secret)},
		"the new password and the old app":      {p, w.code(old.secret)},
		"the new ones at another clinic":        {func() person { o := p; o.clinic = west; return o }(), w.code(p.secret)},
		"the new ones at the network":           {func() person { o := p; o.clinic = ""; return o }(), w.code(p.secret)},
		"the new ones at a clinic that is none": {func() person { o := p; o.clinic = id("c1", 99); return o }(), w.code(p.secret)},
	} {
		if _, err := w.signIn(anyone, c.p, c.code); refusal(err) != refusedAlike {
			t.Errorf("%v: %s: %v", way, name, err)
		}
	}
	last := must(w.signIn(anyone, p, w.code(p.secret)))(t)
	member := last.Token.MemberId
	must(caller.Do[pb.PutMemberResponse](w.ctx, admin, "MemberService/PutMember", &pb.PutMemberRequest{ClinicId: east, ExpectedRevision: 1, Member: &pb.Member{Id: member,
		Name: "Dana Whitfield", Credential: "PT", Roles: []pb.Role{pb.Role_ROLE_EVALUATOR, pb.Role_ROLE_REVIEWER}, Left: true}}))(t)
	if got := w.letIn(last.Secret, way, east); got != "UNAUTHENTICATED MEMBER_LEFT" {
		t.Errorf("%v: the token of who has left: %s", way, got)
	}
	if _, err := w.signIn(anyone, p, w.code(p.secret)); refusal(err) != refusedAlike {
		t.Errorf("%v: who has left: %v", way, err)
	}
}

// TestSignInLock: the third failed attempt locks a login, whichever way it comes, with an entry; a good one is then refused too, and so are those at a
// login that is not there. Who guesses passwords keeps nobody from setting up anew (NIST SP 800-63B, section 5.2.2: throttling).
func TestSignInLock(t *testing.T) {
	t.Parallel()
	w := newDoorFor(t, nil, 3)
	const locked = "RESOURCE_EXHAUSTED RATE_LIMITED"
	for n, way := range both {
		admin, anyone := w.administrator(way), w.service.As("", way)
		p := w.bind(admin, east, 20+n)
		w.setUp(admin, anyone, &p)
		wrong, none := p, p
		wrong.password, none.login = "not it at all", p.login+".not"
		for range 2 {
			if _, err := w.signIn(anyone, wrong, "000000"); refusal(err) != refusedAlike {
				t.Errorf("%v: %v", way, err)
			}
		}
		must(w.signIn(anyone, p, w.code(p.secret)))(t) // forgets them
		for _, q := range []person{wrong, none} {
			for range 3 {
				if _, err := w.signIn(anyone, q, "000000"); refusal(err) != refusedAlike {
					t.Errorf("%v: %v", way, err)
				}
			}
			if _, err := w.signIn(anyone, q, "000000"); refusal(err) != locked {
				t.Errorf("%v: after three failed attempts: %v", way, err)
			}
		}
		if _, err := w.signIn(anyone, p, w.code(p.secret)); refusal(err) != locked {
			t.Errorf("%v: a good one while locked: %v", way, err)
		}
		entries := w.ask("SELECT count(*)::text || ' ' || count(*) FILTER (WHERE subjects = ARRAY['identity:' || $2])::text FROM ponderal.audit_entry "+
			"WHERE clinic_id = $1 AND action = 'sign_in.lock'", east, p.identity)
		if want := []string{"2 1", "4 1"}[n]; entries[0] != want {
			t.Errorf("%v: entries of locks, and of this identity's: %v, want %s", way, entries, want)
		}
		w.setUp(admin, anyone, &p)
	}
}

// shownIdentity is the list of identities as text, without blanks.
func (w *world) shownIdentity(admin caller.Caller, p person) string {
	w.t.Helper()
	for _, i := range must(caller.Do[pb.ListIdentitiesResponse](w.ctx, admin, "IdentityService/ListIdentities", &pb.ListIdentitiesRequest{ClinicId: p.clinic}))(w.t).Identities {
		if i.Id == p.identity && i.SetUp {
			return `"set_up":true`
		}
	}
	return ""
}

// TestSignInWithAnIssuer: a real issuer in a process of its own, whose keys rotate while people sign in, over both transports. What is refused is refused
// alike (OpenID Connect Core 1.0, section 3.1.3.7; RFC 8725, sections 2.1, 3.1 and 3.8).
func TestSignInWithAnIssuer(t *testing.T) {
	t.Parallel()
	issuer := startIssuer(t, "ES256")
	w := newDoor(t, issuer)
	admin := w.administrator(caller.GRPC)
	for _, clinic := range []string{east, west} {
		must(caller.Do[pb.PutIdentityResponse](w.ctx, admin, "IdentityService/PutIdentity", &pb.PutIdentityRequest{ClinicId: clinic, Identity: &pb.Identity{Id: id("1d", 1),
			MemberId: dana, Proof: &pb.Identity_Openid{Openid: &pb.OpenIDSubject{Issuer: issuer.url, Subject: "248289761001"}}}}))(t)
	}
	keys := []string{"key-1"}
	for n, way := range both {
		signIn := func(clinic, token string) (*pb.SignInWithIdTokenResponse, error) {
			return caller.Do[pb.SignInWithIdTokenResponse](w.ctx, w.service.As("", way), "SignInService/SignInWithIdToken", &pb.SignInWithIdTokenRequest{ClinicId: clinic, IdToken: token})
		}
		fresh := func(change map[string]any) string {
			w.pass(time.Second)
			return issuer.token(issuer.claims("248289761001", w.clock.now(), change))
		}
		good := fresh(map[string]any{"amr": []string{"pwd", "mfa"}})
		first := must(signIn(east, good))(t)
		if !first.Token.TwoFactors || first.Token.MemberId != dana || w.letIn(first.Secret, way, east) != "" {
			t.Errorf("%v: %v", way, first.Token)
		}
		if second := must(signIn(west, fresh(nil)))(t); second.Token.TwoFactors || second.Token.ClinicId != west {
			t.Errorf("%v: %v", way, second.Token)
		}
		// The keys rotate: the new key is good at once, the old one until it is withdrawn and no longer looked for.
		old := fresh(nil)
		rotated := issuer.tell(order{Do: "rotate", ID: []string{"ES256", "RS256"}[n]}).ID
		w.pass(time.Minute) // no more than one look for keys in half a minute
		must(signIn(east, fresh(nil)))(t)
		issuer.tell(order{Do: "withdraw", ID: keys[len(keys)-1]})
		keys = append(keys, rotated)
		w.pass(11 * time.Minute)
		for name, c := range w.badTokens(issuer, way, good, old) {
			if _, err := signIn(c.clinic, c.token); refusal(err) != refusedAlike {
				t.Errorf("%v: %s: %v", way, name, err)
			}
		}
		must(signIn(east, fresh(nil)))(t)
	}
}
