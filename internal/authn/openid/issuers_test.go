package openid

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestReadIssuers(t *testing.T) {
	got, err := ReadIssuers([]byte(`[{"issuer":"https://id.example","audiences":["a","b"],"algorithms":["ES256"],"max_token_age_seconds":600,"two_factors":["mfa"]},
		{"issuer":"https://other.example","audiences":["c"],"parties":["d"]}]`))
	want := []Issuer{{URL: "https://id.example", Audiences: []string{"a", "b"}, Algorithms: []string{"ES256"}, MaxTokenAge: 10 * time.Minute, TwoFactors: []string{"mfa"}},
		{URL: "https://other.example", Audiences: []string{"c"}, Parties: []string{"d"}}}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	for name, text := range map[string]string{
		"nothing": "", "none": "[]", "no list": `{"issuer":"https://id.example"}`, "unknown member": `[{"issuer":"https://id.example","audience":"a"}]`,
		"more": `[{"issuer":"https://id.example"}] x`, "age": `[{"issuer":"https://id.example","max_token_age_seconds":86401}]`, "negative": `[{"max_token_age_seconds":-1}]`,
	} {
		if _, err := ReadIssuers([]byte(text)); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// TestTwoFactorsByConfiguration: only the words that the operator names say so (RFC 8176 has "mfa"; acr values are an issuer's own).
func TestTwoFactorsByConfiguration(t *testing.T) {
	for name, c := range map[string]struct {
		words  []string
		claims map[string]any
		want   bool
	}{
		"nothing configured": {nil, map[string]any{"amr": []string{"pwd", "otp", "mfa"}, "acr": "high"}, false},
		"amr":                {[]string{"mfa"}, map[string]any{"amr": []string{"pwd", "mfa"}}, true},
		"acr":                {[]string{"mfa", "high"}, map[string]any{"acr": "high"}, true},
		"another word":       {[]string{"mfa"}, map[string]any{"amr": []string{"pwd", "MFA"}}, false},
		"says nothing":       {[]string{"mfa"}, nil, false},
	} {
		w := start(t, "ES256", func(conf *Config) { conf.Issuers[0].TwoFactors = c.words })
		id, err := w.verifier.Verify(t.Context(), w.token(t, c.claims))
		if err != nil || id.TwoFactors != c.want {
			t.Errorf("%s: %v, %v, want %v", name, id.TwoFactors, err, c.want)
		}
	}
}

// TestMaxTokenAgeOfTheIssuer: an issuer may be held to less than the usual hour; the leeway of 30 s counts for it too.
func TestMaxTokenAgeOfTheIssuer(t *testing.T) {
	w := start(t, "ES256", func(c *Config) { c.Issuers[0].MaxTokenAge = time.Minute })
	token := w.token(t, nil)
	w.clock.pass(90 * time.Second)
	if got := w.answer(t, token); got != "" {
		t.Errorf("at its age: %q", got)
	}
	w.clock.pass(time.Second)
	if got := w.answer(t, token); got != "TOKEN_TOO_OLD" {
		t.Errorf("a second older: %q", got)
	}
}

// TestDigestAndNonce: two signatures over one text are one token, and another text is another.
func TestDigestAndNonce(t *testing.T) {
	w := start(t, "ES256", nil)
	claims := w.claims(map[string]any{"nonce": "for this"})
	digests := map[string]bool{}
	var texts []string
	for range 2 {
		text, err := w.Sign(claims)
		if err != nil {
			t.Fatal(err)
		}
		id, err := w.verifier.Verify(t.Context(), text)
		if err != nil || id.Nonce != "for this" || len(id.Digest) != 64 {
			t.Fatalf("%+v, %v", id, err)
		}
		digests[id.Digest], texts = true, append(texts, text)
	}
	if len(digests) != 1 || texts[0] == texts[1] {
		t.Errorf("%d digests of one signed text, signatures equal: %v", len(digests), texts[0] == texts[1])
	}
	id, err := w.verifier.Verify(t.Context(), w.token(t, map[string]any{"nonce": "for that"}))
	if err != nil || id.Nonce != "for that" || digests[id.Digest] {
		t.Errorf("another token: %+v, %v", id, err)
	}
	if got := w.answer(t, w.token(t, map[string]any{"nonce": []string{"for this"}})); got != refused {
		t.Errorf("a nonce that is no text: %q", got)
	}
}
