// Package heartrate computes heart-rate limits exactly. A limit is a whole number of hundred-thousandths of a beat per minute: the formulae
// have three decimals, a percentage adds two, so nothing is ever rounded and a heart rate exactly at a limit is never above it.
//
// A formula is an average of the people in whom it was found: a person's own maximum is often ten beats or more away from it. A limit made of
// it supports a licensed clinician's judgement and does not replace it.
package heartrate

import (
	"strconv"
	"strings"

	"ponderal.example/internal/record"
)

// Rate is a heart rate in hundred-thousandths of a beat per minute.
type Rate int64

const (
	perBeat       = 100_000
	perThousandth = 100
)

// The ages for which a maximum is predicted, in years. Outside, the age is taken for missing rather than extrapolated.
const (
	minAge = 1
	maxAge = 120
)

// BPM makes a Rate of whole beats per minute.
func BPM(n int) Rate { return Rate(n) * perBeat }

// Above reports whether a measured heart rate, in whole beats per minute, is above r.
func (r Rate) Above(bpm int) bool { return BPM(bpm) > r }

// Whole is the highest whole rate that is not above r, in beats per minute.
func (r Rate) Whole() int { return int(floor(int64(r), perBeat)) }

// Thousandths is r in thousandths of a beat per minute, rounded down.
func (r Rate) Thousandths() int64 { return floor(int64(r), perThousandth) }

func floor(n, by int64) int64 {
	q := n / by
	if n%by < 0 {
		q--
	}
	return q
}

// String gives the exact decimal with its unit: "161.5 bpm".
func (r Rate) String() string {
	n, sign := int64(r), ""
	if n < 0 {
		n, sign = -n, "-"
	}
	text := sign + strconv.FormatInt(n/perBeat, 10)
	if rest := n % perBeat; rest != 0 {
		text += "." + strings.TrimRight(strconv.FormatInt(perBeat+rest, 10)[1:], "0")
	}
	return text + " bpm"
}

// Missing names what a limit lacks; empty when the limit is known.
type Missing string

// What may be missing.
const (
	MissingAge         Missing = "age"
	MissingFormula     Missing = "heart-rate formula"
	MissingRestingRate Missing = "resting heart rate"

	// MissingSex: the formula is for one sex, and the person's is not stated.
	MissingSex Missing = "sex"
	// MissingFormulaForSex and MissingFormulaForAge: the formula was made for the other sex, or for other ages.
	MissingFormulaForSex Missing = "heart-rate formula for this sex"
	MissingFormulaForAge Missing = "heart-rate formula for this age"
)

// Limit computes a limit for a person, of whom age and sex count, with that resting heart rate in beats per minute (nil where not measured).
// The three forms: beats per minute as they stand; a percentage of the predicted maximum; a percentage of the reserve,
// resting + p x (predicted - resting) (Karvonen, Kentala, Mustala 1957). A limit that cannot be computed says what it lacks.
func Limit(l record.HeartRateLimit, who record.Person, resting *int) (Rate, Missing) {
	if l.PercentOfPredicted == 0 && l.PercentOfReserve == 0 {
		return BPM(l.BPM), ""
	}
	highest, missing := Predicted(l.Formula, who)
	switch {
	case missing != "":
		return 0, missing
	case l.PercentOfPredicted != 0:
		return percent(highest, l.PercentOfPredicted), ""
	case resting == nil:
		return 0, MissingRestingRate
	}
	rest := BPM(*resting)
	return rest + percent(highest-rest, l.PercentOfReserve), ""
}

// percent is exact: r is a whole number of thousandths, 100 of its own units.
func percent(r Rate, p int) Rate { return r / perThousandth * Rate(p) }
