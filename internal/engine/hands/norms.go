package hands

import (
	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The handle position of the norms of 1985, and the one of a gauge that has none.
const (
	noPosition     = 0
	secondPosition = 2
)

func stature(body *record.BodyMeasures) measure.Length {
	if body == nil {
		return 0
	}
	return measure.Length(body.StatureMM) * measure.PerMillimetre
}

// strongestOfBoth is the place of the repeated grip with the strongest reading, the first of equals; -1 unless both hands were tested.
func strongestOfBoth(tests []test) int {
	at := -1
	var right, left bool
	for i := range tests {
		t := &tests[i]
		if !t.repeatedGrip() {
			continue
		}
		right = right || t.Hand == record.RightHand
		left = left || t.Hand == record.LeftHand
		if at < 0 || tests[at].strongest().Less(t.strongest()) {
			at = i
		}
	}
	if !right || !left {
		return -1
	}
	return at
}

// norms places a repeated grip in every set that has the person and is made of a figure that the test yields.
func (t *test) norms(who grip.Person, strongest bool, strength mass.Mass) []record.NormStanding {
	who.Hand = grip.Hand(t.Hand)
	var out []record.NormStanding
	for _, set := range grip.Sets() {
		reading, ok := t.figure(set, strongest, strength)
		if !ok || set == grip.Germany2016ByHeight && who.Stature <= 0 {
			continue
		}
		s, err := grip.Norm(set, who, reading)
		if err != nil {
			// The set does not have the person.
			continue
		}
		out = append(out, record.NormStanding{Norm: string(set), Percentile: oneDecimal(s.Percentile), Bound: string(s.Bound), Source: s.Source + "; " + figureText(set)})
	}
	return out
}

// figure is what the test yields of what the set is made of.
func (t *test) figure(set grip.Set, strongest bool, strength mass.Mass) (mass.Mass, bool) {
	switch set.Figure() {
	case grip.MeanOfThree:
		return strength, t.threeInSecondPosition()
	case grip.StrongestOfBoth:
		return t.strongest(), strongest
	}
	return mass.Zero(), false
}

func figureText(set grip.Set) string {
	if set.Figure() == grip.MeanOfThree {
		return "the mean of three readings of one hand"
	}
	return "the strongest reading of both hands"
}

func (t *test) threeInSecondPosition() bool {
	for _, p := range t.positions {
		if p != noPosition && p != secondPosition {
			return false
		}
	}
	return len(t.readings) == 3
}
