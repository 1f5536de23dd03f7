package mass

import (
	"strconv"
	"strings"
)

// Rule names the rule that an unacceptable mass broke. The names are stable:
// they reach callers as machine-readable reasons.
type Rule string

const (
	// RuleUnit: the unit is "lb" or "kg".
	RuleUnit Rule = "unit"
	// RuleDecimal: the value is digits, optionally a point and digits; no sign,
	// exponent, space or superfluous leading zero.
	RuleDecimal Rule = "decimal"
	// RuleDecimals: at most 3 decimals in lb, 11 in kg.
	RuleDecimals Rule = "decimals"
	// RuleLimit: at most 1000 kg.
	RuleLimit Rule = "limit"
	// RuleObject: a JSON mass is an object of exactly "unit" and "value",
	// both strings.
	RuleObject Rule = "object"
	// RuleNegative: a negative difference has no form in JSON.
	RuleNegative Rule = "negative"
)

// RuleError says which rule a mass broke. It never carries the value: what
// was measured on a person does not belong in a log.
type RuleError struct {
	Rule Rule
}

// Error states the rule in words.
func (e *RuleError) Error() string {
	switch e.Rule {
	case RuleUnit:
		return `mass: the unit must be "lb" or "kg"`
	case RuleDecimal:
		return "mass: the value must be a plain decimal such as 22.5"
	case RuleDecimals:
		return "mass: the value has more than 3 decimals (lb) or 11 decimals (kg)"
	case RuleLimit:
		return "mass: the value is above 1000 kg"
	case RuleObject:
		return `mass: want an object of exactly "unit" and "value", both strings`
	case RuleNegative:
		return "mass: a negative difference cannot be written"
	}
	return "mass: broken rule " + string(e.Rule)
}

// pow10 holds the powers of ten up to the finest decimal of a kilogram.
var pow10 = [...]int64{
	1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000,
	100_000_000, 1_000_000_000, 10_000_000_000, 100_000_000_000,
}

// maxWhole is how many digits the part before the point can have within the
// limit: 1000 kg is 2204.6… lb.
const maxWhole = 4

// Parse returns the mass that value says in that unit. The value is digits,
// optionally followed by a point and digits, at most 3 decimals in lb and 11 in
// kg, at most 1000 kg. Anything else is a *RuleError naming the rule; a
// parsed mass is exact.
func Parse(value string, unit Unit) (Mass, error) {
	decimals, size, err := unit.scale()
	if err != nil {
		return Mass{}, err
	}
	whole, fraction, pointed := strings.Cut(value, ".")
	if !allDigits(whole) || pointed && !allDigits(fraction) {
		return Mass{}, &RuleError{Rule: RuleDecimal}
	}
	if len(whole) > 1 && whole[0] == '0' {
		return Mass{}, &RuleError{Rule: RuleDecimal}
	}
	if len(fraction) > decimals {
		return Mass{}, &RuleError{Rule: RuleDecimals}
	}
	if len(whole) > maxWhole {
		return Mass{}, &RuleError{Rule: RuleLimit}
	}
	// At most 9999 lb or kg: 1e15 units, far from the bound of an int64.
	units := digits(whole) * size
	units += digits(fraction) * (size / pow10[len(fraction)])
	if units > limitUnits {
		return Mass{}, &RuleError{Rule: RuleLimit}
	}
	return Mass{units: units}, nil
}

// allDigits reports whether s is one or more ASCII digits.
func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// digits is the number that s, already known to be at most 11 digits, says.
func digits(s string) int64 {
	n := int64(0)
	for i := range len(s) {
		n = n*10 + int64(s[i]-'0')
	}
	return n
}

// formatDecimal writes n / 10^decimals without superfluous zeros.
func formatDecimal(n int64, decimals int) string {
	text := padLeft(strconv.FormatUint(magnitude(n), 10), decimals+1)
	whole, fraction := text[:len(text)-decimals], strings.TrimRight(text[len(text)-decimals:], "0")
	if fraction != "" {
		whole += "." + fraction
	}
	if n < 0 {
		return "-" + whole
	}
	return whole
}

// magnitude is the absolute value, also of the lowest int64.
func magnitude(n int64) uint64 {
	if n < 0 {
		return -uint64(n)
	}
	return uint64(n)
}

// padLeft puts zeros before s until it has width bytes.
func padLeft(s string, width int) string {
	if len(s) >= width {
		return s
	}
	return strings.Repeat("0", width-len(s)) + s
}
