// Package positions says what tests of positions and movements come to (sitting, standing, reaching, kneeling and so on): how much of a working
// day each is tolerated, and whether that reaches what a job asks for.
//
// The tolerance is the lower of two: the evaluator's rating, and what was observed. Where no bout was recorded the rating stands alone.
//
// What was observed is the share of the time asked for that was kept up, put into the terms of the US Dictionary of Occupational Titles,
// Appendix C, which parts the working day in thirds: up to 1/3 occasional, 2/3 or more constant, frequent between them; nothing is
// never. The terms share their ends, so exactly 1/3 is occasional ("up to 1/3") and exactly 2/3 is constant ("2/3 or more"), as the
// source's wording has it. The comparison is of whole numbers.
//
// A bout that was broken off for administrative reasons (time, equipment, an interruption) says nothing about the person beyond what was
// kept up until then, so that is what counts as asked for, too. A bout that ended by the client's will, a symptom, mechanics or the heart
// rate counts with all that was asked for.
//
// A test of minutes does not show a day: that the share of a short bout is read as a share of the day is common practice, no source. It can
// only lower the evaluator's rating, never raise it, and the judgement is the licensed clinician's.
//
// Where a position was tested several times the lowest tolerance stands (common practice, no source).
//
// The package is pure: no clock, randomness, floats, input or output. It is total: records that break their own rules give no panic. The
// order of the lists changes nothing.
package positions

import (
	"cmp"
	"slices"

	"ponderal.example/internal/record"
)

// Of is the tolerance that each series came to, by number.
func Of(series []record.PositionSeries) []record.PositionTolerance {
	if len(series) == 0 {
		return nil
	}
	out := make([]record.PositionTolerance, len(series))
	for i := range series {
		out[i] = tolerance(&series[i])
	}
	slices.SortStableFunc(out, func(a, b record.PositionTolerance) int { return cmp.Compare(a.SeriesNumber, b.SeriesNumber) })
	return out
}

func tolerance(s *record.PositionSeries) record.PositionTolerance {
	t := record.PositionTolerance{SeriesNumber: s.Number, Position: s.Position, Tolerance: s.Rating, Rating: s.Rating}
	for i := range s.Bouts {
		asked, kept := seconds(&s.Bouts[i])
		t.AskedSeconds += asked
		t.KeptSeconds += kept
		t.LongestSeconds = max(t.LongestSeconds, kept)
	}
	t.Observed = observed(t.KeptSeconds, t.AskedSeconds)
	if t.Observed != record.NoTolerance && rank(t.Observed) < rank(t.Rating) {
		t.Tolerance = t.Observed
	}
	return t
}

// maxSeconds is a working day of eight hours, the longest that a bout may be.
const maxSeconds = 8 * 60 * 60

// seconds is how long a bout counts as asked for, and how long it was kept up: no longer than that.
func seconds(b *record.Bout) (asked, kept int) {
	asked = min(max(b.AskedSeconds, 0), maxSeconds)
	kept = min(max(b.KeptSeconds, 0), asked)
	if b.EndedBy == record.BoutAdministrative {
		asked = kept
	}
	return asked, kept
}

// observed puts a share into terms; empty where nothing was asked for.
func observed(kept, asked int) record.Tolerance {
	switch {
	case asked <= 0:
		return record.NoTolerance
	case kept <= 0:
		return record.ToleratedNever
	case 3*kept <= asked:
		return record.ToleratedOccasional
	case 3*kept < 2*asked:
		return record.ToleratedFrequent
	}
	return record.ToleratedConstant
}

// rank is the place among the tolerances, never 1; 0 for none of them.
func rank(t record.Tolerance) int {
	switch t {
	case record.ToleratedNever:
		return 1
	case record.ToleratedOccasional:
		return 2
	case record.ToleratedFrequent:
		return 3
	case record.ToleratedConstant:
		return 4
	}
	return 0
}

// RatingAbove reports whether the evaluator rated higher than what was observed, which then stands.
func RatingAbove(t record.PositionTolerance) bool {
	return t.Observed != record.NoTolerance && rank(t.Rating) > rank(t.Observed)
}

// Symptom lists, in order, the numbers of the series in which a symptom was reported or seen, or ended a bout.
func Symptom(series []record.PositionSeries) []int {
	var numbers []int
	for i := range series {
		if slices.ContainsFunc(series[i].Bouts, func(b record.Bout) bool { return b.EndedBy == record.BoutSymptom || len(b.Symptoms) > 0 }) {
			numbers = append(numbers, series[i].Number)
		}
	}
	slices.Sort(numbers)
	return numbers
}
