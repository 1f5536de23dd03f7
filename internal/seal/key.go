package seal

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	_ "crypto/sha256" // registers the hash of the thumbprint
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Key is a private Ed25519 key with its id and its one use. However it is
// printed, logged or marshalled, only the id and the use appear.
type Key struct {
	// ID is the RFC 7638 thumbprint of the public key, base64url.
	ID string
	// Use is what the key signs.
	Use Use
	// private returns the secret, nil where there is none. It is a function
	// because a Key in another struct's unexported field is printed by
	// reflection, past every method below, and reflection follows even pointers;
	// a function shows an address.
	private func() ed25519.PrivateKey
}

// PublicKey is the published half of a Key, with its standing.
type PublicKey struct {
	ID  string
	Use Use
	Key ed25519.PublicKey
	// RetiredAt is when the key stopped to sign, zero while it may.
	RetiredAt time.Time
	// CompromisedFrom is the moment from which somebody else may hold the private
	// key, zero where nobody is known to.
	CompromisedFrom time.Time
}

// GenerateKey makes a key from 32 bytes read from rand, which must be a
// cryptographic source.
func GenerateKey(rand io.Reader, use Use) (Key, error) {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(rand, seed); err != nil {
		return Key{}, fmt.Errorf("generate key: %w", err)
	}
	return newKey(ed25519.NewKeyFromSeed(seed), use)
}

func newKey(private ed25519.PrivateKey, use Use) (Key, error) {
	if !use.Valid() {
		return Key{}, ErrUse
	}
	public, ok := private.Public().(ed25519.PublicKey)
	if !ok {
		return Key{}, ErrKey
	}
	id, err := Thumbprint(public)
	if err != nil {
		return Key{}, err
	}
	return Key{ID: id, Use: use, private: func() ed25519.PrivateKey { return private }}, nil
}

// Thumbprint returns the RFC 7638 SHA-256 thumbprint of the public key as a
// JWK, base64url without padding: the key's id.
func Thumbprint(public ed25519.PublicKey) (string, error) {
	jwk := jose.JSONWebKey{Key: public}
	sum, err := jwk.Thumbprint(crypto.SHA256)
	if err != nil {
		return "", ErrKey
	}
	return base64.RawURLEncoding.EncodeToString(sum), nil
}

// Public returns the published half.
func (k Key) Public() PublicKey {
	p := PublicKey{ID: k.ID, Use: k.Use}
	if k.private != nil {
		p.Key, _ = k.private().Public().(ed25519.PublicKey)
	}
	return p
}

const pemType = "PRIVATE KEY"

// EncodeKeyPEM returns the private key as one PEM block of PKCS #8 (RFC 8410).
// The caller guards the bytes.
func EncodeKeyPEM(k Key) ([]byte, error) {
	if k.private == nil {
		return nil, fmt.Errorf("encode key: %w", ErrKey)
	}
	der, err := x509.MarshalPKCS8PrivateKey(k.private())
	if err != nil {
		return nil, fmt.Errorf("encode key: %w", ErrKey)
	}
	return pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: der}), nil
}

// ParseKeyPEM reads what EncodeKeyPEM wrote: exactly one block, Ed25519, no
// headers, nothing before or after it. The error never holds any of the input.
func ParseKeyPEM(text []byte, use Use) (Key, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != pemType {
		return Key{}, fmt.Errorf("parse key: %w", ErrKey)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return Key{}, fmt.Errorf("parse key: %w", ErrKey)
	}
	private, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return Key{}, fmt.Errorf("parse key: %w", ErrKey)
	}
	key, err := newKey(private, use)
	if err != nil {
		return Key{}, fmt.Errorf("parse key: %w", err)
	}
	again, err := EncodeKeyPEM(key)
	if err != nil || !bytes.Equal(again, text) {
		return Key{}, fmt.Errorf("parse key: %w", ErrKey)
	}
	return key, nil
}

// String names the key without its secret.
func (k Key) String() string { return "seal.Key{" + string(k.Use) + " " + k.ID + "}" }

// GoString is String, for %#v.
func (k Key) GoString() string { return k.String() }

// Format is String for every verb, so that none reaches the secret.
func (k Key) Format(s fmt.State, _ rune) { _, _ = io.WriteString(s, k.String()) }

// LogValue names the key without its secret.
func (k Key) LogValue() slog.Value { return slog.StringValue(k.String()) }

// MarshalText names the key without its secret; encoding/json uses it too.
func (k Key) MarshalText() ([]byte, error) { return []byte(k.String()), nil }
