package main

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"time"

	"ponderal.example/internal/config"
	"ponderal.example/internal/limit"
	"ponderal.example/internal/rpc"
	"ponderal.example/internal/store"
)

// rates are the limits of callers; none may be zero.
type rates struct {
	perMinute, addressPerMinute int
	attempts                    int
	window                      time.Duration
	proxies                     []netip.Prefix
}

// privateRates are those of a service on loopback for one's own use, whose measurement must not measure limits.
var privateRates = rates{perMinute: 10_000_000, addressPerMinute: 10_000_000, attempts: 10, window: 15 * time.Minute}

func ratesOf(c config.Config) (rates, error) {
	proxies, err := limit.ParseProxies(c.TrustedProxies)
	if err != nil {
		return rates{}, fmt.Errorf("read trusted_proxies: %w", err)
	}
	return rates{perMinute: c.RateLimitPerMinute, addressPerMinute: c.RateLimitAddressPerMinute,
		attempts: c.SignInAttempts, window: time.Duration(c.SignInWindowSeconds) * time.Second, proxies: proxies}, nil
}

// shared are the limits of calls over the counts in the store, by the database's clock.
func (r rates) shared(st *store.Store) rpc.RateLimits {
	return rpc.RateLimits{PerMinute: r.perMinute, AddressPerMinute: r.addressPerMinute, Shared: st.Limits(nil), TrustedProxies: r.proxies}
}

// tlsOf reads the certificate, and whose client certificates are taken; nil where TLS is not set up.
func tlsOf(c config.Config) (*tls.Config, error) {
	if c.TLSCertificateFile == "" {
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(c.TLSCertificateFile, c.TLSKeyFile)
	if err != nil {
		return nil, fmt.Errorf("read certificate: %w", err)
	}
	t := &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	if c.TLSClientCAFile == "" {
		return t, nil
	}
	text, err := os.ReadFile(c.TLSClientCAFile)
	if err != nil {
		return nil, fmt.Errorf("read client authorities: %w", err)
	}
	if t.ClientCAs, err = readAuthorities(text); err != nil {
		return nil, fmt.Errorf("read client authorities %s: %w", c.TLSClientCAFile, err)
	}
	t.ClientAuth = tls.VerifyClientCertIfGiven
	return t, nil
}

// readAuthorities reads certificates of authorities, PEM, and nothing else: what is not understood must not be left out.
func readAuthorities(text []byte) (*x509.CertPool, error) {
	pool, n := x509.NewCertPool(), 0
	for block, rest := pem.Decode(text); ; block, rest = pem.Decode(rest) {
		if block == nil {
			break
		}
		certificate, err := x509.ParseCertificate(block.Bytes)
		n++
		switch {
		case block.Type != "CERTIFICATE":
			return nil, fmt.Errorf("part %d is a %s, not a certificate", n, block.Type)
		case err != nil:
			return nil, fmt.Errorf("certificate %d: %w", n, err)
		case !certificate.BasicConstraintsValid || !certificate.IsCA:
			return nil, fmt.Errorf("certificate %d is not that of an authority (RFC 5280, section 4.2.1.9)", n)
		}
		pool.AddCert(certificate)
	}
	if n == 0 {
		return nil, errors.New("there is no certificate in it")
	}
	return pool, nil
}
