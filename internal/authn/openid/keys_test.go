package openid

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/authn/openid/issuertest"
	"ponderal.example/internal/fault"
)

const (
	refused     = "UNAUTHENTICATED"
	unreachable = "ISSUER_UNAVAILABLE"
)

// down answers like a proxy before an issuer that is gone.
func down(w http.ResponseWriter, _ *http.Request) bool {
	http.Error(w, "secret internals", http.StatusBadGateway)
	return true
}

func (w world) rotate(t *testing.T) string {
	t.Helper()
	id, err := w.Rotate("ES256")
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestRotation(t *testing.T) {
	w := start(t, "ES256", nil)
	old := w.token(t, nil)
	if got := w.answer(t, old); got != "" {
		t.Fatal(got)
	}
	w.clock.pass(time.Minute)
	w.rotate(t)
	fresh := w.token(t, nil)
	for name, token := range map[string]string{"new": fresh, "old": old} {
		if got := w.answer(t, token); got != "" {
			t.Errorf("the %s key, both published: %q", name, got)
		}
	}
	if got := w.Requests(issuertest.PathKeys); got != 2 {
		t.Errorf("%d fetches, want 2: at first and for the new key", got)
	}
	// The old key is withdrawn: accepted until the keys are looked at again, then no more.
	w.Withdraw("key-1")
	w.clock.pass(10*time.Minute - time.Second)
	if got := w.answer(t, w.token(t, nil)); got != "" || w.Requests(issuertest.PathKeys) != 2 {
		t.Errorf("fresh keys: %q after %d fetches", got, w.Requests(issuertest.PathKeys))
	}
	w.clock.pass(time.Second)
	again, err := w.verifier.Verify(t.Context(), w.token(t, nil))
	if err != nil || again.Subject != "person-1" || w.Requests(issuertest.PathKeys) != 3 {
		t.Errorf("keys of 10 min: %v after %d fetches", err, w.Requests(issuertest.PathKeys))
	}
	if got := w.answer(t, old); got != refused {
		t.Errorf("a withdrawn key: %q", got)
	}
}

func TestUnknownKeysDoNotHammer(t *testing.T) {
	w := start(t, "ES256", nil)
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Fatal(got)
	}
	forger := issuertest.Start(rand.Reader)
	defer forger.Close()
	if _, err := forger.Rotate("ES256"); err != nil {
		t.Fatal(err)
	}
	forge := func(n int) {
		for i := range n {
			token, err := forger.SignAs(w.claims(nil), map[string]any{"kid": fmt.Sprint("unknown-", i)})
			if err != nil {
				t.Fatal(err)
			}
			if got := w.answer(t, token); got != refused {
				t.Errorf("forgery %d: %q", i, got)
			}
		}
	}
	w.clock.pass(29 * time.Second)
	forge(50)
	if got := w.Requests(issuertest.PathKeys); got != 1 {
		t.Errorf("%d fetches within the interval, want the first", got)
	}
	w.clock.pass(time.Second)
	forge(50)
	if got := w.Requests(issuertest.PathKeys); got != 2 {
		t.Errorf("%d fetches after the interval, want one more", got)
	}
	// A genuine rotation meanwhile waits for the interval, no longer.
	w.rotate(t)
	fresh := w.token(t, nil)
	if got := w.answer(t, fresh); got != refused {
		t.Errorf("a new key within the interval: %q", got)
	}
	w.clock.pass(30 * time.Second)
	if got := w.answer(t, fresh); got != "" {
		t.Errorf("a new key after the interval: %q", got)
	}
}

// TestNoKeyNamed: OpenID Connect Core 1.0, section 10.1.
func TestNoKeyNamed(t *testing.T) {
	w := start(t, "ES256", nil)
	unnamed := func() string {
		token, err := w.SignAs(w.claims(nil), map[string]any{"kid": nil})
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	if got := w.answer(t, unnamed()); got != "" {
		t.Errorf("with one key: %q", got)
	}
	w.rotate(t)
	w.clock.pass(10 * time.Minute)
	if got := w.answer(t, unnamed()); got != refused {
		t.Errorf("with two keys: %q", got)
	}
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Errorf("named, with two keys: %q", got)
	}
}

// TestAlgorithmOfTheIssuer: a key that the issuer publishes counts only for the algorithms that are allowed it.
func TestAlgorithmOfTheIssuer(t *testing.T) {
	w := start(t, "ES256", nil)
	if _, err := w.Rotate("EdDSA"); err != nil {
		t.Fatal(err)
	}
	if got := w.answer(t, w.token(t, nil)); got != refused {
		t.Errorf("%q", got)
	}
	w.Withdraw("key-2")
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Errorf("the allowed one: %q", got)
	}
}

