package guard

import "ponderal.example/internal/record"

// gravity orders the end reasons, gravest first. The order is ours (common practice, no source): what may have harmed the person
// comes before what the person or the plan decided.
var gravity = [...]record.EndReason{
	record.EndSymptom,
	record.EndMechanics,
	record.EndHeartRate,
	record.EndEffort,
	record.EndCeiling,
	record.EndVolitional,
	record.EndAdministrative,
}

// Rank is the place of an end reason by gravity: 0 for a symptom, the gravest. Incomplete, and any other word, comes last.
func Rank(r record.EndReason) int {
	for i, g := range gravity {
		if g == r {
			return i
		}
	}
	return len(gravity)
}

// Safety reports whether an end reason is a limit that the series itself ran into (symptom, mechanics, heart rate, effort, ceiling)
// rather than a decision of the person or the evaluator.
func Safety(r record.EndReason) bool { return Rank(r) <= Rank(record.EndCeiling) }

// EndOf is the end reason that a hit names; not ok when the hit does not end the series.
func EndOf(hit record.GuardHit) (r record.EndReason, ok bool) {
	if !hit.Ends {
		return "", false
	}
	switch hit.Guard {
	case record.GuardSymptom:
		return record.EndSymptom, true
	case record.GuardMechanics:
		return record.EndMechanics, true
	case record.GuardHeartRateWork:
		return record.EndHeartRate, true
	case record.GuardEffortStop:
		return record.EndEffort, true
	case record.GuardLoadCeiling:
		return record.EndCeiling, true
	case record.GuardAcceptability:
		return record.EndVolitional, true
	}
	return "", false
}
