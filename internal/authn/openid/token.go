package openid

import (
	"encoding/base64"
	"strings"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/json"
)

// maxTokenBytes bounds a token: larger ones are not looked into.
const maxTokenBytes = 16 << 10

// header is the JOSE header of a token (RFC 7515, section 4). Names are exact and none may stand twice: go-jose's decoder sees to both.
type header struct {
	Algorithm string          `json:"alg"`
	KeyID     string          `json:"kid"`
	Type      string          `json:"typ"`
	Content   string          `json:"cty"`
	Critical  json.RawMessage `json:"crit"`
	Base64    json.RawMessage `json:"b64"`
	Key       json.RawMessage `json:"jwk"`
	KeyURL    json.RawMessage `json:"jku"`
}

// parsedToken is a token that nobody has verified yet: what it says decides only where to look for keys.
type parsedToken struct {
	header header
	issuer string
	jws    *jose.JSONWebSignature
}

// parse reads a token in compact serialization. It accepts no other form, no extension that must be understood, and no key that the token brings along.
func parse(token string) (parsedToken, error) {
	if len(token) > maxTokenBytes {
		return parsedToken{}, errSize
	}
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return parsedToken{}, errForm
	}
	for _, part := range parts {
		if !base64url(part) {
			return parsedToken{}, errForm
		}
	}
	var h header
	if err := decodePart(parts[0], &h); err != nil {
		return parsedToken{}, errForm
	}
	switch {
	case h.Critical != nil || h.Base64 != nil || h.Key != nil || h.KeyURL != nil || h.Content != "":
		return parsedToken{}, errHeader
	// RFC 8725, section 3.11: a token of another kind says so, for example at+jwt (RFC 9068) or logout+jwt.
	case h.Type != "" && !strings.EqualFold(h.Type, "JWT"):
		return parsedToken{}, errNotIDToken
	}
	jws, err := jose.ParseSignedCompact(token, allowed())
	if err != nil {
		return parsedToken{}, errAlgorithm
	}
	var claimed struct {
		Issuer string `json:"iss"`
	}
	if err := decodePart(parts[1], &claimed); err != nil {
		return parsedToken{}, errClaims
	}
	return parsedToken{header: h, issuer: claimed.Issuer, jws: jws}, nil
}

// allowed are all algorithms that any issuer may use; which of them its issuer may is decided when the issuer is known.
func allowed() []jose.SignatureAlgorithm {
	var all []jose.SignatureAlgorithm
	for _, a := range Algorithms() {
		all = append(all, jose.SignatureAlgorithm(a))
	}
	return all
}

// base64url reports the alphabet of RFC 4648, section 5, without padding: decoders also let line breaks pass.
func base64url(part string) bool {
	return part != "" && strings.Trim(part, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") == ""
}

func decodePart(part string, into any) error {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(part)
	if err != nil {
		return err
	}
	return json.Unmarshal(raw, into)
}
