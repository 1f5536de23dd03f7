package casework

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// TestLifeOfALogin: bound, set up, signed in for with a one-time code and with a recovery code, set up anew after a lost phone, and revoked.
func TestLifeOfALogin(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	if got := len(p.recovery); got != 10 {
		t.Errorf("%d recovery codes", got)
	}
	signed := must(d.signIn(p, d.code(p)))(t)
	token := signed.Token.Value.Token
	want := record.Token{ID: token.ID, ClinicID: east, MemberID: dana, Label: signInLabel, Roles: []record.Role{record.RoleEvaluator, record.RoleReviewer},
		ExpiresAt: record.TimeOf(d.clock.now().Add(12 * time.Hour)), SecretHash: token.SecretHash, IdentityID: p.ID, TwoFactors: true}
	if diff := cmp.Diff(want, token); diff != "" || signed.RecoveryLeft != 10 {
		t.Errorf("%d recovery codes left\n%s", signed.RecoveryLeft, diff)
	}
	who := must(d.who(signed.Secret))(t)
	if who.MemberID != dana || !who.TwoFactors || who.IdentityID != p.ID {
		t.Errorf("%+v", who)
	}
	byRecovery := must(d.signIn(p, strings.ToUpper(p.recovery[3])))(t)
	if byRecovery.RecoveryLeft != 9 {
		t.Errorf("%d recovery codes left, want 9", byRecovery.RecoveryLeft)
	}
	if _, err := d.signIn(p, p.recovery[3]); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a recovery code twice: %v", err)
	}
	// The phone is lost: a setup code, and all that was before is gone once the new one is confirmed.
	again := d.setUp(p.Identity, "another fine long password")
	for name, secret := range map[string]string{"the token": signed.Secret, "the other token": byRecovery.Secret} {
		if _, err := d.who(secret); reasonOf(err) != "TOKEN_REVOKED" {
			t.Errorf("%s after the new set-up: %v", name, err)
		}
	}
	for name, code := range map[string]string{"old password, new code": d.code(again), "old recovery code": p.recovery[4]} {
		if _, err := d.signIn(p, code); reasonOf(err) != "SIGN_IN_REFUSED" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := d.signIn(again, p.recovery[5]); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("new password with a recovery code from before: %v", err)
	}
	last := must(d.signIn(again, d.code(again)))(t)
	revoked := p.Identity
	revoked.Revoked = true
	must(d.c.PutIdentity(d.ctx, d.admin(east), revoked, 1))(t)
	if _, err := d.who(last.Secret); reasonOf(err) != "IDENTITY_REVOKED" {
		t.Errorf("the token of a revoked identity: %v", err)
	}
	if _, err := d.signIn(again, d.code(again)); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a revoked identity: %v", err)
	}
}

// TestEntriesOfALogin: every step stands in the log, with the identity as its subject, and nothing that proves anybody stands there.
func TestEntriesOfALogin(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	before := len(d.actions(east, 0))
	p := d.setUp(d.bound(east, 1), goodPassword)
	signed := must(d.signIn(p, d.code(p)))(t)
	must(d.signIn(p, p.recovery[0]))(t)
	who := must(d.who(signed.Secret))(t)
	renewed := must(d.c.RenewRecoveryCodes(d.ctx, who, LoginProof{Password: goodPassword, Code: d.code(p)}))(t)
	if err := d.c.ChangePassword(d.ctx, who, LoginProof{Password: goodPassword, Code: d.code(p)}, "six green bins by the door"); err != nil {
		t.Fatal(err)
	}
	must(d.c.SignOut(d.ctx, who))(t)
	want := []string{"identity.put", "setup_code.issue", "setup_code.open", "password.set", "second_factor.set", "token.create", "token.create", "recovery.renew",
		"password.set", "token.revoke", "token.revoke"}
	if diff := cmp.Diff(want, d.actions(east, before)); diff != "" {
		t.Error(diff)
	}
	auditor := d.admin(east)
	// Everything that anybody can read of the log.
	var read strings.Builder
	for _, e := range must(d.c.ListEntries(d.ctx, auditor, EntryFilter{}, record.Page{Size: 500}))(t).Items[before:] {
		if !slices.Contains(e.Entry.Subjects, "identity:"+p.ID) {
			t.Errorf("%s: subjects %v", e.Entry.Action, e.Entry.Subjects)
		}
		_, proof, err := d.c.GetEntry(d.ctx, auditor, e.Entry.Number)
		if err != nil {
			t.Fatal(err)
		}
		read.WriteString(proof.Entry)
	}
	for _, format := range []ExportFormat{ExportLines, ExportCSV} {
		if err := d.c.ExportEntries(d.ctx, auditor, Export{Format: format}, func(piece []byte) error { _, err := read.Write(piece); return err }); err != nil {
			t.Fatal(err)
		}
	}
	for _, secret := range append(append([]string{goodPassword, p.secret, signed.Secret, "$argon2id$", "recovery\":["}, p.recovery...), renewed...) {
		if strings.Contains(read.String(), secret) {
			t.Errorf("what can be read of the log holds %q", secret)
		}
	}
}

