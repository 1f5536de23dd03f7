package consistency

import (
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/record"
)

// relation is a kind of correlation: what goes in, and in what the slope is.
type relation struct {
	kind     Kind
	expected string
	unit     string
	drug     bool // the heart rate takes part
	x, y     func(t *record.Trial) (float64, bool)
}

func relationsOf() []relation {
	return []relation{
		{EffortLoad, "the rating rises with the load", "points per kg", false, loadOf, effortOf},
		{HeartRateLoad, "the heart rate rises with the load", "bpm per kg", true, loadOf, heartRateOf},
		{EffortHeartRate, "the rating rises with the heart rate", "points per bpm", true, heartRateOf, effortOf},
	}
}

func loadOf(t *record.Trial) (float64, bool) { return kilograms(t.Load), true }

func effortOf(t *record.Trial) (float64, bool) {
	if t.Effort == nil {
		return 0, false
	}
	return t.Effort.Float(), true
}

func heartRateOf(t *record.Trial) (float64, bool) {
	if t.HeartRate == nil {
		return 0, false
	}
	return float64(*t.HeartRate), true
}

// relations are the correlations of a series.
func relations(s *record.Series, in Input) []Indicator {
	var out []Indicator
	for _, r := range relationsOf() {
		i := Indicator{Kind: r.kind, Series: s.Number, Unit: "tau-b", Expected: r.expected, Source: noSource + "; method: " + sourceKendall,
			Threshold: "agrees: above 0 with a one-sided chance of at most " + strconv.FormatFloat(in.Settings.P, 'g', -1, 64) + "; disagrees: below 0"}
		if r.drug && in.RateLimitingDrug {
			i.State, i.Reason = NotAssessed, drugReason
		} else {
			var x, y []float64
			for k := range s.Trials {
				a, hasA := r.x(&s.Trials[k])
				b, hasB := r.y(&s.Trials[k])
				if hasA && hasB {
					x, y = append(x, a), append(y, b)
				}
			}
			i.relate(x, y, r.unit, in.Settings.P)
		}
		out = append(out, i)
	}
	return out
}

// relate sets the state from paired measurements.
func (i *Indicator) relate(x, y []float64, slopeUnit string, p float64) {
	switch {
	case len(x) < 3:
		i.State, i.Reason = NotAssessed, tooFewReason
		return
	case same(x):
		i.State, i.Reason = NotAssessed, sameXReason
		return
	case same(y):
		i.flat(x, p)
		return
	}
	c, err := stats.Kendall(x, y)
	line, lineErr := stats.TheilSen(x, y)
	if err != nil || lineErr != nil || c.Greater > p && !reachable(x, y, p) {
		i.State, i.Reason = NotAssessed, tooFewReason
		return
	}
	i.Number, i.HasNumber = c.Coefficient, true
	i.Relation = &Relation{N: c.N, Ties: c.Ties, P: c.Greater, Method: c.Method, Slope: line.Slope, SlopeUnit: slopeUnit}
	switch {
	case c.Coefficient < 0:
		i.State = Disagrees
	case c.Coefficient > 0 && c.Greater <= p:
		i.State = Agrees
	default:
		i.State = Mixed
	}
}

// reachable reports whether these values could reach the chance p in any order: the best order is both rising.
func reachable(x, y []float64, p float64) bool {
	best, err := stats.Kendall(slices.Sorted(slices.Values(x)), slices.Sorted(slices.Values(y)))
	return err == nil && best.Greater <= p
}

// flat sets the state where the second measurement never changes: mixed, unless not even one that rises with every trial could reach the
// chance p.
func (i *Indicator) flat(x []float64, p float64) {
	rising := make([]float64, len(x))
	for k := range rising {
		rising[k] = float64(k)
	}
	if !reachable(x, rising, p) {
		i.State, i.Reason = NotAssessed, tooFewReason
		return
	}
	i.State, i.Reason, i.HasNumber = Mixed, sameYReason, true
}

func same(list []float64) bool { return slices.Max(list) == slices.Min(list) }
