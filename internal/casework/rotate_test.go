package casework

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// made makes a token and authenticates with it.
func (d *door) made(in NewToken) (authn.Principal, string) {
	d.t.Helper()
	in.Label, in.ExpiresAt = "device 7", record.TimeOf(d.clock.now().Add(48*time.Hour))
	_, secret, err := d.c.BootstrapToken(d.ctx, in)
	if err != nil {
		d.t.Fatal(err)
	}
	return must(d.who(secret))(d.t), secret
}

// TestRotation: a successor is of the same holder, and both work until the end of the overlap, to the microsecond.
func TestRotation(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	for name, in := range map[string]NewToken{
		"station": {ClinicID: east, Roles: []record.Role{record.RoleStation}},
		"member":  {ClinicID: east, MemberID: dana, Roles: []record.Role{record.RoleEvaluator}},
		"payer":   {PayerID: insure, Roles: []record.Role{record.RolePayer}},
		"network": {Roles: []record.Role{record.RoleNetworkAuditor}},
	} {
		d.setClock(day)
		p, old := d.made(in)
		expires := record.TimeOf(day.Add(300 * 24 * time.Hour))
		got := must(d.c.RotateToken(d.ctx, p, time.Minute, expires))(t)
		next := must(d.who(got.Secret))(t)
		want := p
		want.TokenID = next.TokenID
		if diff := cmp.Diff(want, next); diff != "" || got.Token.Value.Token.RotatedFrom != p.TokenID || !got.Token.Value.Token.ExpiresAt.Equal(expires) {
			t.Errorf("%s: %+v\n%s", name, got.Token.Value.Token, diff)
		}
		end := day.Add(time.Minute)
		if !got.Former.Value.RevokedAt.Equal(record.TimeOf(end)) || got.Former.Value.Token.ID != p.TokenID {
			t.Errorf("%s: former %+v", name, got.Former.Value)
		}
		if _, err := d.c.RotateToken(d.ctx, p, 0, expires); reasonOf(err) != "TOKEN_ROTATED" {
			t.Errorf("%s: rotated twice: %v", name, err)
		}
		d.setClock(end.Add(-time.Microsecond))
		if _, err := d.who(old); err != nil {
			t.Errorf("%s: a microsecond before the end: %v", name, err)
		}
		d.setClock(end)
		if _, err := d.who(old); reasonOf(err) != "TOKEN_REVOKED" {
			t.Errorf("%s: at the end: %v", name, err)
		}
		if _, err := d.who(got.Secret); err != nil {
			t.Errorf("%s: the successor: %v", name, err)
		}
	}
}

// TestRevokedWithinTheOverlap: an administrator's word ends a token at once, whatever a clock says, and the list shows it.
func TestRevokedWithinTheOverlap(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p, old := d.made(NewToken{ClinicID: east, Roles: []record.Role{record.RoleStation}})
	got := must(d.c.RotateToken(d.ctx, p, time.Hour, record.TimeOf(day.Add(24*time.Hour))))(t)
	shown := func() record.Time {
		for _, item := range must(d.c.ListTokens(d.ctx, d.admin(east), record.Page{}))(t).Items {
			if item.Value.Token.ID == p.TokenID {
				return item.Value.RevokedAt
			}
		}
		return record.Time{}
	}
	if !shown().Equal(record.TimeOf(day.Add(time.Hour))) {
		t.Errorf("the list says that the token ends at %v", shown())
	}
	d.setClock(day.Add(time.Minute))
	must(d.c.RevokeToken(d.ctx, d.admin(east), p.TokenID, "the device was stolen"))(t)
	d.setClock(day) // another replica, whose clock is behind
	if _, err := d.who(old); reasonOf(err) != "TOKEN_REVOKED" {
		t.Errorf("revoked within the overlap: %v", err)
	}
	if !shown().Equal(record.TimeOf(day.Add(time.Minute))) {
		t.Errorf("the list says that the token ended at %v", shown())
	}
	if _, err := d.who(got.Secret); err != nil {
		t.Errorf("the successor goes on: %v", err)
	}
	// Revoking again keeps the first reason and moment.
	d.setClock(day.Add(2 * time.Hour))
	if again := must(d.c.RevokeToken(d.ctx, d.admin(east), p.TokenID, "again"))(t); !again.Value.RevokedAt.Equal(record.TimeOf(day.Add(time.Minute))) {
		t.Errorf("revoked again at %v", again.Value.RevokedAt)
	}
}

// TestOverlapOfNothing ends the presented token at once.
func TestOverlapOfNothing(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p, old := d.made(NewToken{ClinicID: east, Roles: []record.Role{record.RoleStation}})
	must(d.c.RotateToken(d.ctx, p, 0, record.TimeOf(day.Add(time.Hour))))(t)
	d.setClock(day.Add(-time.Second))
	if _, err := d.who(old); reasonOf(err) != "TOKEN_REVOKED" {
		t.Errorf("%v", err)
	}
}

