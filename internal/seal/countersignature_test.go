package seal

import (
	"crypto/rand"
	"errors"
	"testing"
)

// TestATypeIsHeld: a signature over one kind of statement never passes for another (RFC 8725, section 3.11), and passes for its own.
func TestATypeIsHeld(t *testing.T) {
	key, err := GenerateKey(rand.Reader, UseResult)
	if err != nil {
		t.Fatal(err)
	}
	ring, err := NewRing(key.Public())
	if err != nil {
		t.Fatal(err)
	}
	result, err := SignJWS(t.Context(), key, []byte(`{"a":1}`))
	if err != nil {
		t.Fatal(err)
	}
	second, err := SignCountersignature(t.Context(), key, []byte(`{"a":1}`))
	if err != nil {
		t.Fatal(err)
	}
	if payload, kid, err := VerifyCountersignature(ring, second); err != nil || string(payload) != `{"a":1}` || kid != key.ID {
		t.Errorf("a countersignature: %q, %q, %v", payload, kid, err)
	}
	if _, _, err := VerifyJWS(ring, second); !errors.Is(err, ErrHeader) {
		t.Errorf("a countersignature as a result: %v", err)
	}
	if _, _, err := VerifyCountersignature(ring, result); !errors.Is(err, ErrHeader) {
		t.Errorf("a result as a countersignature: %v", err)
	}
}
