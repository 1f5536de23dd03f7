package witness

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness/witnesstest"
)

var now = time.Now

// must returns v, or ends the test.
func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// memory is a log in memory, signed with a key of its own.
type memory struct {
	origin string
	skey   string
	vkey   string
	mu     sync.Mutex
	edge   merkle.Edge
	rows   map[int64][]byte
	// kept are the lines by size.
	kept map[int64]string
}

func newMemory(t testing.TB, origin string) *memory {
	t.Helper()
	skey, vkey, err := note.GenerateKey(rand.Reader, origin)
	if err != nil {
		t.Fatal(err)
	}
	return &memory{origin: origin, skey: skey, vkey: vkey, rows: map[int64][]byte{}, kept: map[int64]string{}}
}

// grow appends entries; mark makes those of one log differ from those of another.
func (m *memory) grow(t testing.TB, entries int, mark string) *memory {
	t.Helper()
	m.mu.Lock()
	defer m.mu.Unlock()
	for range entries {
		n := m.edge.Size()
		m.rows[n] = merkle.JoinNodes(must(m.edge.Append(merkle.LeafHash(fmt.Appendf(nil, "%s %d", mark, n))))(t))
	}
	return m
}

// fork is another log of that name and key: the first entries the same, the rest its own.
func (m *memory) fork(t testing.TB, same, more int) *memory {
	t.Helper()
	f := &memory{origin: m.origin, skey: m.skey, vkey: m.vkey, rows: map[int64][]byte{}, kept: map[int64]string{}}
	return f.grow(t, same, "entry").grow(t, more, "another entry")
}

func (m *memory) head(t testing.TB) (seal.Checkpoint, string) {
	t.Helper()
	m.mu.Lock()
	defer m.mu.Unlock()
	c := seal.Checkpoint{Origin: m.origin, Size: m.edge.Size(), Root: m.edge.Root()}
	return c, string(must(note.Sign(&note.Note{Text: c.Text()}, must(note.NewSigner(m.skey))(t)))(t))
}

func (m *memory) proof(t testing.TB, oldSize int64) []merkle.Hash {
	t.Helper()
	m.mu.Lock()
	defer m.mu.Unlock()
	reader := merkle.NewReader(func(entries []int64) (map[int64][]byte, error) { return m.rows, nil })
	return must(merkle.ConsistencyProof(oldSize, m.edge.Size(), reader))(t)
}

// shelf is several logs, as the worker has them.
type shelf struct {
	t    testing.TB
	logs map[string]*memory
	// fail makes a method fail with an error.
	fail map[string]error
}

func (s *shelf) Logs(context.Context) ([]string, error) {
	var all []string
	for name := range s.logs {
		all = append(all, name)
	}
	slices.Sort(all)
	return all, s.fail["Logs"]
}

func (s *shelf) Head(_ context.Context, clinic string, _ seal.Witness) (string, int64, int64, error) {
	m := s.logs[clinic]
	c, signed := m.head(s.t)
	m.mu.Lock()
	defer m.mu.Unlock()
	var cosigned int64
	for size := range m.kept {
		cosigned = max(cosigned, size)
	}
	return signed, c.Size, cosigned, s.fail["Head"]
}

func (s *shelf) Proof(_ context.Context, clinic string, oldSize, size int64) ([]merkle.Hash, error) {
	m := s.logs[clinic]
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := s.fail["Proof"]; err != nil {
		return nil, err
	}
	return merkle.ConsistencyProof(oldSize, size, merkle.NewReader(func([]int64) (map[int64][]byte, error) { return m.rows, nil }))
}

func (s *shelf) Keep(_ context.Context, clinic string, size int64, by seal.Witness, line string) error {
	m := s.logs[clinic]
	m.mu.Lock()
	defer m.mu.Unlock()
	head := seal.Checkpoint{Origin: m.origin, Size: m.edge.Size(), Root: m.edge.Root()}
	if size != head.Size {
		return fmt.Errorf("keep size %d of %d", size, head.Size)
	}
	if _, err := seal.VerifyCosignature(by, head, line); err != nil {
		return err
	}
	m.kept[size] = line
	return s.fail["Keep"]
}

// served starts a handler and gives the address.
func served(t testing.TB, h http.Handler) *url.URL {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return must(parseURL(s.URL))(t)
}

// strict is a witness that keeps to the protocol, at its address.
func strict(t testing.TB, name string, logs ...*memory) (*witnesstest.Witness, Target) {
	t.Helper()
	w := must(witnesstest.New(name, rand.Reader))(t)
	for _, l := range logs {
		if err := w.Trust(l.vkey); err != nil {
			t.Fatal(err)
		}
	}
	return w, Target{URL: served(t, w), Key: must(seal.ParseWitness(w.Key()))(t)}
}

func clientOf(t testing.TB, target Target) *Client {
	t.Helper()
	c := NewClient(target, nil, now)
	t.Cleanup(c.Close)
	return c
}