// TestSecretiveKinds: no list and no look-up by kind shows a body that proves who somebody is.
func TestSecretiveKinds(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	for _, kind := range []string{record.KindPassword, record.KindSecondFactor, record.KindSetupCode, record.KindToken} {
		if got, err := get[map[string]any](d.ctx, d.c, d.admin(east), kind, p.ID); reasonOf(err) != "SECRETIVE" || got.Value != nil {
			t.Errorf("%s: %v, %v", kind, got, err)
		}
		if got, err := list[map[string]any](d.ctx, d.c, d.admin(east), kind, record.Page{}); reasonOf(err) != "SECRETIVE" || len(got.Items) > 0 {
			t.Errorf("%s: %v, %v", kind, got, err)
		}
	}
	if got := must(get[record.Identity](d.ctx, d.c, d.admin(east), record.KindIdentity, p.ID))(t); got.Value.Login != loginName {
		t.Errorf("an identity is no secret: %+v", got)
	}
}

// TestSecretsAtRest: neither password nor secret nor code stands in the database as it is.
func TestSecretsAtRest(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	for _, kind := range []string{record.KindPassword, record.KindSecondFactor, record.KindSetupCode} {
		n := 0
		err := d.store.ReadClinic(d.ctx, east, func(tx *store.Tx) error {
			return tx.ScanDocs(d.ctx, kind, func(doc store.DocScan) error {
				n++
				for _, secret := range append([]string{goodPassword, p.secret}, p.recovery...) {
					if strings.Contains(string(doc.Body), secret) {
						t.Errorf("%s revision %d holds %q", kind, doc.Revision, secret)
					}
				}
				return nil
			})
		})
		if err != nil || n == 0 {
			t.Errorf("%s: %d rows, %v", kind, n, err)
		}
	}
}

// TestOneCodeTwoSignIns: a code is accepted once (RFC 6238, section 5.2), also where two sign-ins with it meet on two replicas.
func TestOneCodeTwoSignIns(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	// A second replica: another pool, the same database.
	other := &Casework{store: must(store.Open(d.ctx, store.Options{URL: d.url, MaxConns: 2}))(t), log: d.c.log, now: d.c.now, rand: d.c.rand, signIn: d.c.signIn}
	t.Cleanup(other.store.Close)
	for name, code := range map[string]string{"one-time code": d.code(p), "recovery code": p.recovery[0]} {
		var wait sync.WaitGroup
		results := make([]error, 6)
		for i := range results {
			c := d.c
			if i%2 == 1 {
				c = other
			}
			wait.Go(func() {
				_, results[i] = c.SignIn(d.ctx, stranger, east, LoginProof{Login: loginName, Password: goodPassword, Code: code})
			})
		}
		wait.Wait()
		good := 0
		for _, err := range results {
			switch reasonOf(err) {
			case "":
				good++
			case "SIGN_IN_REFUSED":
			default:
				t.Errorf("%s: %v", name, err)
			}
		}
		if good != 1 {
			t.Errorf("%s: %d of %d sign-ins with one code were let in", name, good, len(results))
		}
	}
}