// TestKeysOverPlainHTTP: they would be sound, and anyone on the way could have changed them.
func TestKeysOverPlainHTTP(t *testing.T) {
	w := start(t, "ES256", nil)
	asked := 0
	plain := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, _ *http.Request) {
		asked++
		_ = json.NewEncoder(out).Encode(w.KeySet())
	}))
	defer plain.Close()
	w.Answer(func(out http.ResponseWriter, r *http.Request) bool {
		if r.URL.Path == issuertest.PathDiscovery {
			_, _ = fmt.Fprintf(out, `{"issuer":%q,"jwks_uri":%q}`, w.URL(), plain.URL)
			return true
		}
		return false
	})
	if got := w.answer(t, w.token(t, nil)); got != unreachable || asked != 0 {
		t.Errorf("%q, asked %d times", got, asked)
	}
}

// TestReplacedKey: another key under an id that is in use.
func TestReplacedKey(t *testing.T) {
	w := start(t, "ES256", nil)
	old := w.token(t, nil)
	if got := w.answer(t, old); got != "" {
		t.Fatal(got)
	}
	w.clock.pass(time.Minute)
	if err := w.Replace("key-1"); err != nil {
		t.Fatal(err)
	}
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Errorf("the new key: %q", got)
	}
	if got := w.answer(t, old); got != refused {
		t.Errorf("the old key: %q", got)
	}
}

func TestIssuerDown(t *testing.T) {
	w := start(t, "ES256", nil)
	w.Answer(down)
	good := w.token(t, nil)
	_, err := w.verifier.Verify(t.Context(), good)
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Unavailable || f.Reason != unreachable || f.RetryAfter != retryInterval || strings.Contains(f.Text, "internals") {
		t.Fatalf("down at start: %v", err)
	}
	for range 20 {
		if got := w.answer(t, good); got != unreachable {
			t.Errorf("still down: %q", got)
		}
	}
	if got := w.Requests(issuertest.PathDiscovery); got != 1 {
		t.Errorf("%d fetches within the retry interval", got)
	}
	if got := w.answer(t, "a.b.c"); got != refused {
		t.Errorf("what is no token while the issuer is down: %q", got)
	}
	w.Answer(nil)
	if got := w.answer(t, good); got != unreachable {
		t.Errorf("up again, within the retry interval: %q", got)
	}
	w.clock.pass(retryInterval)
	if got := w.answer(t, good); got != "" {
		t.Errorf("up again: %q", got)
	}
	// Down mid-way: keys at hand go on for their time, unknown ones cannot be judged.
	w.Answer(down)
	w.clock.pass(time.Hour - time.Second)
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Errorf("keys of nearly an hour: %q", got)
	}
	w.rotate(t)
	if got := w.answer(t, w.token(t, nil)); got != unreachable {
		t.Errorf("an unknown key: %q", got)
	}
	w.Withdraw("key-2")
	w.clock.pass(time.Second)
	if got := w.answer(t, w.token(t, nil)); got != unreachable {
		t.Errorf("keys of an hour: %q", got)
	}
	w.Answer(nil)
	w.clock.pass(retryInterval)
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Errorf("up again: %q", got)
	}
}

func TestClockSetBack(t *testing.T) {
	w := start(t, "ES256", nil)
	if got := w.answer(t, w.token(t, nil)); got != "" {
		t.Fatal(got)
	}
	w.clock.pass(-24 * time.Hour)
	if got := w.answer(t, w.token(t, nil)); got != "" || w.Requests(issuertest.PathKeys) != 2 {
		t.Errorf("%q after %d fetches, want another", got, w.Requests(issuertest.PathKeys))
	}
}

