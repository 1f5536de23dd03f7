package main

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/config"
)

// testAuthority writes the certificate of an authority and issues a certificate for clients.
func testAuthority(t *testing.T) (file string, client tls.Certificate) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	from, to := time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	authority := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Payers' Authority"}, NotBefore: from, NotAfter: to, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, authority, authority, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(t.TempDir(), "authority.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "payer.example"}, NotBefore: from, NotAfter: to, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	if der, err = x509.CreateCertificate(rand.Reader, leaf, authority, key.Public(), key); err != nil {
		t.Fatal(err)
	}
	return file, tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// send sends a REST request and returns status and body.
func send(t *testing.T, client *http.Client, method, url, token, body string) (int, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var text bytes.Buffer
	if _, err := text.ReadFrom(resp.Body); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, text.String()
}

// TestPayerByCertificate: with an authority set, a payer's system whose certificate an administrator has bound needs no token; once the binding is
// revoked it is nobody at the next call, on the connection that stands.
func TestPayerByCertificate(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	certificate, key, roots := testCertificate(t)
	authority, client := testAuthority(t)
	env["PONDERAL_TLS_CERTIFICATE_FILE"], env["PONDERAL_TLS_KEY_FILE"], env["PONDERAL_TLS_CLIENT_CA_FILE"] = certificate, key, authority
	made := play(t, env, "", "token", "-role", "network_admin", "-label", "first administrator", "-days", "2")
	admin := strings.TrimSpace(made.out)
	base, stop := serveInTest(t, env)
	base = "https" + strings.TrimPrefix(base, "http")
	plain := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}}}
	shown := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, Certificates: []tls.Certificate{client}}}}
	t.Cleanup(func() { plain.CloseIdleConnections(); shown.CloseIdleConnections() })
	const payer, identity = "0190a8c4-0000-7000-8000-0000000000f0", "0190a8c4-0000-7000-8000-0000000000f1"
	sum := sha256.Sum256(client.Certificate[0])
	bound := fmt.Sprintf(`{"payerId":%q,"certificateSha256":%q`, payer, hex.EncodeToString(sum[:]))
	for i, step := range []struct {
		by                      *http.Client
		method, path, token, in string
		status                  int
		says                    string
	}{
		{shown, "GET", "/v1/feed", "", "", 401, "CERTIFICATE_UNKNOWN"},
		{plain, "PUT", "/v1/payers/" + payer, admin, `{"name":"Invented Mutual"}`, 200, ""},
		{plain, "PUT", "/v1/identities/" + identity, admin, bound + "}", 200, ""},
		{shown, "GET", "/v1/feed", "", "", 200, "nextCursor"},
		{shown, "GET", "/v1/clients", "", "", 403, "ROLE_NEEDED"},
		{shown, "GET", "/v1/clinics", admin, "", 200, ""},
		{plain, "GET", "/v1/feed", "", "", 401, "NO_CREDENTIAL"},
		{plain, "PUT", "/v1/identities/" + identity + "?expectedRevision=1", admin, bound + `,"revoked":true}`, 200, ""},
		{shown, "GET", "/v1/feed", "", "", 401, "CERTIFICATE_REVOKED"},
	} {
		status, body := send(t, step.by, step.method, base+step.path, step.token, step.in)
		if status != step.status || !strings.Contains(body, step.says) {
			t.Errorf("step %d: %s %s: %d %s; want %d and %q", i+1, step.method, step.path, status, body, step.status, step.says)
		}
	}
	if code := stop(); code != exitOK {
		t.Errorf("serve ended with status %d", code)
	}
}

// TestTwoServicesKeepOneLimit: two services over one database let no more calls through than the limit, told by the settings.
func TestTwoServicesKeepOneLimit(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	made := play(t, env, "", "token", "-role", "network_admin", "-label", "first administrator", "-days", "2")
	token := strings.TrimSpace(made.out)
	env["PONDERAL_RATE_LIMIT_PER_MINUTE"] = "6"
	began := time.Now()
	var bases [2]string
	for i := range bases {
		bases[i], _ = serveInTest(t, env)
	}
	passed, limited := 0, 0
	for i := range 30 {
		switch got := getStatus(t, bases[i%2]+"/v1/clinics", token); got {
		case http.StatusOK:
			passed++
		case http.StatusTooManyRequests:
			limited++
		default:
			t.Fatalf("HTTP %d", got)
		}
	}
	// Six, and one more in every ten seconds that the test took.
	if most := 6 + int(time.Since(began)/(10*time.Second)); passed < 6 || passed > most || limited == 0 {
		t.Errorf("%d passed, %d were limited; want 6 to %d", passed, limited, most)
	}
}

func TestReadAuthorities(t *testing.T) {
	file, client := testAuthority(t)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	leaf := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: client.Certificate[0]})
	for name, tt := range map[string]struct {
		text []byte
		want string
	}{
		"one":             {text, ""},
		"two with a note": {append(append([]byte("Payers of the network\n"), text...), text...), ""},
		"empty":           {nil, "no certificate"},
		"a text":          {[]byte("none"), "no certificate"},
		"a leaf":          {append(bytes.Clone(text), leaf...), "certificate 2 is not that of an authority"},
		"a key":           {pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: []byte{1}}), "part 1 is a PRIVATE KEY"},
		"garbled":         {pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: []byte{1}}), "certificate 1"},
	} {
		pool, err := readAuthorities(tt.text)
		if tt.want == "" && (err != nil || pool == nil) || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want) || pool != nil) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
	certificate, key, _ := testCertificate(t)
	c := config.Config{TLSCertificateFile: certificate, TLSKeyFile: key, TLSClientCAFile: file}
	if got, err := tlsOf(c); err != nil || got.ClientAuth != tls.VerifyClientCertIfGiven || got.ClientCAs == nil || got.MinVersion != tls.VersionTLS12 {
		t.Errorf("%+v, %v", got, err)
	}
	c.TLSClientCAFile = ""
	if got, err := tlsOf(c); err != nil || got.ClientAuth != tls.NoClientCert {
		t.Errorf("%+v, %v", got, err)
	}
	c.TLSClientCAFile = filepath.Join(t.TempDir(), "none.pem")
	if got, err := tlsOf(c); err == nil || got != nil || !strings.Contains(err.Error(), "read client authorities") {
		t.Errorf("%+v, %v", got, err)
	}
}
