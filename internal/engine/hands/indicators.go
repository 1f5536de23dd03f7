package hands

import (
	"slices"

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

// GripTests puts together what was done with each hand, right before left, for the indicators of consistency; each test has one comparison and
// the number of its series. Of grip alone, by number:
//
//   - trials: each series of exactly three repeated readings in one handle position;
//   - positions: each series of five positions that has them all, with the strongest reading in each, from the narrowest;
//   - rapid exchange, once a hand: the strongest reading of all rapid exchanges against the strongest of all repeated readings, where there
//     are both. The series is the one of the strongest rapid exchange, of equals the first.
func GripTests(series []record.HandSeries) []consistency.GripTest {
	all := testsOf(series)
	var out []consistency.GripTest
	for _, hand := range record.Hands() {
		out = appendHand(out, all, hand)
	}
	return out
}

// appendHand appends the tests of one hand.
func appendHand(out []consistency.GripTest, all []test, hand record.Hand) []consistency.GripTest {
	var curves []consistency.GripTest
	exchange := gripTest(hand, 0)
	for i := range all {
		t := &all[i]
		if t.Measure != record.Grip || t.Hand != hand {
			continue
		}
		g := gripTest(hand, t.Number)
		switch t.Procedure {
		case record.HandRepeated:
			if exchange.Static.Less(t.strongest()) {
				exchange.Static = t.strongest()
			}
			if t.threeInOnePosition() {
				g.Trials = t.readings
				out = append(out, g)
			}
		case record.HandFivePositions:
			if g.Positions = t.curve(); g.Positions != nil {
				curves = append(curves, g)
			}
		case record.HandRapidExchange:
			if exchange.Rapid.Less(t.strongest()) {
				exchange.Rapid, exchange.Series = t.strongest(), t.Number
			}
		}
	}
	out = append(out, curves...)
	if exchange.Static.IsZero() || exchange.Rapid.IsZero() {
		return out
	}
	return append(out, exchange)
}

func gripTest(hand record.Hand, number int) consistency.GripTest {
	return consistency.GripTest{Hand: grip.Hand(hand), Series: number, CutoffPercent: CutoffPercent, FlatPercent: FlatPercent, MixedPercent: MixedPercent}
}

func (t *test) threeInOnePosition() bool {
	return len(t.positions) == 3 && t.positions[0] == t.positions[1] && t.positions[1] == t.positions[2]
}

// handlePositions is how many positions the handle has.
const handlePositions = 5

// curve is the strongest reading in each position, narrowest first; nil unless each is there.
func (t *test) curve() []mass.Mass {
	out := make([]mass.Mass, handlePositions)
	for i, p := range t.positions {
		if p >= 1 && p <= handlePositions && out[p-1].Less(t.readings[i]) {
			out[p-1] = t.readings[i]
		}
	}
	if slices.ContainsFunc(out, mass.Mass.IsZero) {
		return nil
	}
	return out
}
