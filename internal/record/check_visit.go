package record

import (
	"slices"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// kilograms is so many whole kilograms.
func kilograms(n int64) mass.Mass { return mass.FromUnits(n * 100_000_000_000) }

// The masses of a body that are believed: 20 and 350 kg. The bounds are ours, wide enough for every adult who is tested.
var (
	minBodyMass = kilograms(20)
	maxBodyMass = kilograms(350)
)

// CheckBody checks measures of a body: stature or mass is given, and a mass is from 20 to 350 kg.
func CheckBody(b BodyMeasures, at string) []fault.Violation {
	var k checker
	k.body(&b, at)
	return k.found
}

func (c *checker) body(b *BodyMeasures, at string) {
	c.demand(b.StatureMM != 0 || b.Mass != nil, at, "body.some_measure", "measures of a body have a stature or a mass")
	if b.Mass != nil {
		c.demand(!b.Mass.Less(minBodyMass) && !maxBodyMass.Less(*b.Mass), at+".body_mass", "body.mass_range", "a body mass is from 20 to 350 kg")
	}
}

// CheckScreening checks the screening before a session: the diastolic pressure is below the systolic, who answers for an override stands with
// its reason, and each symptom is noted once.
func CheckScreening(s Screening, at string) []fault.Violation {
	var k checker
	k.screening(&s, at)
	return k.found
}

func (c *checker) screening(s *Screening, at string) {
	if s.Systolic != nil && s.Diastolic != nil {
		c.demand(*s.Diastolic < *s.Systolic, at+".diastolic_mmhg", "screening.pressures", "the diastolic pressure is below the systolic")
	}
	c.demand(s.OverrideBy == "" || s.OverrideReason != "", at+".override_by", "screening.override_reason", "whoever answers for an override gives its reason")
	for i := range s.Symptoms {
		c.demand(!slices.Contains(s.Symptoms[:i], s.Symptoms[i]), item(at, "symptoms", i), "screening.symptom_once", "each symptom is noted once")
	}
}
