package casework

import (
	"errors"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
)

// TestAside: a panic becomes an internal error that says where it was and nothing of its value; anything else comes back as it is.
func TestAside(t *testing.T) {
	err := aside(func() error {
		words := strings.Fields("one")
		return errors.New(words[len(words)])
	})
	if !fault.Is(err, fault.Internal) || strings.Contains(err.Error(), "out of range") || !strings.Contains(err.Error(), "aside_test.go") {
		t.Errorf("%v", err)
	}
	own := errors.New("own")
	if err := aside(func() error { return own }); err != own {
		t.Errorf("%v", err)
	}
	if err := aside(func() error { return nil }); err != nil {
		t.Error(err)
	}
}
