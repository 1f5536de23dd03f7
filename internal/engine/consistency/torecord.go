package consistency

import (
	"strings"

	"ponderal.example/internal/record"
)

// Decimals of the numbers in a record.
const (
	coefficientDecimals = 4
	slopeDecimals       = 3
)

// chanceDecimals is 4, or as many as a smaller chance needs for two digits: one order of 8! is 0.000025 and no certainty.
func chanceDecimals(p float64) int {
	decimals, tenth := 4, 0.001
	for decimals < maxDecimals && p > 0 && p < tenth {
		decimals, tenth = decimals+1, float64(tenth/10)
	}
	return decimals
}

// decimalsOf is how many decimals the number of a kind has: kilograms 2, percentages and ratings 1, counts none.
func decimalsOf(k Kind) int {
	switch k {
	case EffortLoad, HeartRateLoad, EffortHeartRate:
		return coefficientDecimals
	case MechanicsNearEnd:
		return 0
	case BlindedRetest:
		return 2
	default:
		return 1
	}
}

// numberRoom is about how many characters the numbers of an indicator take.
const numberRoom = 24

// ToRecord is the report in the form in which a finding keeps it: numbers are decimals as text, rounded for people. The states were
// decided before the rounding.
func ToRecord(r Report) *record.Consistency {
	out := &record.Consistency{Indicators: make([]record.Indicator, len(r.Indicators)), Rules: make([]record.IndicatorRule, len(r.Rules)),
		Assessed: r.Assessed, Agree: r.Agree, Mixed: r.Mixed, Disagree: r.Disagree, NotAssessed: r.NotAssessed, Summary: r.Summary, Caution: r.Caution}
	var w numbers
	w.text.Grow(numberRoom * len(r.Indicators))
	for k := range r.Indicators {
		i, to := &r.Indicators[k], &out.Indicators[k]
		*to = record.Indicator{Kind: string(i.Kind), Series: i.Series, State: record.IndicatorState(i.State), Unit: i.Unit, Reason: i.Reason}
		if i.HasNumber {
			to.Value = w.decimal(i.Number, decimalsOf(i.Kind))
		} else {
			to.Unit = ""
		}
		if c := i.Relation; c != nil {
			to.Pairs, to.P, to.Method = c.N, w.decimal(c.P, chanceDecimals(c.P)), string(c.Method)
			to.Slope, to.SlopeUnit = w.decimal(c.Slope, slopeDecimals), c.SlopeUnit
		}
	}
	for k := range r.Rules {
		from := &r.Rules[k]
		out.Rules[k] = record.IndicatorRule{Kind: string(from.Kind), Expected: from.Expected, Threshold: from.Threshold, Source: from.Source, Critique: from.Critique}
	}
	return out
}

// numbers writes many decimals into one text, of which each is a part.
type numbers struct{ text strings.Builder }

func (n *numbers) decimal(v float64, decimals int) string {
	var room [32]byte
	from := n.text.Len()
	n.text.Write(AppendDecimal(room[:0], v, decimals))
	return n.text.String()[from:]
}
