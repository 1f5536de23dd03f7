package hands

import (
	"ponderal.example/internal/record"
)

// Match compares every demand with the strength that stands, for each hand that it asks for: right before left where it names none. A strength
// exactly as high as the demand is within.
func Match(demands []record.HandDemand, found []record.HandStrength) []record.HandMatch {
	var out []record.HandMatch
	for i := range demands {
		d := &demands[i]
		if d.Hand != "" {
			out = append(out, match(d, d.Hand, found))
			continue
		}
		for _, hand := range record.Hands() {
			out = append(out, match(d, hand, found))
		}
	}
	return out
}

func match(d *record.HandDemand, hand record.Hand, found []record.HandStrength) record.HandMatch {
	m := record.HandMatch{Name: d.Name, Measure: d.Measure, Hand: hand, Demand: d.Force, Verdict: record.TaskNotTested}
	s := Stands(found, d.Measure, hand)
	if s == nil {
		return m
	}
	strength := s.Strength
	m.Strength, m.SeriesNumber, m.Verdict = &strength, s.SeriesNumber, record.TaskWithin
	if strength.Less(d.Force) {
		by := d.Force.Sub(strength)
		m.Verdict, m.ShortBy = record.TaskShort, &by
	}
	return m
}

// Stands is the strength that stands for a measure and a hand: the lowest of the repeated series, of equals the one with the lowest number;
// nil where there is none.
func Stands(found []record.HandStrength, measure record.HandMeasure, hand record.Hand) *record.HandStrength {
	var low *record.HandStrength
	for i := range found {
		s := &found[i]
		if s.Measure != measure || s.Hand != hand || s.Procedure != record.HandRepeated {
			continue
		}
		if low == nil || s.Strength.Less(low.Strength) || s.Strength == low.Strength && s.SeriesNumber < low.SeriesNumber {
			low = s
		}
	}
	return low
}
