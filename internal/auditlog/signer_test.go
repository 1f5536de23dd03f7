package auditlog

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// turncoat is a key service that signs well until it is told otherwise.
type turncoat struct {
	seal.Signer
	spoil func(signature []byte, err error) ([]byte, error)
}

func (s *turncoat) Sign(ctx context.Context, message []byte) ([]byte, error) {
	signature, err := s.Signer.Sign(ctx, message)
	if s.spoil != nil {
		return s.spoil(signature, err)
	}
	return signature, err
}

// TestNoEntryUnderAWrongHead: an append that asks for a signed head stores nothing unless the head's signature verifies; one that asks for none does not
// ask the key service.
func TestNoEntryUnderAWrongHead(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	signer := &turncoat{Signer: l.key}
	l.key = signer
	appendOne(t, s, l, sessionDraft(100), true)
	before := everyRow(t, s)
	for name, c := range map[string]struct {
		spoil  func([]byte, error) ([]byte, error)
		reason string
	}{
		"fails": {func([]byte, error) ([]byte, error) { return nil, errors.New("out of reach") }, "SIGNER_UNAVAILABLE"},
		"lies":  {func(signature []byte, err error) ([]byte, error) { signature[0] ^= 1; return signature, err }, "CHECKPOINT"},
	} {
		for _, last := range []bool{false, true} {
			signer.spoil = c.spoil
			d := sessionDraft(101)
			d.Last = last
			err := s.InClinic(ctx, clinic, func(tx *store.Tx) error { _, err := l.Append(ctx, tx, d, true); return err })
			var f *fault.Error
			if !errors.As(err, &f) || f.Reason != c.reason {
				t.Errorf("%s: %v, want %s", name, err, c.reason)
			}
			if diff := cmp.Diff(before, everyRow(t, s)); diff != "" {
				t.Errorf("%s: rows changed:\n%s", name, diff)
			}
		}
	}
	appendOne(t, s, l, sessionDraft(101), false)
	signer.spoil = nil
	appendOne(t, s, l, sessionDraft(102), true)
}

// TestLogKeyRotates: heads by the former key stay valid under the new key set, whatever became of that key; the log does not start with it.
func TestLogKeyRotates(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s, l := testStore(t), testLog(t)
	appendOne(t, s, l, sessionDraft(100), true)
	fresh, err := seal.GenerateKey(rand.NewChaCha8([32]byte{7}), seal.UseLog)
	if err != nil {
		t.Fatal(err)
	}
	for name, mark := range map[string]func(*seal.PublicKey){
		"retired":     func(k *seal.PublicKey) { k.RetiredAt = now },
		"compromised": func(k *seal.PublicKey) { k.CompromisedFrom = now.Add(time.Hour) },
	} {
		former := l.key.Public()
		mark(&former)
		ring, err := seal.NewRing(fresh.Public(), former)
		if err != nil {
			t.Fatal(err)
		}
		o := Options{Name: "log.example", Key: l.key, Ring: ring, Now: l.now, Rand: l.rand}
		if _, err := New(ctx, o); err == nil {
			t.Errorf("%s: the log starts with the key", name)
		}
		o.Key = fresh
		rotated, err := New(ctx, o)
		if err != nil {
			t.Fatal(err)
		}
		err = s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			p, err := rotated.Prove(ctx, tx, clinic, 0, 1)
			if err != nil {
				return err
			}
			c, err := seal.VerifyCheckpoint(ring, l.Origin(clinic), p.Checkpoint)
			if err == nil && (len(c.KeyIDs) != 1 || c.KeyIDs[0] != former.ID) {
				t.Errorf("%s: the head is signed by %v, want the former key", name, c.KeyIDs)
			}
			return err
		})
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
