package positions

import "ponderal.example/internal/record"

// Match compares every demand with the tolerance that stands, in the order of the demands. A tolerance of exactly the demand is within. A
// position that the job never asks for is within, tested or not.
func Match(demands []record.PositionDemand, found []record.PositionTolerance) []record.PositionMatch {
	if len(demands) == 0 {
		return nil
	}
	out := make([]record.PositionMatch, len(demands))
	for i := range demands {
		out[i] = match(demands[i], found)
	}
	return out
}

func match(d record.PositionDemand, found []record.PositionTolerance) record.PositionMatch {
	m := record.PositionMatch{Position: d.Position, Demand: d.Demand, Verdict: record.TaskNotTested}
	t := Stands(found, d.Position)
	if t != nil {
		m.Tolerance, m.SeriesNumber = t.Tolerance, t.SeriesNumber
	}
	switch have, want := rank(m.Tolerance), rank(d.Demand); {
	case d.Demand == record.ToleratedNever:
		m.Verdict = record.TaskWithin
	case have == 0 || want == 0:
		// Not tested, or a word that is no tolerance: nothing can be said.
	case have >= want:
		m.Verdict = record.TaskWithin
	default:
		m.Verdict = record.TaskShort
	}
	return m
}

// Stands is the tolerance that stands for a position: the lowest, of equals the one with the lowest number; nil where it was not tested.
func Stands(found []record.PositionTolerance, position record.Position) *record.PositionTolerance {
	var low *record.PositionTolerance
	for i := range found {
		t := &found[i]
		if t.Position != position {
			continue
		}
		if low == nil || rank(t.Tolerance) < rank(low.Tolerance) || rank(t.Tolerance) == rank(low.Tolerance) && t.SeriesNumber < low.SeriesNumber {
			low = t
		}
	}
	return low
}
