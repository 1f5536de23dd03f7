// Package openid verifies OpenID Connect ID tokens that people send as bearer credentials, of any issuer that is configured.
//
// Discovery and the shape of a token are go-oidc's, signatures and claims go-jose's. Ours are the rules that a service facing strangers needs beyond
// them: an allowlist of asymmetric algorithms for each issuer, claims read with exact names and no duplicates, one small leeway, a greatest age, no more than
// one fetch of keys an interval whatever tokens arrive, and bounds on all that an issuer answers. Sources: OpenID Connect Core 1.0, sections 2, 3.1.3.7
// and 10.1; RFC 7515, 7517, 7519; RFC 8725 (best current practices).
//
// Who a person is, is the pair of issuer and subject. Nothing else in a token identifies anyone, least of all the email address.
package openid

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	oidc "github.com/coreos/go-oidc/v3/oidc"
	jose "github.com/go-jose/go-jose/v4"

	"ponderal.example/internal/fault"
)

// Issuer is one issuer whose tokens are accepted.
type Issuer struct {
	// URL is the issuer exactly as its tokens name it: https, without query or fragment.
	URL string
	// Audiences are the client ids under which this service is known to the issuer; a token must be for one of them.
	Audiences []string
	// Parties may be the authorized party (azp) of a token; empty means Audiences.
	Parties []string
	// Algorithms of signatures that are accepted, of Algorithms(); empty means RS256, the one that every issuer has.
	Algorithms []string
	// MaxTokenAge is Config.MaxTokenAge for this issuer; zero means that.
	MaxTokenAge time.Duration
	// TwoFactors are the values of acr or amr (RFC 8176) by which this issuer says that two factors were used; without any, none of its tokens says so.
	TwoFactors []string
}

// Algorithms are those that an Issuer may name. None of them can be computed with a public key: neither `none` nor an HMAC is among them.
func Algorithms() []string {
	return []string{"RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA"}
}

// Config is what a Verifier needs. A duration of zero means the default in its comment.
type Config struct {
	Issuers []Issuer
	// Client fetches keys. Redirects are refused whatever it says. Its certificate authorities are trusted with the whole sign-in.
	Client *http.Client
	Now    func() time.Time
	// Leeway for clocks that differ, on exp, nbf and iat; 30 s, at most 5 min.
	Leeway time.Duration
	// MaxTokenAge is how long after its issue a token is accepted at most, whatever its exp says; 1 h.
	MaxTokenAge time.Duration
	// KeysFresh is how long keys are used without looking for newer ones; 10 min.
	KeysFresh time.Duration
	// KeysUsable is how long keys are used while the issuer does not answer; 1 h. It is how long a withdrawn key may be accepted at worst.
	KeysUsable time.Duration
	// RefetchInterval is the least time between two fetches that tokens with unknown keys cause; 30 s.
	RefetchInterval time.Duration
	// FetchTimeout is how long one fetch may take; 5 s.
	FetchTimeout time.Duration
}

// Identity is what a verified token says.
type Identity struct {
	// Issuer and Subject together are who it is. The subject is 1 to 255 printable ASCII characters.
	Issuer, Subject string
	IssuedAt        time.Time
	ExpiresAt       time.Time
	// AuthTime is when the person last gave a credential to the issuer; zero when the token does not say.
	AuthTime time.Time
	// ACR and AMR say how (OpenID Connect Core 1.0, section 2; RFC 8176); empty when the token does not say.
	ACR string
	AMR []string
	// TwoFactors: one of them is a value that the issuer's configuration counts as two factors.
	TwoFactors bool
	// Nonce is what the token was asked for with; empty when it does not say.
	Nonce string
	// Digest is the SHA-256 of what the issuer signed, in lower-case hexadecimal: it is the same however the signature is spelled, so that who keeps it
	// takes each token once.
	Digest string
	// Email is for showing only: an issuer may let people choose it, and give it to another later. EmailVerified is the issuer's word.
	Email         string
	EmailVerified bool
}

