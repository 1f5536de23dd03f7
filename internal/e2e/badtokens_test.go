package e2e

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/authn/openid/issuertest"
	"ponderal.example/internal/demo/caller"
)

// badToken is a token shown at a clinic.
type badToken struct{ clinic, token string }

// badTokens are what nobody signs in with: taken is a token that was taken, old one of a key that has been withdrawn.
func (w *world) badTokens(p *issuerProcess, way caller.Way, taken, old string) map[string]badToken {
	t, now := w.t, w.clock.now()
	t.Helper()
	const subject = "248289761001"
	token := func(change map[string]any) badToken {
		return badToken{east, p.token(p.claims(subject, now, change))}
	}
	forger := must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))(t)
	forge := func(key string) badToken {
		text, err := issuertest.SignWith(forger, key, "ES256", p.claims(subject, now, map[string]any{"jti": key + string(way)}), nil)
		if err != nil {
			t.Fatal(err)
		}
		return badToken{east, text}
	}
	sound := token(map[string]any{"jti": "parts of it " + string(way)})
	parts := strings.Split(sound.token, ".")
	return map[string]badToken{
		"replayed":                           {east, taken},
		"replayed at another clinic":         {west, taken},
		"of a withdrawn key":                 {east, old},
		"forged, with an unknown key":        forge("key-9"),
		"forged, in the name of a key":       forge("key-1"),
		"expired":                            token(map[string]any{"iat": now.Add(-50 * time.Minute).Unix(), "exp": now.Add(-31 * time.Second).Unix()}),
		"issued too long ago":                token(map[string]any{"iat": now.Add(-2 * time.Hour).Unix()}),
		"not valid yet":                      token(map[string]any{"nbf": now.Add(time.Hour).Unix()}),
		"for another audience":               token(map[string]any{"aud": "another"}),
		"for another party":                  token(map[string]any{"aud": []string{"ponderal", "x"}, "azp": "x"}),
		"of another issuer":                  token(map[string]any{"iss": "https://other.example"}),
		"of another subject":                 token(map[string]any{"sub": "nobody"}),
		"without a subject":                  token(map[string]any{"sub": nil}),
		"at a clinic without the subject":    {id("c1", 77), token(nil).token},
		"at the network":                     {"", token(map[string]any{"jti": "network" + string(way)}).token},
		"algorithm none":                     {east, unsigned(t, parts)},
		"HS256 with the public key":          {east, withPublicKey(t, p, parts)},
		"a signature of another text":        {east, parts[0] + "." + strings.Split(token(map[string]any{"jti": "other" + string(way)}).token, ".")[1] + "." + parts[2]},
		"no token":                           {east, "not a token at all"},
		"two tokens in one":                  {east, sound.token + "." + sound.token},
		"a key of its own in the header":     {east, p.tell(order{Do: "sign", Claims: p.claims(subject, now, nil), Headers: map[string]any{"jku": "https://keys.example"}}).Token},
		"an access token instead (RFC 9068)": {east, p.tell(order{Do: "sign", Claims: p.claims(subject, now, nil), Headers: map[string]any{"typ": "at+jwt"}}).Token},
	}
}

func header(t testing.TB, algorithm string) string {
	t.Helper()
	return base64.RawURLEncoding.EncodeToString(must(json.Marshal(map[string]any{"alg": algorithm, "typ": "JWT"}))(t))
}

// unsigned is RFC 8725, section 2.1: the algorithm is changed to none, the signature left out.
func unsigned(t testing.TB, parts []string) string {
	t.Helper()
	return header(t, "none") + "." + parts[1] + "."
}

// withPublicKey is RFC 8725, section 2.1: an HMAC whose secret is what the issuer publishes.
func withPublicKey(t testing.TB, p *issuerProcess, parts []string) string {
	t.Helper()
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: p.roots, MinVersion: tls.VersionTLS12}}
	defer transport.CloseIdleConnections()
	answer := must((&http.Client{Transport: transport}).Get(p.url + issuertest.PathKeys))(t)
	defer func() { _ = answer.Body.Close() }()
	public := must(io.ReadAll(answer.Body))(t)
	signed := header(t, "HS256") + "." + parts[1]
	mac := hmac.New(sha256.New, public)
	_, _ = mac.Write([]byte(signed))
	return signed + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}
