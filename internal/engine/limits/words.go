package limits

import "ponderal.example/internal/record"

// ZoneWords is a zone for people: "floor to waist". A zone that is none is itself.
func ZoneWords(z record.Zone) string {
	switch z {
	case record.FloorWaist:
		return "floor to waist"
	case record.WaistShoulder:
		return "waist to shoulder"
	case record.ShoulderOverhead:
		return "shoulder to overhead"
	case record.FloorShoulder:
		return "floor to shoulder"
	}
	return string(z)
}

// PaceWord is how often, for people: "occasionally".
func PaceWord(p record.Pace) string {
	switch p {
	case record.Occasional:
		return "occasionally"
	case record.Frequent:
		return "frequently"
	case record.Constant:
		return "constantly"
	}
	return string(p)
}

// ToleranceWord is how often a position is tolerated or asked for: "occasionally", "never".
func ToleranceWord(t record.Tolerance) string {
	switch t {
	case record.ToleratedOccasional:
		return "occasionally"
	case record.ToleratedFrequent:
		return "frequently"
	case record.ToleratedConstant:
		return "constantly"
	}
	return string(t)
}

// shareOfDay is a tolerance with its share of the working day (DOT Appendix C: up to a third, a third to two thirds, two thirds or more).
func shareOfDay(t record.Tolerance) string {
	switch t {
	case record.ToleratedOccasional:
		return "occasionally, up to a third of the working day"
	case record.ToleratedFrequent:
		return "frequently, up to two thirds of the working day"
	case record.ToleratedConstant:
		return "constantly, two thirds of the working day or more"
	}
	return string(t)
}

// MeasureWords is what a hand was tested for: "tip pinch".
func MeasureWords(m record.HandMeasure) string {
	switch m {
	case record.TipPinch:
		return "tip pinch"
	case record.KeyPinch:
		return "key pinch"
	case record.PalmarPinch:
		return "palmar pinch"
	}
	return string(m)
}

// PositionWords is a position for people: "climbing stairs".
func PositionWords(p record.Position) string {
	switch p {
	case record.ClimbingStairs:
		return "climbing stairs"
	case record.ClimbingLadder:
		return "climbing ladder"
	case record.ReachingForward:
		return "reaching forward"
	case record.ReachingOverhead:
		return "reaching overhead"
	}
	return string(p)
}
