package limits

import (
	"strconv"

	"ponderal.example/internal/mass"
)

// Units of 1e-11 kg: a pound is 0.45359237 kg exactly.
const (
	unitsPerKilogram     = 100_000_000_000
	unitsPerPound        = 45_359_237_000
	unitsPerThousandthLb = 45_359_237

	// heaviest is far above any mass that a record holds; ten times it still fits.
	heaviest = 1_000_000 * unitsPerKilogram
)

// Mass is a mass for people: exact in the unit of its canonical spelling, with the other unit in parentheses, rounded half up to one decimal:
// "35 lb (15.9 kg)", "20.5 kg (45.2 lb)".
func Mass(m mass.Mass) string { return string(AppendMass(make([]byte, 0, 32), m)) }

// AppendMass appends what Mass gives.
func AppendMass(b []byte, m mass.Mass) []byte {
	n := m.Units()
	if n < 0 || n > heaviest {
		// No record holds such a mass; its text is right all the same.
		_, unit := m.Canonical()
		other := otherUnit(unit)
		b = append(append(b, m.String()...), " ("...)
		return append(append(b, m.Rounded(other, 1)...), " "+string(other)+")"...)
	}
	if n != 0 && n%unitsPerThousandthLb == 0 {
		b = append(appendDecimal(b, n/unitsPerThousandthLb, 1000), " lb ("...)
		return append(appendTenths(b, n, unitsPerKilogram), " kg)"...)
	}
	b = append(appendDecimal(b, n, unitsPerKilogram), " kg ("...)
	return append(appendTenths(b, n, unitsPerPound), " lb)"...)
}

func otherUnit(u mass.Unit) mass.Unit {
	if u == mass.Pound {
		return mass.Kilogram
	}
	return mass.Pound
}

// appendDecimal appends n / scale, scale a power of ten, without superfluous zeros.
func appendDecimal(b []byte, n, scale int64) []byte {
	b = strconv.AppendInt(b, n/scale, 10)
	rest := n % scale
	if rest == 0 {
		return b
	}
	b = append(b, '.')
	for rest != 0 {
		scale /= 10
		b = append(b, byte('0'+rest/scale))
		rest %= scale
	}
	return b
}

// appendTenths appends n / size with one decimal, half up.
func appendTenths(b []byte, n, size int64) []byte {
	t := (n*10 + size/2) / size
	b = append(strconv.AppendInt(b, t/10, 10), '.')
	return append(b, byte('0'+t%10))
}
