package auditlog

import (
	"context"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// maxCosignatures is how many cosignatures a served checkpoint carries at most: readers of signed notes take a hundred signatures in all.
const maxCosignatures = 64

// Tree is a size of a log with its root, and the signed note of that size, with its cosignatures, where one is stored or the size is the log's own;
// otherwise Checkpoint is empty, for nobody signed that size.
type Tree struct {
	Size       int64
	Root       [32]byte
	Checkpoint string
}

// Consistency is the proof that the newer tree begins with the older one (RFC 6962, section 2.1.2).
type Consistency struct {
	Old, New Tree
	Path     [][32]byte
}

// Inclusion is the proof that a leaf stands in a tree, by its hash alone (RFC 6962, section 2.1.1).
type Inclusion struct {
	Number   int64
	LeafHash [32]byte
	Tree     Tree
	Path     [][32]byte
}

// ProveConsistency proves that the log of a size begins with the log of an older one; size 0 stands for the log as it is. Sizes below 1 or in the
// wrong order are for the caller to refuse; one that the log does not have is NotFound. The proof is verified before it is returned, and so is a
// stored checkpoint: what does not hold is an Internal fault that asks for the audit check.
func (l *Log) ProveConsistency(ctx context.Context, tx *store.Tx, clinicID string, oldSize, newSize int64) (Consistency, error) {
	var c Consistency
	var err error
	if c.New, err = l.treeAt(ctx, tx, clinicID, newSize); err != nil {
		return Consistency{}, fmt.Errorf("prove consistency: %w", err)
	}
	if oldSize < 1 || oldSize > c.New.Size {
		return Consistency{}, fmt.Errorf("prove consistency: %w", noSize())
	}
	if c.Old, err = l.treeAt(ctx, tx, clinicID, oldSize); err != nil {
		return Consistency{}, fmt.Errorf("prove consistency: %w", err)
	}
	c.Path, err = merkle.ConsistencyProof(oldSize, c.New.Size, nodesOf(ctx, tx))
	if err == nil {
		err = merkle.VerifyConsistency(c.Path, oldSize, c.Old.Root, c.New.Size, c.New.Root)
	}
	if err != nil {
		return Consistency{}, readFault(fmt.Errorf("prove consistency of %d with %d: %w", oldSize, c.New.Size, err))
	}
	return c, nil
}

// ProveInclusion proves an entry by its leaf hash in the log of a size, 0 for the log as it is. An entry outside it, or a size that the log does not
// have, is NotFound.
func (l *Log) ProveInclusion(ctx context.Context, tx *store.Tx, clinicID string, number, size int64) (Inclusion, error) {
	tree, err := l.treeAt(ctx, tx, clinicID, size)
	if err != nil {
		return Inclusion{}, fmt.Errorf("prove inclusion: %w", err)
	}
	if number < 0 || number >= tree.Size {
		return Inclusion{}, fmt.Errorf("prove inclusion: %w", noSize())
	}
	i := Inclusion{Number: number, Tree: tree}
	reader := nodesOf(ctx, tx)
	leaf, err := reader.ReadHashes([]int64{tlog.StoredHashIndex(0, number)})
	if err != nil {
		return Inclusion{}, readFault(fmt.Errorf("prove inclusion of %d: %w", number, err))
	}
	i.LeafHash = leaf[0]
	i.Path, err = merkle.InclusionProof(tree.Size, number, reader)
	if err == nil {
		err = merkle.VerifyInclusion(i.Path, tree.Size, tree.Root, number, i.LeafHash)
	}
	if err != nil {
		return Inclusion{}, readFault(fmt.Errorf("prove inclusion of %d in %d: %w", number, tree.Size, err))
	}
	return i, nil
}

// treeAt is the tree of a size, 0 for the log as it is. A checkpoint that is stored and signs another root than that of the entries is a fault.
func (l *Log) treeAt(ctx context.Context, tx *store.Tx, clinicID string, size int64) (Tree, error) {
	if tx.ClinicID() != clinicID {
		return Tree{}, fault.New(fault.Internal, "LOG_CLINIC", "an internal error")
	}
	head, _, err := tx.Head(ctx)
	switch {
	case err != nil:
		return Tree{}, err
	case size < 0 || size > head || head == 0:
		return Tree{}, noSize()
	case size == 0:
		size = head
	}
	root, err := merkle.RootAt(size, nodesOf(ctx, tx))
	if err != nil {
		return Tree{}, readFault(fmt.Errorf("root of size %d: %w", size, err))
	}
	note, _, signed, err := l.signedHead(ctx, tx, clinicID, size)
	if fault.Is(err, fault.NotFound) {
		return Tree{Size: size, Root: root}, nil
	}
	if err == nil && signed != root {
		err = damaged(fmt.Errorf("the checkpoint of size %d signs another root than that of the stored hashes", size))
	}
	if err == nil {
		note, err = l.cosigned(ctx, tx, note, size)
	}
	return Tree{Size: size, Root: root, Checkpoint: note}, err
}

// SignedHead is Checkpoint without cosignatures: what a witness is asked to sign. In a writing transaction it is stored.
func (l *Log) SignedHead(ctx context.Context, tx *store.Tx, clinicID string) (note string, size int64, err error) {
	note, size, _, err = l.signedHead(ctx, tx, clinicID, 0)
	return note, size, err
}

// cosigned adds the cosignatures that are stored for a size. They were verified before they were stored; readers verify them with keys of their own.
func (l *Log) cosigned(ctx context.Context, tx *store.Tx, note string, size int64) (string, error) {
	rows, err := tx.Cosignatures(ctx, size, maxCosignatures)
	if err != nil {
		return "", err
	}
	lines := make([]string, len(rows))
	for i, row := range rows {
		lines[i] = row.Line
	}
	return seal.AddCosignatures(note, lines...), nil
}

func nodesOf(ctx context.Context, tx *store.Tx) merkle.Reader {
	return merkle.NewReader(func(entries []int64) (map[int64][]byte, error) { return tx.Nodes(ctx, entries) })
}

// readFault keeps what the store says of itself, that it is not to be reached for example; anything else that keeps hashes from being read, or a
// proof from holding, is damage.
func readFault(err error) error {
	if fault.KindOf(err) != fault.Internal {
		return err
	}
	return damaged(err)
}

func noSize() error {
	return fault.New(fault.NotFound, "NOT_IN_LOG", "the log is not that long")
}
