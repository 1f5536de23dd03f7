package merkle

import (
	"errors"
	"fmt"
	"testing"
)

// verifiedBySpec is the algorithm of RFC 9162, section 2.1.4.2 ("Verifying Consistency between Two Tree Heads"), step by step as it is printed, so
// that proofs are held against the text of the standard and not only against the library that made them.
func verifiedBySpec(first, second int64, firstHash, secondHash Hash, path []Hash) error {
	if first == second {
		if len(path) == 0 && firstHash == secondHash {
			return nil
		}
		return errors.New("equal sizes, other hashes or a path")
	}
	if len(path) == 0 { // step 1
		return errors.New("step 1: the path is empty")
	}
	if first&(first-1) == 0 { // step 2
		path = append([]Hash{firstHash}, path...)
	}
	fn, sn := first-1, second-1 // step 3
	for fn&1 == 1 {             // step 4
		fn, sn = fn>>1, sn>>1
	}
	fr, sr := path[0], path[0]   // step 5
	for _, c := range path[1:] { // step 6
		if sn == 0 {
			return errors.New("step 6: the path is too long")
		}
		if fn&1 == 1 || fn == sn {
			fr, sr = NodeHash(c, fr), NodeHash(c, sr)
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			sr = NodeHash(sr, c)
		}
		fn, sn = fn>>1, sn>>1
	}
	if fr != firstHash || sr != secondHash || sn != 0 { // step 7
		return errors.New("step 7: a hash differs or the path is too short")
	}
	return nil
}

// grown is a log of so many entries with its root at every size.
func grown(t *testing.T, entries int, mark string) (*log, []Hash) {
	l, roots := newLog(), []Hash{EmptyRoot()}
	for i := range entries {
		l.append(t, LeafHash(fmt.Appendf(nil, "%s %d", mark, i)))
		roots = append(roots, l.edge.Root())
	}
	return l, roots
}

// TestConsistencyByTheStandardsOwnWords: for every pair of sizes the stored hashes give the root that the tree had and a proof that RFC 9162 takes;
// it takes none for another tree, nor sizes the wrong way round, nor a proof that was altered.
func TestConsistencyByTheStandardsOwnWords(t *testing.T) {
	const most = 35
	l, roots := grown(t, most, "entry")
	_, others := grown(t, most, "another log's entry")
	for newer := int64(1); newer <= most; newer++ {
		if got, err := RootAt(newer, l.reader()); err != nil || got != roots[newer] {
			t.Errorf("root of size %d: %x, %v", newer, got, err)
		}
		for older := int64(1); older <= newer; older++ {
			path, err := ConsistencyProof(older, newer, l.reader())
			if err != nil {
				t.Fatal(err)
			}
			if err := verifiedBySpec(older, newer, roots[older], roots[newer], path); err != nil {
				t.Errorf("%d in %d: %v", older, newer, err)
			}
			for name, bad := range map[string]struct {
				older, newer int64
				from, to     Hash
			}{
				"another older tree": {older, newer, others[older], roots[newer]}, "another newer tree": {older, newer, roots[older], others[newer]},
				"the wrong way round": {newer, older, roots[newer], roots[older]},
			} {
				if name == "the wrong way round" && older == newer {
					continue
				}
				if VerifyConsistency(path, bad.older, bad.from, bad.newer, bad.to) == nil {
					t.Errorf("%d in %d, %s: it was taken", older, newer, name)
				}
			}
			for i := range path {
				bent := altered(path, i)
				if VerifyConsistency(bent, older, roots[older], newer, roots[newer]) == nil || verifiedBySpec(older, newer, roots[older], roots[newer], bent) == nil {
					t.Errorf("%d in %d with hash %d altered: it was taken", older, newer, i)
				}
			}
		}
	}
}

func TestRootAt(t *testing.T) {
	l, _ := grown(t, 4, "entry")
	if got, err := RootAt(0, l.reader()); err != nil || got != EmptyRoot() {
		t.Errorf("of the empty tree: %x, %v", got, err)
	}
	for _, size := range []int64{-1, MaxSize + 1} {
		if _, err := RootAt(size, l.reader()); !errors.Is(err, ErrRange) {
			t.Errorf("size %d: %v", size, err)
		}
	}
	if _, err := RootAt(5, l.reader()); !errors.Is(err, ErrNodes) {
		t.Errorf("beyond the log: %v", err)
	}
}
