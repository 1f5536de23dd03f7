package authn

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// Finder looks a token up by its id, before any clinic is known. A token that is not there is a NotFound fault. Safe for concurrent use.
type Finder interface {
	FindToken(ctx context.Context, id string) (store.TokenRow, error)
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
	switch {
	case row.Revoked:
		return Principal{}, fault.New(fault.Unauthenticated, "TOKEN_REVOKED", "the token has been revoked")
	case !a.now().Before(token.ExpiresAt.Std()):
		return Principal{}, fault.New(fault.Unauthenticated, "TOKEN_EXPIRED", "the token has expired")
	}
	return principalOf(token)
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
	if t.ClinicID != "" && t.PayerID != "" {
		return Principal{}, fault.New(fault.Internal, "TOKEN_DAMAGED", "an internal error")
	}
	return Principal{TokenID: t.ID, MemberID: t.MemberID, Label: t.Label, ClinicID: t.ClinicID, PayerID: t.PayerID,
		Network: t.ClinicID == "" && t.PayerID == "", Roles: t.Roles}, nil
}
