package consistency_test

import (
	"testing"

	"ponderal.example/internal/engine/consistency"
)

// TestSmallChances: a chance is written with four decimals, a small one with as many as show two digits: one order of 8! is 1/40320.
func TestSmallChances(t *testing.T) {
	for p, want := range map[float64]string{
		1: "1.0000", 1.0 / 6: "0.1667", 0.001: "0.0010", 1.0 / 5040: "0.00020", 1.0 / 40320: "0.000025", 1.0 / 3628800: "0.00000028", 0: "0.0000",
	} {
		r := consistency.Report{Indicators: []consistency.Indicator{{Kind: consistency.EffortLoad, HasNumber: true, Relation: &consistency.Relation{P: p}}}}
		if got := consistency.ToRecord(r).Indicators[0].P; got != want {
			t.Errorf("%v: got %s, want %s", p, got, want)
		}
	}
}
