package openid

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"time"

	oidc "github.com/coreos/go-oidc/v3/oidc"
	jose "github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/json"
)

const (
	// maxDocument bounds what an issuer may answer, after decompression.
	maxDocument = 256 << 10
	// maxKeys bounds how many keys of an issuer are kept.
	maxKeys = 64
	// maxCause bounds what of an issuer's answer is logged.
	maxCause = 200
)

var (
	errRedirect = errors.New("the issuer answers with a redirect")
	errRecently = errors.New("the issuer did not answer a short time ago")
)

// source is where the keys of an issuer come from.
type source struct {
	url     string
	client  *http.Client
	timeout time.Duration
}

// strict is a client that follows no redirect, keeps no cookie and reads no more than a bounded answer.
func strict(client *http.Client) *http.Client {
	c := *client
	c.Jar = nil
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return errRedirect }
	next := c.Transport
	if next == nil {
		next = http.DefaultTransport
	}
	c.Transport = bounded{next}
	return &c
}

type bounded struct{ next http.RoundTripper }

// RoundTrip is http.RoundTripper.
func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	response, err := b.next.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	response.Body = http.MaxBytesReader(nil, response.Body, maxDocument)
	return response, nil
}

// fetch reads the discovery document, which names where the keys are and must name the issuer itself (OpenID Connect Discovery 1.0, section 4.3), and the
// keys. Both are read each time, because the place may move.
func (s source) fetch(ctx context.Context) ([]jose.JSONWebKey, error) {
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, s.client), s.url)
	if err != nil {
		return nil, fmt.Errorf("discover the issuer: %s", shorten(err))
	}
	var document struct {
		Keys string `json:"jwks_uri"`
	}
	if err := provider.Claims(&document); err != nil {
		return nil, errors.New("discover the issuer: its document cannot be read")
	}
	at, err := url.Parse(document.Keys)
	if err != nil || !secure(at) {
		return nil, errors.New("discover the issuer: its jwks_uri is not an https URL")
	}
	body, err := s.get(ctx, at.String())
	if err != nil {
		return nil, fmt.Errorf("fetch the issuer's keys: %s", shorten(err))
	}
	return readKeys(body)
}

func (s source) get(ctx context.Context, at string) ([]byte, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, at, nil)
	if err != nil {
		return nil, err
	}
	response, err := s.client.Do(request)
	if err != nil {
		return nil, err
	}
	defer func() { _ = response.Body.Close() }()
	if response.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("status %d", response.StatusCode)
	}
	return io.ReadAll(response.Body)
}

// readKeys reads a JWK set. Keys that are not public, or of a kind that is not known here, are left out (RFC 7517, section 5); a set that has
// none left verifies nothing.
func readKeys(body []byte) ([]jose.JSONWebKey, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(body, &set); err != nil || set.Keys == nil {
		return nil, errors.New("read the issuer's keys: not a JWK set")
	}
	var keys []jose.JSONWebKey
	for _, raw := range set.Keys[:min(len(set.Keys), maxKeys)] {
		var key jose.JSONWebKey
		if json.Unmarshal(raw, &key) == nil && key.IsPublic() && key.Valid() {
			keys = append(keys, key)
		}
	}
	return keys, nil
}

// shorten makes an error of a library fit for a log: the discovery's holds the whole answer.
func shorten(err error) string {
	text := err.Error()
	if len(text) > maxCause {
		text = text[:maxCause] + "..."
	}
	return fmt.Sprintf("%q", text)
}
