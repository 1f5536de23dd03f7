// Package merkle is the hashing of the audit logs: RFC 6962 trees on
// golang.org/x/mod/sumdb/tlog, with the right edge of a tree as a value of its
// own, so that an append reads nothing and hashes O(log n).
//
// The package is pure: stored hashes come in through a function.
package merkle

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

// HashSize is the length of every hash here, in bytes.
const HashSize = 32

// MaxSize is the largest tree: entry numbers stay exact in any JSON reader.
const MaxSize = 1<<53 - 1

// Hash is a SHA-256 hash: of a leaf, a subtree or a tree.
type Hash = [HashSize]byte

var (
	// ErrRange: a size or index that no tree has.
	ErrRange = errors.New("merkle: size or index out of range")
	// ErrProof: a proof that does not prove.
	ErrProof = errors.New("merkle: proof does not hold")
	// ErrEdge: bytes that are not the right edge of a tree of that size.
	ErrEdge = errors.New("merkle: malformed right edge")
	// ErrNodes: stored hashes that are missing or of the wrong length.
	ErrNodes = errors.New("merkle: stored hashes missing or malformed")
)

// LeafHash returns SHA-256(0x00 ‖ data), RFC 6962 section 2.1, where data is the
// parts one after another.
func LeafHash(data ...[]byte) Hash {
	h := sha256.New()
	h.Write([]byte{0x00})
	for _, part := range data {
		h.Write(part)
	}
	var sum Hash
	h.Sum(sum[:0])
	return sum
}

// NodeHash returns SHA-256(0x01 ‖ left ‖ right), RFC 6962 section 2.1.
func NodeHash(left, right Hash) Hash { return Hash(tlog.NodeHash(left, right)) }

// EmptyRoot is the root of the tree without leaves: SHA-256 of nothing.
func EmptyRoot() Hash { return sha256.Sum256(nil) }

// InclusionProof returns the audit path, lowest sibling first, of leaf index in
// the tree of that size (RFC 6962, 2.1.1).
func InclusionProof(size, index int64, r tlog.HashReader) ([]Hash, error) {
	if size < 1 || size > MaxSize || index < 0 || index >= size {
		return nil, fmt.Errorf("inclusion proof: %w", ErrRange)
	}
	p, err := tlog.ProveRecord(size, index, r)
	if err != nil {
		return nil, fmt.Errorf("inclusion proof: %w", err)
	}
	return fromTlog(p), nil
}

// VerifyInclusion returns nil if proof shows leaf at index in the tree of that
// size and root, otherwise ErrRange or ErrProof.
func VerifyInclusion(proof []Hash, size int64, root Hash, index int64, leaf Hash) error {
	if size < 1 || size > MaxSize || index < 0 || index >= size {
		return fmt.Errorf("verify inclusion: %w", ErrRange)
	}
	if err := tlog.CheckRecord(toTlog(proof), size, root, index, leaf); err != nil {
		return fmt.Errorf("verify inclusion: %w", ErrProof)
	}
	return nil
}

// ConsistencyProof returns the proof that the tree of newSize begins with the
// tree of oldSize (RFC 6962, 2.1.2). Every tree begins with the empty one, which
// needs no proof: for oldSize 0 it is empty, as it is for equal sizes.
func ConsistencyProof(oldSize, newSize int64, r tlog.HashReader) ([]Hash, error) {
	if oldSize < 0 || oldSize > newSize || newSize > MaxSize {
		return nil, fmt.Errorf("consistency proof: %w", ErrRange)
	}
	if oldSize == 0 {
		return []Hash{}, nil
	}
	p, err := tlog.ProveTree(newSize, oldSize, r)
	if err != nil {
		return nil, fmt.Errorf("consistency proof: %w", err)
	}
	return fromTlog(p), nil
}

// VerifyConsistency returns nil if proof shows that the tree of newSize and
// newRoot begins with the tree of oldSize and oldRoot, otherwise ErrRange or
// ErrProof. The empty tree must have the empty root and needs no proof.
func VerifyConsistency(proof []Hash, oldSize int64, oldRoot Hash, newSize int64, newRoot Hash) error {
	if oldSize < 0 || oldSize > newSize || newSize > MaxSize {
		return fmt.Errorf("verify consistency: %w", ErrRange)
	}
	if oldSize == 0 {
		bothEmpty := newSize > 0 || newRoot == EmptyRoot()
		if len(proof) == 0 && oldRoot == EmptyRoot() && bothEmpty {
			return nil
		}
		return fmt.Errorf("verify consistency: %w", ErrProof)
	}
	if err := tlog.CheckTree(toTlog(proof), newSize, newRoot, oldSize, oldRoot); err != nil {
		return fmt.Errorf("verify consistency: %w", ErrProof)
	}
	return nil
}

func toTlog(proof []Hash) []tlog.Hash {
	out := make([]tlog.Hash, len(proof))
	for i, h := range proof {
		out[i] = h
	}
	return out
}

func fromTlog[P ~[]tlog.Hash](proof P) []Hash {
	out := make([]Hash, len(proof))
	for i, h := range proof {
		out[i] = h
	}
	return out
}

// reversed returns a copy in the opposite order.
func reversed(hashes []Hash) []Hash {
	out := slices.Clone(hashes)
	if out == nil {
		out = []Hash{}
	}
	slices.Reverse(out)
	return out
}
