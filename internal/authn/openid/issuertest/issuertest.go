// Package issuertest is an OpenID Connect issuer for tests: a server of its own that speaks discovery and JWK sets over TLS, holds keys, rotates them and
// signs. It stands outside the service; nothing but tests imports it.
package issuertest

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"time"

	jose "github.com/go-jose/go-jose/v4"
)

// Issuer is a running issuer. Safe for concurrent use.
type Issuer struct {
	server *httptest.Server
	rand   io.Reader

	mu       sync.Mutex // guards what follows
	keys     []key
	made     int
	requests map[string]int
	answer   func(w http.ResponseWriter, r *http.Request) bool
}

type key struct {
	id, algorithm string
	private       crypto.Signer
}

// Start starts one without keys; rand must be a cryptographic source. The caller closes it.
func Start(rand io.Reader) *Issuer {
	i := &Issuer{rand: rand, requests: make(map[string]int)}
	i.server = httptest.NewTLSServer(i)
	return i
}

// Close stops the server and ends its connections.
func (i *Issuer) Close() { i.server.CloseClientConnections(); i.server.Close() }

// URL is the issuer's name.
func (i *Issuer) URL() string { return i.server.URL }

// Client trusts the server's certificate.
func (i *Issuer) Client() *http.Client { return i.server.Client() }

// CertificatePEM is the server's certificate, for who starts another process that must trust it.
func (i *Issuer) CertificatePEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: i.server.Certificate().Raw})
}

// Requests is how often a path was asked for.
func (i *Issuer) Requests(path string) int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.requests[path]
}

// Answer puts a function before the usual answers: it answers and returns true, or returns false. Nil takes it away.
func (i *Issuer) Answer(f func(w http.ResponseWriter, r *http.Request) bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.answer = f
}

// The paths that an issuer serves.
const (
	PathDiscovery = "/.well-known/openid-configuration"
	PathKeys      = "/keys"
)

// ServeHTTP is http.Handler.
func (i *Issuer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	i.mu.Lock()
	i.requests[r.URL.Path]++
	answer := i.answer
	i.mu.Unlock()
	if answer != nil && answer(w, r) {
		return
	}
	var document any
	switch r.URL.Path {
	case PathDiscovery:
		document = map[string]any{"issuer": i.URL(), "jwks_uri": i.URL() + PathKeys, "authorization_endpoint": i.URL() + "/authorize",
			"token_endpoint": i.URL() + "/token", "id_token_signing_alg_values_supported": []string{"RS256", "ES256", "HS256", "none"}}
	case PathKeys:
		document = i.KeySet()
	default:
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(document)
}

// KeySet is what the issuer publishes.
func (i *Issuer) KeySet() jose.JSONWebKeySet {
	i.mu.Lock()
	defer i.mu.Unlock()
	set := jose.JSONWebKeySet{Keys: []jose.JSONWebKey{}}
	for _, k := range i.keys {
		set.Keys = append(set.Keys, jose.JSONWebKey{Key: k.private.Public(), KeyID: k.id, Algorithm: k.algorithm, Use: "sig"})
	}
	return set
}

// Rotate publishes a new key beside the others and signs with it from now on. It returns the key's id.
func (i *Issuer) Rotate(algorithm string) (string, error) {
	private, err := i.generate(algorithm)
	if err != nil {
		return "", fmt.Errorf("rotate: %w", err)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.made++
	id := fmt.Sprintf("key-%d", i.made)
	i.keys = append(i.keys, key{id, algorithm, private})
	return id, nil
}

// Withdraw publishes a key no longer.
func (i *Issuer) Withdraw(id string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	kept := i.keys[:0:0]
	for _, k := range i.keys {
		if k.id != id {
			kept = append(kept, k)
		}
	}
	i.keys = kept
}

// Replace puts a new key under an id that is in use, as careless issuers do.
func (i *Issuer) Replace(id string) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	for n, k := range i.keys {
		if k.id == id {
			private, err := i.generate(k.algorithm)
			if err != nil {
				return fmt.Errorf("replace: %w", err)
			}
			i.keys[n].private = private
		}
	}
	return nil
}

func (i *Issuer) generate(algorithm string) (crypto.Signer, error) {
	switch algorithm {
	case "ES256":
		return ecdsa.GenerateKey(elliptic.P256(), i.rand)
	case "ES384":
		return ecdsa.GenerateKey(elliptic.P384(), i.rand)
	case "ES512":
		return ecdsa.GenerateKey(elliptic.P521(), i.rand)
	case "EdDSA":
		_, private, err := ed25519.GenerateKey(i.rand)
		return private, err
	}
	return rsa.GenerateKey(i.rand, 2048)
}

// Claims are those of a sound token; a test changes what it is about.
func (i *Issuer) Claims(subject, audience string, now time.Time) map[string]any {
	return map[string]any{"iss": i.URL(), "sub": subject, "aud": audience, "iat": now.Unix(), "exp": now.Add(10 * time.Minute).Unix()}
}

// Sign signs claims with the newest key.
func (i *Issuer) Sign(claims any) (string, error) { return i.SignAs(claims, nil) }

// SignAs is Sign with other headers: a nil value takes one away.
func (i *Issuer) SignAs(claims any, headers map[string]any) (string, error) {
	i.mu.Lock()
	newest := i.keys[len(i.keys)-1]
	i.mu.Unlock()
	return SignWith(newest.private, newest.id, newest.algorithm, claims, headers)
}

// SignWith signs claims with any key, in the name of any key.
func SignWith(private any, id, algorithm string, claims any, headers map[string]any) (string, error) {
	options := &jose.SignerOptions{ExtraHeaders: map[jose.HeaderKey]any{"typ": "JWT", "kid": id}}
	for name, value := range headers {
		if options.ExtraHeaders[jose.HeaderKey(name)] = value; value == nil {
			delete(options.ExtraHeaders, jose.HeaderKey(name))
		}
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.SignatureAlgorithm(algorithm), Key: private}, options)
	if err != nil {
		return "", fmt.Errorf("sign: %w", err)
	}
	body, raw := claims.([]byte)
	if !raw {
		if body, err = json.Marshal(claims); err != nil {
			return "", fmt.Errorf("sign: %w", err)
		}
	}
	signed, err := signer.Sign(body)
	if err != nil {
		return "", fmt.Errorf("sign: %w", err)
	}
	return signed.CompactSerialize()
}
