package openid

import (
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"maps"
	"strings"
	"sync"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"ponderal.example/internal/authn/openid/issuertest"
	"ponderal.example/internal/fault"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const audience = "ponderal"

// clock is a clock that tests move.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

func (c *clock) pass(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.t = c.t.Add(d) }

// world is an issuer with one key and a verifier of its tokens.
type world struct {
	*issuertest.Issuer
	clock    *clock
	verifier *Verifier
}

func start(t testing.TB, algorithm string, change func(*Config)) world {
	t.Helper()
	w := world{Issuer: issuertest.Start(rand.Reader), clock: &clock{t: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}}
	t.Cleanup(w.Close)
	if _, err := w.Rotate(algorithm); err != nil {
		t.Fatal(err)
	}
	c := Config{Issuers: []Issuer{{URL: w.URL(), Audiences: []string{audience}, Algorithms: []string{algorithm}}}, Client: w.Client(), Now: w.clock.now}
	if change != nil {
		change(&c)
	}
	var err error
	if w.verifier, err = New(c); err != nil {
		t.Fatal(err)
	}
	return w
}

// token is a token with the usual claims, changed.
func (w world) token(t testing.TB, change map[string]any) string {
	t.Helper()
	text, err := w.Sign(w.claims(change))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func (w world) claims(change map[string]any) map[string]any {
	c := w.Claims("person-1", audience, w.clock.now())
	maps.Copy(c, change)
	maps.DeleteFunc(c, func(_ string, v any) bool { return v == nil })
	return c
}

// answer says how a token was answered: empty for accepted, else the reason.
func (w world) answer(t testing.TB, token string) string {
	t.Helper()
	id, err := w.verifier.Verify(t.Context(), token)
	if err == nil {
		return ""
	}
	var f *fault.Error
	if !errors.As(err, &f) {
		t.Fatalf("%v is no fault", err)
	}
	if diff := cmp.Diff(Identity{}, id); diff != "" {
		t.Errorf("an identity with the refusal %v:\n%s", err, diff)
	}
	for _, part := range strings.Split(token, ".") {
		if len(part) > 8 && strings.Contains(err.Error(), part) {
			t.Errorf("the error holds a part of the token: %v", err)
		}
	}
	if f.Reason == "UNAUTHENTICATED" && f.Text != refuse(nil).(*fault.Error).Text {
		t.Errorf("%v is not the uniform answer", err)
	}
	return f.Reason
}

func TestAccepts(t *testing.T) {
	for _, algorithm := range []string{"RS256", "PS384", "ES256", "ES384", "ES512", "EdDSA"} {
		w := start(t, algorithm, nil)
		now := w.clock.now()
		got, err := w.verifier.Verify(t.Context(), w.token(t, map[string]any{"auth_time": now.Add(-time.Minute).Unix(), "acr": "urn:example:high",
			"amr": []string{"pwd", "otp"}, "email": "one@clinic.example", "email_verified": true, "nonce": "n"}))
		want := Identity{Issuer: w.URL(), Subject: "person-1", IssuedAt: now, ExpiresAt: now.Add(10 * time.Minute), AuthTime: now.Add(-time.Minute),
			ACR: "urn:example:high", AMR: []string{"pwd", "otp"}, Email: "one@clinic.example", EmailVerified: true, Nonce: "n", Digest: got.Digest}
		if diff := cmp.Diff(want, got); diff != "" || err != nil {
			t.Errorf("%s: %v\n%s", algorithm, err, diff)
		}
	}
}

// TestClaims: OpenID Connect Core 1.0, section 3.1.3.7, and RFC 7519, section 4.1; each bound where it just holds and where it just does not.
func TestClaims(t *testing.T) {
	w := start(t, "ES256", func(c *Config) { c.Issuers[0].Parties = []string{audience, "the-app"} })
	at := func(d time.Duration) int64 { return w.clock.now().Add(d).Unix() }
	for name, tt := range map[string]struct {
		change map[string]any
		want   string
	}{
		"as it is":                             {nil, ""},
		"expired within the leeway":            {map[string]any{"exp": at(-30 * time.Second)}, ""},
		"expired":                              {map[string]any{"exp": at(-31 * time.Second)}, "TOKEN_EXPIRED"},
		"no exp":                               {map[string]any{"exp": nil}, refused},
		"exp in words":                         {map[string]any{"exp": "tomorrow"}, refused},
		"valid within the leeway":              {map[string]any{"nbf": at(30 * time.Second)}, ""},
		"not valid yet":                        {map[string]any{"nbf": at(31 * time.Second)}, refused},
		"issued within the leeway":             {map[string]any{"iat": at(30 * time.Second)}, ""},
		"issued in the future":                 {map[string]any{"iat": at(31 * time.Second)}, refused},
		"no iat":                               {map[string]any{"iat": nil}, refused},
		"just not too old":                     {map[string]any{"iat": at(-time.Hour - 30*time.Second)}, ""},
		"too old":                              {map[string]any{"iat": at(-time.Hour - 31*time.Second)}, "TOKEN_TOO_OLD"},
		"issued before time began":             {map[string]any{"iat": -1 << 61}, "TOKEN_TOO_OLD"},
		"wrong audience":                       {map[string]any{"aud": "another"}, refused},
		"audience in capitals":                 {map[string]any{"aud": "Ponderal"}, refused},
		"no audience":                          {map[string]any{"aud": nil}, refused},
		"empty audiences":                      {map[string]any{"aud": []string{}}, refused},
		"audience is a number":                 {map[string]any{"aud": 7}, refused},
		"one audience in a list":               {map[string]any{"aud": []string{audience}}, ""},
		"audiences without party":              {map[string]any{"aud": []string{audience, "another"}}, refused},
		"audiences with our party":             {map[string]any{"aud": []string{"another", audience}, "azp": "the-app"}, ""},
		"audiences with another party":         {map[string]any{"aud": []string{audience, "another"}, "azp": "another"}, refused},
		"one audience with another party":      {map[string]any{"azp": "another"}, refused},
		"audiences of others with our party":   {map[string]any{"aud": []string{"another", "third"}, "azp": audience}, refused},
		"another issuer":                       {map[string]any{"iss": "https://issuer.example"}, refused},
		"issuer with a slash":                  {map[string]any{"iss": w.URL() + "/"}, refused},
		"no issuer":                            {map[string]any{"iss": nil}, refused},
		"no subject":                           {map[string]any{"sub": nil}, refused},
		"empty subject":                        {map[string]any{"sub": ""}, refused},
		"longest subject":                      {map[string]any{"sub": strings.Repeat("s", 255)}, ""},
		"subject too long":                     {map[string]any{"sub": strings.Repeat("s", 256)}, refused},
		"subject with a line break":            {map[string]any{"sub": "a\nb"}, refused},
		"subject beyond ASCII":                 {map[string]any{"sub": "pérson"}, refused},
		"subject is a number":                  {map[string]any{"sub": 7}, refused},
		"email and no subject":                 {map[string]any{"sub": nil, "email": "one@clinic.example", "email_verified": true}, refused},
		"a logout token":                       {map[string]any{"events": map[string]any{"http://schemas.openid.net/event/backchannel-logout": struct{}{}}}, refused},
		"email verified in a word":             {map[string]any{"email": "one@clinic.example", "email_verified": "true"}, ""},
		"email that is none":                   {map[string]any{"email": 7}, ""},
		"the capital of a name is another one": {map[string]any{"AUD": "another", "Sub": "another", "ISS": "x"}, ""},
	} {
		if got := w.answer(t, w.token(t, tt.change)); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
}

func TestDuplicateClaim(t *testing.T) {
	w := start(t, "ES256", nil)
	body, err := json.Marshal(w.claims(nil))
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		body string
		want string
	}{
		"once":  {string(body), ""},
		"twice": {strings.Replace(string(body), `"sub"`, `"sub":"person-2","sub"`, 1), "UNAUTHENTICATED"},
	} {
		token, err := w.Sign([]byte(tt.body))
		if err != nil {
			t.Fatal(err)
		}
		if got := w.answer(t, token); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
}

func TestShownClaims(t *testing.T) {
	w := start(t, "ES256", nil)
	got, err := w.verifier.Verify(t.Context(), w.token(t, map[string]any{"email": "one@clinic.example\nX: y", "email_verified": true, "acr": strings.Repeat("a", 257),
		"amr": append([]string{"a\x00b", "pwd"}, make([]string, 100)...)}))
	if err != nil || got.Email != "" || got.EmailVerified || got.ACR != "" || !cmp.Equal(got.AMR, []string{"pwd"}) || !got.AuthTime.IsZero() {
		t.Errorf("%+v, %v", got, err)
	}
	got, err = w.verifier.Verify(t.Context(), w.token(t, map[string]any{"email": "one@clinic.example", "email_verified": "true"}))
	if err != nil || got.Email != "one@clinic.example" || got.EmailVerified {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestForgeries: RFC 8725, section 2; RFC 7515, section 10.
func TestForgeries(t *testing.T) {
	w := start(t, "RS256", func(c *Config) { c.Issuers[0].Algorithms = []string{"RS256", "ES256"} })
	good := w.token(t, nil)
	if got := w.answer(t, good); got != "" {
		t.Fatal(got)
	}
	other := issuertest.Start(rand.Reader)
	defer other.Close()
	for _, a := range []string{"RS256", "ES256"} {
		if _, err := other.Rotate(a); err != nil {
			t.Fatal(err)
		}
	}
	parts := strings.Split(good, ".")
	b64 := base64.RawURLEncoding.EncodeToString
	head := func(s string) string { return b64([]byte(s)) + "." + parts[1] + "." + parts[2] }
	public := w.KeySet().Keys[0]
	der, err := x509.MarshalPKIXPublicKey(public.Key)
	if err != nil {
		t.Fatal(err)
	}
	sign := func(key any, id, algorithm string, headers map[string]any) string {
		token, err := issuertest.SignWith(key, id, algorithm, w.claims(nil), headers)
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	foreign := func(headers map[string]any) string {
		token, err := other.SignAs(w.claims(nil), headers)
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	own := func(headers map[string]any) string {
		token, err := w.SignAs(w.claims(nil), headers)
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	jwk, err := json.Marshal(public)
	if err != nil {
		t.Fatal(err)
	}
	for name, token := range map[string]string{
		"no signature":                        parts[0] + "." + parts[1] + ".",
		"signature of zeros":                  parts[0] + "." + parts[1] + "." + b64(make([]byte, 256)),
		"other claims":                        parts[0] + "." + b64([]byte(strings.Replace(mustDecode(t, parts[1]), "person-1", "person-2", 1))) + "." + parts[2],
		"algorithm none":                      b64([]byte(`{"alg":"none"}`)) + "." + parts[1] + ".",
		"algorithm None":                      head(`{"alg":"None","kid":"key-1"}`),
		"algorithm none with a signature":     head(`{"alg":"none","kid":"key-1"}`),
		"no algorithm":                        head(`{"kid":"key-1"}`),
		"HMAC with the public key, DER":       sign(der, "key-1", "HS256", nil),
		"HMAC with the public key, PEM":       sign(pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), "key-1", "HS256", nil),
		"HMAC with the public key, JWK":       sign(jwk, "key-1", "HS512", nil),
		"another RSA algorithm of the key":    head(`{"alg":"PS256","kid":"key-1"}`),
		"swapped to ECDSA, header alone":      head(`{"alg":"ES256","kid":"key-1"}`),
		"swapped to ECDSA, own key, that kid": foreign(map[string]any{"kid": "key-1"}),
		"own key, unknown kid":                foreign(nil),
		"own key, no kid":                     foreign(map[string]any{"kid": nil}),
		"own key, brought along":              foreign(map[string]any{"kid": nil, "jwk": other.KeySet().Keys[1]}),
		"own key, by address":                 foreign(map[string]any{"jku": other.URL() + issuertest.PathKeys}),
		"genuine, but with a key":             own(map[string]any{"jwk": public}),
		"genuine, but an access token":        own(map[string]any{"typ": "at+jwt"}),
		"genuine, but a logout token":         own(map[string]any{"typ": "logout+jwt"}),
		"genuine, but nested":                 own(map[string]any{"cty": "JWT"}),
		"an extension that must be known":     head(`{"alg":"RS256","kid":"key-1","crit":["exp"]}`),
		"payload not encoded":                 head(`{"alg":"RS256","kid":"key-1","b64":false,"crit":["b64"]}`),
		"algorithm twice":                     head(`{"alg":"RS256","alg":"none","kid":"key-1"}`),
		"JSON serialization":                  `{"payload":"` + parts[1] + `","protected":"` + parts[0] + `","signature":"` + parts[2] + `"}`,
		"five parts":                          good + "." + parts[1] + "." + parts[2],
		"two parts":                           parts[0] + "." + parts[1],
		"empty":                               "",
		"dots":                                "..",
		"line break":                          parts[0] + "." + parts[1] + ".\n" + parts[2],
		"space behind":                        good + " ",
		"padded":                              good + "=",
		"header not JSON":                     b64([]byte("{")) + "." + parts[1] + "." + parts[2],
		"header a list":                       b64([]byte("[]")) + "." + parts[1] + "." + parts[2],
		"one of our own tokens":               "pdl_" + strings.Repeat("A", 66),
		"deeply nested":                       parts[0] + "." + b64([]byte(strings.Repeat("[", 5000))) + "." + parts[2],
		"oversize":                            parts[0] + "." + parts[1] + "." + strings.Repeat("A", maxTokenBytes),
	} {
		if got := w.answer(t, token); got != "UNAUTHENTICATED" {
			t.Errorf("%s: %q", name, got)
		}
	}
	for name, token := range map[string]string{
		"no kid with one key":    own(map[string]any{"kid": nil}),
		"no typ":                 own(map[string]any{"typ": nil}),
		"typ in small letters":   own(map[string]any{"typ": "jwt"}),
		"an unknown header word": own(map[string]any{"x-word": 7}),
	} {
		if got := w.answer(t, token); got != "" {
			t.Errorf("%s: %q", name, got)
		}
	}
	if got := other.Requests(issuertest.PathKeys); got != 0 {
		t.Errorf("a token made the service fetch from where it said: %d times", got)
	}
}

func mustDecode(t *testing.T, part string) string {
	t.Helper()
	raw, err := base64.RawURLEncoding.DecodeString(part)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

func TestLargestToken(t *testing.T) {
	w := start(t, "ES256", nil)
	grow := func(n int) string { return w.token(t, map[string]any{"filler": strings.Repeat("x", n)}) }
	n := 0
	for len(grow(n)) < maxTokenBytes-8 {
		n += max(1, (maxTokenBytes-8-len(grow(n)))/2)
	}
	for len(grow(n)) <= maxTokenBytes {
		if got := w.answer(t, grow(n)); got != "" {
			t.Fatalf("%d bytes: %q", len(grow(n)), got)
		}
		n++
	}
	if got := w.answer(t, grow(n)); got != "UNAUTHENTICATED" {
		t.Errorf("%d bytes: %q", len(grow(n)), got)
	}
}

// TestPublishedTokens: the signed claims of RFC 7519, section 3.1 (RFC 7515, appendix A.1), which are an HMAC, and the unsecured ones of section 6.1.
func TestPublishedTokens(t *testing.T) {
	w := start(t, "ES256", nil)
	tokens := map[string]string{
		"RFC 7519, section 3.1": "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ" +
			".dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk",
		"RFC 7519, section 6.1": "eyJhbGciOiJub25lIn0.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ.",
	}
	// The first is genuine under the key of the same appendix: it is its algorithm that is refused.
	key, err := base64.RawURLEncoding.DecodeString("AyM1SysPpbyDfgZld3umj1qzKObwVMkoqQ-EstJQLr_T-1qS0gZH75aKtMN3Yj0iPS4hcgUuTwjAzZr1Z9CAow")
	if err != nil {
		t.Fatal(err)
	}
	jws, err := jose.ParseSignedCompact(tokens["RFC 7519, section 3.1"], []jose.SignatureAlgorithm{jose.HS256})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := jws.Verify(key); err != nil {
		t.Fatal(err)
	}
	for name, token := range tokens {
		if got := w.answer(t, token); got != "UNAUTHENTICATED" {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// TestPublishedSignature: RFC 7515, appendix A.3, an ES256 signature over claims that are no ID token's: the key verifies it.
func TestPublishedSignature(t *testing.T) {
	const token = "eyJhbGciOiJFUzI1NiJ9.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ" +
		".DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q"
	keys, err := readKeys([]byte(`{"keys":[{"kty":"EC","crv":"P-256","x":"f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU","y":"x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0"}]}`))
	if err != nil || len(keys) != 1 {
		t.Fatal(keys, err)
	}
	parsed, err := parse(token)
	if err != nil || parsed.issuer != "joe" {
		t.Fatal(parsed.issuer, err)
	}
	if payload, ok := match(keys, parsed); !ok || !strings.Contains(string(payload), "is_root") {
		t.Errorf("%s", payload)
	}
	parsed, err = parse(token[:len(token)-4] + "AAAA")
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := match(keys, parsed); ok {
		t.Error("another signature verifies")
	}
}
