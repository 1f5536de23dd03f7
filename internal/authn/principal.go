// Package authn turns a credential into a principal.
package authn

import (
	"slices"

	"ponderal.example/internal/record"
)

// Principal is who calls, as the credential says, and on whose data the call acts.
type Principal struct {
	TokenID  string
	MemberID string
	Label    string
	// PayerID is set for a payer's system.
	PayerID string
	// ClinicID is the clinic that the call acts on: that of the credential or, for a network credential, the one that the request
	// names. Empty when the call acts on the network itself or for a payer.
	ClinicID string
	// Network is true for a credential of the network.
	Network bool
	// Roles of the credential.
	Roles []record.Role
	// IdentityID is what signed in for the credential, empty where an administrator made it; TwoFactors that it did so with two factors.
	IdentityID string
	TwoFactors bool
	// Role under which the method was allowed.
	Role record.Role
	// App as it names itself, and the id of this request.
	App       string
	RequestID string
}

// Has reports whether the credential carries the role.
func (p Principal) Has(r record.Role) bool { return slices.Contains(p.Roles, r) }

// Actor is the principal as the audit log names it.
func (p Principal) Actor() record.Actor {
	return record.Actor{TokenID: p.TokenID, MemberID: p.MemberID, Label: p.Label, Role: p.Role, App: p.App, RequestID: p.RequestID}
}
