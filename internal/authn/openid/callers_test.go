package openid

import (
	"context"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"math/big"
	"net/http"
	"sync"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"ponderal.example/internal/authn/openid/issuertest"
)

// TestCallers: many calls at once lead to one fetch; a call that gives up does so at once, and the fetch that another began is not ended by its going.
func TestCallers(t *testing.T) {
	w := start(t, "ES256", nil)
	asked, release := make(chan struct{}, 1), make(chan struct{})
	w.Answer(func(_ http.ResponseWriter, r *http.Request) bool {
		if r.URL.Path == issuertest.PathKeys {
			asked <- struct{}{}
			<-release
		}
		return false
	})
	token := w.token(t, nil)
	gone, leave := context.WithCancel(t.Context())
	first := make(chan error)
	go func() {
		_, err := w.verifier.Verify(gone, token)
		first <- err
	}()
	<-asked
	leave()
	var all sync.WaitGroup
	for range 20 {
		all.Go(func() {
			if _, err := w.verifier.Verify(context.Background(), token); err != nil {
				t.Error(err)
			}
		})
	}
	hurried, stop := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer stop()
	if _, err := w.verifier.Verify(hurried, token); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("who waits too short a time: %v", err)
	}
	close(release)
	all.Wait()
	if err := <-first; err != nil {
		t.Errorf("the fetch of a caller that went away: %v", err)
	}
	if got := w.Requests(issuertest.PathKeys); got != 1 {
		t.Errorf("%d fetches, want 1", got)
	}
}

// TestFits: RFC 7517, sections 4.2 and 4.4; RFC 7518, section 3.3 (2048 bits).
func TestFits(t *testing.T) {
	w := start(t, "ES256", nil)
	ec := w.KeySet().Keys[0]
	private, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	strong := jose.JSONWebKey{Key: private.Public()}
	weak := jose.JSONWebKey{Key: &rsa.PublicKey{N: new(big.Int).Rsh(private.N, 1), E: private.E}}
	huge := jose.JSONWebKey{Key: &rsa.PublicKey{N: new(big.Int).Lsh(private.N, 8192-2048+1), E: private.E}}
	change := func(k jose.JSONWebKey, f func(*jose.JSONWebKey)) jose.JSONWebKey { f(&k); return k }
	for name, tt := range map[string]struct {
		key       jose.JSONWebKey
		algorithm string
		want      bool
	}{
		"as published":         {ec, "ES256", true},
		"another algorithm":    {ec, "ES384", false},
		"another type":         {ec, "RS256", false},
		"says nothing":         {change(ec, func(k *jose.JSONWebKey) { k.Use, k.Algorithm = "", "" }), "ES256", true},
		"nothing, other curve": {change(ec, func(k *jose.JSONWebKey) { k.Algorithm = "" }), "ES512", false},
		"for encryption":       {change(ec, func(k *jose.JSONWebKey) { k.Use = "enc" }), "ES256", false},
		"RSA of 2048 bits":     {strong, "RS256", true},
		"the same for PSS":     {strong, "PS256", true},
		"RSA for ECDSA":        {strong, "ES256", false},
		"RSA for EdDSA":        {strong, "EdDSA", false},
		"RSA that says PSS":    {change(strong, func(k *jose.JSONWebKey) { k.Algorithm = "PS256" }), "RS256", false},
		"RSA of 2047 bits":     {weak, "RS256", false},
		"RSA of 8193 bits":     {huge, "RS256", false},
		"a secret":             {jose.JSONWebKey{Key: []byte("secret")}, "RS256", false},
		"a private key":        {jose.JSONWebKey{Key: private}, "RS256", false},
		"no key":               {jose.JSONWebKey{}, "ES256", false},
		"an unknown algorithm": {ec, "ES257", false},
	} {
		if got := fits(tt.key, tt.algorithm); got != tt.want {
			t.Errorf("%s: %t", name, got)
		}
	}
	published, err := json.Marshal(map[string]any{"keys": []any{ec, jose.JSONWebKey{Key: private, KeyID: "leaked"}}})
	if err != nil {
		t.Fatal(err)
	}
	if keys, err := readKeys(published); err != nil || len(keys) != 1 || keys[0].KeyID != ec.KeyID {
		t.Errorf("a set with a private key: %d keys, %v", len(keys), err)
	}
}

func FuzzReadKeys(f *testing.F) {
	f.Add([]byte(`{"keys":[{"kty":"EC","crv":"P-256","x":"f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU","y":"x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0"}]}`))
	f.Add([]byte(`{"keys":[{"kty":"OKP","crv":"Ed25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"},{"kty":"oct","k":"AA"}]}`))
	f.Add([]byte(`{"keys":[{"kty":"RSA","n":"AQAB","e":"AQAB"}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		keys, err := readKeys(body)
		if err != nil {
			return
		}
		for _, k := range keys {
			if !k.IsPublic() {
				t.Fatalf("kept a key that is not public: %T", k.Key)
			}
			for _, a := range Algorithms() {
				fits(k, a)
			}
		}
	})
}
