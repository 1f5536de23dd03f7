package authn

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// Finder looks up a token by its id, before any clinic is known (one that is not there is a NotFound fault), and the member and the identity that it
// names, in the token's clinic or the network's own records, as stored now. Safe for concurrent use.
type Finder interface {
	FindToken(ctx context.Context, id string) (store.TokenRow, error)
	FindHolder(ctx context.Context, clinicID, memberID, identityID string) (store.Holder, error)
}

// Authenticator turns a bearer token into a principal. Safe for concurrent use.
type Authenticator struct {
	tokens Finder
	now    func() time.Time
}

// NewAuthenticator makes one over a finder and a clock.
func NewAuthenticator(tokens Finder, now func() time.Time) *Authenticator {
	return &Authenticator{tokens: tokens, now: now}
}

// Authenticate returns who the token speaks for: its id, member, label and roles, and of clinic, payer and network the one that it belongs to.
// App, RequestID and Role are the caller's to fill in.
//
// A text that is no token, an unknown id and a wrong secret get the same Unauthenticated fault after the same comparison. Only who shows the
// right secret is told that the token is revoked (TOKEN_REVOKED) or has expired (TOKEN_EXPIRED); a token expires at its moment, not after it.
//
// A token that was succeeded goes on until the end of its overlap, and not at that moment; any other revocation counts whatever the clock says, so that
// it works at once on every replica.
//
// A token that names a member speaks for that member as they are now: one who has left the clinic has no access (MEMBER_LEFT), and of the
// roles of a person the token has those that the member still has. A token that was signed in for ends with its identity (IDENTITY_REVOKED), and of
// the roles of the network it has those that the identity still has.
func (a *Authenticator) Authenticate(ctx context.Context, bearer string) (Principal, error) {
	id, secret, err := Parse(bearer)
	if err != nil {
		return Principal{}, err
	}
	row, err := a.tokens.FindToken(ctx, id)
	known := err == nil
	if err != nil && !fault.Is(err, fault.NotFound) {
		return Principal{}, fmt.Errorf("find token: %w", err)
	}
	var token record.Token
	if known {
		if err := json.Unmarshal(row.Token, &token); err != nil {
			return Principal{}, fault.New(fault.Internal, "TOKEN_DAMAGED", "an internal error")
		}
	}
	if !matches(secret, token.SecretHash) || !known || token.ID != id {
		return Principal{}, unauthenticated()
	}
	now := a.now()
	ended, err := revoked(row.Revocation, now)
	switch {
	case err != nil:
		return Principal{}, err
	case ended:
		return Principal{}, fault.New(fault.Unauthenticated, "TOKEN_REVOKED", "the token has been revoked; sign in again, or ask an administrator for a new one")
	case !now.Before(token.ExpiresAt.Std()):
		return Principal{}, fault.New(fault.Unauthenticated, "TOKEN_EXPIRED", "the token has expired; sign in again, or ask an administrator for a new one")
	}
	p, err := principalOf(token)
	if err != nil || p.MemberID == "" && p.IdentityID == "" {
		return p, err
	}
	return a.asTheyAreNow(ctx, p)
}

// revoked reports whether a revocation, nil for none, has ended its token.
func revoked(body []byte, now time.Time) (bool, error) {
	if body == nil {
		return false, nil
	}
	var r record.TokenRevocation
	if err := json.Unmarshal(body, &r); err != nil {
		return true, fault.New(fault.Internal, "TOKEN_DAMAGED", "an internal error")
	}
	return r.Ended(now), nil
}

// asTheyAreNow holds a principal against the stored member and identity, on each call, so that leaving, a withdrawn role and a revoked identity count
// at once.
func (a *Authenticator) asTheyAreNow(ctx context.Context, p Principal) (Principal, error) {
	clinic := p.ClinicID
	if clinic == "" {
		clinic = record.NetworkClinic
	}
	holder, err := a.tokens.FindHolder(ctx, clinic, p.MemberID, p.IdentityID)
	if err != nil {
		return Principal{}, fmt.Errorf("find the token's holder: %w", err)
	}
	if p.MemberID != "" {
		if p, err = asMember(p, holder.Member); err != nil {
			return Principal{}, err
		}
	}
	if p.IdentityID != "" {
		return asIdentity(p, holder.Identity)
	}
	return p, nil
}

func asMember(p Principal, body []byte) (Principal, error) {
	gone := fault.New(fault.Unauthenticated, "MEMBER_LEFT", "the member that the token speaks for has left the clinic or has none of the token's roles any more")
	if body == nil {
		return Principal{}, gone
	}
	var m record.Member
	if err := json.Unmarshal(body, &m); err != nil {
		return Principal{}, fault.New(fault.Internal, "MEMBER_DAMAGED", "an internal error")
	}
	p.Roles = slices.DeleteFunc(slices.Clone(p.Roles), func(r record.Role) bool { return r.Personal() && !slices.Contains(m.Roles, r) })
	if m.Left || len(p.Roles) == 0 {
		return Principal{}, gone
	}
	return p, nil
}

func asIdentity(p Principal, body []byte) (Principal, error) {
	gone := fault.New(fault.Unauthenticated, "IDENTITY_REVOKED", "the identity that signed in for the token has been revoked")
	if body == nil {
		return Principal{}, gone
	}
	var i record.Identity
	if err := json.Unmarshal(body, &i); err != nil {
		return Principal{}, fault.New(fault.Internal, "IDENTITY_DAMAGED", "an internal error")
	}
	if i.Revoked || i.MemberID != p.MemberID || i.PayerID != p.PayerID {
		return Principal{}, gone
	}
	if p.Network {
		p.Roles = slices.DeleteFunc(slices.Clone(p.Roles), func(r record.Role) bool { return !slices.Contains(i.NetworkRoles, r) })
	}
	if len(p.Roles) == 0 {
		return Principal{}, gone
	}
	return p, nil
}

// matches compares in constant time. Where there is no hash to compare with, it compares with one that no secret has and answers false.
func matches(secret Secret, storedHash string) bool {
	var stored [sha256.Size]byte
	raw, err := hex.DecodeString(storedHash)
	readable := err == nil && len(raw) == len(stored)
	if readable {
		copy(stored[:], raw)
	}
	sum := secret.sum()
	equal := subtle.ConstantTimeCompare(sum[:], stored[:]) == 1
	return equal && readable
}

// principalOf reads whom the token speaks for. The clinic comes from the stored body alone.
func principalOf(t record.Token) (Principal, error) {
	if t.ClinicID != "" && t.PayerID != "" || t.MemberID != "" && t.ClinicID == "" {
		return Principal{}, fault.New(fault.Internal, "TOKEN_DAMAGED", "an internal error")
	}
	return Principal{TokenID: t.ID, MemberID: t.MemberID, Label: t.Label, ClinicID: t.ClinicID, PayerID: t.PayerID,
		Network: t.ClinicID == "" && t.PayerID == "", Roles: t.Roles, IdentityID: t.IdentityID, TwoFactors: t.TwoFactors}, nil
}
