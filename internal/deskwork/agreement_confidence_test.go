package deskwork

import (
	"errors"
	"testing"

	"ponderal.example/internal/fault"
)

// TestConfidenceInPercent: a confidence out of its range is refused in the unit in which it was asked for.
func TestConfidenceInPercent(t *testing.T) {
	rows := [][]float64{{1, 1}, {1, 2}}
	for confidence, ok := range map[float64]bool{49.9: false, 50: true, 99: true, 99.1: false, 0: true} {
		_, err := AnalyzeAgreement(Ratings{Rows: rows, Confidence: confidence})
		if (err == nil) != ok {
			t.Errorf("%v: %v", confidence, err)
		}
		var f *fault.Error
		if !ok && (!errors.As(err, &f) || len(f.Violations) != 1 || f.Violations[0].Field != "confidence_percent" || f.Violations[0].Text != "the confidence is 50 to 99 percent") {
			t.Errorf("%v: %v", confidence, err)
		}
	}
}
