package seal

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"

	"github.com/go-jose/go-jose/v4"

	"ponderal.example/internal/canon"
)

// The "typ" in the protected header says what was signed, so that a signature over one kind of statement never passes for another (RFC 8725,
// section 3.11).
const (
	// ResultType is that of a signed result.
	ResultType = "ponderal-result+jws"
	// CountersignatureType is that of a second signature over a result.
	CountersignatureType = "ponderal-countersignature+jws"
)

// algorithms is all that a signed result may use.
func algorithms() []jose.SignatureAlgorithm { return []jose.SignatureAlgorithm{jose.EdDSA} }

// SignJWS signs the payload with a result key, as a JWS in compact
// serialization whose protected header is
//
//	{"alg":"EdDSA","kid":"…","typ":"ponderal-result+jws"}
//
// The signature is verified before it is returned. Errors: ErrKey, ErrUse,
// ErrThumbprint, ErrRetired and ErrCompromised for a key that may not sign,
// ErrSigner, ErrSignature.
func SignJWS(ctx context.Context, key Signer, payload []byte) (string, error) {
	return signAs(ctx, key, ResultType, payload)
}

// SignCountersignature is SignJWS with the type of a countersignature.
func SignCountersignature(ctx context.Context, key Signer, payload []byte) (string, error) {
	return signAs(ctx, key, CountersignatureType, payload)
}

func signAs(ctx context.Context, key Signer, typ string, payload []byte) (string, error) {
	public, err := ready(key, UseResult)
	if err != nil {
		return "", fmt.Errorf("sign result: %w", err)
	}
	signer, err := jose.NewSigner(
		jose.SigningKey{Algorithm: jose.EdDSA, Key: joseSigner{ctx: ctx, signer: key, public: public}},
		(&jose.SignerOptions{}).WithType(jose.ContentType(typ)),
	)
	if err != nil {
		return "", fmt.Errorf("sign result: %w", err)
	}
	signed, err := signer.Sign(payload)
	if err != nil {
		return "", fmt.Errorf("sign result: %w", err)
	}
	compact, err := signed.CompactSerialize()
	if err != nil {
		return "", fmt.Errorf("sign result: %w", err)
	}
	return compact, nil
}

// VerifyJWS returns the payload of a signed result and the id of the key that
// signed it. The ring must hold that key for results; the text must be exactly
// what SignJWS would write for this payload and signature. Errors: ErrMalformed,
// ErrAlgorithm, ErrHeader, ErrUnknownKey, ErrUse, ErrSignature.
func VerifyJWS(ring Ring, compact string) (payload []byte, kid string, err error) {
	return verifyAs(ring, ResultType, compact)
}

// VerifyCountersignature is VerifyJWS for what SignCountersignature wrote.
func VerifyCountersignature(ring Ring, compact string) (payload []byte, kid string, err error) {
	return verifyAs(ring, CountersignatureType, compact)
}

func verifyAs(ring Ring, typ, compact string) (payload []byte, kid string, err error) {
	signed, err := jose.ParseSignedCompact(compact, algorithms())
	if err != nil {
		return nil, "", fmt.Errorf("verify result: %w", parseReason(err))
	}
	if len(signed.Signatures) != 1 {
		return nil, "", fmt.Errorf("verify result: %w", ErrMalformed)
	}
	kid = signed.Signatures[0].Protected.KeyID
	header, err := protectedHeader(kid, typ)
	if err != nil {
		return nil, "", fmt.Errorf("verify result: %w", err)
	}
	prefix := base64.RawURLEncoding.EncodeToString(header) + "."
	if len(compact) < len(prefix) || compact[:len(prefix)] != prefix {
		return nil, "", fmt.Errorf("verify result: %w", ErrHeader)
	}
	public, err := ring.Find(kid, UseResult)
	if err != nil {
		return nil, "", fmt.Errorf("verify result: %w", err)
	}
	payload, err = signed.Verify(public.Key)
	if err != nil {
		return nil, "", fmt.Errorf("verify result: %w", ErrSignature)
	}
	again := prefix + base64.RawURLEncoding.EncodeToString(payload) + "." +
		base64.RawURLEncoding.EncodeToString(signed.Signatures[0].Signature)
	if again != compact {
		return nil, "", fmt.Errorf("verify result: %w", ErrMalformed)
	}
	return payload, kid, nil
}

// protectedHeader is the one header we sign under: canonical JSON, which is also
// the order in which go-jose writes it.
func protectedHeader(kid, typ string) ([]byte, error) {
	if kid == "" {
		return nil, ErrHeader
	}
	var w canon.Writer
	w.BeginObject()
	w.StringField("alg", string(jose.EdDSA))
	w.StringField("kid", kid)
	w.StringField("typ", typ)
	w.EndObject()
	header, err := w.Bytes()
	if err != nil {
		return nil, ErrHeader
	}
	return header, nil
}

// parseReason sorts go-jose's parse errors, whose text could quote the input.
func parseReason(err error) error {
	var alg *jose.ErrUnexpectedSignatureAlgorithm
	if errors.As(err, &alg) {
		return ErrAlgorithm
	}
	return ErrMalformed
}