// Verifier verifies tokens. Safe for concurrent use; it holds no goroutine.
type Verifier struct {
	config  Config
	issuers map[string]*issuer
}

// issuer is one issuer at work.
type issuer struct {
	Issuer
	keys *keyring
}

// New makes a Verifier, or says all that is wrong with its configuration. It contacts no issuer: a service starts while one is down.
func New(c Config) (*Verifier, error) {
	c = c.withDefaults()
	v := &Verifier{config: c, issuers: make(map[string]*issuer)}
	bad := c.check()
	if len(bad) == 0 {
		client := strict(c.Client)
		for _, i := range c.Issuers {
			i.Audiences, i.Parties, i.Algorithms = slices.Clone(i.Audiences), slices.Clone(i.Parties), slices.Clone(i.Algorithms)
			i.TwoFactors = slices.Clone(i.TwoFactors)
			if bad = append(bad, i.check()...); v.issuers[i.URL] != nil {
				bad = append(bad, fmt.Errorf("issuer %q: named twice", i.URL))
			}
			v.issuers[i.URL] = &issuer{Issuer: i.withDefaults(c), keys: newKeyring(c, source{url: i.URL, client: client, timeout: c.FetchTimeout})}
		}
	}
	if len(bad) > 0 {
		return nil, fmt.Errorf("set up OpenID Connect: %w", errors.Join(bad...))
	}
	return v, nil
}

func (c Config) withDefaults() Config {
	for at, fallback := range map[*time.Duration]time.Duration{
		&c.Leeway: 30 * time.Second, &c.MaxTokenAge: time.Hour, &c.KeysFresh: 10 * time.Minute, &c.KeysUsable: time.Hour,
		&c.RefetchInterval: 30 * time.Second, &c.FetchTimeout: 5 * time.Second,
	} {
		if *at == 0 {
			*at = fallback
		}
	}
	return c
}

func (c Config) check() []error {
	var bad []error
	refuse := func(broken bool, text string) {
		if broken {
			bad = append(bad, errors.New(text))
		}
	}
	refuse(len(c.Issuers) == 0, "no issuer is named")
	refuse(c.Client == nil, "an HTTP client is needed")
	refuse(c.Now == nil, "a clock is needed")
	refuse(c.Leeway < 0 || c.Leeway > 5*time.Minute, "the leeway must be from 0 to 5 min")
	refuse(c.MaxTokenAge < 0, "the greatest age of a token must not be negative")
	refuse(c.RefetchInterval < 0 || c.FetchTimeout < 0, "intervals must not be negative")
	refuse(c.KeysFresh < c.RefetchInterval || c.KeysUsable < c.KeysFresh, "keys must be fresh for at least the refetch interval, and usable for at least as long")
	return bad
}

func (i Issuer) withDefaults(c Config) Issuer {
	if i.MaxTokenAge == 0 {
		i.MaxTokenAge = c.MaxTokenAge
	}
	if len(i.Parties) == 0 {
		i.Parties = i.Audiences
	}
	if len(i.Algorithms) == 0 {
		i.Algorithms = []string{string(jose.RS256)}
	}
	return i
}

func (i Issuer) check() []error {
	var bad []error
	if u, err := url.Parse(i.URL); err != nil || !secure(u) || u.RawQuery != "" || u.ForceQuery || u.Fragment != "" {
		bad = append(bad, fmt.Errorf("issuer %q: must be an https URL without query or fragment", i.URL))
	}
	if len(i.Audiences) == 0 || slices.Contains(i.Audiences, "") || slices.Contains(i.Parties, "") {
		bad = append(bad, fmt.Errorf("issuer %q: audiences must be named, and none may be empty", i.URL))
	}
	if i.MaxTokenAge < 0 || slices.Contains(i.TwoFactors, "") {
		bad = append(bad, fmt.Errorf("issuer %q: the greatest age of a token must not be negative, and no word for two factors empty", i.URL))
	}
	for _, a := range i.Algorithms {
		if !slices.Contains(Algorithms(), a) {
			bad = append(bad, fmt.Errorf("issuer %q: the algorithm %q is not one of %v", i.URL, a, Algorithms()))
		}
	}
	return bad
}

