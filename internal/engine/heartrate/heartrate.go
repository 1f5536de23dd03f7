// Package heartrate computes heart-rate limits exactly. A limit is a whole number of thousandths of a beat per minute: the formulae
// have one decimal, a percentage adds two, so nothing is ever rounded and a heart rate exactly at a limit is never above it.
package heartrate

import (
	"strconv"
	"strings"

	"ponderal.example/internal/record"
)

// Rate is a heart rate in thousandths of a beat per minute.
type Rate int64

const perBeat = 1000

// The ages for which a maximum is predicted, in years. Outside, the age is taken for missing rather than extrapolated.
const (
	minAge = 1
	maxAge = 120
)

// BPM makes a Rate of whole beats per minute.
func BPM(n int) Rate { return Rate(n) * perBeat }

// Above reports whether a measured heart rate, in whole beats per minute, is above r.
func (r Rate) Above(bpm int) bool { return BPM(bpm) > r }

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

// Predicted is the maximum heart rate that a formula predicts for an age in years: 220 - age (Fox, Naughton, Haskell 1971) or
// 208 - 0.7 x age (Tanaka, Monahan, Seals 2001). Not ok for another formula or an age outside 1 to 120.
func Predicted(formula record.HeartRateFormula, age int) (r Rate, ok bool) {
	if age < minAge || age > maxAge {
		return 0, false
	}
	switch formula {
	case record.Fox1971:
		return BPM(220 - age), true
	case record.Tanaka2001:
		return Rate(2080-7*age) * (perBeat / 10), true
	}
	return 0, false
}

// Missing names what a limit lacks; empty when the limit is known.
type Missing string

// What may be missing.
const (
	MissingAge         Missing = "age"
	MissingFormula     Missing = "heart-rate formula"
	MissingRestingRate Missing = "resting heart rate"
)

// Limit computes a limit for a person of that age in years and that resting heart rate in beats per minute (nil where not measured).
// The three forms: beats per minute as they stand; a percentage of the predicted maximum; a percentage of the reserve,
// resting + p x (predicted - resting) (Karvonen, Kentala, Mustala 1957). A limit that cannot be computed says what it lacks.
func Limit(l record.HeartRateLimit, age int, resting *int) (Rate, Missing) {
	if l.PercentOfPredicted == 0 && l.PercentOfReserve == 0 {
		return BPM(l.BPM), ""
	}
	highest, ok := Predicted(l.Formula, age)
	switch {
	case !ok && (age < minAge || age > maxAge):
		return 0, MissingAge
	case !ok:
		return 0, MissingFormula
	case l.PercentOfPredicted != 0:
		return percent(highest, l.PercentOfPredicted), ""
	case resting == nil:
		return 0, MissingRestingRate
	}
	rest := BPM(*resting)
	return rest + percent(highest-rest, l.PercentOfReserve), ""
}

// percent is exact: r is a multiple of a tenth of a beat, 100 thousandths.
func percent(r Rate, p int) Rate { return r / 100 * Rate(p) }
