package authn

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"strings"

	"github.com/google/uuid"

	"ponderal.example/internal/fault"
)

// A token is written as
//
//	pdl_<22 characters: base64url of the 16 bytes of its id>_<43 characters: base64url of 32 random bytes>
//
// without padding (RFC 4648, section 5). The prefix lets scanners for leaked secrets find it. The underscores that base64url itself may hold do no
// harm, because the parts have fixed lengths. Only the hash of the secret bytes is stored.
const (
	tokenPrefix = "pdl_"
	idSize      = 16
	secretSize  = 32
	idChars     = 22
	secretChars = 43
	tokenLength = len(tokenPrefix) + idChars + 1 + secretChars
)

var encoding = base64.RawURLEncoding.Strict()

// Secret is the part of a token that proves it. However it is printed or marshalled, nothing of it shows.
type Secret struct {
	// bytes returns the secret; a function, because reflection prints what an unexported field holds.
	bytes func() [secretSize]byte
}

// Hash is the lower-case hex SHA-256 of the secret: what is stored of it.
func (s Secret) Hash() string {
	sum := s.sum()
	return hex.EncodeToString(sum[:])
}

func (s Secret) sum() [sha256.Size]byte {
	if s.bytes == nil {
		return [sha256.Size]byte{}
	}
	b := s.bytes()
	return sha256.Sum256(b[:])
}

// String hides the secret.
func (s Secret) String() string { return "authn.Secret{...}" }

// GoString is String, for %#v.
func (s Secret) GoString() string { return s.String() }

// Format is String for every verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, s.String()) }

// MarshalText hides the secret; encoding/json and slog use it too.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Mint makes a token with a new id (UUID version 4) and secret from rand, which must be a cryptographic source. It returns the id, the text
// of the token, which is shown once and stored nowhere, and the hash to store.
func Mint(rand io.Reader) (id, secret, hash string, err error) {
	tokenID, err := uuid.NewRandomFromReader(rand)
	if err != nil {
		return "", "", "", fmt.Errorf("mint token: %w", err)
	}
	return MintFor(rand, tokenID.String())
}

// MintFor is Mint for an id that the caller made: a UUID in lower case.
func MintFor(rand io.Reader, tokenID string) (id, secret, hash string, err error) {
	parsed, err := uuid.Parse(tokenID)
	if err != nil || parsed.String() != tokenID {
		return "", "", "", fault.New(fault.Invalid, "ID_MALFORMED", "a token's id is a UUID in lower case")
	}
	var b [secretSize]byte
	if _, err := io.ReadFull(rand, b[:]); err != nil {
		return "", "", "", fmt.Errorf("mint token: %w", err)
	}
	s := Secret{bytes: func() [secretSize]byte { return b }}
	return tokenID, format(parsed, b), s.Hash(), nil
}

func format(id uuid.UUID, secret [secretSize]byte) string {
	return tokenPrefix + encoding.EncodeToString(id[:]) + "_" + encoding.EncodeToString(secret[:])
}

// Parse reads exactly what Mint wrote. The error is the same for everything that is not that, and holds nothing of the text.
func Parse(text string) (id string, secret Secret, err error) {
	if len(text) != tokenLength || !strings.HasPrefix(text, tokenPrefix) || text[len(tokenPrefix)+idChars] != '_' {
		return "", Secret{}, unauthenticated()
	}
	rest := text[len(tokenPrefix):]
	idBytes, err := encoding.DecodeString(rest[:idChars])
	if err != nil || len(idBytes) != idSize {
		return "", Secret{}, unauthenticated()
	}
	secretBytes, err := encoding.DecodeString(rest[idChars+1:])
	if err != nil || len(secretBytes) != secretSize {
		return "", Secret{}, unauthenticated()
	}
	parsed, b := uuid.UUID(idBytes), [secretSize]byte(secretBytes)
	if format(parsed, b) != text {
		return "", Secret{}, unauthenticated()
	}
	return parsed.String(), Secret{bytes: func() [secretSize]byte { return b }}, nil
}

// unauthenticated is the one answer to every credential that is not known to be genuine.
func unauthenticated() error {
	return fault.New(fault.Unauthenticated, "UNAUTHENTICATED", "a valid token is needed: send `authorization: Bearer TOKEN`")
}
