package seal

import (
	"context"
	"crypto/ed25519"
	"fmt"

	"github.com/go-jose/go-jose/v4"
)

// Signer signs with one private key, which may be in this process (Key) or held
// by a key service that never hands it out. Safe for concurrent use.
//
// A Signer is not believed: what it returns is verified against Public before it
// goes anywhere, so that a key service that signs with another key or returns
// garbage makes an error and not a record.
type Signer interface {
	// Public returns the published half, the same at every call; its ID is the
	// RFC 7638 thumbprint of its key.
	Public() PublicKey
	// Sign returns the 64-byte Ed25519 signature (RFC 8032, the pure form, no
	// context) of the message itself, not of a digest of it. It gives up when ctx
	// ends: the caller may hold the lock of a log's head for as long.
	Sign(ctx context.Context, message []byte) (signature []byte, err error)
}

// Sign implements Signer.
func (k Key) Sign(ctx context.Context, message []byte) ([]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if k.private == nil {
		return nil, ErrKey
	}
	return ed25519.Sign(k.private(), message), nil
}

// ready returns the published half of a signer that may sign for use.
func ready(s Signer, use Use) (PublicKey, error) {
	if s == nil {
		return PublicKey{}, ErrKey
	}
	public := s.Public()
	if public.Use != use {
		return PublicKey{}, ErrUse
	}
	id, err := Thumbprint(public.Key)
	switch {
	case err != nil:
		return PublicKey{}, err
	case id != public.ID:
		return PublicKey{}, ErrThumbprint
	}
	return public, public.MaySign()
}

// signBy has the message signed and verifies the signature. Errors: ErrSigner with
// the signer's own error, ErrSignature.
func signBy(ctx context.Context, s Signer, public PublicKey, message []byte) ([]byte, error) {
	signature, err := s.Sign(ctx, message)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrSigner, err)
	}
	if !ed25519.Verify(public.Key, message, signature) {
		return nil, fmt.Errorf("what the signer returned: %w", ErrSignature)
	}
	return signature, nil
}

// joseSigner is a Signer as go-jose takes one, for one call.
type joseSigner struct {
	ctx    context.Context
	signer Signer
	public PublicKey
}

// Public implements jose.OpaqueSigner.
func (s joseSigner) Public() *jose.JSONWebKey {
	return &jose.JSONWebKey{Key: s.public.Key, KeyID: s.public.ID, Algorithm: string(jose.EdDSA)}
}

// Algs implements jose.OpaqueSigner.
func (s joseSigner) Algs() []jose.SignatureAlgorithm { return algorithms() }

// SignPayload implements jose.OpaqueSigner.
func (s joseSigner) SignPayload(message []byte, _ jose.SignatureAlgorithm) ([]byte, error) {
	return signBy(s.ctx, s.signer, s.public, message)
}
