package merkle

import (
	"fmt"
	"math/bits"
	"slices"
)

// Edge is the right edge of a tree: its size and the hashes of the full subtrees
// that make it up, largest first, one for each 1 in the binary size. It is
// all that an append needs. The zero Edge is the empty tree.
//
// Wire form: the hashes one after another, 32 bytes each; the size stands beside it.
type Edge struct {
	size   int64
	hashes []Hash
}

// ParseEdge reads what MarshalBinary wrote for a tree of that size. Any other
// length is ErrEdge. That the hashes belong to the log is for the caller to
// know, by comparing Root with a checkpoint.
func ParseEdge(size int64, b []byte) (Edge, error) {
	if size < 0 || size > MaxSize {
		return Edge{}, fmt.Errorf("parse edge: %w", ErrRange)
	}
	n := bits.OnesCount64(uint64(size))
	if len(b) != n*HashSize {
		return Edge{}, fmt.Errorf("parse edge: %w", ErrEdge)
	}
	e := Edge{size: size, hashes: make([]Hash, n)}
	for i := range e.hashes {
		e.hashes[i] = Hash(b[i*HashSize : (i+1)*HashSize])
	}
	return e, nil
}

// MarshalBinary returns the hashes, largest subtree first. It never fails.
func (e Edge) MarshalBinary() ([]byte, error) {
	b := make([]byte, 0, len(e.hashes)*HashSize)
	for _, h := range e.hashes {
		b = append(b, h[:]...)
	}
	return b, nil
}

// Size returns how many leaves the tree has.
func (e Edge) Size() int64 { return e.size }

// Clone returns an independent copy.
func (e Edge) Clone() Edge { return Edge{size: e.size, hashes: slices.Clone(e.hashes)} }

// Append adds a leaf by its hash. It returns the nodes that this completes: the
// leaf hash, then the hash of each subtree that ends with it, smallest first.
// They are what golang.org/x/mod/sumdb/tlog calls the stored hashes of the
// entry. The error is ErrRange for a tree that is full.
func (e *Edge) Append(leaf Hash) (nodes []Hash, err error) {
	if e.size >= MaxSize {
		return nil, fmt.Errorf("append: %w", ErrRange)
	}
	completed := bits.TrailingZeros64(uint64(e.size + 1))
	nodes = make([]Hash, 1, completed+1)
	nodes[0] = leaf
	rest := e.hashes
	for range completed {
		last := len(rest) - 1
		nodes = append(nodes, NodeHash(rest[last], nodes[len(nodes)-1]))
		rest = rest[:last]
	}
	// A new slice: an edge copied by value before stays what it was.
	e.hashes = append(slices.Clip(rest), nodes[completed])
	e.size++
	return nodes, nil
}

// Root returns the tree's root hash (RFC 6962, 2.1).
func (e Edge) Root() Hash {
	if len(e.hashes) == 0 {
		return EmptyRoot()
	}
	last := len(e.hashes) - 1
	root := e.hashes[last]
	for i := last - 1; i >= 0; i-- {
		root = NodeHash(e.hashes[i], root)
	}
	return root
}

// LastLeafProof returns the inclusion proof of the leaf appended to the tree
// whose edge was before, in the tree just one larger. Every sibling on that
// path is one of the full subtrees of the edge, so nothing is read.
func LastLeafProof(before Edge) []Hash { return reversed(before.hashes) }

// JoinNodes puts an entry's nodes one after another: the form in which a row
// keeps them and Reader reads them.
func JoinNodes(nodes []Hash) []byte {
	b := make([]byte, 0, len(nodes)*HashSize)
	for _, h := range nodes {
		b = append(b, h[:]...)
	}
	return b
}
