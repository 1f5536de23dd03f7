package casework

import (
	"errors"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
)

// TestAside: a panic becomes an internal error that keeps nothing of its value; anything else comes back as it is.
func TestAside(t *testing.T) {
	err := aside(func() error {
		var none map[string]int
		none["somebody's name"] = 1
		return nil
	})
	if !fault.Is(err, fault.Internal) || strings.Contains(err.Error(), "somebody") || !strings.Contains(err.Error(), "aside_test.go") {
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
