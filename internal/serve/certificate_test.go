package serve

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
	"ponderal.example/internal/store"
)

const payerID = "0190a8c4-0000-7000-8000-0000000000f0"

// authority signs certificates of a test.
type authority struct {
	certificate *x509.Certificate
	key         *ecdsa.PrivateKey
}

func newAuthority(t *testing.T, name string) authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(48 * time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return authority{c, key}
}

func (a authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.certificate)
	return pool
}

// issue makes a certificate for clients, valid for a day; change may alter it first.
func (a authority) issue(t *testing.T, change func(*x509.Certificate)) *tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: "payer.example"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	if change != nil {
		change(template)
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.certificate, key.Public(), a.key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
}

func thumbprint(c *tls.Certificate) string {
	sum := sha256.Sum256(c.Certificate[0])
	return hex.EncodeToString(sum[:])
}

// bindings are the identities of certificates, as the store would find them.
type bindings struct {
	mu  sync.Mutex
	all []record.Identity
}

func (b *bindings) FindCertificateIdentity(_ context.Context, sha string) (rows []store.Row, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, i := range b.all {
		if i.CertificateSHA256 == sha {
			body, err := json.Marshal(i)
			if err != nil {
				return nil, err
			}
			rows = append(rows, store.Row{ID: i.ID, Body: body})
		}
	}
	return rows, nil
}

func (b *bindings) revoke() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.all {
		b.all[i].Revoked = true
	}
}

// payers is a fake of the use cases of payers.
type payers struct {
	cases
	mu   sync.Mutex
	seen authn.Principal
}

func (p *payers) ListFeed(_ context.Context, who authn.Principal, _ record.Page) (casework.Feed, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seen = who
	return casework.Feed{}, nil
}

// mutual is a server that takes client certificates, with the authority that it trusts.
type mutual struct {
	*running
	authority authority
	bound     *bindings
	payers    *payers
	roots     *x509.CertPool
	clock     *still
}

func newMutual(t *testing.T) *mutual {
	t.Helper()
	m := &mutual{authority: newAuthority(t, "Payers' Authority"), bound: &bindings{}, payers: &payers{}, roots: x509.NewCertPool(), clock: newStill()}
	m.clock.set(time.Now())
	own := certificate(t)
	own.ClientCAs, own.ClientAuth = m.authority.pool(), tls.VerifyClientCertIfGiven
	root, err := x509.ParseCertificate(own.Certificates[0].Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	m.roots.AddCert(root)
	m.running = start(t, m.payers, func(o *Options) {
		o.TLS, o.Certificates = own, authn.NewCertificates(m.bound, m.clock.now)
	})
	return m
}

// bind binds a certificate to the payer.
func (m *mutual) bind(c *tls.Certificate) *tls.Certificate {
	m.bound.mu.Lock()
	defer m.bound.mu.Unlock()
	m.bound.all = append(m.bound.all, record.Identity{ID: "identity-1", PayerID: payerID, CertificateSHA256: thumbprint(c)})
	return c
}

// line is a connection over one of the transports; call asks for the payer's feed and returns the reason of a refusal, or "" .
type line struct {
	name string
	call func(method string, headers ...string) (string, error)
}

func (m *mutual) lines(t *testing.T, c *tls.Certificate, version uint16) []line {
	t.Helper()
	config := &tls.Config{RootCAs: m.roots, MinVersion: version, MaxVersion: version}
	if c != nil {
		// Sent also where the server's list of authorities does not name its issuer.
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return c, nil }
	}
	conn, err := grpc.NewClient(m.GRPC, grpc.WithTransportCredentials(credentials.NewTLS(config.Clone())))
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{TLSClientConfig: config.Clone()}
	t.Cleanup(func() { _ = conn.Close(); transport.CloseIdleConnections() })
	return []line{{"gRPC", func(method string, headers ...string) (string, error) {
		ctx := metadata.AppendToOutgoingContext(t.Context(), headers...)
		if err := conn.Invoke(ctx, method, &pb.ListFeedRequest{}, &pb.ListFeedResponse{}); err != nil {
			return reasonOf(err)
		}
		return "", nil
	}}, {"REST", func(method string, headers ...string) (string, error) {
		path := map[string]string{feedMethod: "/v1/feed", clinicMethod: "/v1/clients"}[method]
		req, err := http.NewRequestWithContext(t.Context(), "GET", "https://"+m.REST+path, nil)
		if err != nil {
			return "", err
		}
		for i := 0; i < len(headers); i += 2 {
			req.Header.Add(headers[i], headers[i+1])
		}
		resp, err := (&http.Client{Transport: transport}).Do(req)
		if err != nil {
			return "", err
		}
		defer func() { _ = resp.Body.Close() }()
		var body bytes.Buffer
		if _, err := body.ReadFrom(resp.Body); err != nil {
			return "", err
		}
		if resp.StatusCode == 200 {
			return "", nil
		}
		_, info := parseStatus(t, answer{resp.StatusCode, resp.Header, body.String()})
		return info.GetReason(), nil
	}}}
}

