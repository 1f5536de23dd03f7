package authn

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// TestOverlap: a token that was succeeded works until the last microsecond before its end, and not from then on.
func TestOverlap(t *testing.T) {
	end := expiry.Add(-time.Hour)
	text, row := minted(t, nil)
	row = ending(t, row, record.TokenRevocation{RevokedAt: record.TimeOf(end), SuccessorID: "next"})
	for moment, want := range map[time.Time]string{
		end.Add(-time.Hour): "", end.Add(-time.Microsecond): "", end: "TOKEN_REVOKED", end.Add(time.Microsecond): "TOKEN_REVOKED", expiry: "TOKEN_REVOKED",
	} {
		_, err := NewAuthenticator(tokens{rows: map[string]store.TokenRow{tokenID: row}}, at(moment)).Authenticate(context.Background(), text)
		var f *fault.Error
		if got := ""; errors.As(err, &f) || err != nil {
			if got = f.Reason; got != want {
				t.Errorf("%v after the end: %v, want %q", moment.Sub(end), err, want)
			}
		} else if want != "" {
			t.Errorf("%v after the end: let in", moment.Sub(end))
		}
	}
}

// TestTokenOfAnIdentity: a token that was signed in for lives as long as its identity, and has no more roles of the network than that.
func TestTokenOfAnIdentity(t *testing.T) {
	const admin, auditor = record.RoleNetworkAdmin, record.RoleNetworkAuditor
	person := record.Identity{ID: "i", NetworkName: "Noa Reyes", NetworkRoles: []record.Role{admin, auditor}}
	of := func(change func(*record.Identity)) *record.Identity {
		i := person
		change(&i)
		return &i
	}
	for name, c := range map[string]struct {
		member   string
		identity *record.Identity
		want     []record.Role
	}{
		"as before":               {"", &person, []record.Role{admin, auditor}},
		"a role less":             {"", of(func(i *record.Identity) { i.NetworkRoles = []record.Role{auditor} }), []record.Role{auditor}},
		"no role":                 {"", of(func(i *record.Identity) { i.NetworkRoles = nil }), nil},
		"revoked":                 {"", of(func(i *record.Identity) { i.Revoked = true }), nil},
		"not there":               {"", of(func(i *record.Identity) { i.ID = "another" }), nil},
		"a member's":              {"", of(func(i *record.Identity) { i.MemberID = "m" }), nil},
		"member":                  {"m", &record.Identity{ID: "i", MemberID: "m"}, []record.Role{record.RoleEvaluator}},
		"another member's":        {"m", &record.Identity{ID: "i", MemberID: "n"}, nil},
		"member's, revoked":       {"m", &record.Identity{ID: "i", MemberID: "m", Revoked: true}, nil},
		"member with none at all": {"m", nil, nil},
	} {
		text, row := minted(t, func(k *record.Token) {
			k.MemberID, k.IdentityID, k.TwoFactors, k.Roles = c.member, "i", true, []record.Role{record.RoleEvaluator}
			if c.member == "" {
				k.ClinicID, k.Roles = "", []record.Role{admin, auditor}
			}
		})
		finder := tokens{rows: map[string]store.TokenRow{tokenID: row}, identity: c.identity}
		got, err := NewAuthenticator(finder, at(expiry.Add(-time.Second))).Authenticate(context.Background(), text)
		var f *fault.Error
		switch {
		case c.want == nil:
			if !errors.As(err, &f) || f.Reason != "IDENTITY_REVOKED" || len(got.Roles) > 0 {
				t.Errorf("%s: %+v, %v", name, got, err)
			}
		case err != nil || !cmp.Equal(got.Roles, c.want) || got.IdentityID != "i" || !got.TwoFactors:
			t.Errorf("%s: %+v, %v, want %v", name, got, err, c.want)
		}
	}
}
