package merkle

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/tlog"
)

// stored is tlog's own storage, written by tlog alone: the check on Edge.
type stored []tlog.Hash

func (s stored) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		if index >= int64(len(s)) {
			return nil, fmt.Errorf("hash %d is not stored", index)
		}
		out[i] = s[index]
	}
	return out, nil
}

func leafNumber(n int64) Hash { return LeafHash(binary.BigEndian.AppendUint64(nil, uint64(n))) }

func TestEdgeAgainstTlog(t *testing.T) {
	var edge Edge
	var all stored
	for n := range int64(300) {
		checkEdge(t, edge, all)
		before := edge.Clone()
		leaf := leafNumber(n)
		want, err := tlog.StoredHashesForRecordHash(n, tlog.Hash(leaf), all)
		if err != nil {
			t.Fatal(err)
		}
		got, err := edge.Append(leaf)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(fromTlog(want), got); d != "" {
			t.Fatalf("nodes of entry %d: (-want +got)\n%s", n, d)
		}
		if len(got) != NodeCount(n) {
			t.Errorf("entry %d: NodeCount %d, want %d", n, NodeCount(n), len(got))
		}
		checkPositions(t, n, int64(len(all)), len(got))
		all = append(all, want...)
		checkLastLeaf(t, before, edge, all, leaf)
	}
	checkEdge(t, edge, all)
}

// checkEdge holds an edge against tlog's root and against its own wire form.
func checkEdge(t *testing.T, e Edge, all stored) {
	t.Helper()
	want, err := tlog.TreeHash(e.Size(), all)
	if err != nil {
		t.Fatal(err)
	}
	if got := e.Root(); got != Hash(want) {
		t.Fatalf("root of size %d: %x, want %x", e.Size(), got, want)
	}
	b, err := e.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	back, err := ParseEdge(e.Size(), b)
	if err != nil || back.Root() != e.Root() || back.Size() != e.Size() {
		t.Fatalf("size %d does not survive its wire form: %v", e.Size(), err)
	}
}

// checkPositions: tlog stores the entry's hashes from index first on.
func checkPositions(t *testing.T, entry, first int64, count int) {
	t.Helper()
	for level := range count {
		e, l := NodePosition(first + int64(level))
		if e != entry || l != level {
			t.Errorf("stored hash %d stands in entry %d at %d, want %d at %d", first+int64(level), e, l, entry, level)
		}
	}
}

func checkLastLeaf(t *testing.T, before, after Edge, all stored, leaf Hash) {
	t.Helper()
	want, err := tlog.ProveRecord(after.Size(), before.Size(), all)
	if err != nil {
		t.Fatal(err)
	}
	got := LastLeafProof(before)
	if d := cmp.Diff(fromTlog(want), got); d != "" {
		t.Fatalf("proof of the last leaf of %d: (-want +got)\n%s", after.Size(), d)
	}
	if err := VerifyInclusion(got, after.Size(), after.Root(), before.Size(), leaf); err != nil {
		t.Errorf("last leaf of %d: %v", after.Size(), err)
	}
}

