package casework

import (
	"context"

	"ponderal.example/internal/authn"
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
