package casework

import (
	"context"
	"errors"
	"fmt"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/seal"
)

// signFault tells a signer that cannot be reached now from one that must not be relied on: what it returned does not verify.
func signFault(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("sign result: %w", ctx.Err())
	case errors.Is(err, seal.ErrSigner):
		return fault.Wrap(fault.Unavailable, "SIGNER_UNAVAILABLE", "the result could not be signed now; nothing was stored; try again", err)
	}
	return fault.Wrap(fault.Internal, "SIGNATURE", "the result could not be signed; nothing was stored", err)
}