// TestAppendLeavesCopiesAlone: a transaction that is retried begins again from
// the edge it read.
func TestAppendLeavesCopiesAlone(t *testing.T) {
	var edge Edge
	for n := range int64(100) {
		before := edge
		root := before.Root()
		for range 2 {
			again := before
			if _, err := again.Append(leafNumber(n + 1000)); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := edge.Append(leafNumber(n)); err != nil {
			t.Fatal(err)
		}
		if before.Root() != root || before.Size() != n {
			t.Fatalf("appending to a copy changed the edge of size %d", n)
		}
	}
	again := Edge{}
	for n := range int64(100) {
		if _, err := again.Append(leafNumber(n)); err != nil {
			t.Fatal(err)
		}
	}
	if again.Root() != edge.Root() {
		t.Error("appending to copies changed the tree")
	}
}

func TestParseEdgeRefuses(t *testing.T) {
	for _, tt := range []struct {
		size   int64
		length int
		want   error
	}{
		{0, 0, nil},
		{0, 32, ErrEdge},
		{1, 32, nil},
		{1, 0, ErrEdge},
		{1, 31, ErrEdge},
		{1, 33, ErrEdge},
		{7, 96, nil},
		{7, 64, ErrEdge},
		{8, 32, nil},
		{8, 96, ErrEdge},
		{-1, 0, ErrRange},
		{MaxSize, 53 * 32, nil},
		{MaxSize + 1, 32, ErrRange},
	} {
		if _, err := ParseEdge(tt.size, make([]byte, tt.length)); !errors.Is(err, tt.want) {
			t.Errorf("size %d, %d bytes: %v, want %v", tt.size, tt.length, err, tt.want)
		}
	}
}

func TestAppendToTheLargestTree(t *testing.T) {
	nearly, err := ParseEdge(MaxSize-1, make([]byte, 52*32))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := nearly.Append(Hash{}); err != nil {
		t.Errorf("the last leaf of the largest tree: %v", err)
	}
	root := nearly.Root()
	if _, err := nearly.Append(Hash{}); !errors.Is(err, ErrRange) {
		t.Errorf("one leaf more: %v, want ErrRange", err)
	}
	if nearly.Size() != MaxSize || nearly.Root() != root {
		t.Error("a refused leaf changed the edge")
	}
}

func TestReader(t *testing.T) {
	l := newLog()
	for n := range int64(9) {
		l.append(t, leafNumber(n))
	}
	if entry, level := NodePosition(-1); entry != -1 || level != -1 {
		t.Errorf("NodePosition(-1) = %d, %d", entry, level)
	}
	for _, index := range []int64{-1, 1 << 62} {
		if _, err := l.reader().ReadHashes([]int64{index}); !errors.Is(err, ErrRange) {
			t.Errorf("index %d: %v, want ErrRange", index, err)
		}
	}
	down := errors.New("down")
	failing := NewReader(func([]int64) (map[int64][]byte, error) { return nil, down })
	if _, err := InclusionProof(9, 0, failing); !errors.Is(err, down) {
		t.Errorf("%v, want the cause", err)
	}
	calls := 0
	counting := NewReader(func(entries []int64) (map[int64][]byte, error) {
		calls++
		if want := []int64{3, 5, 6, 8}; !cmp.Equal(entries, want) {
			t.Errorf("asks for entries %v, want %v", entries, want)
		}
		return l.rows, nil
	})
	if _, err := InclusionProof(9, 7, counting); err != nil || calls != 1 {
		t.Errorf("%d calls, %v, want one", calls, err)
	}
	for _, damage := range []func(map[int64][]byte){
		func(m map[int64][]byte) { delete(m, 3) },
		func(m map[int64][]byte) { m[3] = m[3][:64] },
		func(m map[int64][]byte) { m[3] = m[3][:95] },
		func(m map[int64][]byte) { m[3] = append(bytes.Clone(m[3]), make([]byte, 32)...) },
	} {
		rows := map[int64][]byte{3: l.rows[3], 5: l.rows[5], 6: l.rows[6], 8: l.rows[8]}
		damage(rows)
		r := NewReader(func([]int64) (map[int64][]byte, error) { return rows, nil })
		if _, err := InclusionProof(9, 7, r); !errors.Is(err, ErrNodes) {
			t.Errorf("%v, want ErrNodes", err)
		}
	}
}

func FuzzParseEdge(f *testing.F) {
	f.Add(int64(0), []byte{})
	f.Add(int64(1), make([]byte, 32))
	f.Add(int64(7), make([]byte, 96))
	f.Add(int64(-1), make([]byte, 64))
	f.Fuzz(func(t *testing.T, size int64, b []byte) {
		e, err := ParseEdge(size, b)
		if err != nil {
			return
		}
		again, err := e.MarshalBinary()
		if err != nil || !bytes.Equal(again, b) || e.Size() != size {
			t.Fatalf("size %d: %x re-encodes to size %d, %x", size, b, e.Size(), again)
		}
		root, proof := e.Root(), LastLeafProof(e)
		if len(proof) != bits.OnesCount64(uint64(size)) {
			t.Fatalf("size %d: %d siblings", size, len(proof))
		}
		grown := e
		if _, err := grown.Append(root); err != nil {
			if size != MaxSize {
				t.Fatal(err)
			}
			return
		}
		if err := VerifyInclusion(proof, size+1, grown.Root(), size, root); err != nil {
			t.Fatalf("size %d: %v", size, err)
		}
	})
}

// benchmarkEdge is a tree of a million leaves less one, the longest edge near
// that size.
func benchmarkEdge(b *testing.B) Edge {
	b.Helper()
	e, err := ParseEdge(1<<20-1, make([]byte, 20*32))
	if err != nil {
		b.Fatal(err)
	}
	return e
}

func BenchmarkAppend(b *testing.B) {
	e := benchmarkEdge(b)
	leaf := leafNumber(1)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Append(leaf); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRoot(b *testing.B) {
	e := benchmarkEdge(b)
	b.ReportAllocs()
	for b.Loop() {
		e.Root()
	}
}

func BenchmarkVerifyInclusion(b *testing.B) {
	before := benchmarkEdge(b)
	after, leaf := before, leafNumber(1)
	if _, err := after.Append(leaf); err != nil {
		b.Fatal(err)
	}
	proof, root := LastLeafProof(before), after.Root()
	b.ReportAllocs()
	for b.Loop() {
		if err := VerifyInclusion(proof, after.Size(), root, before.Size(), leaf); err != nil {
			b.Fatal(err)
		}
	}
}
