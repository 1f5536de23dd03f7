package authn

import (
	"context"
	"encoding/json"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// bound are the stored identities that a finder answers with, whatever it is asked for.
type bound struct {
	all  []record.Identity
	body []byte
	err  error
}

func (b bound) FindCertificateIdentity(context.Context, string) ([]store.Row, error) {
	var rows []store.Row
	for _, i := range b.all {
		body, err := json.Marshal(i)
		if err != nil {
			return nil, err
		}
		rows = append(rows, store.Row{Body: body})
	}
	if b.body != nil {
		rows = append(rows, store.Row{Body: b.body})
	}
	return rows, b.err
}

// TestAuthenticateCertificate: only a payer's identity of that certificate, not revoked, in the certificate's time, is anybody.
func TestAuthenticateCertificate(t *testing.T) {
	const print = "ab12"
	good := record.Identity{ID: "i", PayerID: payer, CertificateSHA256: print}
	of := func(change func(*record.Identity)) []record.Identity {
		i := good
		change(&i)
		return []record.Identity{i}
	}
	revoked := of(func(i *record.Identity) { i.Revoked = true })
	down := fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "x")
	for name, tt := range map[string]struct {
		found  bound
		after  time.Duration
		reason string
	}{
		"bound":                      {bound{all: []record.Identity{good}}, 0, ""},
		"bound anew after a revoked": {bound{all: append(revoked, good)}, 0, ""},
		"in its last second":         {bound{all: []record.Identity{good}}, time.Second - time.Nanosecond, ""},
		"after its last second":      {bound{all: []record.Identity{good}}, time.Second, "CERTIFICATE_EXPIRED"},
		"unknown":                    {bound{}, 0, "CERTIFICATE_UNKNOWN"},
		"revoked":                    {bound{all: revoked}, 0, "CERTIFICATE_REVOKED"},
		"another certificate's":      {bound{all: of(func(i *record.Identity) { i.CertificateSHA256 = "ab13" })}, 0, "CERTIFICATE_UNKNOWN"},
		"no payer's":                 {bound{all: of(func(i *record.Identity) { i.PayerID = "" })}, 0, "CERTIFICATE_UNKNOWN"},
		"a clinic's":                 {bound{all: of(func(i *record.Identity) { i.ClinicID = clinic })}, 0, "CERTIFICATE_UNKNOWN"},
		"a member's":                 {bound{all: of(func(i *record.Identity) { i.MemberID = "m" })}, 0, "CERTIFICATE_UNKNOWN"},
		"damaged":                    {bound{body: []byte("{")}, 0, "IDENTITY_DAMAGED"},
		"store down":                 {bound{err: down}, 0, "STORE_UNAVAILABLE"},
	} {
		got, err := NewCertificates(tt.found, at(expiry.Add(tt.after))).AuthenticateCertificate(context.Background(), print, expiry)
		var f *fault.Error
		reason := ""
		if errors.As(err, &f) {
			reason = f.Reason
		}
		want := Principal{}
		if tt.reason == "" {
			want = Principal{TokenID: "i", IdentityID: "i", Label: "client certificate", PayerID: payer, Roles: []record.Role{record.RolePayer}}
		}
		if diff := cmp.Diff(want, got); reason != tt.reason || diff != "" {
			t.Errorf("%s: %v, want %q\n%s", name, err, tt.reason, diff)
		}
	}
}
