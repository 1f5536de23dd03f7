package rpc

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// sink takes every message.
type sink struct {
	grpc.ServerStream
	sent int
}

func (s *sink) SendMsg(any) error { s.sent++; return nil }

// standing is an authenticator whose one token has these roles, or is refused.
type standing struct {
	p       authn.Principal
	refused error
	asked   int
}

func (s *standing) Authenticate(context.Context, string) (authn.Principal, error) {
	s.asked++
	return s.p, s.refused
}

// TestStreamEndsWithItsCredential: a stream sends nothing once its token is revoked, lost the role or is another's; it is looked at no sooner than a
// second after it was, and at once where the clock was set back.
func TestStreamEndsWithItsCredential(t *testing.T) {
	holder := authn.Principal{TokenID: "t", Roles: []record.Role{record.RoleStation}, Role: record.RoleStation}
	revoked := fault.New(fault.Unauthenticated, "TOKEN_REVOKED", "the token has been revoked")
	for name, c := range map[string]struct {
		after   time.Duration
		now     authn.Principal
		refused error
		asked   int
		want    fault.Kind
		ok      bool
	}{
		"just before a second": {time.Second - 1, holder, revoked, 0, 0, true},
		"still good":           {time.Second, holder, nil, 1, 0, true},
		"revoked":              {time.Second, holder, revoked, 1, fault.Unauthenticated, false},
		"clock set back":       {-1, holder, revoked, 1, fault.Unauthenticated, false},
		"role withdrawn":       {time.Second, authn.Principal{TokenID: "t"}, nil, 1, fault.Denied, false},
		"another's":            {time.Second, authn.Principal{TokenID: "u", Roles: holder.Roles}, nil, 1, fault.Denied, false},
	} {
		begun := time.Unix(1_700_000_000, 0)
		now := begun.Add(c.after)
		auth, to := &standing{p: c.now, refused: c.refused}, &sink{}
		ctx := metadata.NewIncomingContext(t.Context(), metadata.Pairs(metaAuth, "Bearer x"))
		s := &heldStream{ServerStream: to, ctx: ctx, checked: begun, again: authenticator{Authenticator: auth}.again,
			call: &call{rule: &Rule{Roles: holder.Roles, Streams: true}, principal: holder, now: func() time.Time { return now }}}
		err := s.SendMsg(nil)
		if (err == nil) != c.ok || err != nil && !fault.Is(err, c.want) || auth.asked != c.asked || (to.sent == 1) != c.ok {
			t.Errorf("%s: %v, asked %d times, sent %d", name, err, auth.asked, to.sent)
		}
	}
}
