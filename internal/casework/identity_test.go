package casework

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// TestIdentityRules: whose an identity is, by what it is proven, that nothing proves two, and that only `revoked` changes.
func TestIdentityRules(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	root, admin := d.network(record.RoleNetworkAdmin), d.admin(east)
	thumb := strings.Repeat("ab", 32)
	must(d.c.PutIdentity(d.ctx, admin, record.Identity{ID: id("1d", 1), MemberID: dana, Login: loginName}, 0))(t)
	must(d.c.PutIdentity(d.ctx, admin, record.Identity{ID: id("1d", 2), MemberID: dana, Issuer: "https://id.example", Subject: "s"}, 0))(t)
	must(d.c.PutIdentity(d.ctx, root, record.Identity{ID: id("1d", 3), PayerID: insure, CertificateSHA256: thumb}, 0))(t)
	noa := record.Identity{NetworkName: "Noa Reyes", NetworkRoles: []record.Role{record.RoleNetworkAuditor}, Login: "noa"}
	for name, c := range map[string]struct {
		p    authn.Principal
		v    record.Identity
		rule string
	}{
		"no holder":                   {admin, record.Identity{Login: "a.b"}, "identity.one_holder"},
		"two holders":                 {root, record.Identity{PayerID: insure, NetworkName: "x", NetworkRoles: noa.NetworkRoles, CertificateSHA256: thumb}, "identity.one_holder"},
		"no proof":                    {admin, record.Identity{MemberID: sam}, "identity.one_proof"},
		"an issuer alone":             {admin, record.Identity{MemberID: sam, Issuer: "https://id.example"}, "identity.one_proof"},
		"a member of the network":     {root, record.Identity{MemberID: sam, Login: "sam"}, "identity.clinic"},
		"a payer of a clinic":         {admin, record.Identity{PayerID: insure, CertificateSHA256: strings.Repeat("cd", 32)}, "identity.clinic"},
		"a person of the clinic":      {admin, noa, "identity.clinic"},
		"no roles":                    {root, record.Identity{NetworkName: "Noa", Login: "noa"}, "identity.network_roles"},
		"roles of a member":           {admin, record.Identity{MemberID: sam, Login: "sam", NetworkRoles: noa.NetworkRoles}, "identity.network_roles"},
		"a clinic's role":             {root, record.Identity{NetworkName: "Noa", Login: "noa", NetworkRoles: []record.Role{record.RoleReviewer}}, "identity.network_role"},
		"a payer with a login":        {root, record.Identity{PayerID: insure, Login: "claims"}, "identity.certificate"},
		"a member's certificate":      {admin, record.Identity{MemberID: sam, CertificateSHA256: thumb}, "identity.certificate"},
		"capitals":                    {admin, record.Identity{MemberID: sam, Login: "Sam"}, "identity.login"},
		"no such member":              {admin, record.Identity{MemberID: id("da", 99), Login: "sam"}, "member.exists"},
		"no such payer":               {root, record.Identity{PayerID: id("ba", 99), CertificateSHA256: strings.Repeat("cd", 32)}, "payer.exists"},
		"a login that is taken":       {admin, record.Identity{MemberID: sam, Login: loginName}, "identity.taken"},
		"a second login":              {admin, record.Identity{MemberID: dana, Login: "dana.too"}, "identity.taken"},
		"a subject that is taken":     {admin, record.Identity{MemberID: sam, Issuer: "https://id.example", Subject: "s"}, "identity.taken"},
		"a certificate that is taken": {root, record.Identity{PayerID: rival, CertificateSHA256: thumb}, "identity.taken"},
	} {
		c.v.ID = id("1d", 50)
		_, err := d.c.PutIdentity(d.ctx, c.p, c.v, 0)
		var f *fault.Error
		if !asFault(err, &f) || !slices.ContainsFunc(f.Violations, func(v fault.Violation) bool { return v.Rule == c.rule }) {
			t.Errorf("%s: %v, want %s", name, err, c.rule)
		}
	}
	changed := record.Identity{ID: id("1d", 1), MemberID: dana, Login: "dana.w2"}
	if _, err := d.c.PutIdentity(d.ctx, admin, changed, 1); violationsOf(err)["identity"] != "identity.immutable" {
		t.Errorf("another login: %v", err)
	}
	// The same login in another clinic, and of who comes after a revoked one, are free; a revoked one does not come back beside it.
	must(d.c.PutIdentity(d.ctx, d.admin(west), record.Identity{ID: id("1d", 1), MemberID: dana, Login: loginName}, 0))(t)
	revoked := record.Identity{ID: id("1d", 1), MemberID: dana, Login: loginName, Revoked: true}
	must(d.c.PutIdentity(d.ctx, admin, revoked, 1))(t)
	must(d.c.PutIdentity(d.ctx, admin, record.Identity{ID: id("1d", 4), MemberID: sam, Login: loginName}, 0))(t)
	revoked.Revoked = false
	if _, err := d.c.PutIdentity(d.ctx, admin, revoked, 2); violationsOf(err)["identity.proof"] != "identity.taken" {
		t.Errorf("back beside its successor: %v", err)
	}
}

