package e2e

import (
	"bufio"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"testing"
	"time"

	"crypto/tls"

	"ponderal.example/internal/authn/openid/issuertest"
)

// issuerVariable, set to anything, makes a process of this test an issuer and nothing else.
const issuerVariable = "PONDERAL_TEST_ISSUER_PROCESS"

// order is what the issuer's process is told, a line of JSON each, and its answer.
type order struct {
	Do      string         `json:"do"`
	ID      string         `json:"id,omitempty"`
	Claims  map[string]any `json:"claims,omitempty"`
	Headers map[string]any `json:"headers,omitempty"`

	URL         string `json:"url,omitempty"`
	Certificate []byte `json:"certificate,omitempty"`
	Token       string `json:"token,omitempty"`
	Error       string `json:"error,omitempty"`
}

// beIssuer serves as an OpenID Connect issuer until nobody tells it anything more.
func beIssuer(in io.Reader, out io.Writer) error {
	issuer := issuertest.Start(rand.Reader)
	defer issuer.Close()
	lines, answers := json.NewDecoder(in), json.NewEncoder(out)
	for {
		var o order
		if err := lines.Decode(&o); err != nil {
			return nil // the test has ended
		}
		answer := order{Do: o.Do, URL: issuer.URL(), Certificate: issuer.CertificatePEM()}
		var err error
		switch o.Do {
		case "rotate":
			answer.ID, err = issuer.Rotate(o.ID)
		case "withdraw":
			issuer.Withdraw(o.ID)
		case "sign":
			answer.Token, err = issuer.SignAs(o.Claims, o.Headers)
		default:
			err = fmt.Errorf("there is no %s", o.Do)
		}
		if err != nil {
			answer.Error = err.Error()
		}
		if err := answers.Encode(answer); err != nil {
			return err
		}
	}
}

// issuerProcess is an issuer that runs as a process of its own.
type issuerProcess struct {
	t      testing.TB
	orders *json.Encoder
	said   *bufio.Reader
	url    string
	roots  *x509.CertPool
}

// startIssuer starts one, with a first key of an algorithm.
func startIssuer(t testing.TB, algorithm string) *issuerProcess {
	t.Helper()
	process := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^$")
	process.Env = append(os.Environ(), issuerVariable+"=yes")
	process.Stderr = os.Stderr
	in := must(process.StdinPipe())(t)
	out := must(process.StdoutPipe())(t)
	if err := process.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = in.Close()
		_ = process.Wait()
	})
	p := &issuerProcess{t: t, orders: json.NewEncoder(in), said: bufio.NewReader(out), roots: x509.NewCertPool()}
	first := p.tell(order{Do: "rotate", ID: algorithm})
	p.url = first.URL
	if !p.roots.AppendCertsFromPEM(first.Certificate) {
		t.Fatal("the issuer has no certificate")
	}
	return p
}

func (p *issuerProcess) tell(o order) order {
	p.t.Helper()
	if err := p.orders.Encode(o); err != nil {
		p.t.Fatal(err)
	}
	line := must(p.said.ReadBytes('\n'))(p.t)
	var answer order
	if err := json.Unmarshal(line, &answer); err != nil || answer.Error != "" {
		p.t.Fatalf("the issuer says %s: %v", line, err)
	}
	return answer
}

// client trusts the issuer's certificate and no other.
func (p *issuerProcess) client() *http.Client {
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: p.roots, MinVersion: tls.VersionTLS12}}
	p.t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport}
}

// claims are those of a sound token of a subject, changed.
func (p *issuerProcess) claims(subject string, now time.Time, change map[string]any) map[string]any {
	c := map[string]any{"iss": p.url, "sub": subject, "aud": "ponderal", "iat": now.Unix(), "exp": now.Add(10 * time.Minute).Unix(), "jti": fmt.Sprint(now.UnixNano(), change)}
	for name, value := range change {
		if c[name] = value; value == nil {
			delete(c, name)
		}
	}
	return c
}

func (p *issuerProcess) token(claims map[string]any) string {
	p.t.Helper()
	return p.tell(order{Do: "sign", Claims: claims}).Token
}