// secure reports an https URL with a host and without a password in it.
func secure(u *url.URL) bool {
	return u.Scheme == "https" && u.Host != "" && u.User == nil && u.Opaque == ""
}

// Issuers names the issuers, sorted: whether a token may be theirs is decided by Verify alone.
func (v *Verifier) Issuers() []string {
	names := make([]string, 0, len(v.issuers))
	for name := range v.issuers {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// Verify says who a token speaks for. It fails with
//
//   - Unauthenticated for everything that is not known to be genuine, with the same reason and text whatever is wrong; the private cause says what, and
//     holds nothing of the token;
//   - Unauthenticated with TOKEN_EXPIRED or TOKEN_TOO_OLD, for a genuine token alone;
//   - Unavailable when it cannot be told, because the issuer does not answer and no key at hand can judge;
//   - the context's error when it ends while another call fetches keys.
//
// No nonce is looked for: which one there is to be, if any, the caller knows.
func (v *Verifier) Verify(ctx context.Context, token string) (Identity, error) {
	parsed, err := parse(token)
	if err != nil {
		return Identity{}, refuse(err)
	}
	by := v.issuers[parsed.issuer]
	if by == nil {
		return Identity{}, refuse(errIssuer)
	}
	if !slices.Contains(by.Algorithms, parsed.header.Algorithm) {
		return Identity{}, refuse(errAlgorithm)
	}
	attempt := &attempt{keys: by.keys, of: parsed}
	// Audience and times are checked below, more strictly than the library would: with our leeway, and so that absent claims are refused.
	library := oidc.NewVerifier(by.URL, attempt, &oidc.Config{SupportedSigningAlgs: by.Algorithms, SkipClientIDCheck: true, SkipExpiryCheck: true, Now: v.config.Now})
	if _, err := library.Verify(ctx, token); err != nil {
		if attempt.err != nil {
			return Identity{}, attempt.err
		}
		return Identity{}, refuse(errClaims)
	}
	id, err := v.judge(by.Issuer, attempt.payload)
	if err != nil {
		return Identity{}, err
	}
	// RFC 7515, section 5.1: what is signed is all before the last point, and parse has seen that there is one.
	sum := sha256.Sum256([]byte(token[:strings.LastIndexByte(token, '.')]))
	id.Digest = hex.EncodeToString(sum[:])
	return id, nil
}

// attempt is the key set of one verification, so that its own error survives the library, which keeps the text alone.
type attempt struct {
	keys    *keyring
	of      parsedToken
	payload []byte
	err     error
}

// VerifySignature is oidc.KeySet. It looks at the token that Verify has parsed.
func (a *attempt) VerifySignature(ctx context.Context, _ string) ([]byte, error) {
	a.payload, a.err = a.keys.verify(ctx, a.of)
	return a.payload, a.err
}

// The private causes: what was wrong with a token. They are logged and hold nothing of it.
var (
	errForm       = errors.New("it is not a signed token in compact form")
	errSize       = errors.New("it is too large")
	errHeader     = errors.New("its header has what an ID token's must not")
	errAlgorithm  = errors.New("its algorithm is not allowed")
	errIssuer     = errors.New("its issuer is not configured")
	errSignature  = errors.New("no key of its issuer verifies its signature")
	errClaims     = errors.New("its claims cannot be read")
	errSubject    = errors.New("its subject is absent or malformed")
	errAudience   = errors.New("it is for another audience")
	errParty      = errors.New("its authorized party is absent or another")
	errTimes      = errors.New("it does not say when it was issued and expires")
	errNotYet     = errors.New("it is not valid yet")
	errNotIDToken = errors.New("it is not an ID token")
)

func refuse(cause error) error {
	return fault.Wrap(fault.Unauthenticated, "UNAUTHENTICATED", "a valid token is needed: send `authorization: Bearer TOKEN`", cause)
}
