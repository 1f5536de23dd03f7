package openid

import (
	"errors"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/go-jose/go-jose/v4/json"
	"github.com/go-jose/go-jose/v4/jwt"

	"ponderal.example/internal/fault"
)

// The bounds of what is taken from a token.
const (
	maxSubject = 255 // OpenID Connect Core 1.0, section 2
	maxMethods = 16
	maxWord    = 256
	maxEmail   = 320
)

// claims are those of an ID token that are looked at (OpenID Connect Core 1.0, sections 2 and 5.1).
type claims struct {
	jwt.Claims
	Party         string           `json:"azp"`
	AuthTime      *jwt.NumericDate `json:"auth_time"`
	ACR           string           `json:"acr"`
	AMR           []string         `json:"amr"`
	Nonce         string           `json:"nonce"`
	Email         json.RawMessage  `json:"email"`
	EmailVerified json.RawMessage  `json:"email_verified"`
	// Events marks a logout token and other security events (RFC 8417), which the same key may sign.
	Events json.RawMessage `json:"events"`
}

// judge decides on the claims of a token whose signature is its issuer's.
func (v *Verifier) judge(by Issuer, payload []byte) (Identity, error) {
	var c claims
	if err := json.Unmarshal(payload, &c); err != nil {
		return Identity{}, refuse(errClaims)
	}
	if err := c.check(by); err != nil {
		return Identity{}, refuse(err)
	}
	now := v.config.Now()
	err := c.ValidateWithLeeway(jwt.Expected{Issuer: by.URL, AnyAudience: by.Audiences, Time: now}, v.config.Leeway)
	switch {
	case errors.Is(err, jwt.ErrInvalidIssuer):
		return Identity{}, refuse(errIssuer)
	case errors.Is(err, jwt.ErrInvalidAudience):
		return Identity{}, refuse(errAudience)
	case errors.Is(err, jwt.ErrExpired):
		return Identity{}, fault.New(fault.Unauthenticated, "TOKEN_EXPIRED", "the token has expired")
	case err != nil:
		return Identity{}, refuse(errNotYet)
	case now.Sub(c.IssuedAt.Time()) > by.MaxTokenAge+v.config.Leeway:
		return Identity{}, fault.New(fault.Unauthenticated, "TOKEN_TOO_OLD", "the token was issued too long ago: sign in again")
	}
	id := c.identity()
	id.TwoFactors = by.saysTwoFactors(id)
	return id, nil
}

// saysTwoFactors reports whether one of the words of acr and amr is one that the operator counts as two factors.
func (i Issuer) saysTwoFactors(id Identity) bool {
	words := append([]string{id.ACR}, id.AMR...)
	return slices.ContainsFunc(words, func(word string) bool { return word != "" && slices.Contains(i.TwoFactors, word) })
}

// check is what the library does not look at: that nothing is absent, for whom the token is, and what it is.
func (c claims) check(by Issuer) error {
	switch {
	case c.Events != nil:
		return errNotIDToken
	case !soundSubject(c.Subject):
		return errSubject
	case c.IssuedAt == nil || c.Expiry == nil:
		return errTimes
	case len(c.Audience) == 0:
		return errAudience
	// OpenID Connect Core 1.0, section 3.1.3.7, points 4 and 5.
	case c.Party == "" && len(c.Audience) > 1, c.Party != "" && !slices.Contains(by.Parties, c.Party):
		return errParty
	}
	return nil
}

// soundSubject: at most 255 ASCII characters, says the standard; ours must be printable too, because it stands in the audit log.
func soundSubject(s string) bool {
	return s != "" && len(s) <= maxSubject && strings.IndexFunc(s, func(r rune) bool { return r < ' ' || r > '~' }) < 0
}

func (c claims) identity() Identity {
	id := Identity{Issuer: c.Issuer, Subject: c.Subject, IssuedAt: c.IssuedAt.Time().UTC(), ExpiresAt: c.Expiry.Time().UTC(), ACR: line(c.ACR, maxWord),
		Nonce: line(c.Nonce, maxWord)}
	if c.AuthTime != nil {
		id.AuthTime = time.Unix(int64(*c.AuthTime), 0).UTC()
	}
	for _, method := range c.AMR[:min(len(c.AMR), maxMethods)] {
		if method = line(method, maxWord); method != "" {
			id.AMR = append(id.AMR, method)
		}
	}
	// What is only shown refuses no token: some issuers write a word where a truth value belongs.
	var email string
	if json.Unmarshal(c.Email, &email) == nil {
		id.Email = line(email, maxEmail)
	}
	var verified bool
	id.EmailVerified = id.Email != "" && json.Unmarshal(c.EmailVerified, &verified) == nil && verified
	return id
}

// line gives a text of one line that turns no text round; anything else is empty.
func line(s string, most int) string {
	if len(s) > most || !utf8.ValidString(s) || strings.IndexFunc(s, func(r rune) bool { return !unicode.IsGraphic(r) }) >= 0 {
		return ""
	}
	return s
}