func reasonOf(err error) (string, error) {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason(), nil
		}
	}
	return "", err
}

const (
	feedMethod   = "/ponderal.v1.FeedService/ListFeed"
	clinicMethod = "/ponderal.v1.ClientService/ListClients"
)

// want demands the reason of a refusal, "" for none, or with "no connection" that TLS refuses.
func (l line) want(t *testing.T, what, reason, method string, headers ...string) {
	t.Helper()
	got, err := l.call(method, headers...)
	if err != nil {
		got = "no connection"
	}
	if got != reason {
		t.Errorf("%s over %s: %q (%v), want %q", what, l.name, got, err, reason)
	}
}

var versions = []uint16{tls.VersionTLS12, tls.VersionTLS13}

// TestCertificateOfAPayer: the certificate alone is the payer; a clinic's method is none of a payer's; a token beside it is what counts.
func TestCertificateOfAPayer(t *testing.T) {
	m := newMutual(t)
	good := m.bind(m.authority.issue(t, nil))
	for _, version := range versions {
		for _, l := range m.lines(t, good, version) {
			l.want(t, "bound", "", feedMethod)
			if p := m.payers.seen; p.PayerID != payerID || p.IdentityID != "identity-1" || p.TokenID != "identity-1" || p.ClinicID != "" || p.Network || p.Role != record.RolePayer {
				t.Errorf("over %s: %+v", l.name, p)
			}
			l.want(t, "a clinic's method", "ROLE_NEEDED", clinicMethod)
			// A clinic's token makes it a clinic's call, a bad one nobody's, whatever the certificate.
			l.want(t, "with a clinic's token", "ROLE_NEEDED", feedMethod, "authorization", "Bearer good")
			l.want(t, "with a bad token", "TOKEN_INVALID", feedMethod, "authorization", "Bearer bad")
			l.want(t, "with something else", "MALFORMED_CREDENTIAL", feedMethod, "authorization", "Basic Zzo=")
		}
		for _, l := range m.lines(t, nil, version) {
			l.want(t, "without", "NO_CREDENTIAL", feedMethod)
			l.want(t, "without, with a token", "ROLE_NEEDED", feedMethod, "authorization", "Bearer good")
		}
	}
}

// TestCertificatesThatAreNoPayers: TLS refuses what no trusted authority vouches for, has expired or is for servers; the rest is refused as nobody's.
func TestCertificatesThatAreNoPayers(t *testing.T) {
	m := newMutual(t)
	for name, tt := range map[string]struct {
		certificate *tls.Certificate
		want        string
	}{
		"unknown":           {m.authority.issue(t, nil), "CERTIFICATE_UNKNOWN"},
		"another authority": {m.bind(newAuthority(t, "Payers' Authority").issue(t, nil)), "no connection"},
		"expired":           {m.bind(m.authority.issue(t, func(c *x509.Certificate) { c.NotAfter = time.Now().Add(-time.Minute) })), "no connection"},
		"not yet valid":     {m.bind(m.authority.issue(t, func(c *x509.Certificate) { c.NotBefore = time.Now().Add(time.Hour) })), "no connection"},
		"for servers":       {m.bind(m.authority.issue(t, func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} })), "no connection"},
		// RFC 5280, section 4.2.1.12: without the extension it may be used for anything; we ask that its authority said for clients.
		"for nothing said": {m.bind(m.authority.issue(t, func(c *x509.Certificate) { c.ExtKeyUsage = nil })), "NO_CREDENTIAL"},
		"for anything":     {m.bind(m.authority.issue(t, func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageAny} })), "NO_CREDENTIAL"},
	} {
		for _, version := range versions {
			for _, l := range m.lines(t, tt.certificate, version) {
				l.want(t, name, tt.want, feedMethod)
			}
		}
	}
}

