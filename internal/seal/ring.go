package seal

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"slices"

	"ponderal.example/internal/canon"
)

// Ring is a set of public keys, as published. The zero Ring is empty and
// verifies nothing. It does not change once made.
type Ring struct {
	keys []PublicKey
}

// NewRing returns the set of these keys in this order. A key whose id is not its
// thumbprint is ErrThumbprint, an unknown use ErrUse, and the same key twice,
// even for two uses, ErrDuplicateKey.
func NewRing(keys ...PublicKey) (Ring, error) {
	seen := make(map[string]bool, len(keys))
	ring := Ring{keys: make([]PublicKey, 0, len(keys))}
	for _, k := range keys {
		id, err := Thumbprint(k.Key)
		switch {
		case err != nil:
			return Ring{}, fmt.Errorf("key ring: %w", err)
		case id != k.ID:
			return Ring{}, fmt.Errorf("key ring: %w", ErrThumbprint)
		case !k.Use.Valid():
			return Ring{}, fmt.Errorf("key ring: key %s: %w", k.ID, ErrUse)
		case seen[id]:
			return Ring{}, fmt.Errorf("key ring: key %s: %w", k.ID, ErrDuplicateKey)
		}
		seen[id] = true
		k.Key = slices.Clone(k.Key)
		k.RetiredAt, k.CompromisedFrom = exact(k.RetiredAt), exact(k.CompromisedFrom)
		ring.keys = append(ring.keys, k)
	}
	return ring, nil
}

// Keys returns the keys in their order.
func (r Ring) Keys() []PublicKey { return slices.Clone(r.keys) }

// Find returns the key of that id. It is ErrUnknownKey when the set has none
// and ErrUse when it has one for another use.
func (r Ring) Find(id string, use Use) (PublicKey, error) {
	for _, k := range r.keys {
		switch {
		case k.ID != id:
		case k.Use != use:
			return PublicKey{}, ErrUse
		default:
			return k, nil
		}
	}
	return PublicKey{}, ErrUnknownKey
}

// jwk is one published key (RFC 7517, RFC 8037). Its fields stand in canonical
// order. D is there to be noticed, never to be written.
type jwk struct {
	Crv string           `json:"crv"`
	D   *json.RawMessage `json:"d,omitempty"`
	Kid string           `json:"kid"`
	Kty string           `json:"kty"`
	// The standing of the key and its use are members of our own, which readers
	// that do not know them must ignore (RFC 7517 section 4).
	CompromisedFrom *string `json:"ponderal_compromised_from,omitempty"`
	RetiredAt       *string `json:"ponderal_retired_at,omitempty"`
	Use             Use     `json:"ponderal_use"`
	X               string  `json:"x"`
}

type jwks struct {
	Keys []jwk `json:"keys"`
}

// JWKS returns the set as a canonical JSON Web Key Set:
//
//	{"keys":[{"crv":"Ed25519","kid":"…","kty":"OKP","ponderal_use":"log","x":"…"}]}
//
// A key that is compromised or retired has the member ponderal_compromised_from or
// ponderal_retired_at besides: RFC 3339 in UTC as FormatMoment writes it.
func (r Ring) JWKS() ([]byte, error) {
	set := jwks{Keys: make([]jwk, 0, len(r.keys))}
	for _, k := range r.keys {
		set.Keys = append(set.Keys, jwk{
			Crv: "Ed25519", Kid: k.ID, Kty: "OKP", Use: k.Use,
			CompromisedFrom: member(k.CompromisedFrom), RetiredAt: member(k.RetiredAt),
			X: base64.RawURLEncoding.EncodeToString(k.Key),
		})
	}
	b, err := canon.Marshal(set)
	if err != nil {
		return nil, fmt.Errorf("key set: %w", err)
	}
	return b, nil
}

// ParseJWKS reads a key set of exactly the form that JWKS writes, in any
// spacing and any order of members, because people save key sets through other
// tools: the canonical form of doc must be what JWKS returns for the Ring.
// Private members, members we do not know, other curves, repeated keys
// and ids that are not thumbprints are refused.
func ParseJWKS(doc []byte) (Ring, error) {
	canonical, err := canon.Transform(doc)
	if err != nil {
		return Ring{}, fmt.Errorf("parse key set: %w", ErrKeySet)
	}
	var set jwks
	if err := json.Unmarshal(canonical, &set); err != nil {
		return Ring{}, fmt.Errorf("parse key set: %w", ErrKeySet)
	}
	keys := make([]PublicKey, 0, len(set.Keys))
	for _, j := range set.Keys {
		k, err := j.public()
		if err != nil {
			return Ring{}, fmt.Errorf("parse key set: %w", err)
		}
		keys = append(keys, k)
	}
	ring, err := NewRing(keys...)
	if err != nil {
		return Ring{}, fmt.Errorf("parse key set: %w", err)
	}
	// Catches everything not named above: members we do not know, names in other
	// capitals (which encoding/json matches), base64 with loose bits.
	again, err := ring.JWKS()
	if err != nil || !canon.Equal(again, canonical) {
		return Ring{}, fmt.Errorf("parse key set: %w", ErrKeySet)
	}
	return ring, nil
}

func (j jwk) public() (PublicKey, error) {
	if j.D != nil {
		return PublicKey{}, ErrPrivateMember
	}
	if j.Kty != "OKP" || j.Crv != "Ed25519" {
		return PublicKey{}, ErrKeySet
	}
	x, err := base64.RawURLEncoding.DecodeString(j.X)
	if err != nil || len(x) != ed25519.PublicKeySize {
		return PublicKey{}, ErrKeySet
	}
	k := PublicKey{ID: j.Kid, Use: j.Use, Key: x}
	if k.RetiredAt, err = moment(j.RetiredAt); err != nil {
		return PublicKey{}, ErrMoment
	}
	if k.CompromisedFrom, err = moment(j.CompromisedFrom); err != nil {
		return PublicKey{}, ErrMoment
	}
	return k, nil
}
