package casework

import (
	"errors"
	"testing"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// TestLeavingEndsAccess: a member's token has, on the next call, the roles that the member still has; once the member has left it has nothing; and
// when another administrator takes the member back it works again.
func TestLeavingEndsAccess(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	auth := authn.NewAuthenticator(w.store, w.clock.now)
	in := laptop()
	in.Roles = []record.Role{record.RoleEvaluator, record.RoleReviewer}
	_, secret, err := w.c.CreateToken(w.ctx, w.admin(east), in)
	if err != nil {
		t.Fatal(err)
	}
	was := must(w.c.GetMember(w.ctx, w.admin(east), dana))(t)
	put := func(change func(*record.Member)) {
		t.Helper()
		m := was.Value
		change(&m)
		was = must(w.c.PutMember(w.ctx, w.admin(east), m, was.Revision.Number))(t)
	}
	roles := func(want ...record.Role) {
		t.Helper()
		p, err := auth.Authenticate(w.ctx, secret)
		if len(want) == 0 {
			var f *fault.Error
			if !errors.As(err, &f) || f.Kind != fault.Unauthenticated || f.Reason != "MEMBER_LEFT" {
				t.Errorf("got %+v, %v, want nobody", p, err)
			}
			return
		}
		if err != nil || len(p.Roles) != len(want) || p.Roles[0] != want[0] {
			t.Errorf("got %v, %v, want %v", p.Roles, err, want)
		}
	}
	both := was.Value.Roles
	roles(record.RoleEvaluator, record.RoleReviewer)
	put(func(m *record.Member) { m.Roles = []record.Role{record.RoleReviewer} })
	roles(record.RoleReviewer)
	put(func(m *record.Member) { m.Left = true })
	roles()
	put(func(m *record.Member) { m.Left, m.Roles = false, both })
	roles(record.RoleEvaluator, record.RoleReviewer)
}

// TestNobodyBringsThemselvesBack: an administrator changes neither their own roles nor whether they have left, nor writes over a revision that is
// not there yet; their name they may change, and another administrator may do all of it.
func TestNobodyBringsThemselvesBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	self := w.member(east, robin, record.RoleClinicAdmin)
	was := must(w.c.GetMember(w.ctx, self, robin))(t)
	for name, change := range map[string]func(*record.Member) int{
		"leaves":      func(m *record.Member) int { m.Left = true; return 0 },
		"more roles":  func(m *record.Member) int { m.Roles = append(m.Roles, record.RoleReviewer); return 0 },
		"fewer roles": func(m *record.Member) int { m.Roles = []record.Role{record.RoleEvaluator}; return 0 },
		"ahead":       func(m *record.Member) int { m.Name = "Robin Ahead"; return 1 },
	} {
		m := was.Value
		m.Roles = append([]record.Role(nil), m.Roles...)
		expected := was.Revision.Number + change(&m)
		w.unchanged(func() {
			_, err := w.c.PutMember(w.ctx, self, m, expected)
			var f *fault.Error
			if !errors.As(err, &f) || f.Kind != fault.Precondition || f.Reason != "OWN_MEMBERSHIP" {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	m := was.Value
	m.Name = "Robin Renamed"
	was = must(w.c.PutMember(w.ctx, self, m, was.Revision.Number))(t)
	m = was.Value
	m.Left = true
	must(w.c.PutMember(w.ctx, w.member(east, dana, record.RoleClinicAdmin), m, was.Revision.Number))(t)
}