// TestStandingConnection: on a connection that stands, a revoked binding and the end of the certificate count at the next call.
func TestStandingConnection(t *testing.T) {
	m := newMutual(t)
	good := m.bind(m.authority.issue(t, nil))
	lines := m.lines(t, good, tls.VersionTLS13)
	end := good.Leaf.NotAfter
	for _, l := range lines {
		l.want(t, "at first", "", feedMethod)
	}
	m.clock.set(end.Add(time.Second - time.Nanosecond))
	for _, l := range lines {
		l.want(t, "in its last second", "", feedMethod)
	}
	m.clock.set(end.Add(time.Second))
	for _, l := range lines {
		l.want(t, "after its last second", "CERTIFICATE_EXPIRED", feedMethod)
	}
	m.clock.set(end.Add(-time.Hour))
	for _, l := range lines {
		l.want(t, "again", "", feedMethod)
	}
	m.bound.revoke()
	for _, l := range lines {
		l.want(t, "revoked", "CERTIFICATE_REVOKED", feedMethod)
	}
}

// TestCertificateCannotBeClaimed: what the gateway tells the gRPC server cannot be said by a caller, over either transport, with or without a
// certificate of one's own.
func TestCertificateCannotBeClaimed(t *testing.T) {
	m := newMutual(t)
	good, other := m.bind(m.authority.issue(t, nil)), m.authority.issue(t, nil)
	claim := fmt.Sprintf("%s %d", thumbprint(good), good.Leaf.NotAfter.Unix())
	for _, header := range []string{rpc.MetaPeerCertificate, "Grpc-Metadata-" + rpc.MetaPeerCertificate, "X-Client-Cert", "Client-Cert"} {
		header = strings.ToLower(header)
		for _, l := range m.lines(t, nil, tls.VersionTLS13) {
			l.want(t, header+" without a certificate", "NO_CREDENTIAL", feedMethod, header, claim)
			l.want(t, header+" twice", "NO_CREDENTIAL", feedMethod, header, claim, header, claim)
		}
		for _, l := range m.lines(t, other, tls.VersionTLS13) {
			l.want(t, header+" with another certificate", "CERTIFICATE_UNKNOWN", feedMethod, header, claim)
		}
		for _, l := range m.lines(t, good, tls.VersionTLS13) {
			l.want(t, header+" beside the bound one", "", feedMethod, header, "0 0")
		}
	}
}

// TestWithoutAuthorities: a server that asks for no certificates gets none, and one that would ask for them unverified is not made.
func TestWithoutAuthorities(t *testing.T) {
	m := newMutual(t)
	plain := start(t, m.payers, func(o *Options) {
		o.TLS, o.Certificates = certificate(t), authn.NewCertificates(m.bound, m.clock.now)
		root, err := x509.ParseCertificate(o.TLS.Certificates[0].Certificate[0])
		if err != nil {
			t.Fatal(err)
		}
		m.roots.AddCert(root)
	})
	there := &mutual{running: plain, roots: m.roots}
	for _, l := range there.lines(t, m.bind(m.authority.issue(t, nil)), tls.VersionTLS13) {
		l.want(t, "not asked", "NO_CREDENTIAL", feedMethod)
	}
	for _, ask := range []tls.ClientAuthType{tls.RequestClientCert, tls.RequireAnyClientCert} {
		o := options(&cases{}, &safeLog{})
		o.TLS = certificate(t)
		o.TLS.ClientAuth = ask
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), "verified") {
			t.Errorf("%v: %v", ask, err)
		}
	}
}

// TestOnlyHTTP2OnTheGRPCListener: a caller who asks for no protocol, or another, is not served (RFC 9113, section 3.2).
func TestOnlyHTTP2OnTheGRPCListener(t *testing.T) {
	m := newMutual(t)
	for _, protocols := range [][]string{nil, {"http/1.1"}} {
		conn, err := tls.Dial("tcp", m.GRPC, &tls.Config{RootCAs: m.roots, NextProtos: protocols, MinVersion: tls.VersionTLS12})
		if err != nil {
			continue
		}
		_ = conn.SetDeadline(time.Now().Add(5 * time.Second))
		if n, err := conn.Read(make([]byte, 1)); err == nil {
			t.Errorf("%v: got %d bytes", protocols, n)
		} else if timeout, ok := err.(net.Error); ok && timeout.Timeout() {
			t.Errorf("%v: the connection is kept", protocols)
		}
		_ = conn.Close()
	}
}
