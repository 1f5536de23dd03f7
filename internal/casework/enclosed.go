package casework

import (
	"context"
	"io"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// enclosedSaltSize is the length of the salt under which a result commits to its raw trials, in bytes.
const enclosedSaltSize = 32

// signDocument signs a whole document in the form that commits to its raw trials by digest, and keeps them beside it.
func (c *Casework) signDocument(ctx context.Context, doc record.ResultDocument) (store.NewResult, error) {
	salt := make([]byte, enclosedSaltSize)
	if _, err := io.ReadFull(c.rand, salt); err != nil {
		return store.NewResult{}, fault.Wrap(fault.Internal, "RANDOMNESS", "no randomness for the result; nothing was stored", err)
	}
	signed, enclosed, err := bundle.Commit(doc, salt)
	if err != nil {
		return store.NewResult{}, textFault(err)
	}
	payload, err := bundle.Payload(signed)
	if err != nil {
		return store.NewResult{}, textFault(err)
	}
	jws, err := seal.SignJWS(ctx, c.key, payload)
	if err != nil {
		return store.NewResult{}, signFault(ctx, err)
	}
	return store.NewResult{JWS: jws, Enclosed: enclosed, EnclosedSalt: salt}, nil
}

// enclose adds the raw trials to a bundle, checked against what was signed. What does not fit is not shown.
func enclose(ctx context.Context, tx *store.Tx, row store.ResultRow, doc record.ResultDocument, b *Bundle) error {
	b.Format = bundle.FormatOf(doc.Format)
	if doc.Format == record.ResultFormat {
		return nil
	}
	enclosed, salt, err := tx.Enclosed(ctx, row.ID)
	if err != nil {
		return err
	}
	if _, err := bundle.Open(doc, enclosed, salt); err != nil {
		return fault.Wrap(fault.Internal, "STORED_RESULT", "a stored result does not verify; run the audit check", err)
	}
	b.Enclosed, b.EnclosedSalt = string(enclosed), salt
	return nil
}

// withoutTrials is a result as it is shown under a release that does not cover raw trials.
func withoutTrials(v record.Stored[ResultView]) record.Stored[ResultView] {
	b := *v.Value.Bundle
	b.Enclosed, b.EnclosedSalt = "", nil
	v.Value.Bundle = &b
	return v
}