// TestRefusalsAreAlike: whatever is wrong, the answer is the same, and so is what is stored: nothing.
func TestRefusalsAreAlike(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	notSetUp := must(d.c.PutIdentity(d.ctx, d.admin(east), record.Identity{ID: id("1d", 2), MemberID: sam, Login: "sam.o"}, 0))(t).Value.Identity
	gone := must(d.c.PutIdentity(d.ctx, d.admin(east), record.Identity{ID: id("1d", 3), MemberID: lee, Login: "lee.m"}, 0))(t).Value.Identity
	used := d.code(p)
	must(d.signIn(p, used))(t)
	entries := len(d.actions(east, 0))
	good := d.code(p)
	wrong := fmt.Sprintf("%06d", (atoi(good)+1)%1_000_000)
	var texts []string
	for name, c := range map[string]struct {
		clinic string
		proof  LoginProof
	}{
		"no such clinic":        {id("c1", 9), LoginProof{loginName, goodPassword, good}},
		"another clinic":        {west, LoginProof{loginName, goodPassword, good}},
		"the network":           {"", LoginProof{loginName, goodPassword, good}},
		"no such login":         {east, LoginProof{"nobody", goodPassword, good}},
		"wrong password":        {east, LoginProof{loginName, goodPassword + "s", good}},
		"wrong code":            {east, LoginProof{loginName, goodPassword, wrong}},
		"used code":             {east, LoginProof{loginName, goodPassword, used}},
		"no code":               {east, LoginProof{loginName, goodPassword, ""}},
		"a recovery code's mix": {east, LoginProof{loginName, goodPassword, "0000-0000-0000-0000-0000-0000"}},
		"not set up":            {east, LoginProof{notSetUp.Login, goodPassword, good}},
		"member left":           {east, LoginProof{gone.Login, goodPassword, good}},
		"another spelling":      {east, LoginProof{strings.ToUpper(loginName), goodPassword, good}},
	} {
		_, err := d.c.SignIn(d.ctx, stranger, c.clinic, c.proof)
		var f *fault.Error
		if !errors.As(err, &f) || f.Reason != "SIGN_IN_REFUSED" || f.Kind != fault.Unauthenticated || len(f.Violations) > 0 || f.RetryAfter != 0 {
			t.Errorf("%s: %v", name, err)
			continue
		}
		texts = append(texts, f.Text)
	}
	if len(slices.Compact(texts)) != 1 {
		t.Errorf("answers %q", texts)
	}
	if more := len(d.actions(east, 0)) - entries; more != 0 {
		t.Errorf("refusals wrote %d entries", more)
	}
	if _, err := d.signIn(p, good); err != nil {
		t.Errorf("what all of these had right: %v", err)
	}
}

func atoi(digits string) (n int) {
	for _, c := range digits {
		n = n*10 + int(c-'0')
	}
	return n
}

// TestWindowOfCodes: the step before and the one after count, two steps off does not (RFC 6238, section 5.2: at most one step for the way).
func TestWindowOfCodes(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	d.code(p)
	d.setClock(d.clock.now().Add(10 * time.Minute))
	now := d.clock.now().Unix() / 30
	for _, c := range []struct {
		off  int64
		good bool
	}{{-2, false}, {2, false}, {-1, true}, {0, true}, {1, true}} {
		_, err := d.signIn(p, hotp(t, p.secret, now+c.off))
		if (err == nil) != c.good {
			t.Errorf("a code of %d steps off: %v", c.off, err)
		}
	}
}

