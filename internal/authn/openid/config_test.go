package openid

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"
)

func TestTwoIssuers(t *testing.T) {
	b := start(t, "ES256", nil)
	a := start(t, "ES256", func(c *Config) {
		c.Issuers = append(c.Issuers, Issuer{URL: b.URL(), Audiences: []string{"b-audience"}, Algorithms: []string{"ES256"}})
	})
	for name, tt := range map[string]struct {
		by     world
		change map[string]any
		want   string
	}{
		"the first":                        {a, nil, ""},
		"the second":                       {b, map[string]any{"aud": "b-audience"}, ""},
		"the second with the first's":      {b, nil, "UNAUTHENTICATED"},
		"the second in the first's name":   {b, map[string]any{"iss": a.URL()}, "UNAUTHENTICATED"},
		"the first in the second's name":   {a, map[string]any{"iss": b.URL(), "aud": "b-audience"}, "UNAUTHENTICATED"},
		"the first for the second's users": {a, map[string]any{"aud": "b-audience"}, "UNAUTHENTICATED"},
	} {
		if got := a.answer(t, tt.by.token(t, tt.change)); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
	if got := a.verifier.Issuers(); len(got) != 2 {
		t.Errorf("issuers %v", got)
	}
}

func TestNewRefuses(t *testing.T) {
	good := func() Config {
		return Config{Client: &http.Client{}, Now: time.Now, Issuers: []Issuer{{URL: "https://issuer.example/tenant", Audiences: []string{"a"}}}}
	}
	if _, err := New(good()); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Config){
		"no issuer":        func(c *Config) { c.Issuers = nil },
		"no client":        func(c *Config) { c.Client = nil },
		"no clock":         func(c *Config) { c.Now = nil },
		"plain HTTP":       func(c *Config) { c.Issuers[0].URL = "http://issuer.example" },
		"no host":          func(c *Config) { c.Issuers[0].URL = "https:///x" },
		"a query":          func(c *Config) { c.Issuers[0].URL += "?a=b" },
		"an empty query":   func(c *Config) { c.Issuers[0].URL += "?" },
		"a fragment":       func(c *Config) { c.Issuers[0].URL += "#a" },
		"a password":       func(c *Config) { c.Issuers[0].URL = "https://a:b@issuer.example" },
		"no audience":      func(c *Config) { c.Issuers[0].Audiences = nil },
		"an empty one":     func(c *Config) { c.Issuers[0].Audiences = []string{""} },
		"an empty party":   func(c *Config) { c.Issuers[0].Parties = []string{""} },
		"none":             func(c *Config) { c.Issuers[0].Algorithms = []string{"none"} },
		"an HMAC":          func(c *Config) { c.Issuers[0].Algorithms = []string{"RS256", "HS256"} },
		"twice":            func(c *Config) { c.Issuers = append(c.Issuers, c.Issuers[0]) },
		"a long leeway":    func(c *Config) { c.Leeway = 5*time.Minute + 1 },
		"a negative one":   func(c *Config) { c.Leeway = -1 },
		"a negative age":   func(c *Config) { c.MaxTokenAge = -1 },
		"keys never fresh": func(c *Config) { c.KeysFresh = 29 * time.Second },
		"keys not usable":  func(c *Config) { c.KeysUsable = 9 * time.Minute },
		"no time to fetch": func(c *Config) { c.FetchTimeout = -1 },
	} {
		c := good()
		change(&c)
		if _, err := New(c); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func FuzzParse(f *testing.F) {
	w := start(f, "ES256", nil)
	f.Add(w.token(f, nil))
	f.Add("eyJhbGciOiJub25lIn0.eyJpc3MiOiJqb2UifQ.")
	f.Fuzz(func(t *testing.T, token string) {
		parsed, err := parse(token)
		if err != nil {
			return
		}
		if !strings.HasPrefix(parsed.header.Algorithm, "RS") && !strings.HasPrefix(parsed.header.Algorithm, "PS") &&
			!strings.HasPrefix(parsed.header.Algorithm, "ES") && parsed.header.Algorithm != "EdDSA" {
			t.Fatalf("read a token with the algorithm %q", parsed.header.Algorithm)
		}
		if parsed.jws.Signatures[0].Protected.Algorithm != parsed.header.Algorithm || parsed.jws.Signatures[0].Protected.KeyID != parsed.header.KeyID {
			t.Fatalf("two readings of one header: %+v", parsed.header)
		}
	})
}

func BenchmarkVerify(b *testing.B) {
	for _, algorithm := range []string{"RS256", "ES256", "EdDSA"} {
		b.Run(algorithm, func(b *testing.B) {
			w := start(b, algorithm, nil)
			token := w.token(b, nil)
			for b.Loop() {
				if _, err := w.verifier.Verify(context.Background(), token); err != nil {
					b.Fatal(fmt.Sprint(err))
				}
			}
		})
	}
}
