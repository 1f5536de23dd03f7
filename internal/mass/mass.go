// Package mass holds exact masses. A capacity of exactly 50 lb decides a
// strength level, so a mass is a whole number of 1e-11 kg and never a binary
// float: with the international avoirdupois pound of exactly 0.45359237 kg
// (international yard and pound agreement, 1959) every 0.001 lb and every
// decimal of a kilogram down to 1e-11 kg is a whole number of that unit.
//
// The package is pure and imports nothing of this module.
package mass

import (
	"math"
	"math/bits"
	"strconv"
)

// Unit is the spelling of a unit of mass on the wire and in stored records.
type Unit string

const (
	// Pound is the international avoirdupois pound, 0.45359237 kg exactly.
	Pound Unit = "lb"
	// Kilogram is the SI unit.
	Kilogram Unit = "kg"
)

const (
	unitsPerKilogram = 100_000_000_000 // 1e-11 kg each
	unitsPerPound    = 45_359_237_000
	unitsPerMilliLb  = 45_359_237

	poundDecimals    = 3
	kilogramDecimals = 11

	// limitUnits is 1000 kg, the highest mass that Parse accepts.
	limitUnits = 1000 * unitsPerKilogram
)

// ParseUnit returns the unit spelled exactly "lb" or "kg", or a *RuleError
// with RuleUnit.
func ParseUnit(s string) (Unit, error) {
	switch u := Unit(s); u {
	case Pound, Kilogram:
		return u, nil
	}
	return "", &RuleError{Rule: RuleUnit}
}

// decimals is how many places of the unit are a whole number of 1e-11 kg, and
// how many 1e-11 kg the unit has.
func (u Unit) scale() (decimals int, units int64, err error) {
	switch u {
	case Pound:
		return poundDecimals, unitsPerPound, nil
	case Kilogram:
		return kilogramDecimals, unitsPerKilogram, nil
	}
	return 0, 0, &RuleError{Rule: RuleUnit}
}

// Mass is a mass in whole units of 1e-11 kg. The zero value is no mass. Two
// masses are the same mass exactly when they are ==, whatever unit they were
// entered in. A parsed mass is never negative; a difference may be.
type Mass struct {
	units int64
}

// Zero is no mass.
func Zero() Mass { return Mass{} }

// FromUnits returns the mass of n times 1e-11 kg, as Units reported it.
func FromUnits(n int64) Mass { return Mass{units: n} }

// Units returns the mass in 1e-11 kg: the form in which a column stores it.
func (m Mass) Units() int64 { return m.units }

// IsZero reports whether m is no mass. encoding/json's omitzero uses it.
func (m Mass) IsZero() bool { return m.units == 0 }

// Cmp returns -1, 0 or +1 as m is lighter than, the same as or heavier than o.
func (m Mass) Cmp(o Mass) int {
	switch {
	case m.units < o.units:
		return -1
	case m.units > o.units:
		return 1
	}
	return 0
}

// Less reports whether m is lighter than o.
func (m Mass) Less(o Mass) bool { return m.units < o.units }

// Add returns m + o. Beyond what an int64 holds (about 92,000 times the
// highest mass that Parse accepts) it stays at the bound rather than wrap.
func (m Mass) Add(o Mass) Mass {
	sum := m.units + o.units
	switch {
	case o.units > 0 && sum < m.units:
		return Mass{units: math.MaxInt64}
	case o.units < 0 && sum > m.units:
		return Mass{units: math.MinInt64}
	}
	return Mass{units: sum}
}

// Sub returns m - o, negative when o is heavier. It stays at the bound of an
// int64 rather than wrap.
func (m Mass) Sub(o Mass) Mass {
	diff := m.units - o.units
	switch {
	case o.units > 0 && diff > m.units:
		return Mass{units: math.MinInt64}
	case o.units < 0 && diff < m.units:
		return Mass{units: math.MaxInt64}
	}
	return Mass{units: diff}
}

// Canonical returns the one spelling under which a mass is stored and hashed:
// in pounds when it is a whole number of 0.001 lb and not zero, otherwise in
// kilograms, without superfluous zeros. It depends on the mass alone, so the
// same mass entered as lb or as kg has the same spelling.
func (m Mass) Canonical() (value string, unit Unit) {
	if m.units != 0 && m.units%unitsPerMilliLb == 0 {
		value, _ = m.In(Pound)
		return value, Pound
	}
	value, _ = m.In(Kilogram)
	return value, Kilogram
}

// In returns m in the unit as the shortest exact decimal. In pounds that
// exists only for whole multiples of 0.001 lb; where it does not, or for a unit
// that is neither, In returns "" and false. In kilograms it always exists.
func (m Mass) In(unit Unit) (value string, exact bool) {
	switch {
	case unit == Kilogram:
		return formatDecimal(m.units, kilogramDecimals), true
	case unit == Pound && m.units%unitsPerMilliLb == 0:
		return formatDecimal(m.units/unitsPerMilliLb, poundDecimals), true
	}
	return "", false
}

// String returns the canonical spelling with its unit, such as "50 lb".
func (m Mass) String() string {
	value, unit := m.Canonical()
	return value + " " + string(unit)
}

// maxRounded is how many decimals Rounded gives at most.
const maxRounded = 9

// Rounded returns m in the unit with exactly that many decimals (0 to 9,
// clamped), halves away from zero, for people to read. It is never parsed back
// and never hashed. For a unit that is neither it returns "".
func (m Mass) Rounded(unit Unit, decimals int) string {
	_, size, err := unit.scale()
	if err != nil {
		return ""
	}
	decimals = min(max(decimals, 0), maxRounded)
	hi, lo := bits.Mul64(magnitude(m.units), uint64(pow10[decimals]))
	// hi < 2^63*1e9/2^64 < size, so the division cannot overflow.
	q, r := bits.Div64(hi, lo, uint64(size))
	if r >= uint64(size)-r {
		q++
	}
	text := strconv.FormatUint(q, 10)
	if decimals > 0 {
		text = padLeft(text, decimals+1)
		text = text[:len(text)-decimals] + "." + text[len(text)-decimals:]
	}
	if m.units < 0 && q != 0 {
		text = "-" + text
	}
	return text
}
