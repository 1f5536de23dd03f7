package hands

import (
	"testing"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/mass"
)

// TestFigureUnknown: a set that does not say what it is made of has no place for any reading.
func TestFigureUnknown(t *testing.T) {
	three := test{readings: []mass.Mass{mass.FromUnits(3), mass.FromUnits(1), mass.FromUnits(2)}, positions: []int{2, 2, 2}}
	if m, ok := three.figure("other", true, mass.FromUnits(2)); ok || !m.IsZero() {
		t.Error(m, ok)
	}
	if m, ok := three.figure(grip.US1985, false, mass.FromUnits(2)); !ok || m != mass.FromUnits(2) {
		t.Error(m, ok)
	}
	if m, ok := three.figure(grip.Germany2016, true, mass.FromUnits(2)); !ok || m != mass.FromUnits(3) {
		t.Error(m, ok)
	}
}