// TestNobodyProvesThemselves: an administrator binds, revokes and sets up nothing of their own, and a clinic's administrator nothing of another clinic.
func TestNobodyProvesThemselves(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	admin, root := d.admin(east), d.network(record.RoleNetworkAdmin)
	root.ClinicID = east
	mine := record.Identity{ID: id("1d", 1), MemberID: robin, Login: "robin"}
	if _, err := d.c.PutIdentity(d.ctx, admin, mine, 0); reasonOf(err) != "OWN_IDENTITY" {
		t.Errorf("binding one's own: %v", err)
	}
	must(d.c.PutIdentity(d.ctx, root, mine, 0))(t)
	if _, err := d.c.IssueSetupCode(d.ctx, admin, mine.ID, "I lost it"); reasonOf(err) != "OWN_IDENTITY" {
		t.Errorf("a setup code for oneself: %v", err)
	}
	must(d.c.IssueSetupCode(d.ctx, root, mine.ID, "robin lost it"))(t)
	if _, err := d.c.IssueSetupCode(d.ctx, d.admin(west), mine.ID, "from elsewhere"); !fault.Is(err, fault.NotFound) {
		t.Errorf("another clinic's administrator: %v", err)
	}
	if _, err := d.c.IssueSetupCode(d.ctx, root, mine.ID, " "); violationsOf(err)["reason"] == "" {
		t.Errorf("without a reason: %v", err)
	}
	subject := must(d.c.PutIdentity(d.ctx, root, record.Identity{ID: id("1d", 2), MemberID: sam, Issuer: "https://id.example", Subject: "s"}, 0))(t)
	if _, err := d.c.IssueSetupCode(d.ctx, root, subject.Value.Identity.ID, "no login"); reasonOf(err) != "NO_LOGIN" {
		t.Errorf("a setup code for a subject: %v", err)
	}
	for name, p := range map[string]authn.Principal{"evaluator": d.member(east, sam, record.RoleEvaluator), "station": d.station(east), "auditor": d.network(record.RoleNetworkAuditor)} {
		if _, err := d.c.PutIdentity(d.ctx, p, record.Identity{ID: id("1d", 9), MemberID: dana, Login: "x.y"}, 0); !fault.Is(err, fault.Denied) {
			t.Errorf("%s binds: %v", name, err)
		}
		if _, err := d.c.IssueSetupCode(d.ctx, p, mine.ID, "because"); !fault.Is(err, fault.Denied) {
			t.Errorf("%s issues: %v", name, err)
		}
	}
}

// TestSetupCodes: a setup code is good for a day and once, one from before is gone, and until it is confirmed nothing changes.
func TestSetupCodes(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	i := d.bound(east, 1)
	before := d.setUp(i, goodPassword)
	issue := func() string { return must(d.c.IssueSetupCode(d.ctx, d.admin(east), i.ID, "lost the phone"))(t).Code }
	open := func(code, password string) (SetUp, error) {
		return d.c.SetUpSignIn(d.ctx, stranger, east, loginName, code, password)
	}
	confirm := func(code, oneTime string) ([]string, error) {
		return d.c.ConfirmSetUp(d.ctx, stranger, east, loginName, code, oneTime)
	}
	first := issue()
	second := issue()
	if _, err := open(first, goodPassword); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a code that was replaced: %v", err)
	}
	if _, err := confirm(second, "123456"); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("confirmed before a password: %v", err)
	}
	if _, err := open(second, "dana.w"); violationsOf(err)["password"] == "" {
		t.Errorf("the login as the password: %v", err)
	}
	opened := must(open(second, "nine tall jars of sand"))(t)
	if _, err := confirm(second, hotp(t, opened.Secret, d.clock.now().Unix()/30+5)); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a wrong code: %v", err)
	}
	must(d.signIn(before, d.code(before)))(t) // what was before is good until then
	if _, err := d.c.SignIn(d.ctx, stranger, east, LoginProof{loginName, "nine tall jars of sand", d.code(person{secret: opened.Secret})}); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("signed in before it was confirmed: %v", err)
	}
	code := d.code(person{secret: opened.Secret})
	must(confirm(second, code))(t)
	if _, err := d.c.SignIn(d.ctx, stranger, east, LoginProof{loginName, "nine tall jars of sand", code}); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("the code that confirmed, once more: %v", err)
	}
	for name, err := range map[string]error{"opened": refusalOf(open(second, goodPassword)), "confirmed": refusalOf(confirm(second, code))} {
		if reasonOf(err) != "SIGN_IN_REFUSED" {
			t.Errorf("a used setup code %s: %v", name, err)
		}
	}
	late := issue()
	d.setClock(d.clock.now().Add(setupLife - time.Microsecond))
	must(open(late, goodPassword))(t)
	d.setClock(d.clock.now().Add(time.Microsecond))
	if _, err := open(late, goodPassword); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a day later: %v", err)
	}
}

func refusalOf[T any](_ T, err error) error { return err }

