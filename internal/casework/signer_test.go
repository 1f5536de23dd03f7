package casework

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/seal"
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

// TestNothingWronglySignedIsStored: when the service of either key fails or returns a signature that does not verify, the result is not there, nor
// its entry, nor a checkpoint; when it has come to its senses the same request succeeds.
func TestNothingWronglySignedIsStored(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	result := &turncoat{Signer: w.c.key}
	w.c.key = result
	log := &turncoat{Signer: must(seal.GenerateKey(&source{r: constant{}}, seal.UseLog))(t)}
	// The log's key is rotated on the way: what the former one signed stays in the set.
	w.ring = must(seal.NewRing(append(w.ring.Keys(), log.Public())...))(t)
	w.c.ring = w.ring
	w.c.log = must(auditlog.New(w.ctx, auditlog.Options{Name: logName, Key: log, Ring: w.ring, Now: w.logClock.now, Rand: &source{r: constant{}}}))(t)

	fails := func([]byte, error) ([]byte, error) { return nil, errors.New("the key service is out of reach") }
	lies := func(signature []byte, err error) ([]byte, error) { signature[63] ^= 1; return signature, err }
	for name, c := range map[string]struct {
		signer *turncoat
		spoil  func([]byte, error) ([]byte, error)
		kind   fault.Kind
		reason string
	}{
		"result key fails": {result, fails, fault.Unavailable, "SIGNER_UNAVAILABLE"},
		"result key lies":  {result, lies, fault.Internal, "SIGNATURE"},
		"log key fails":    {log, fails, fault.Unavailable, "SIGNER_UNAVAILABLE"},
		"log key lies":     {log, lies, fault.Internal, "CHECKPOINT"},
	} {
		c.signer.spoil = c.spoil
		w.unchanged(func() {
			_, err := w.c.SignResult(w.ctx, w.reviewer(east), signing(s))
			var f *fault.Error
			if !errors.As(err, &f) || f.Kind != c.kind || f.Reason != c.reason {
				t.Errorf("%s: %v, want %v %s", name, err, c.kind, c.reason)
			}
		})
		c.signer.spoil = nil
	}
	got := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	if r := w.verified(got.Value); len(r.LogKeyIDs) != 1 || r.LogKeyIDs[0] != log.Public().ID {
		t.Errorf("the head is signed by %v, want the new log key", r.LogKeyIDs)
	}
	w.accounted(east)
}

// TestRequestThatEndsWhileSigning is answered as one that ended, and stores nothing.
func TestRequestThatEndsWhileSigning(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	ctx, end := context.WithCancel(w.ctx)
	w.c.key = &turncoat{Signer: w.c.key, spoil: func([]byte, error) ([]byte, error) {
		end()
		return nil, ctx.Err()
	}}
	w.unchanged(func() {
		if _, err := w.c.SignResult(ctx, w.reviewer(east), signing(s)); !errors.Is(err, context.Canceled) {
			t.Errorf("%v, want that the caller went away", err)
		}
	})
}

// TestOldResultsOpenUnderAnyStanding: a result signed by a key that was retired or marked compromised since is read as before by the service; and the
// service does not start with such a key.
func TestOldResultsOpenUnderAnyStanding(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	first := must(w.c.SignResult(w.ctx, w.reviewer(east), signing(s)))(t)
	random := &source{r: rand.NewChaCha8([32]byte{9})}
	freshResult, freshLog := must(seal.GenerateKey(random, seal.UseResult))(t), must(seal.GenerateKey(random, seal.UseLog))(t)
	for name, mark := range map[string]func(*seal.PublicKey){
		"retired":     func(k *seal.PublicKey) { k.RetiredAt = day },
		"compromised": func(k *seal.PublicKey) { k.CompromisedFrom = day.AddDate(0, 0, 1) },
	} {
		keys := w.ring.Keys()
		for i := range keys {
			mark(&keys[i])
		}
		ring := must(seal.NewRing(append(keys, freshResult.Public(), freshLog.Public())...))(t)
		o := Options{Store: w.store, ResultKey: w.c.key, Ring: ring, Now: w.clock.now, Rand: random}
		logs := auditlog.Options{Name: logName, Key: freshLog, Ring: ring, Now: w.logClock.now, Rand: random}
		o.Log = must(auditlog.New(w.ctx, logs))(t)
		if _, err := New(w.ctx, o); err == nil {
			t.Errorf("%s: starts with such a result key", name)
		}
		o.ResultKey = freshResult
		c := must(New(w.ctx, o))(t)
		got := must(c.GetResult(w.ctx, w.reviewer(east), id("f0", 1)))(t)
		if got.Value.KeyID != first.Value.KeyID || got.Value.Bundle == nil || got.Value.Bundle.Proof.Checkpoint != first.Value.Bundle.Proof.Checkpoint {
			t.Errorf("%s: read as %+v", name, got.Value)
		}
	}
}
