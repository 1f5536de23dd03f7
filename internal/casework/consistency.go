package casework

import (
	"context"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/store"
)

// The proofs that whoever follows a log may ask for: hashes and signed heads alone.
type (
	// Consistency proves that a log has only grown between two sizes.
	Consistency = auditlog.Consistency
	// Inclusion proves that a leaf stands in a log.
	Inclusion = auditlog.Inclusion
	// LogTree is a size of a log with its root and, where one was signed, its checkpoint.
	LogTree = auditlog.Tree
)

// GetConsistencyProof proves that the log of newSize (0: as it stands) begins with the log of oldSize. Sizes in the wrong order are refused before
// anything is looked at; a size that the log does not have gets the same NotFound as a log that is not there or not the caller's to follow.
func (c *Casework) GetConsistencyProof(ctx context.Context, p authn.Principal, oldSize, newSize int64) (Consistency, error) {
	switch {
	case oldSize < 1:
		return Consistency{}, fault.InvalidFields([]fault.Violation{{Field: "old_size", Rule: "log.old_size", Text: "the older head has at least one entry"}})
	case newSize != 0 && newSize < oldSize:
		return Consistency{}, fault.InvalidFields([]fault.Violation{{Field: "new_size", Rule: "log.sizes",
			Text: "the newer head is not smaller than the older one: exchange the two sizes, or leave the newer out for the log as it stands"}})
	}
	var got Consistency
	err := c.follow(ctx, p, func(ctx context.Context, tx *store.Tx, clinic string) (err error) {
		got, err = c.log.ProveConsistency(ctx, tx, clinic, oldSize, newSize)
		return err
	})
	if err != nil {
		return Consistency{}, fmt.Errorf("get consistency proof: %w", err)
	}
	return got, nil
}

// GetInclusionProof proves an entry by its leaf hash against the log of a size (0: as it stands). What is not there gets the one NotFound.
func (c *Casework) GetInclusionProof(ctx context.Context, p authn.Principal, number, size int64) (Inclusion, error) {
	var got Inclusion
	err := c.follow(ctx, p, func(ctx context.Context, tx *store.Tx, clinic string) (err error) {
		got, err = c.log.ProveInclusion(ctx, tx, clinic, number, size)
		return err
	})
	if err != nil {
		return Inclusion{}, fmt.Errorf("get inclusion proof: %w", err)
	}
	return got, nil
}

// follow reads a clinic's log for whoever may follow it; of whatever is not there, for whatever reason, the answer is the same.
func (c *Casework) follow(ctx context.Context, p authn.Principal, fn func(ctx context.Context, tx *store.Tx, clinic string) error) error {
	clinic, err := c.followed(ctx, p)
	if err != nil {
		return err
	}
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error { return fn(ctx, tx, clinic) })
	if fault.Is(err, fault.NotFound) {
		return notInLog(err)
	}
	return err
}
