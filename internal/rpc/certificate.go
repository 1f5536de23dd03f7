package rpc

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
)

// CertificateAuthenticator turns a client certificate that TLS has verified into a principal. thumbprint is the SHA-256 of its DER in lower-case
// hexadecimal, as in RFC 8705, section 3 (there base64url). Errors are of the kinds Unauthenticated or Unavailable. It is safe for concurrent use.
type CertificateAuthenticator interface {
	AuthenticateCertificate(ctx context.Context, thumbprint string, notAfter time.Time) (authn.Principal, error)
}

// PeerCertificate describes the client certificate of a connection, for MetaPeerCertificate: its thumbprint and the second of its notAfter. It is empty
// where none was verified, and where it is not meant for clients: the extended key usage clientAuth must be there (RFC 5280, section 4.2.1.12).
func PeerCertificate(state *tls.ConnectionState) string {
	if state == nil || len(state.VerifiedChains) == 0 || len(state.VerifiedChains[0]) == 0 {
		return ""
	}
	leaf := state.VerifiedChains[0][0]
	if !slices.Contains(leaf.ExtKeyUsage, x509.ExtKeyUsageClientAuth) {
		return ""
	}
	sum := sha256.Sum256(leaf.Raw)
	return hex.EncodeToString(sum[:]) + " " + strconv.FormatInt(leaf.NotAfter.Unix(), 10)
}

// certificateOf is what is known of the caller's certificate: on a connection of its own from TLS, on that of the gateway from what it says.
func certificateOf(ctx context.Context) (thumbprint string, notAfter time.Time, ok bool) {
	said := ""
	if inProcess(ctx) {
		if values := metadata.ValueFromIncomingContext(ctx, MetaPeerCertificate); len(values) == 1 {
			said = values[0]
		}
	} else if p, there := peer.FromContext(ctx); there {
		if info, isTLS := p.AuthInfo.(credentials.TLSInfo); isTLS {
			said = PeerCertificate(&info.State)
		}
	}
	thumbprint, seconds, ok := strings.Cut(said, " ")
	unix, err := strconv.ParseInt(seconds, 10, 64)
	return thumbprint, time.Unix(unix, 0), ok && err == nil
}

// byCertificate authenticates a call that came without an authorization, over a connection with a client certificate.
func (a authenticator) byCertificate(ctx context.Context) (p authn.Principal, shown bool, err error) {
	thumbprint, notAfter, ok := certificateOf(ctx)
	if !ok {
		return authn.Principal{}, false, nil
	}
	if a.certificates == nil {
		return authn.Principal{}, true, fault.New(fault.Unauthenticated, "CERTIFICATE_UNKNOWN", "the client certificate is not bound to a payer")
	}
	p, err = a.certificates.AuthenticateCertificate(ctx, thumbprint, notAfter)
	return p, true, err
}
