package handling

import "ponderal.example/internal/fault"

// ForceUnit is the spelling of a unit of force.
type ForceUnit string

// The units of force.
const (
	Newton        ForceUnit = "N"
	KilogramForce ForceUnit = "kgf"
	PoundForce    ForceUnit = "lbf"
)

const (
	newtonsPerKgf = 9.80665 // exactly: standard gravity, 3rd CGPM 1901
	kgfPerLbf     = 0.45359237
	maxKgf        = 1000
)

// Force is a force; the zero value is none.
type Force struct {
	kgf float64
}

// ForceOf makes a force above zero and up to 1000 kgf (9806.65 N). Anything else is a *fault.Error of kind Invalid on "force.value" or
// "force.unit".
func ForceOf(value float64, unit ForceUnit) (Force, error) {
	kgf := value
	switch unit {
	case KilogramForce:
	case Newton:
		kgf = float64(value / newtonsPerKgf)
	case PoundForce:
		kgf = float64(value * kgfPerLbf)
	default:
		return Force{}, fault.InvalidFields([]fault.Violation{{Field: "force.unit", Rule: RuleUnknown, Text: "the unit of a force is N, kgf or lbf"}})
	}
	if !(kgf > 0 && kgf <= maxKgf) {
		return Force{}, fault.InvalidFields([]fault.Violation{{Field: "force.value", Rule: RuleRange, Text: "the force is above zero and at most 1000 kgf (9806.65 N)"}})
	}
	return Force{kgf: kgf}, nil
}

// In returns the force in the unit; for an unknown unit 0.
func (f Force) In(unit ForceUnit) float64 {
	switch unit {
	case KilogramForce:
		return f.kgf
	case Newton:
		return float64(f.kgf * newtonsPerKgf)
	case PoundForce:
		return float64(f.kgf / kgfPerLbf)
	}
	return 0
}