// TestRotationRefuses: a successor of a token that was signed in for ends with it, and no token goes on for more than a day or 400 days.
func TestRotationRefuses(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	person := d.setUp(d.bound(east, 1), goodPassword)
	signed := must(d.signIn(person, d.code(person)))(t)
	p := must(d.who(signed.Secret))(t)
	ends := signed.Token.Value.Token.ExpiresAt
	station, _ := d.made(NewToken{ClinicID: east, Roles: []record.Role{record.RoleStation}})
	now := d.clock.now()
	for name, c := range map[string]struct {
		p       authn.Principal
		overlap time.Duration
		ends    time.Time
		field   string
	}{
		"a sign-in's, longer": {p, 0, ends.Std().Add(time.Microsecond), "expires_at"}, "in the past": {station, 0, now, "expires_at"},
		"beyond 400 days": {station, 0, now.Add(tokenLife + time.Microsecond), "expires_at"}, "overlap of more than a day": {station, mostOverlap + time.Second, now.Add(time.Hour), "overlap_seconds"},
	} {
		_, err := d.c.RotateToken(d.ctx, c.p, c.overlap, record.TimeOf(c.ends))
		if fields := fieldsOf(err); !slices.Contains(fields, c.field) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := d.c.RotateToken(d.ctx, authn.Principal{PayerID: insure, Roles: []record.Role{record.RolePayer}}, 0, ends); reasonOf(err) != "NO_TOKEN" {
		t.Errorf("without a token: %v", err)
	}
	got := must(d.c.RotateToken(d.ctx, p, mostOverlap, ends))(t)
	next := must(d.who(got.Secret))(t)
	if next.IdentityID != person.ID || !next.TwoFactors {
		t.Errorf("%+v", next)
	}
	must(d.c.RotateToken(d.ctx, station, mostOverlap, record.TimeOf(now.Add(tokenLife))))(t)
}

func fieldsOf(err error) (fields []string) {
	for f := range violationsOf(err) {
		fields = append(fields, f)
	}
	return fields
}

func violationsOf(err error) map[string]string {
	out := map[string]string{}
	var f *fault.Error
	if asFault(err, &f) {
		for _, v := range f.Violations {
			out[v.Field] = v.Rule
		}
	}
	return out
}

// TestPasswordChangeEndsTokens: the others of that identity end at once, the presented one goes on; wrong proofs change nothing.
func TestPasswordChangeEndsTokens(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	here := must(d.signIn(p, d.code(p)))(t)
	there := must(d.signIn(p, d.code(p)))(t)
	who := must(d.who(here.Secret))(t)
	overlapping := must(d.c.RotateToken(d.ctx, must(d.who(there.Secret))(t), time.Hour, record.TimeOf(d.clock.now().Add(time.Hour))))(t)
	const next = "seven blue crates in a row"
	if err := d.c.ChangePassword(d.ctx, who, LoginProof{Password: "not it at all", Code: d.code(p)}, next); reasonOf(err) != "PROOF_REFUSED" || !fault.Is(err, fault.Denied) {
		t.Errorf("a wrong password: %v", err)
	}
	if err := d.c.ChangePassword(d.ctx, who, LoginProof{Password: goodPassword, Code: "000000"}, next); reasonOf(err) != "PROOF_REFUSED" {
		t.Errorf("a wrong code: %v", err)
	}
	if err := d.c.ChangePassword(d.ctx, who, LoginProof{Password: goodPassword, Code: d.code(p)}, "short"); !slices.Contains(fieldsOf(err), "new_password") {
		t.Errorf("a weak password: %v", err)
	}
	if _, err := d.who(there.Secret); err != nil {
		t.Errorf("a refused change ended a token: %v", err)
	}
	if err := d.c.ChangePassword(d.ctx, who, LoginProof{Password: goodPassword, Code: d.code(p)}, next); err != nil {
		t.Fatal(err)
	}
	for name, secret := range map[string]string{"another": there.Secret, "its successor": overlapping.Secret} {
		if _, err := d.who(secret); reasonOf(err) != "TOKEN_REVOKED" {
			t.Errorf("%s token: %v", name, err)
		}
	}
	if _, err := d.who(here.Secret); err != nil {
		t.Errorf("the presented token: %v", err)
	}
	if _, err := d.signIn(p, d.code(p)); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("the old password: %v", err)
	}
	p.password = next
	must(d.signIn(p, d.code(p)))(t)
	station, _ := d.made(NewToken{ClinicID: east, Roles: []record.Role{record.RoleStation}})
	if err := d.c.ChangePassword(d.ctx, station, LoginProof{Password: next, Code: d.code(p)}, goodPassword); reasonOf(err) != "NO_LOGIN" {
		t.Errorf("a token that nobody signed in for: %v", err)
	}
}

// TestRenewedRecoveryCodes: the old ones are gone, each new one is good once.
func TestRenewedRecoveryCodes(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	who := must(d.who(must(d.signIn(p, p.recovery[0]))(t).Secret))(t)
	codes := must(d.c.RenewRecoveryCodes(d.ctx, who, LoginProof{Password: goodPassword, Code: p.recovery[1]}))(t)
	if len(codes) != 10 || slices.Contains(codes, p.recovery[2]) {
		t.Errorf("%d codes", len(codes))
	}
	for _, old := range p.recovery[1:3] {
		if _, err := d.signIn(p, old); reasonOf(err) != "SIGN_IN_REFUSED" {
			t.Errorf("a code from before: %v", err)
		}
	}
	if got := must(d.signIn(p, codes[0]))(t); got.RecoveryLeft != 9 {
		t.Errorf("%d left", got.RecoveryLeft)
	}
	if _, err := d.signIn(p, codes[0]); reasonOf(err) != "SIGN_IN_REFUSED" {
		t.Errorf("a new code twice: %v", err)
	}
}
