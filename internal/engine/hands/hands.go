// Package hands says what tests of grip and pinch strength come to: the strength of each series, how much its readings vary, where it stands
// among published norms, and whether it reaches what a job asks for.
//
// Strength. Of a series of repeated readings it is their mean, rounded down to a tenth of the unit in which the first reading is written (lb
// or kg, see mass.Mass.Canonical); of five handle positions and of a rapid exchange it is the strongest reading. Masses are whole numbers
// all the way. Where a hand has several series of repeated readings of one measure the lowest stands, as with loads: what a person shows on
// the worse of two occasions is what a job can count on (common practice, no source). Five positions and rapid exchange are there to be
// compared, and never stand for a demand.
//
// Variation. The coefficient of variation of the readings in percent, with n-1, for repeated readings only. It is a description. Published
// cut-offs disagree and the literature holds that none tells effort from the lack of it (see grip.Critique).
//
// Norms. A percentile is a place in a population, not a limit, not a measure of effort and no statement on fitness for a job. It is
// given for repeated grips only, where sex and age are known and the set has the person, and only where the test yields the figure that
// the set is made of (see grip.Figure):
//
//   - the set of 1985 is of the mean of three trials with the handle in the second position: three readings, each in position 2 or with a
//     gauge that has no positions (0). The strength is placed, as rounded down.
//   - the others are of a person's strongest reading, whichever hand gave it. They are answered once, with the series that holds the strongest
//     of all repeated grips, and only when both hands were tested: the strongest of one hand alone would stand too low among them.
//
// Norms of pinch strength are left out: the article of 1985 has them, but they were not read. A percentile from mean and deviation takes a
// normal distribution; near its ends one decimal reads 0.0 or 100.0.
//
// Pain, fear, injury, fatigue, an unfamiliar task and the instrument move every figure here. The judgement is the licensed clinician's.
//
// The package is pure: no clock, randomness, input or output. It is total: records that break their own rules give no panic, and a series
// without a reading comes to nothing. The order of the lists changes nothing; series and readings count by number.
package hands

import (
	"cmp"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Of is the strength of each series, by number. Body is nil where nothing was measured.
func Of(series []record.HandSeries, person record.Person, body *record.BodyMeasures) []record.HandStrength {
	tests := testsOf(series)
	if len(tests) == 0 {
		return nil
	}
	out := make([]record.HandStrength, len(tests))
	who := grip.Person{Sex: person.Sex, Age: person.AgeYears, Stature: stature(body)}
	strongest := strongestOfBoth(tests)
	for i := range tests {
		t := &tests[i]
		out[i] = record.HandStrength{SeriesNumber: t.Number, Measure: t.Measure, Hand: t.Hand, Procedure: t.Procedure, Strength: t.strength(), Trials: len(t.readings)}
		if t.Procedure == record.HandRepeated {
			out[i].VariationPercent = variation(t.readings)
		}
		if t.repeatedGrip() && (person.Sex == record.Female || person.Sex == record.Male) {
			out[i].Norms = t.norms(who, i == strongest, out[i].Strength)
		}
	}
	return out
}

// Symptom is the number of the first series in which a symptom was reported or seen.
func Symptom(series []record.HandSeries) (number int, ok bool) {
	for i := range series {
		symptom := slices.ContainsFunc(series[i].Trials, func(t record.HandTrial) bool { return len(t.Symptoms) > 0 })
		if symptom && (!ok || series[i].Number < number) {
			number, ok = series[i].Number, true
		}
	}
	return number, ok
}

// test is a series with its readings in the order of their numbers, and the handle position of each.
type test struct {
	*record.HandSeries
	readings  []mass.Mass
	positions []int
}

// testsOf lists the series with readings by number. The caller's lists stay as they are.
func testsOf(series []record.HandSeries) []test {
	all := make([]test, 0, len(series))
	for i := range series {
		if len(series[i].Trials) > 0 {
			all = append(all, testOf(&series[i]))
		}
	}
	slices.SortStableFunc(all, func(a, b test) int { return cmp.Compare(a.Number, b.Number) })
	return all
}

func testOf(s *record.HandSeries) test {
	trials := s.Trials
	byNumber := func(a, b record.HandTrial) int { return cmp.Compare(a.Number, b.Number) }
	if !slices.IsSortedFunc(trials, byNumber) {
		trials = slices.Clone(trials)
		slices.SortStableFunc(trials, byNumber)
	}
	t := test{HandSeries: s, readings: make([]mass.Mass, len(trials)), positions: make([]int, len(trials))}
	for i := range trials {
		t.readings[i], t.positions[i] = trials[i].Reading, trials[i].Position
	}
	return t
}

func (t *test) repeatedGrip() bool {
	return t.Measure == record.Grip && t.Procedure == record.HandRepeated
}

func (t *test) strongest() mass.Mass { return slices.MaxFunc(t.readings, mass.Mass.Cmp) }

func (t *test) strength() mass.Mass {
	if t.Procedure == record.HandRepeated {
		return meanDown(t.readings)
	}
	return t.strongest()
}

// A tenth of each unit, in the whole units of package mass.
const (
	tenthOfPound    = 4_535_923_700
	tenthOfKilogram = 10_000_000_000
)

// meanDown is the mean, rounded down to a tenth of the unit of the first reading.
func meanDown(readings []mass.Mass) mass.Mass {
	var sum mass.Mass
	for _, m := range readings {
		sum = sum.Add(m)
	}
	tenth := int64(tenthOfKilogram)
	if _, unit := readings[0].Canonical(); unit == mass.Pound {
		tenth = tenthOfPound
	}
	return mass.FromUnits(sum.Units() / (tenth * int64(len(readings))) * tenth)
}

// variation is the coefficient of variation as text; empty for fewer than two readings.
func variation(readings []mass.Mass) string {
	percent, err := grip.Repeated(readings)
	if err != nil {
		return ""
	}
	return oneDecimal(percent)
}

func oneDecimal(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }
