package auditcheck

import (
	"math/bits"

	"ponderal.example/internal/merkle"
)

// subtree is one full subtree of the tree's right edge. Where what is stored contradicts itself it has two candidate hashes, so that a
// cause is reported once and not again by everything that is built on it; where an entry is gone it may have none.
type subtree struct {
	hashes []merkle.Hash
}

func (s subtree) has(h merkle.Hash) bool {
	for _, c := range s.hashes {
		if c == h {
			return true
		}
	}
	return false
}

// maxRoots bounds the roots that candidates combine to.
const maxRoots = 64

// tree is rebuilt from leaves while the log is read. The zero tree is empty.
type tree struct {
	size int64
	edge []subtree
}

// leaf adds an entry: the candidates of its leaf hash, and the hashes of larger subtrees that its row keeps, smallest first. It returns the
// numbers of the levels, from 1, at which the kept hash is none that follows from the entries.
func (t *tree) leaf(candidates []merkle.Hash, kept []merkle.Hash) (wrong []int) {
	last := subtree{hashes: candidates}
	for level := 1; level <= bits.TrailingZeros64(uint64(t.size+1)); level++ {
		left := t.edge[len(t.edge)-1]
		t.edge = t.edge[:len(t.edge)-1]
		computed := combine(left, last)
		switch {
		case level > len(kept):
			last = subtree{hashes: computed}
		case len(computed) == 0 || (subtree{hashes: computed}).has(kept[level-1]):
			last = subtree{hashes: kept[level-1 : level : level]}
		default:
			wrong = append(wrong, level)
			last = subtree{hashes: []merkle.Hash{computed[0], kept[level-1]}}
		}
	}
	t.edge = append(t.edge, last)
	t.size++
	return wrong
}

// roots are all root hashes that the candidates allow; none when part of the tree is gone.
func (t *tree) roots() []merkle.Hash {
	if len(t.edge) == 0 {
		return []merkle.Hash{merkle.EmptyRoot()}
	}
	root := t.edge[len(t.edge)-1]
	for i := len(t.edge) - 2; i >= 0; i-- {
		root = subtree{hashes: combine(t.edge[i], root)}
	}
	return root.hashes
}

// fits reports whether the bytes are the tree's right edge. A part that is gone fits anything.
func (t *tree) fits(edge []byte) bool {
	if len(edge) != len(t.edge)*merkle.HashSize {
		return false
	}
	for i, s := range t.edge {
		if len(s.hashes) > 0 && !s.has(merkle.Hash(edge[i*merkle.HashSize:(i+1)*merkle.HashSize])) {
			return false
		}
	}
	return true
}

func combine(left, right subtree) []merkle.Hash {
	var out []merkle.Hash
	for _, l := range left.hashes {
		for _, r := range right.hashes {
			if len(out) == maxRoots {
				return out
			}
			out = append(out, merkle.NodeHash(l, r))
		}
	}
	return out
}

// split reads an entry's kept hashes; ok is false when they are not as many as the entry completes.
func split(entry int64, nodes []byte) (hashes []merkle.Hash, ok bool) {
	if len(nodes) != merkle.NodeCount(entry)*merkle.HashSize {
		return nil, false
	}
	for ; len(nodes) > 0; nodes = nodes[merkle.HashSize:] {
		hashes = append(hashes, merkle.Hash(nodes[:merkle.HashSize]))
	}
	return hashes, true
}
