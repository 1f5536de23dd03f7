package serve

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ponderal.example/internal/rpc"
)

// Options are what a server needs.
type Options struct {
	Cases         rpc.Cases
	Authenticator rpc.Authenticator
	// Ready is nil when the service can work: the database answers and its schema is the one that this build expects. It is asked
	// every few seconds and for every /readyz.
	Ready func(context.Context) error
	// Pool reports on the database pool for the metrics; nil for none.
	Pool func() Pool

	// GRPCAddress and RESTAddress are host:port; port 0 takes a free one.
	GRPCAddress, RESTAddress string
	// MetricsAddress is where /metrics is served, without TLS; empty serves it beside REST.
	MetricsAddress string
	// TLS holds the certificate for both listeners; nil means plaintext, which is refused on an address that is not loopback unless
	// AllowPlaintext is set.
	TLS            *tls.Config
	AllowPlaintext bool

	Logger       *slog.Logger
	Registry     *prometheus.Registry
	Now          func() time.Time
	NewRequestID func() string
	Limits       Limits
	// RateLimits bound how many calls are taken; they must be given.
	RateLimits rpc.RateLimits
	// Certificates authenticates payers' systems by their client certificates, which TLS then has to ask for; nil for none.
	Certificates rpc.CertificateAuthenticator
	// Workers run beside the calls, from when calls are served until none is in flight. Each returns soon after its context ends.
	Workers []func(context.Context)
	// PublicLogs lets anybody read the hashes and signed heads of every clinic's log.
	PublicLogs bool
}

// Limits bound what callers may ask of the server; a zero member means the usual value.
type Limits struct {
	// MaxMessage is the largest gRPC message and REST body, in bytes; usually 4 MiB.
	MaxMessage int
	// MaxHeader is the most that the headers of a REST request or the metadata of a call may have, in bytes; usually 32 KiB.
	MaxHeader int
	// DefaultDeadline and MaxDeadline bound a call; usually 15 s and 60 s.
	DefaultDeadline, MaxDeadline time.Duration
	// MaxStreams is how many calls one connection may have at a time; usually 256.
	MaxStreams uint32
	// MaxInFlight is how many calls are worked on at a time, streams apart; usually 256. As many again wait for a second at most.
	MaxInFlight int
}

// Pool is the state of the database pool, in connections.
type Pool struct{ Max, Total, Idle, InUse int }

// Addresses are where the server listens; Metrics is empty when it stands beside REST.
type Addresses struct{ GRPC, REST, Metrics string }

func (l Limits) complete() Limits {
	if l.MaxMessage == 0 {
		l.MaxMessage = rpc.UsualMaxMessage
	}
	if l.MaxHeader == 0 {
		l.MaxHeader = 32 << 10
	}
	if l.DefaultDeadline == 0 {
		l.DefaultDeadline = rpc.UsualDeadline
	}
	if l.MaxDeadline == 0 {
		l.MaxDeadline = rpc.UsualMaxDeadline
	}
	if l.MaxStreams == 0 {
		l.MaxStreams = 256
	}
	if l.MaxInFlight == 0 {
		l.MaxInFlight = rpc.UsualInFlight
	}
	return l
}

// check refuses options under which the server would be unsafe or incomplete.
func (o Options) check() error {
	if o.Ready == nil || o.Logger == nil || o.Registry == nil || o.Now == nil || o.NewRequestID == nil {
		return errors.New("make server: readiness, logger, registry, clock and request ids must be given")
	}
	for name, address := range map[string]string{"gRPC": o.GRPCAddress, "REST": o.RESTAddress} {
		if err := o.checkAddress(name, address, o.TLS != nil); err != nil {
			return err
		}
	}
	if o.MetricsAddress != "" {
		if err := o.checkAddress("metrics", o.MetricsAddress, false); err != nil {
			return err
		}
	}
	return checkTLS(o.TLS)
}

func (o Options) checkAddress(name, address string, encrypted bool) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("read %s address %q: %w", name, address, err)
	}
	if encrypted || o.AllowPlaintext || loopback(host) {
		return nil
	}
	return fmt.Errorf("serve %s on %s: without a certificate only loopback addresses are served, since tokens and people's data would "+
		"cross the network in plaintext; give a certificate, or allow plaintext explicitly behind a proxy that encrypts", name, address)
}

// loopback takes only what cannot be reached from outside: a loopback address, or the name that RFC 6761 reserves for it.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// checkTLS refuses a configuration that could not serve or is too weak.
func checkTLS(c *tls.Config) error {
	if c == nil {
		return nil
	}
	if len(c.Certificates) == 0 && c.GetCertificate == nil && c.GetConfigForClient == nil {
		return errors.New("serve with TLS: there is no certificate")
	}
	for i, certificate := range c.Certificates {
		if len(certificate.Certificate) == 0 || certificate.PrivateKey == nil {
			return fmt.Errorf("serve with TLS: certificate %d has no chain or no private key", i+1)
		}
	}
	if c.ClientAuth == tls.RequestClientCert || c.ClientAuth == tls.RequireAnyClientCert {
		return errors.New("serve with TLS: client certificates must be verified where they are asked for")
	}
	if c.MinVersion != 0 && c.MinVersion < tls.VersionTLS12 {
		return errors.New("serve with TLS: versions before 1.2 are not served")
	}
	return nil
}

// tlsFor is the configuration of one listener with the protocols that it speaks.
func tlsFor(c *tls.Config, protocols ...string) *tls.Config {
	c = c.Clone()
	c.MinVersion = max(c.MinVersion, tls.VersionTLS12)
	c.NextProtos = slices.Clone(protocols)
	return c
}
