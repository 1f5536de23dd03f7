package authn

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// CertificateFinder looks up the identities that are bound to a client certificate, newest revision each, as stored now. Safe for concurrent use.
type CertificateFinder interface {
	FindCertificateIdentity(ctx context.Context, sha256 string) ([]store.Row, error)
}

// Certificates turns a client certificate into the principal of a payer's system. Safe for concurrent use.
type Certificates struct {
	identities CertificateFinder
	now        func() time.Time
}

// NewCertificates makes one over a finder and a clock.
func NewCertificates(identities CertificateFinder, now func() time.Time) *Certificates {
	return &Certificates{identities: identities, now: now}
}

// AuthenticateCertificate returns the payer that the certificate is bound to. TLS has verified that the caller holds its key and that an authority
// vouches for it; this is asked at each call, so that a certificate which expires or whose identity is revoked is refused also on a connection
// that stands since before. thumbprint is the SHA-256 of the certificate (DER), in lower-case hexadecimal; notAfter is the last second at which it
// is valid (RFC 5280, section 4.1.2.5).
func (a *Certificates) AuthenticateCertificate(ctx context.Context, thumbprint string, notAfter time.Time) (Principal, error) {
	if !a.now().Before(notAfter.Add(time.Second)) {
		return Principal{}, fault.New(fault.Unauthenticated, "CERTIFICATE_EXPIRED", "the client certificate has expired")
	}
	rows, err := a.identities.FindCertificateIdentity(ctx, thumbprint)
	if err != nil {
		return Principal{}, fmt.Errorf("find the identity of a certificate: %w", err)
	}
	refusal := fault.New(fault.Unauthenticated, "CERTIFICATE_UNKNOWN", "the client certificate is not bound to a payer")
	for _, row := range rows {
		var i record.Identity
		if err := json.Unmarshal(row.Body, &i); err != nil {
			return Principal{}, fault.New(fault.Internal, "IDENTITY_DAMAGED", "an internal error")
		}
		if i.CertificateSHA256 != thumbprint || i.PayerID == "" || i.MemberID != "" || i.ClinicID != "" {
			continue
		}
		if i.Revoked {
			refusal = fault.New(fault.Unauthenticated, "CERTIFICATE_REVOKED", "the binding of the client certificate has been revoked")
			continue
		}
		// There is no token; the identity stands in its place, so that the audit log names what was shown.
		return Principal{TokenID: i.ID, IdentityID: i.ID, Label: "client certificate", PayerID: i.PayerID, Roles: []record.Role{record.RolePayer}}, nil
	}
	return Principal{}, refusal
}
