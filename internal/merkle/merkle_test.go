package merkle

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/tlog"
)

// vectors is testdata/reference/10_merkle_rfc6962.json: RFC 6962 and RFC 9162,
// section 2.1 of both (S110, S111), and the Certificate Transparency reference
// test data (S112).
type vectors struct {
	EmptyRoot  string   `json:"empty_root"`
	Leaves     []string `json:"leaves_hex"`
	LeafHashes []string `json:"leaf_hashes_hex"`
	Roots      []string `json:"roots_by_size_0_to_8"`
	Inclusion  []struct {
		LeafIndex int64  `json:"leaf_index"`
		TreeSize  int64  `json:"tree_size"`
		LeafHash  string `json:"leaf_hash"`
		Root      string
		Path      []string
	} `json:"inclusion_proofs"`
	Consistency []struct {
		Size1, Size2 int64
		Root1, Root2 string
		Proof        []string
	} `json:"consistency_proofs"`
}

func loadVectors(t testing.TB) vectors {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", "10_merkle_rfc6962.json"))
	if err != nil {
		t.Fatal(err)
	}
	var v vectors
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Leaves) != 8 || len(v.LeafHashes) != 8 || len(v.Roots) != 9 || len(v.Inclusion) != 5 || len(v.Consistency) != 5 {
		t.Fatal("the vectors are not all there")
	}
	return v
}

func unhexed(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func hashes(t testing.TB, list ...string) []Hash {
	t.Helper()
	out := make([]Hash, len(list))
	for i, s := range list {
		out[i] = Hash(unhexed(t, s))
	}
	return out
}

// log is a log in memory: what each entry row would keep.
type log struct {
	edge Edge
	rows map[int64][]byte
}

func (l *log) append(t testing.TB, leaf Hash) {
	t.Helper()
	nodes, err := l.edge.Append(leaf)
	if err != nil {
		t.Fatal(err)
	}
	l.rows[l.edge.Size()-1] = JoinNodes(nodes)
}

func (l *log) reader() Reader {
	return NewReader(func(entries []int64) (map[int64][]byte, error) {
		out := make(map[int64][]byte, len(entries))
		for _, e := range entries {
			out[e] = l.rows[e]
		}
		return out, nil
	})
}

func newLog() *log { return &log{rows: map[int64][]byte{}} }

func vectorLog(t testing.TB, v vectors) *log {
	t.Helper()
	l := newLog()
	for _, leaf := range v.Leaves {
		l.append(t, LeafHash(unhexed(t, leaf)))
	}
	return l
}

func TestHashesOfRFC6962(t *testing.T) {
	v := loadVectors(t)
	if got := EmptyRoot(); got != hashes(t, v.EmptyRoot)[0] {
		t.Errorf("empty root %x, want %s", got, v.EmptyRoot)
	}
	var edge Edge
	for i, leaf := range v.Leaves {
		data := unhexed(t, leaf)
		got := LeafHash(data)
		if want := hashes(t, v.LeafHashes[i])[0]; got != want {
			t.Errorf("leaf %d: %x, want %x", i, got, want)
		}
		if split := LeafHash(data[:len(data)/2], data[len(data)/2:]); split != got {
			t.Errorf("leaf %d: in two parts %x, want %x", i, split, got)
		}
		checkRoot(t, edge, v.Roots[i])
		if _, err := edge.Append(got); err != nil {
			t.Fatal(err)
		}
	}
	checkRoot(t, edge, v.Roots[8])
}

func checkRoot(t *testing.T, e Edge, want string) {
	t.Helper()
	if got := e.Root(); got != hashes(t, want)[0] {
		t.Errorf("root of size %d: %x, want %s", e.Size(), got, want)
	}
}

func TestInclusionProofsOfRFC6962(t *testing.T) {
	v := loadVectors(t)
	l := vectorLog(t, v)
	for _, p := range v.Inclusion {
		want, leaf, root := hashes(t, p.Path...), hashes(t, p.LeafHash)[0], hashes(t, p.Root)[0]
		got, err := InclusionProof(p.TreeSize, p.LeafIndex, l.reader())
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("leaf %d of %d: (-want +got)\n%s", p.LeafIndex, p.TreeSize, d)
		}
		if err := VerifyInclusion(want, p.TreeSize, root, p.LeafIndex, leaf); err != nil {
			t.Errorf("leaf %d of %d: %v", p.LeafIndex, p.TreeSize, err)
		}
	}
}

func TestConsistencyProofsOfRFC6962(t *testing.T) {
	v := loadVectors(t)
	l := vectorLog(t, v)
	for _, p := range v.Consistency {
		want, roots := hashes(t, p.Proof...), hashes(t, p.Root1, p.Root2)
		got, err := ConsistencyProof(p.Size1, p.Size2, l.reader())
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%d in %d: (-want +got)\n%s", p.Size1, p.Size2, d)
		}
		if err := VerifyConsistency(want, p.Size1, roots[0], p.Size2, roots[1]); err != nil {
			t.Errorf("%d in %d: %v", p.Size1, p.Size2, err)
		}
	}
}