// TestMemberLeft: who has left is refused with what was good before, and a withdrawn role is missing from the next token.
func TestMemberLeft(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	root := d.network(record.RoleNetworkAdmin)
	root.ClinicID = east
	m := record.Member{ID: dana, Name: "Dana Whitfield", Credential: "PT", Roles: []record.Role{record.RoleEvaluator}}
	must(d.c.PutMember(d.ctx, root, m, 1))(t)
	if got := must(d.signIn(p, d.code(p)))(t).Token.Value.Token.Roles; !slices.Equal(got, []record.Role{record.RoleEvaluator}) {
		t.Errorf("roles %v", got)
	}
	m.Left = true
	must(d.c.PutMember(d.ctx, root, m, 2))(t)
	if _, err := d.signIn(p, d.code(p)); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a member who has left: %v", err)
	}
	if _, err := d.c.SetUpSignIn(d.ctx, stranger, east, loginName, p.recovery[0], goodPassword); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("set-up of a member who has left: %v", err)
	}
}

// TestAttemptsAreCounted: each failed sign-in counts against its login, the lock is recorded, and a good one forgets them.
func TestAttemptsAreCounted(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	d.attempts.most = 3
	p := d.setUp(d.bound(east, 1), goodPassword)
	key := "login:" + east + "/" + loginName
	before := len(d.actions(east, 0))
	for range 2 {
		if _, err := d.signIn(p, "000000"); reasonOf(err) != "SIGN_IN_REFUSED" {
			t.Errorf("%v", err)
		}
	}
	must(d.signIn(p, d.code(p)))(t)
	if got := d.attempts.failed[key]; got != 0 {
		t.Errorf("%d failures after a good one", got)
	}
	for range 3 {
		if _, err := d.signIn(p, "000000"); reasonOf(err) != "SIGN_IN_REFUSED" {
			t.Errorf("%v", err)
		}
	}
	if _, err := d.signIn(p, d.code(p)); reasonOf(err) != "RATE_LIMITED" {
		t.Errorf("a good one while locked: %v", err)
	}
	if got, want := d.actions(east, before), []string{"token.create", "sign_in.lock"}; !slices.Equal(got, want) {
		t.Errorf("entries %v, want %v", got, want)
	}
	// A login that is not there is counted and locked alike, with nothing to name.
	for range 3 {
		_, _ = d.c.SignIn(d.ctx, stranger, id("c1", 9), LoginProof{Login: "nobody", Password: "x", Code: "000000"})
	}
	if _, err := d.c.SignIn(d.ctx, stranger, id("c1", 9), LoginProof{Login: "nobody", Password: "x", Code: "000000"}); reasonOf(err) != "RATE_LIMITED" {
		t.Errorf("a login that is not there: %v", err)
	}
	// Guessing passwords keeps nobody from setting up anew.
	again := d.setUp(p.Identity, goodPassword)
	if again.secret == p.secret {
		t.Error("the second factor is the old one")
	}
}

// TestPeopleOfTheNetwork sign in where no clinic is named, in the network's own log, with the roles that their identity has now.
func TestPeopleOfTheNetwork(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	root := d.network(record.RoleNetworkAdmin)
	i := record.Identity{ID: id("1d", 7), NetworkName: "Noa Reyes", NetworkRoles: []record.Role{record.RoleNetworkAuditor, record.RoleNetworkAdmin}, Login: "noa.r"}
	p := d.setUp(must(d.c.PutIdentity(d.ctx, root, i, 0))(t).Value.Identity, goodPassword)
	signed := must(d.signIn(p, d.code(p)))(t)
	who := must(d.who(signed.Secret))(t)
	if !who.Network || who.Label != "Noa Reyes" || !slices.Equal(who.Roles, []record.Role{record.RoleNetworkAdmin, record.RoleNetworkAuditor}) {
		t.Errorf("%+v", who)
	}
	if got := must(d.c.ListIdentities(d.ctx, root, record.Page{}))(t); len(got.Items) != 1 || !got.Items[0].Value.SetUp {
		t.Errorf("%+v", got)
	}
	if got := must(d.c.ListIdentities(d.ctx, d.admin(east), record.Page{}))(t); len(got.Items) != 0 {
		t.Errorf("a clinic sees the network's identities: %+v", got)
	}
}

