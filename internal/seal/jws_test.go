package seal

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"strings"
	"testing"

	"github.com/go-jose/go-jose/v4"
)

const payload = `{"result":{"capacity":{"unit":"lb","value":"50"}}}`

// rawJWS signs any header and payload by hand, to make what SignJWS would not.
func rawJWS(key Key, header, payload string) string {
	input := base64.RawURLEncoding.EncodeToString([]byte(header)) + "." + base64.RawURLEncoding.EncodeToString([]byte(payload))
	return input + "." + base64.RawURLEncoding.EncodeToString(ed25519.Sign(key.private(), []byte(input)))
}

func mustSign(t testing.TB, key Key, payload string) string {
	t.Helper()
	compact, err := SignJWS(t.Context(), key, []byte(payload))
	if err != nil {
		t.Fatal(err)
	}
	return compact
}

func TestSignAndVerifyJWS(t *testing.T) {
	key := testKey(t, 1, UseResult)
	ring := testRing(t, testKey(t, 2, UseLog), testKey(t, 3, UseResult), key)
	for _, p := range []string{payload, "", "é\x00", strings.Repeat("x", 100_000)} {
		compact := mustSign(t, key, p)
		// Ed25519 is deterministic, so this is also what RFC 7515 section 5.1 spells out.
		if want := rawJWS(key, `{"alg":"EdDSA","kid":"`+key.ID+`","typ":"ponderal-result+jws"}`, p); compact != want {
			t.Errorf("signed %s, want %s", compact, want)
		}
		got, kid, err := VerifyJWS(ring, compact)
		if err != nil || string(got) != p || kid != key.ID {
			t.Errorf("verified %q by %s, %v", got, kid, err)
		}
	}
}

// TestRFC8037Signature: appendix A.4's JWS (S114) is what our primitives make,
// and A.5's verifies; but as a result it is refused, for it lacks kid and typ.
func TestRFC8037Signature(t *testing.T) {
	var v joseVectors
	reference(t, "10_jws_eddsa_rfc8037.json", &v)
	key := rfc8037Key(t, v)
	if got := rawJWS(key, `{"alg":"EdDSA"}`, v.Payload); got != v.Compact {
		t.Errorf("signed %s, want %s", got, v.Compact)
	}
	parsed, err := jose.ParseSignedCompact(v.Compact, algorithms())
	if err != nil {
		t.Fatal(err)
	}
	if got, err := parsed.Verify(key.Public().Key); string(got) != v.Payload || err != nil {
		t.Errorf("verified %q, %v", got, err)
	}
	checkRefused(t, "RFC 8037 A.4", testRing(t, key), v.Compact, ErrHeader)
	checkRefused(t, "RFC 7515 A.1", testRing(t, key), v.HS256.Compact, ErrAlgorithm)
}

func checkRefused(t *testing.T, name string, ring Ring, compact string, want error) {
	t.Helper()
	got, kid, err := VerifyJWS(ring, compact)
	if !errors.Is(err, want) || got != nil || kid != "" {
		t.Errorf("%s: %q by %q, %v, want %v", name, got, kid, err, want)
	}
}

func TestSignJWSRefuses(t *testing.T) {
	if _, err := SignJWS(t.Context(), testKey(t, 1, UseLog), []byte(payload)); !errors.Is(err, ErrUse) {
		t.Errorf("log key: %v, want ErrUse", err)
	}
	if _, err := SignJWS(t.Context(), Key{Use: UseResult}, []byte(payload)); !errors.Is(err, ErrKey) {
		t.Errorf("no secret: %v, want ErrKey", err)
	}
}

