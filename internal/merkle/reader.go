package merkle

import (
	"fmt"
	"math/bits"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

// NodePosition says where a stored hash stands, by its index in tlog's order:
// in the nodes of which entry, at which position. That entry is the last leaf of
// the subtree and the position its level, 0 for the leaf hash. A negative index
// has no place and gives -1, -1.
func NodePosition(storedIndex int64) (entry int64, level int) {
	if storedIndex < 0 {
		return -1, -1
	}
	level, n := tlog.SplitStoredHashIndex(storedIndex)
	return (n+1)<<level - 1, level
}

// NodeCount is how many nodes an entry completes: its leaf and each subtree
// whose last leaf it is.
func NodeCount(entry int64) int { return 1 + bits.TrailingZeros64(uint64(entry+1)) }

// Fetch returns the nodes of each of the entries, as JoinNodes wrote them.
// The entries are ascending and distinct. A missing key is an error of Reader's.
type Fetch func(entries []int64) (map[int64][]byte, error)

// Reader reads stored hashes through a Fetch, asking once for each proof. It
// implements tlog.HashReader.
type Reader struct {
	fetch Fetch
}

// NewReader returns a Reader over fetch.
func NewReader(fetch Fetch) Reader { return Reader{fetch: fetch} }

// ReadHashes implements tlog.HashReader. Nodes that are missing or not exactly as
// many as the entry completes are ErrNodes, naming the entry.
func (r Reader) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	entries := make([]int64, 0, len(indexes))
	for _, index := range indexes {
		if index < 0 || index > tlog.StoredHashCount(MaxSize) {
			return nil, fmt.Errorf("read hashes: %w", ErrRange)
		}
		entry, _ := NodePosition(index)
		entries = append(entries, entry)
	}
	slices.Sort(entries)
	nodes, err := r.fetch(slices.Compact(entries))
	if err != nil {
		return nil, fmt.Errorf("read hashes: %w", err)
	}
	hashes := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		entry, level := NodePosition(index)
		row := nodes[entry]
		if len(row) != NodeCount(entry)*HashSize {
			return nil, fmt.Errorf("read hashes: entry %d: %w", entry, ErrNodes)
		}
		hashes[i] = tlog.Hash(row[level*HashSize : (level+1)*HashSize])
	}
	return hashes, nil
}
