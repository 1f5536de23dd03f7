package authn

import (
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// TestTokenOfAMember: a token speaks for its member as they are now. Who has left, is not there, or has none of its roles any more is refused; a
// withdrawn role is missing; a station's role is the token's own; and where the member cannot be read nobody comes in.
func TestTokenOfAMember(t *testing.T) {
	const ev, re, ad, st = record.RoleEvaluator, record.RoleReviewer, record.RoleClinicAdmin, record.RoleStation
	down := errors.New("no connection")
	for name, c := range map[string]struct {
		token, has []record.Role
		left       bool
		id         string
		lost       error
		want       []record.Role
		reason     string
	}{
		"as before":        {token: []record.Role{ev, re}, has: []record.Role{re, ev}, want: []record.Role{ev, re}},
		"more than before": {token: []record.Role{ev}, has: []record.Role{ev, re, ad}, want: []record.Role{ev}},
		"role withdrawn":   {token: []record.Role{ev, re, ad}, has: []record.Role{ev}, want: []record.Role{ev}},
		"every role gone":  {token: []record.Role{re}, has: []record.Role{ev}, reason: "MEMBER_LEFT"},
		"left":             {token: []record.Role{ev}, has: []record.Role{ev}, left: true, reason: "MEMBER_LEFT"},
		"not there":        {token: []record.Role{ev}, has: []record.Role{ev}, id: "another", reason: "MEMBER_LEFT"},
		"a station":        {token: []record.Role{st}, has: []record.Role{ev}, want: []record.Role{st}},
		"a left station":   {token: []record.Role{st}, has: []record.Role{ev}, left: true, reason: "MEMBER_LEFT"},
		"store down":       {token: []record.Role{ev}, has: []record.Role{ev}, lost: down},
	} {
		text, row := minted(t, func(k *record.Token) { k.Roles = c.token })
		m := record.Member{ID: "m", ClinicID: clinic, Roles: c.has, Left: c.left}
		if c.id != "" {
			m.ID = c.id
		}
		finder := tokens{rows: map[string]store.TokenRow{tokenID: row}, member: &m, lost: c.lost}
		got, err := NewAuthenticator(finder, at(expiry.Add(-1e9))).Authenticate(context.Background(), text)
		var f *fault.Error
		switch {
		case c.reason != "":
			if !errors.As(err, &f) || f.Kind != fault.Unauthenticated || f.Reason != c.reason || len(got.Roles) > 0 {
				t.Errorf("%s: %+v, %v", name, got, err)
			}
		case c.lost != nil:
			if !errors.Is(err, down) || len(got.Roles) > 0 {
				t.Errorf("%s: %+v, %v", name, got, err)
			}
		case err != nil || !cmp.Equal(got.Roles, c.want):
			t.Errorf("%s: %v, %v, want %v", name, got.Roles, err, c.want)
		}
	}
}
