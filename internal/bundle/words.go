package bundle

import (
	"fmt"
	"strings"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Plain says a stored word to people: "floor_waist" is "floor to waist", "does_not_meet" is "does not meet".
func Plain[W ~string](word W) string {
	switch record.Zone(word) {
	case record.FloorWaist, record.WaistShoulder, record.FloorShoulder, record.ShoulderOverhead:
		from, to, _ := strings.Cut(string(word), "_")
		return from + " to " + to
	}
	return strings.ReplaceAll(string(word), "_", " ")
}

// BothUnits says a mass in pounds and kilograms, rounded to a tenth: "50.0 lb (22.7 kg)".
func BothUnits(m mass.Mass) string {
	return m.Rounded(mass.Pound, 1) + " lb (" + m.Rounded(mass.Kilogram, 1) + " kg)"
}

// SignedAs says what a signature means.
func SignedAs(m record.Meaning) string {
	switch m {
	case record.MeaningReviewed:
		return "reviewed the finding and answers for the decision"
	case record.MeaningCountersigned:
		return "checked the signed result and agrees"
	case record.MeaningTestedAndReviewed:
		return "tested the client, reviewed the finding and answers for the decision"
	}
	return "unknown meaning"
}

// Corrected says what a correction replaced: "series 2 trial 3", "screening", "end of series 2", "hand series 1".
func Corrected(c record.Correction) string {
	switch c.Part {
	case "":
		return fmt.Sprintf("series %d trial %d", c.Series, c.Trial)
	case "series_end":
		return fmt.Sprintf("end of series %d", c.Series)
	case "body":
		return "measures of the body"
	}
	if c.Series > 0 {
		return fmt.Sprintf("%s %d", Plain(c.Part), c.Series)
	}
	return Plain(c.Part)
}