// TestCheckSigner: 21 CFR 11.200: the signer gives the credential again; two components, of which the token's own two factors are one.
func TestCheckSigner(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	must(d.c.PutIdentity(d.ctx, d.admin(east), record.Identity{ID: id("1d", 2), MemberID: sam, Login: "sam.o"}, 0))(t)
	signed := must(d.who(must(d.signIn(p, d.code(p)))(t).Secret))(t)
	made := d.reviewer(east) // a token that an administrator made
	used := d.code(p)
	result := id("9a", 1)
	for _, c := range []struct {
		name  string
		p     authn.Principal
		proof SignerProof
		want  string
	}{
		{"two factors in the token, password", signed, SignerProof{Password: goodPassword}, ""},
		{"and a code besides", signed, SignerProof{Password: goodPassword, Code: used}, ""},
		{"that code again", signed, SignerProof{Password: goodPassword, Code: used}, "PROOF_REFUSED"},
		{"wrong password", signed, SignerProof{Password: "not it"}, "PROOF_REFUSED"},
		{"a code alone", signed, SignerProof{Code: p.recovery[0]}, "PROOF_REFUSED"},
		{"an administrator's token, password alone", made, SignerProof{Password: goodPassword}, "PROOF_REFUSED"},
		{"with a code", made, SignerProof{Password: goodPassword, Code: p.recovery[0]}, ""},
		{"somebody else's token", d.member(east, sam, record.RoleReviewer), SignerProof{Password: goodPassword, Code: p.recovery[1]}, "PROOF_REFUSED"},
		{"no login", d.member(east, robin, record.RoleReviewer), SignerProof{Password: goodPassword, Code: p.recovery[1]}, "NO_LOGIN"},
		{"another clinic", d.reviewer(west), SignerProof{Password: goodPassword, Code: p.recovery[1]}, "NO_LOGIN"},
		{"a station", d.station(east), SignerProof{Password: goodPassword, Code: p.recovery[1]}, "NO_LOGIN"},
	} {
		if err := d.c.CheckSigner(d.ctx, c.p, c.proof, result); reasonOf(err) != c.want {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	if got := d.attempts.failed["login:"+east+"/"+loginName] + d.attempts.good["login:"+east+"/"+loginName]; got == 0 {
		t.Error("a signer's attempts are not counted")
	}
}

// TestSignerByIDToken: made for this result, from a sign-in of the last five minutes, of the same member, once.
func TestSignerByIDToken(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	const url = "https://id.example"
	must(d.c.PutIdentity(d.ctx, d.admin(east), record.Identity{ID: id("1d", 1), MemberID: dana, Issuer: url, Subject: "dana"}, 0))(t)
	must(d.c.PutIdentity(d.ctx, d.admin(east), record.Identity{ID: id("1d", 2), MemberID: sam, Issuer: url, Subject: "sam"}, 0))(t)
	result := id("9a", 1)
	n := 0
	for _, c := range []struct {
		name, subject, nonce string
		ago                  time.Duration
		want                 string
	}{
		{"fresh", "dana", result, time.Second, ""},
		{"five minutes ago", "dana", result, freshSignIn, ""},
		{"a microsecond more", "dana", result, freshSignIn + time.Microsecond, "PROOF_REFUSED"},
		{"a clock ahead", "dana", result, -clockLeeway, ""},
		{"too far ahead", "dana", result, -clockLeeway - time.Microsecond, "PROOF_REFUSED"},
		{"for another result", "dana", id("9a", 2), time.Second, "PROOF_REFUSED"},
		{"for none", "dana", "", time.Second, "PROOF_REFUSED"},
		{"of another member", "sam", result, time.Second, "PROOF_REFUSED"},
		{"of nobody here", "eve", result, time.Second, "PROOF_REFUSED"},
	} {
		n++
		token := strings.Repeat(string(rune('a'+n)), 4)
		d.issuer.says[token] = openid.Identity{Issuer: url, Subject: c.subject, Nonce: c.nonce, AuthTime: d.clock.now().Add(-c.ago), Digest: strings.Repeat(token, 16)}
		if err := d.c.CheckSigner(d.ctx, d.reviewer(east), SignerProof{IDToken: token}, result); reasonOf(err) != c.want {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
		if err := d.c.CheckSigner(d.ctx, d.reviewer(east), SignerProof{IDToken: token}, result); reasonOf(err) != "PROOF_REFUSED" {
			t.Errorf("%s, once more: %v", c.name, err)
		}
	}
	d.issuer.says["never"] = openid.Identity{Issuer: url, Subject: "dana", Nonce: result, Digest: strings.Repeat("0", 64)}
	if err := d.c.CheckSigner(d.ctx, d.reviewer(east), SignerProof{IDToken: "never"}, result); reasonOf(err) != "PROOF_REFUSED" {
		t.Errorf("a token that does not say when: %v", err)
	}
	if err := d.c.CheckSigner(d.ctx, d.reviewer(east), SignerProof{IDToken: "forged"}, result); reasonOf(err) != "PROOF_REFUSED" {
		t.Errorf("a forged token: %v", err)
	}
}
