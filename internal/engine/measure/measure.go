// Package measure holds lengths and rates exactly, as the demands of a task are stated. Published limits are sharp: at 70 in of
// travel a lift is rated, above it is not; so a height difference or a sum of rates must not be a hair off, as binary floats are.
//
// The inch is 0.0254 m exactly (international yard and pound agreement, 1959).
//
// The package is pure and imports nothing of this module.
package measure

import (
	"strconv"
	"strings"
)

// Unit is the spelling of a unit of length.
type Unit string

// The units of length.
const (
	Metre      Unit = "m"
	Centimetre Unit = "cm"
	Millimetre Unit = "mm"
	Inch       Unit = "in"
)

// Length is a length in whole units of 1e-7 m: 0.001 in and 0.001 mm are whole numbers of it.
type Length int64

// Whole lengths.
const (
	PerMillimetre Length = 10_000
	PerCentimetre Length = 100_000
	PerMetre      Length = 10_000_000
	PerInch       Length = 254_000

	// MaxLength is the longest that ParseLength accepts, 1000 m.
	MaxLength = 1000 * PerMetre
)

// Rate is how often something is done, in whole units of one per 480 million minutes: the lowest rate of the published tables (once
// in eight hours), every count in a fifteen-minute sample and every decimal of up to six places per minute are whole numbers of it.
type Rate int64

const (
	// PerMinute is once a minute.
	PerMinute Rate = 480_000_000
	// OncePerShift is once in eight hours.
	OncePerShift = PerMinute / 480

	// MaxRate is the highest rate that ParseRate and Every accept, 1000 a minute.
	MaxRate = 1000 * PerMinute
)

// Rule names the rule that a length or rate broke. The names are stable.
type Rule string

// The rules.
const (
	// RuleUnit: the unit is one of m, cm, mm, in.
	RuleUnit Rule = "unit"
	// RuleDecimal: digits, optionally a point and digits; no sign, exponent, space or superfluous leading zero.
	RuleDecimal Rule = "decimal"
	// RuleDecimals: at most 7 decimals in m, 5 in cm, 4 in mm, 3 in inches, 6 for a rate per minute.
	RuleDecimals Rule = "decimals"
	// RuleLimit: at most 1000 m, at most 1000 a minute.
	RuleLimit Rule = "limit"
	// RulePositive: a count and an interval are above zero.
	RulePositive Rule = "positive"
)

// RuleError says which rule was broken. It never carries the value.
type RuleError struct {
	Rule Rule
}

// Error states the rule in words.
func (e *RuleError) Error() string {
	switch e.Rule {
	case RuleUnit:
		return "measure: the unit of a length must be m, cm, mm or in"
	case RuleDecimal:
		return "measure: the value must be a plain decimal such as 22.5"
	case RuleDecimals:
		return "measure: the value has too many decimals for its unit"
	case RuleLimit:
		return "measure: the value is above 1000 m or 1000 a minute"
	case RulePositive:
		return "measure: the value must be above zero"
	}
	return "measure: broken rule " + string(e.Rule)
}

// scale is how many decimals a unit takes, and its size.
func (u Unit) scale() (decimals int, size Length, ok bool) {
	switch u {
	case Metre:
		return 7, PerMetre, true
	case Centimetre:
		return 5, PerCentimetre, true
	case Millimetre:
		return 4, PerMillimetre, true
	case Inch:
		return 3, PerInch, true
	}
	return 0, 0, false
}

// ParseLength returns the length that value says in that unit, exactly, or a *RuleError.
func ParseLength(value string, unit Unit) (Length, error) {
	decimals, size, ok := unit.scale()
	if !ok {
		return 0, &RuleError{Rule: RuleUnit}
	}
	n, err := parse(value, decimals, int64(size), int64(MaxLength))
	return Length(n), err
}

// ParseRate returns the rate that value says per minute (at most 6 decimals), exactly, or a *RuleError.
func ParseRate(value string) (Rate, error) {
	n, err := parse(value, 6, int64(PerMinute), int64(MaxRate))
	return Rate(n), err
}

// maxWhole is how many digits before the point any accepted value has at most: 1000 m is 1,000,000 mm.
const maxWhole = 7

func parse(value string, decimals int, size, limit int64) (int64, error) {
	whole, fraction, pointed := strings.Cut(value, ".")
	if !allDigits(whole) || pointed && !allDigits(fraction) || len(whole) > 1 && whole[0] == '0' {
		return 0, &RuleError{Rule: RuleDecimal}
	}
	if len(fraction) > decimals {
		return 0, &RuleError{Rule: RuleDecimals}
	}
	if len(whole) > maxWhole {
		return 0, &RuleError{Rule: RuleLimit}
	}
	// At most 9,999,999 of at most 480,000,000 units: below the bound of an int64.
	n, part := digits(whole)*size, size
	for i := range len(fraction) {
		part /= 10
		n += int64(fraction[i]-'0') * part
	}
	if n > limit {
		return 0, &RuleError{Rule: RuleLimit}
	}
	return n, nil
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

func digits(s string) int64 {
	n := int64(0)
	for i := range len(s) {
		n = n*10 + int64(s[i]-'0')
	}
	return n
}

// Every returns the rate of count times in that many seconds (each from 1 to a million), rounded to the nearest unit, or a
// *RuleError.
func Every(count, seconds int) (Rate, error) {
	const most = 1_000_000
	if count < 1 || seconds < 1 {
		return 0, &RuleError{Rule: RulePositive}
	}
	if count > most || seconds > most {
		return 0, &RuleError{Rule: RuleLimit}
	}
	n := (int64(count)*int64(PerMinute)*60*2 + int64(seconds)) / (2 * int64(seconds))
	if Rate(n) > MaxRate {
		return 0, &RuleError{Rule: RuleLimit}
	}
	return Rate(n), nil
}

// In returns the length in the unit as the float64 nearest to the exact value; for an unknown unit 0.
func (l Length) In(unit Unit) float64 {
	_, size, ok := unit.scale()
	if !ok {
		return 0
	}
	return float64(l) / float64(size)
}

// PerMinuteFloat returns the rate per minute as the float64 nearest to the exact value.
func (r Rate) PerMinuteFloat() float64 { return float64(float64(r) / float64(PerMinute)) }

// String returns the length in metres, for people.
func (l Length) String() string { return strconv.FormatFloat(l.In(Metre), 'f', -1, 64) + " m" }
