package grip

import (
	"strconv"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// maxRepeated is how many readings a series has at most.
const maxRepeated = 30

// Repeated is the coefficient of variation of 2 to 30 readings in percent, the deviation with n-1. The published cut-offs are of three
// readings, which Trials holds against one; none is applied here.
func Repeated(readings []mass.Mass) (float64, error) {
	var v violations
	if len(readings) < 2 || len(readings) > maxRepeated {
		v.add("readings", RuleCount, "there are 2 to "+strconv.Itoa(maxRepeated)+" readings")
	} else {
		v.readings(readings, len(readings))
	}
	if err := fault.InvalidFields(v); err != nil {
		return 0, err
	}
	s, err := stats.CoefficientOfVariation(allKilograms(readings))
	if err != nil {
		return 0, err
	}
	return float64(100 * s.CV), nil
}

// Figure says what a set of norms is made of. A reading of another kind has no place in the set: the highest of several readings lies
// above their mean, and the stronger hand above the other.
type Figure string

// The figures.
const (
	// MeanOfThree: the mean of three trials of one hand with the handle in the second position.
	MeanOfThree Figure = "mean_of_three"
	// StrongestOfBoth: a person's strongest reading, whichever hand gave it.
	StrongestOfBoth Figure = "strongest_of_both_hands"
)

// Figure is what the set is made of: of US1985 the mean of three trials of each hand, of the others the strongest reading of a person.
// The reference tables give the values without the manner of testing; this is from memory of the articles named there. An unknown set
// has none.
func (s Set) Figure() Figure {
	switch s {
	case US1985:
		return MeanOfThree
	case Germany2016, Germany2016ByHeight, International2025, Britain2014Men:
		return StrongestOfBoth
	}
	return ""
}