// TestAlteredProofsFail alters, in each published proof, every hash in turn, and
// the leaf, roots, sizes and length.
func TestAlteredProofsFail(t *testing.T) {
	v := loadVectors(t)
	for _, p := range v.Inclusion {
		path, leaf, root := hashes(t, p.Path...), hashes(t, p.LeafHash)[0], hashes(t, p.Root)[0]
		verify := func(path []Hash, root, leaf Hash) error {
			return VerifyInclusion(path, p.TreeSize, root, p.LeafIndex, leaf)
		}
		for i := range path {
			wantProof(t, verify(altered(path, i), root, leaf))
		}
		wantProof(t, verify(path, altered([]Hash{root}, 0)[0], leaf))
		wantProof(t, verify(path, root, altered([]Hash{leaf}, 0)[0]))
		wantProof(t, verify(append(path, root), root, leaf))
		if len(path) > 0 {
			wantProof(t, verify(path[1:], root, leaf))
		}
	}
	for _, p := range v.Consistency {
		proof, roots := hashes(t, p.Proof...), hashes(t, p.Root1, p.Root2)
		verify := func(proof []Hash, root1, root2 Hash) error {
			return VerifyConsistency(proof, p.Size1, root1, p.Size2, root2)
		}
		for i := range proof {
			wantProof(t, verify(altered(proof, i), roots[0], roots[1]))
		}
		wantProof(t, verify(proof, altered(roots, 0)[0], roots[1]))
		wantProof(t, verify(proof, roots[0], altered(roots, 1)[1]))
		wantProof(t, verify(append(proof, roots[0]), roots[0], roots[1]))
	}
}

func altered(list []Hash, i int) []Hash {
	out := append([]Hash{}, list...)
	out[i][7] ^= 0x10
	return out
}

func wantProof(t *testing.T, err error) {
	t.Helper()
	if !errors.Is(err, ErrProof) {
		t.Errorf("error %v, want ErrProof", err)
	}
}

func TestOutOfRange(t *testing.T) {
	v := loadVectors(t)
	r := vectorLog(t, v).reader()
	root := hashes(t, v.Roots[8])[0]
	for _, c := range [][2]int64{{0, 0}, {-1, 0}, {8, 8}, {8, -1}, {MaxSize + 1, 0}} {
		if _, err := InclusionProof(c[0], c[1], r); !errors.Is(err, ErrRange) {
			t.Errorf("inclusion of %d in %d: %v, want ErrRange", c[1], c[0], err)
		}
		if err := VerifyInclusion(nil, c[0], root, c[1], root); !errors.Is(err, ErrRange) {
			t.Errorf("verify inclusion of %d in %d: %v, want ErrRange", c[1], c[0], err)
		}
	}
	for _, c := range [][2]int64{{-1, 8}, {8, 7}, {1, MaxSize + 1}} {
		if _, err := ConsistencyProof(c[0], c[1], r); !errors.Is(err, ErrRange) {
			t.Errorf("consistency of %d in %d: %v, want ErrRange", c[0], c[1], err)
		}
		if err := VerifyConsistency(nil, c[0], root, c[1], root); !errors.Is(err, ErrRange) {
			t.Errorf("verify consistency of %d in %d: %v, want ErrRange", c[0], c[1], err)
		}
	}
}

func TestEveryTreeBeginsWithTheEmptyOne(t *testing.T) {
	v := loadVectors(t)
	root := hashes(t, v.Roots[8])[0]
	proof, err := ConsistencyProof(0, 8, vectorLog(t, v).reader())
	if err != nil || len(proof) != 0 {
		t.Errorf("proof %v, %v, want an empty one", proof, err)
	}
	for _, ok := range []error{
		VerifyConsistency(nil, 0, EmptyRoot(), 8, root),
		VerifyConsistency(nil, 0, EmptyRoot(), 0, EmptyRoot()),
	} {
		if ok != nil {
			t.Error(ok)
		}
	}
	wantProof(t, VerifyConsistency(nil, 0, root, 8, root))
	wantProof(t, VerifyConsistency([]Hash{root}, 0, EmptyRoot(), 8, root))
	wantProof(t, VerifyConsistency(nil, 0, EmptyRoot(), 0, root))
}

// TestEveryProofOfSmallTrees makes and verifies every proof of every tree up to
// 40 leaves, against roots that tlog computes.
func TestEveryProofOfSmallTrees(t *testing.T) {
	l := newLog()
	roots := []Hash{EmptyRoot()}
	for n := int64(1); n <= 40; n++ {
		l.append(t, LeafHash([]byte{byte(n)}))
		root, err := tlog.TreeHash(n, l.reader())
		if err != nil {
			t.Fatal(err)
		}
		roots = append(roots, Hash(root))
		for i := range n {
			p, err := InclusionProof(n, i, l.reader())
			if err != nil {
				t.Fatal(err)
			}
			if err := VerifyInclusion(p, n, roots[n], i, LeafHash([]byte{byte(i + 1)})); err != nil {
				t.Errorf("leaf %d of %d: %v", i, n, err)
			}
			wantProof(t, VerifyInclusion(p, n, roots[n], i, LeafHash([]byte{byte(i + 2)})))
		}
		for old := range n + 1 {
			p, err := ConsistencyProof(old, n, l.reader())
			if err != nil {
				t.Fatal(err)
			}
			if err := VerifyConsistency(p, old, roots[old], n, roots[n]); err != nil {
				t.Errorf("%d in %d: %v", old, n, err)
			}
		}
	}
}
