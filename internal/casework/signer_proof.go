package casework

import (
	"context"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
)

// SignerProof is a signer's credential, given again at a signature: password with the one-time code where it is needed, or an ID token made for
// this signature.
type SignerProof struct {
	Password string
	Code     string
	IDToken  string
}

// SignerCheck holds a signer's proof against what the signer's identity proves: it is nil only where the person who presented the credential of p has
// shown again, for the result of that id, that they are who they are. It records failed attempts. Safe for concurrent use.
type SignerCheck interface {
	CheckSigner(ctx context.Context, p authn.Principal, proof SignerProof, resultID string) error
}

// checkSigner refuses whoever does not prove again who they are, and everybody where nothing can check it.
func (c *Casework) checkSigner(ctx context.Context, p authn.Principal, proof SignerProof, resultID string) error {
	if c.signers == nil {
		return fault.New(fault.Precondition, "SIGNING_NOT_SET_UP", "this service cannot check a signer's credential, so nothing is signed; its operator has to set up signing in")
	}
	if proof == (SignerProof{}) {
		return invalid("proof", "signature.proof", "a signature asks for the signer's credential again: the password of the login, with the one-time code where the token was not signed in for with two factors, or a fresh ID token")
	}
	return c.signers.CheckSigner(ctx, p, proof, resultID)
}