func TestVerifyJWSRefuses(t *testing.T) {
	key, stranger, logKey := testKey(t, 1, UseResult), testKey(t, 2, UseResult), testKey(t, 3, UseLog)
	ring := testRing(t, key, logKey)
	head := func(kid string) string { return `{"alg":"EdDSA","kid":"` + kid + `","typ":"ponderal-result+jws"}` }
	own := head(key.ID)
	with := func(member string) string { return strings.TrimSuffix(own, "}") + "," + member + "}" }
	good := mustSign(t, key, payload)
	parts := strings.Split(good, ".")
	for name, tt := range map[string]struct {
		compact string
		want    error
	}{
		"by hand, as it should be": {rawJWS(key, own, payload), nil},
		"unknown key":              {rawJWS(stranger, head(stranger.ID), payload), ErrUnknownKey},
		"another's kid":            {rawJWS(stranger, own, payload), ErrSignature},
		"log key":                  {rawJWS(logKey, head(logKey.ID), payload), ErrUse},
		"no kid":                   {rawJWS(key, `{"alg":"EdDSA","typ":"ponderal-result+jws"}`, payload), ErrHeader},
		"no typ":                   {rawJWS(key, `{"alg":"EdDSA","kid":"`+key.ID+`"}`, payload), ErrHeader},
		"another typ":              {rawJWS(key, strings.Replace(own, "ponderal-result+jws", "JWT", 1), payload), ErrHeader},
		"crit":                     {rawJWS(key, with(`"crit":["exp"],"exp":1`), payload), ErrHeader},
		"b64":                      {rawJWS(key, with(`"b64":true`), payload), ErrHeader},
		"unknown member":           {rawJWS(key, with(`"x":1`), payload), ErrHeader},
		"kid twice":                {rawJWS(key, with(`"kid":"`+key.ID+`"`), payload), ErrMalformed},
		"x5c":                      {rawJWS(key, with(`"x5c":[]`), payload), ErrHeader},
		"jwk":                      {rawJWS(key, with(`"jwk":{"kty":"OKP","crv":"Ed25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}`), payload), ErrHeader},
		"spaced header":            {rawJWS(key, strings.Replace(own, ":", ": ", 1), payload), ErrHeader},
		"other order":              {rawJWS(key, `{"kid":"`+key.ID+`","alg":"EdDSA","typ":"ponderal-result+jws"}`, payload), ErrHeader},
		"header no object":         {rawJWS(key, `[]`, payload), ErrMalformed},
		"algorithm none":           {rawJWS(key, strings.Replace(own, "EdDSA", "none", 1), payload), ErrAlgorithm},
		"no algorithm":             {rawJWS(key, `{"kid":"`+key.ID+`","typ":"ponderal-result+jws"}`, payload), ErrAlgorithm},
		"algorithm in capitals":    {rawJWS(key, strings.Replace(own, "EdDSA", "EDDSA", 1), payload), ErrAlgorithm},
		"unsigned":                 {parts[0] + "." + parts[1] + ".", ErrSignature},
		"none and unsigned":        {base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none"}`)) + "." + parts[1] + ".", ErrAlgorithm},
		"another's payload":        {parts[0] + "." + strings.Split(mustSign(t, key, "{}"), ".")[1] + "." + parts[2], ErrSignature},
		"detached":                 {parts[0] + ".." + parts[2], ErrSignature},
		"two parts":                {parts[0] + "." + parts[1], ErrMalformed},
		"four parts":               {good + ".", ErrMalformed},
		"empty":                    {"", ErrMalformed},
		"line break in header":     {parts[0][:9] + "\n" + good[9:], ErrHeader},
		"line break in payload":    {parts[0] + ".\r\n" + parts[1] + "." + parts[2], ErrMalformed},
		"line break at the end":    {good + "\n", ErrMalformed},
		"space before":             {" " + good, ErrMalformed},
		"padding":                  {good + "=", ErrMalformed},
		"JSON serialization": {`{"payload":"` + parts[1] + `","protected":"` + parts[0] + `","signature":"` + parts[2] + `"}`,
			ErrMalformed},
	} {
		if tt.want == nil {
			if got, kid, err := VerifyJWS(ring, tt.compact); string(got) != payload || kid != key.ID || err != nil {
				t.Errorf("%s: %q by %q, %v", name, got, kid, err)
			}
			continue
		}
		checkRefused(t, name, ring, tt.compact, tt.want)
	}
	checkRefused(t, "empty ring", Ring{}, good, ErrUnknownKey)
}

// TestAlgorithmSwap signs our header's kid and typ under other algorithms, also
// with the public key as the secret of a MAC.
func TestAlgorithmSwap(t *testing.T) {
	key := testKey(t, 1, UseResult)
	ring := testRing(t, key)
	ec, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	for alg, signing := range map[jose.SignatureAlgorithm]any{jose.HS256: []byte(key.Public().Key), jose.ES256: ec} {
		signer, err := jose.NewSigner(
			jose.SigningKey{Algorithm: alg, Key: jose.JSONWebKey{Key: signing, KeyID: key.ID}},
			(&jose.SignerOptions{}).WithType(ResultType))
		if err != nil {
			t.Fatal(err)
		}
		signed, err := signer.Sign([]byte(payload))
		if err != nil {
			t.Fatal(err)
		}
		compact, err := signed.CompactSerialize()
		if err != nil {
			t.Fatal(err)
		}
		checkRefused(t, string(alg), ring, compact, ErrAlgorithm)
	}
}

// TestAnyAlteredByteOfAResultFails changes each byte in turn in several ways,
// leaves it out, and doubles it.
func TestAnyAlteredByteOfAResultFails(t *testing.T) {
	key := testKey(t, 1, UseResult)
	ring := testRing(t, key)
	compact := mustSign(t, key, payload)
	for _, bad := range alterations(compact) {
		if got, _, err := VerifyJWS(ring, bad); err == nil {
			t.Fatalf("altered to %q, verifies as %q", bad, got)
		}
	}
}

// alterations returns every text that differs from s by one byte changed in one
// of several ways, left out or doubled.
func alterations(s string) []string {
	var out []string
	for i := range len(s) {
		for _, c := range []byte{s[i] ^ 0x01, s[i] ^ 0x02, s[i] ^ 0x20, s[i] ^ 0x80, '\n', '=', 'A'} {
			if c != s[i] {
				out = append(out, s[:i]+string([]byte{c})+s[i+1:])
			}
		}
		out = append(out, s[:i]+s[i+1:])
		if doubled := s[:i+1] + s[i:]; doubled != s {
			out = append(out, doubled)
		}
	}
	return out
}

func FuzzVerifyJWS(f *testing.F) {
	key := testKey(f, 1, UseResult)
	ring := testRing(f, key)
	good := mustSign(f, key, payload)
	f.Add(good)
	f.Add(good + "\n")
	f.Add(mustSign(f, key, ""))
	f.Add("e30.e30.e30")
	f.Fuzz(func(t *testing.T, compact string) {
		got, kid, err := VerifyJWS(ring, compact)
		if err != nil {
			return
		}
		// The only key is ours and signing is deterministic.
		again, err := SignJWS(t.Context(), key, got)
		if err != nil || again != compact || kid != key.ID {
			t.Fatalf("%q re-encodes to %q, %v", compact, again, err)
		}
	})
}

func BenchmarkSignJWS(b *testing.B) {
	key := testKey(b, 1, UseResult)
	for b.Loop() {
		mustSign(b, key, payload)
	}
}

func BenchmarkVerifyJWS(b *testing.B) {
	key := testKey(b, 1, UseResult)
	ring, compact := testRing(b, key), mustSign(b, key, payload)
	for b.Loop() {
		if _, _, err := VerifyJWS(ring, compact); err != nil {
			b.Fatal(err)
		}
	}
}