// TestIDTokens: a subject that is bound signs in, its token is taken once in the whole network, and says two factors only where the issuer does.
func TestIDTokens(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	const url = "https://id.example"
	for _, clinic := range []string{east, west} {
		must(d.c.PutIdentity(d.ctx, d.admin(clinic), record.Identity{ID: id("1d", 1), MemberID: dana, Issuer: url, Subject: "s-1"}, 0))(t)
	}
	says := func(token, subject string, two bool) {
		d.issuer.says[token] = openid.Identity{Issuer: url, Subject: subject, TwoFactors: two, Digest: strings.Repeat(token[:1], 64)}
	}
	says("a", "s-1", true)
	says("b", "s-1", false)
	says("c", "s-2", true)
	signed := must(d.c.SignInWithIDToken(d.ctx, stranger, east, "a"))(t)
	if token := signed.Token.Value.Token; !token.TwoFactors || token.MemberID != dana || token.IdentityID != id("1d", 1) {
		t.Errorf("%+v", token)
	}
	for name, c := range map[string]struct{ clinic, token string }{
		"again": {east, "a"}, "again at another clinic": {west, "a"}, "a subject that is not bound": {east, "c"}, "forged": {east, "x"},
		"at a clinic that is not there": {id("c1", 9), "b"}, "at the network": {"", "b"},
	} {
		if _, err := d.c.SignInWithIDToken(d.ctx, stranger, c.clinic, c.token); reasonOf(err) != "SIGN_IN_REFUSED" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if token := must(d.c.SignInWithIDToken(d.ctx, stranger, west, "b"))(t).Token.Value.Token; token.TwoFactors || token.ClinicID != west {
		t.Errorf("%+v", token)
	}
	d.issuer.down = fault.New(fault.Unavailable, "ISSUER_UNAVAILABLE", "the issuer does not answer")
	if _, err := d.c.SignInWithIDToken(d.ctx, stranger, east, "a"); reasonOf(err) != "ISSUER_UNAVAILABLE" {
		t.Errorf("an issuer that does not answer: %v", err)
	}
}

// TestChangedMeanwhile: what a proof was held against must still stand when the token is made.
func TestChangedMeanwhile(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	who := must(d.who(must(d.signIn(p, d.code(p)))(t).Secret))(t)
	prove := func() (login, passed) {
		known, proof, err := d.c.prove(d.ctx, east, LoginProof{loginName, p.password, d.code(p)})
		if err != nil {
			t.Fatal(err)
		}
		return known, proof
	}
	refused := func(name string, known login, proof passed) {
		if _, err := d.c.issue(d.ctx, stranger, known, proof); reasonOf(err) != "SIGN_IN_REFUSED" || !errors.Is(err, errMeanwhile) {
			t.Errorf("%s meanwhile: %v", name, err)
		}
	}
	known, proof := prove()
	if err := d.c.ChangePassword(d.ctx, who, LoginProof{Password: goodPassword, Code: d.code(p)}, "six green bins by the door"); err != nil {
		t.Fatal(err)
	}
	refused("a new password", known, proof)
	p.password = "six green bins by the door"
	known, proof = prove()
	must(d.c.RenewRecoveryCodes(d.ctx, who, LoginProof{Password: p.password, Code: d.code(p)}))(t)
	refused("new recovery codes", known, proof)
	known, proof = prove()
	gone := p.Identity
	gone.Revoked = true
	must(d.c.PutIdentity(d.ctx, d.admin(east), gone, 1))(t)
	refused("revoked", known, proof)
}

// TestTimeTellsNothing: a login that is not there costs a password hash like one that is. The least of several times is compared, and loosely: it is the
// hash that takes the time, not the machine's other work.
func TestTimeTellsNothing(t *testing.T) {
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	least := func(login string) time.Duration {
		best := time.Hour
		for range 5 {
			begun := time.Now()
			_, _ = d.c.SignIn(d.ctx, stranger, east, LoginProof{Login: login, Password: "not it at all", Code: "000000"})
			best = min(best, time.Since(begun))
		}
		return best
	}
	if there, not := least(p.Login), least("nobody"); not < there/3 || there < not/3 {
		t.Errorf("a wrong password takes %v, a login that is not there %v", there, not)
	}
}
