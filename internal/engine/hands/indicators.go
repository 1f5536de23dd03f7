package hands

import (
	"ponderal.example/internal/engine/consistency"
	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The limits that the indicators of grip are held against.
const (
	// CutoffPercent is the highest coefficient of variation of three readings that agrees. Of the cut-offs in use (grip.Cutoffs: 7.5, 10, 12
	// and 15 %) it is the one that calls the fewest people's readings unalike, since the strictest would misread most maximal efforts
	// (grip.Critique). Used in practice, no source read.
	CutoffPercent = 15
	// FlatPercent is the highest spread over five positions that is called flat. Common practice, no source.
	FlatPercent = 10
	// MixedPercent is by how much rapid exchange may lie above the static test before the indicator disagrees. Common practice, no source.
	MixedPercent = 15
)

// GripSeries says from which series a grip test was put together; 0 where there is none. Exchange is the number of the rapid exchange.
type GripSeries struct {
	Hand                        record.Hand
	Trials, Positions, Exchange int
}

// GripTests puts together what was done with each hand, right before left, for the indicators of consistency; a hand of which nothing can be
// compared is left out. Of grip alone, and of each kind the first series by number that serves:
//
//   - trials: a series of exactly three repeated readings in one handle position;
//   - positions: a series of five positions with one reading in each, put in order from the narrowest;
//   - rapid exchange: the strongest reading of all rapid exchanges against the strongest of all repeated readings, where there are both.
func GripTests(series []record.HandSeries) []consistency.GripTest {
	tests, _ := gripTests(series)
	return tests
}

// GripTestSeries is the series behind each of GripTests, in the same order.
func GripTestSeries(series []record.HandSeries) []GripSeries {
	_, from := gripTests(series)
	return from
}

func gripTests(series []record.HandSeries) (tests []consistency.GripTest, from []GripSeries) {
	all := testsOf(series)
	for _, hand := range record.Hands() {
		g := consistency.GripTest{Hand: grip.Hand(hand), CutoffPercent: CutoffPercent, FlatPercent: FlatPercent, MixedPercent: MixedPercent}
		s := GripSeries{Hand: hand}
		for i := range all {
			if t := &all[i]; t.Measure == record.Grip && t.Hand == hand {
				take(t, &g, &s)
			}
		}
		if g.Static.IsZero() || g.Rapid.IsZero() {
			g.Static, g.Rapid, s.Exchange = mass.Zero(), mass.Zero(), 0
		}
		if s != (GripSeries{Hand: hand}) {
			tests, from = append(tests, g), append(from, s)
		}
	}
	return tests, from
}

// take adds one series of the hand to its test.
func take(t *test, g *consistency.GripTest, s *GripSeries) {
	switch t.Procedure {
	case record.HandRepeated:
		if s.Trials == 0 && t.threeInOnePosition() {
			g.Trials, s.Trials = t.readings, t.Number
		}
		if g.Static.Less(t.strongest()) {
			g.Static = t.strongest()
		}
	case record.HandFivePositions:
		if curve := t.curve(); s.Positions == 0 && curve != nil {
			g.Positions, s.Positions = curve, t.Number
		}
	case record.HandRapidExchange:
		if g.Rapid.Less(t.strongest()) {
			g.Rapid, s.Exchange = t.strongest(), t.Number
		}
	}
}

func (t *test) threeInOnePosition() bool {
	return len(t.positions) == 3 && t.positions[0] == t.positions[1] && t.positions[1] == t.positions[2]
}

// handlePositions is how many positions the handle has.
const handlePositions = 5

// curve is the reading in each position, narrowest first; nil unless each is there once.
func (t *test) curve() []mass.Mass {
	if len(t.positions) != handlePositions {
		return nil
	}
	out := make([]mass.Mass, handlePositions)
	for i, p := range t.positions {
		if p < 1 || p > handlePositions || !out[p-1].IsZero() {
			return nil
		}
		out[p-1] = t.readings[i]
	}
	return out
}
