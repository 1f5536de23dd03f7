package casework

import (
	"bytes"
	"context"
	"fmt"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/store"
)

// GetLogCheckpoint returns the signed head of a clinic's log as it stands, for whoever may follow the log. A clinic that is not there, one whose log
// is empty and one of which the payer has never got a result are the same NotFound.
func (c *Casework) GetLogCheckpoint(ctx context.Context, p authn.Principal) (string, error) {
	clinic, err := c.followed(ctx, p)
	if err != nil {
		return "", fmt.Errorf("get log checkpoint: %w", err)
	}
	var note string
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		note, _, _, err = c.log.Checkpoint(ctx, tx, clinic)
		return err
	})
	if fault.Is(err, fault.NotFound) {
		err = notInLog(err)
	}
	if err != nil {
		return "", fmt.Errorf("get log checkpoint: %w", err)
	}
	return note, nil
}

// GetLogTile returns the hashes of a tile (C2SP tlog-tiles), 32 bytes each, of the log as it stands; path is what follows `tile/`. Of whatever is
// not there, for whatever reason, it answers the same NotFound as GetLogCheckpoint.
func (c *Casework) GetLogTile(ctx context.Context, p authn.Principal, path string) ([]byte, error) {
	clinic, err := c.followed(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("get log tile: %w", err)
	}
	tile, err := merkle.ParseTile(path)
	if err != nil {
		return nil, notInLog(err)
	}
	var hashes []byte
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		hashes, err = readTile(ctx, tx, tile)
		return err
	})
	if fault.Is(err, fault.NotFound) {
		err = notInLog(err)
	}
	if err != nil {
		return nil, fmt.Errorf("get log tile: %w", err)
	}
	return hashes, nil
}

func readTile(ctx context.Context, tx *store.Tx, tile merkle.Tile) ([]byte, error) {
	size, _, err := tx.Head(ctx)
	if err != nil {
		return nil, err
	}
	if !tile.Exists(size) {
		return nil, notInLog(nil)
	}
	entries, position := tile.Places()
	hashes, err := tx.NodesAt(ctx, entries, position)
	if err != nil {
		return nil, err
	}
	joined := bytes.Join(hashes, nil)
	if len(hashes) != tile.Width || len(joined) != tile.Width*merkle.HashSize {
		return nil, fault.Wrap(fault.Internal, "LOG_DAMAGED", "the audit log does not prove; run the audit check",
			fmt.Errorf("tile %s: %w", tile.Path(), merkle.ErrNodes))
	}
	return joined, nil
}

// followed is the clinic whose log the principal may follow. A payer follows the clinics that released a result to it.
func (c *Casework) followed(ctx context.Context, p authn.Principal) (string, error) {
	clinic, err := clinicOf(p)
	if err != nil || p.PayerID == "" {
		return clinic, err
	}
	released, err := c.store.HasReleased(ctx, p.PayerID, clinic)
	if err != nil {
		return "", err
	}
	if !released {
		return "", notInLog(nil)
	}
	return clinic, nil
}

func notInLog(cause error) error {
	return fault.Wrap(fault.NotFound, "NOT_IN_LOG", "there is no such log, or it has no such tile, entry or size", cause)
}
