package auditlog

import (
	"context"
	"fmt"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// Proof is an entry's proof against a signed head.
type Proof struct {
	Entry      []byte
	Salt       []byte
	Path       [][32]byte
	Checkpoint string
}

// Prove proves an entry, which is there without content and salt where they were erased, against the signed head of the given size (0: of the log as it stands, signed now if it was not; it is stored only in
// a writing transaction). A size of which no checkpoint is stored is NotFound unless it is the log's own, and so is an entry outside it.
func (l *Log) Prove(ctx context.Context, tx *store.Tx, clinicID string, number, size int64) (Proof, error) {
	note, size, root, err := l.signedHead(ctx, tx, clinicID, size)
	if err != nil {
		return Proof{}, fmt.Errorf("prove entry: %w", err)
	}
	if number < 0 || number >= size {
		return Proof{}, fault.New(fault.NotFound, "NOT_FOUND", "there is no such audit entry in the log of that size")
	}
	entry, err := tx.Entry(ctx, number)
	if err != nil {
		return Proof{}, fmt.Errorf("prove entry: %w", err)
	}
	path, err := merkle.InclusionProof(size, number, merkle.NewReader(func(entries []int64) (map[int64][]byte, error) {
		return tx.Nodes(ctx, entries)
	}))
	if err == nil {
		err = merkle.VerifyInclusion(path, size, root, number, leafOf(entry))
	}
	if err != nil {
		return Proof{}, damaged(fmt.Errorf("prove entry %d: %w", number, err))
	}
	return Proof{Entry: entry.Content, Salt: entry.Salt, Path: path, Checkpoint: note}, nil
}

// leafOf is an entry's leaf hash: of what it says, or, where that was erased, the one that it keeps.
func leafOf(e store.EntryRow) merkle.Hash {
	if e.Content == nil && len(e.Nodes) >= merkle.HashSize {
		return merkle.Hash(e.Nodes[:merkle.HashSize])
	}
	return merkle.LeafHash(e.Salt, e.Content)
}

// Checkpoint returns the signed head of the log as it stands, signing it if no stored checkpoint has that size, with the cosignatures that are
// stored for it. A log without entries has no checkpoint: NotFound.
func (l *Log) Checkpoint(ctx context.Context, tx *store.Tx, clinicID string) (note string, size int64, root [32]byte, err error) {
	note, size, root, err = l.signedHead(ctx, tx, clinicID, 0)
	if err == nil {
		note, err = l.cosigned(ctx, tx, note, size)
	}
	if err != nil {
		return "", 0, [32]byte{}, fmt.Errorf("checkpoint: %w", err)
	}
	return note, size, root, nil
}

// signedHead finds the checkpoint of that size, verified, or signs the log's own head.
func (l *Log) signedHead(ctx context.Context, tx *store.Tx, clinicID string, size int64) (string, int64, [32]byte, error) {
	if tx.ClinicID() != clinicID {
		return "", 0, [32]byte{}, fault.New(fault.Internal, "LOG_CLINIC", "an internal error")
	}
	headSize, edge, err := tx.Head(ctx)
	if err != nil {
		return "", 0, [32]byte{}, err
	}
	if size == 0 {
		size = headSize
	}
	if headSize == 0 || size < 0 || size > headSize {
		return "", 0, [32]byte{}, fault.New(fault.NotFound, "NOT_FOUND", "the audit log has no entries, or not so many")
	}
	_, note, err := tx.Checkpoint(ctx, size)
	switch {
	case err == nil:
		return l.opened(clinicID, note, size)
	case !fault.Is(err, fault.NotFound) || size != headSize:
		return "", 0, [32]byte{}, err
	}
	return l.signNow(ctx, tx, clinicID, size, edge)
}

// opened verifies a stored checkpoint before anything is proved against it.
func (l *Log) opened(clinicID, note string, size int64) (string, int64, [32]byte, error) {
	c, err := seal.VerifyCheckpoint(l.ring, l.Origin(clinicID), note)
	if err == nil && c.Size != size {
		err = seal.ErrMalformed
	}
	if err != nil {
		return "", 0, [32]byte{}, damaged(fmt.Errorf("stored checkpoint of size %d: %w", size, err))
	}
	return note, size, c.Root, nil
}

func (l *Log) signNow(ctx context.Context, tx *store.Tx, clinicID string, size int64, edge []byte) (string, int64, [32]byte, error) {
	tree, err := merkle.ParseEdge(size, edge)
	if err != nil {
		return "", 0, [32]byte{}, damaged(err)
	}
	note, err := l.sign(ctx, clinicID, tree)
	if err != nil {
		return "", 0, [32]byte{}, signFault(ctx, err)
	}
	if tx.Writable() {
		if err := tx.SaveCheckpoint(ctx, size, note); err != nil {
			return "", 0, [32]byte{}, err
		}
	}
	return note, size, tree.Root(), nil
}

func damaged(cause error) error {
	return fault.Wrap(fault.Internal, "LOG_DAMAGED", "the audit log does not prove; run the audit check", cause)
}