// TestAnswers: whatever the issuer answers, the token is not accepted, nothing is read without bound, and the answer is not passed on.
func TestAnswers(t *testing.T) {
	elsewhere := issuertest.Start(rand.Reader)
	defer elsewhere.Close()
	if _, err := elsewhere.Rotate("ES256"); err != nil {
		t.Fatal(err)
	}
	on := func(path string, f http.HandlerFunc) func(http.ResponseWriter, *http.Request) bool {
		return func(w http.ResponseWriter, r *http.Request) bool {
			if r.URL.Path != path {
				return false
			}
			f(w, r)
			return true
		}
	}
	write := func(text string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, text) }
	}
	discovery := func(issuer, keys string) http.HandlerFunc {
		return write(fmt.Sprintf(`{"issuer":%q,"jwks_uri":%q}`, issuer, keys))
	}
	hang := func(w http.ResponseWriter, r *http.Request) {
		select {
		case <-r.Context().Done():
		case <-time.After(5 * time.Second):
		}
	}
	drip := func(w http.ResponseWriter, r *http.Request) {
		for r.Context().Err() == nil {
			if _, err := io.WriteString(w, " "); err != nil {
				return
			}
			_ = http.NewResponseController(w).Flush()
			time.Sleep(10 * time.Millisecond)
		}
	}
	endless := func(w http.ResponseWriter, _ *http.Request) {
		for {
			if _, err := io.WriteString(w, strings.Repeat(" ", 64<<10)); err != nil {
				return
			}
		}
	}
	redirect := func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, elsewhere.URL()+r.URL.Path, http.StatusFound)
	}
	for name, tt := range map[string]struct {
		answer func(self string) func(http.ResponseWriter, *http.Request) bool
		want   string
	}{
		"as usual": {func(string) func(http.ResponseWriter, *http.Request) bool { return nil }, ""},
		"discovery of another issuer": {func(s string) func(http.ResponseWriter, *http.Request) bool {
			return on(issuertest.PathDiscovery, discovery(elsewhere.URL(), s+issuertest.PathKeys))
		}, unreachable},
		"keys over plain HTTP": {func(s string) func(http.ResponseWriter, *http.Request) bool {
			return on(issuertest.PathDiscovery, discovery(s, strings.Replace(s, "https", "http", 1)+issuertest.PathKeys))
		}, unreachable},
		"keys from a file": {func(s string) func(http.ResponseWriter, *http.Request) bool {
			return on(issuertest.PathDiscovery, discovery(s, "file:///etc/passwd"))
		}, unreachable},
		"no place of keys": {func(s string) func(http.ResponseWriter, *http.Request) bool {
			return on(issuertest.PathDiscovery, discovery(s, ""))
		}, unreachable},
		"discovery not JSON":   {fixed(on(issuertest.PathDiscovery, write("<html>"))), unreachable},
		"discovery fails":      {fixed(on(issuertest.PathDiscovery, func(w http.ResponseWriter, r *http.Request) { down(w, r) })), unreachable},
		"discovery redirects":  {fixed(on(issuertest.PathDiscovery, redirect)), unreachable},
		"discovery hangs":      {fixed(on(issuertest.PathDiscovery, hang)), unreachable},
		"discovery drips":      {fixed(on(issuertest.PathDiscovery, drip)), unreachable},
		"discovery is endless": {fixed(on(issuertest.PathDiscovery, endless)), unreachable},
		"keys not JSON":        {fixed(on(issuertest.PathKeys, write("<html>"))), unreachable},
		"keys without keys":    {fixed(on(issuertest.PathKeys, write("{}"))), unreachable},
		"keys fail":            {fixed(on(issuertest.PathKeys, func(w http.ResponseWriter, r *http.Request) { down(w, r) })), unreachable},
		"keys redirect":        {fixed(on(issuertest.PathKeys, redirect)), unreachable},
		"keys hang":            {fixed(on(issuertest.PathKeys, hang)), unreachable},
		"keys drip":            {fixed(on(issuertest.PathKeys, drip)), unreachable},
		"keys are endless":     {fixed(on(issuertest.PathKeys, endless)), unreachable},
		"keys just too large":  {fixed(on(issuertest.PathKeys, write(`{"keys":[]}`+strings.Repeat(" ", maxDocument-10)))), unreachable},
		"keys just not":        {fixed(on(issuertest.PathKeys, write(`{"keys":[]}`+strings.Repeat(" ", maxDocument-11)))), refused},
		"all keys withdrawn":   {fixed(on(issuertest.PathKeys, write(`{"keys":[]}`))), refused},
		"keys not understood":  {fixed(on(issuertest.PathKeys, write(`{"keys":[{"kty":"new"},{"kty":"oct","k":"AAAA"},7]}`))), refused},
	} {
		w := start(t, "ES256", func(c *Config) { c.FetchTimeout = 2 * time.Second })
		if strings.Contains(name, "hang") || strings.Contains(name, "drip") {
			w = start(t, "ES256", func(c *Config) { c.FetchTimeout = 100 * time.Millisecond })
		}
		w.Answer(tt.answer(w.URL()))
		if got := w.answer(t, w.token(t, nil)); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
	if got := elsewhere.Requests(issuertest.PathKeys) + elsewhere.Requests(issuertest.PathDiscovery); got != 0 {
		t.Errorf("a redirect was followed %d times", got)
	}
}

func fixed(f func(http.ResponseWriter, *http.Request) bool) func(string) func(http.ResponseWriter, *http.Request) bool {
	return func(string) func(http.ResponseWriter, *http.Request) bool { return f }
}
