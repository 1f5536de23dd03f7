package store

import (
	"context"

	"ponderal.example/internal/record"
)

// FindCertificateIdentity returns the identities that are bound to a client certificate, newest revision each: at most one of them is not revoked.
// Such identities are payers' and stand in the network's own records, so that no clinic needs to be known. sha256 is the certificate's
// (DER), in lower-case hexadecimal. There may be none.
func (s *Store) FindCertificateIdentity(ctx context.Context, sha256 string) (rows []Row, err error) {
	err = s.ReadClinic(ctx, record.NetworkClinic, func(tx *Tx) error {
		rows, err = tx.IdentitiesByCertificate(ctx, sha256)
		return err
	})
	return rows, err
}
