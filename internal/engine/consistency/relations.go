package consistency

import (
	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/record"
)

// measure is one of what a trial is measured by.
type measure int

const (
	load measure = iota
	effort
	heartRate
	measures // how many there are
)

// relation is a kind of correlation: what goes in, and in what the slope is.
type relation struct {
	kind     Kind
	expected string
	unit     string
	x, y     measure
}

// relationsOfSeries is how many correlations a series has.
const relationsOfSeries = 3

// relationKinds in the order of a report. The array is a value: nobody can change it for another.
func relationKinds() [relationsOfSeries]relation {
	return [...]relation{
		{EffortLoad, "the rating rises with the load", "points per kg", load, effort},
		{HeartRateLoad, "the heart rate rises with the load", "bpm per kg", load, heartRate},
		{EffortHeartRate, "the rating rises with the heart rate", "points per bpm", heartRate, effort},
	}
}

// drugged reports whether the heart rate takes part.
func (r *relation) drugged() bool { return r.x == heartRate || r.y == heartRate }

// measured is one measure in the trials of a series; known is false where there is none within its range.
type measured struct {
	value []float64
	known []bool
}

func (m *measured) add(value float64, known bool) {
	m.value, m.known = append(m.value, value), append(m.known, known)
}

// worker holds what the relations of a report share: memory that is used again from series to series.
type worker struct {
	settings  Settings
	sound     bool // the settings are within their ranges
	texts     texts
	drug      bool
	endOf     func(series int) record.EndReason
	trends    stats.Trends
	measured  [measures]measured
	x, y      []float64
	relations []Relation // room for all, so that none moves
}

// prepare readies a new worker for series of at most so many trials.
func (w *worker) prepare(in *Input, most int) {
	w.settings, w.sound, w.texts, w.drug, w.endOf = in.Settings, in.Settings.sound(), textsOf(in.Settings), in.RateLimitingDrug, in.EndOf
	w.relations = make([]Relation, 0, relationsOfSeries*len(in.Series))
	values, known := make([]float64, (int(measures)+2)*most), make([]bool, int(measures)*most)
	for m := range w.measured {
		w.measured[m] = measured{values[:0:most], known[:0:most]}
		values, known = values[most:], known[most:]
	}
	w.x, w.y = values[:0:most], values[most:most:2*most]
}

// read takes the measures of a series.
func (w *worker) read(s *record.Series) {
	for m := range w.measured {
		w.measured[m] = measured{w.measured[m].value[:0], w.measured[m].known[:0]}
	}
	for k := range s.Trials {
		t := &s.Trials[k]
		w.measured[load].add(kilograms(t.Load), loadSound(t.Load))
		rating, rated := ratingOf(t)
		w.measured[effort].add(rating.Float(), rated)
		beats, counted := 0, t.HeartRate != nil && heartRateSound(*t.HeartRate)
		if counted {
			beats = *t.HeartRate
		}
		w.measured[heartRate].add(float64(beats), counted)
	}
}

// ratingOf is the trial's rating if it has one within its range.
func ratingOf(t *record.Trial) (e record.Effort, ok bool) {
	if t.Effort == nil || !effortSound(*t.Effort) {
		return 0, false
	}
	return *t.Effort, true
}

// relate computes a relation of the series that was read.
func (w *worker) relate(i *Indicator, r *relation, number int) {
	*i = Indicator{Kind: r.kind, Series: number, Unit: unitTau, State: NotAssessed}
	switch {
	case !w.sound:
		i.Reason = settingsReason
		return
	case w.drug && r.drugged():
		i.Reason = drugReason
		return
	}
	w.pair(&w.measured[r.x], &w.measured[r.y])
	switch x, y := w.x, w.y; {
	case len(x) < 3:
		i.Reason = tooFewReason
	case len(x) > maxTrials:
		i.Reason = tooManyReason
	case same(x):
		i.Reason = sameXReason
	case same(y):
		w.flat(i)
	default:
		w.judge(i, r.unit)
	}
}

// pair keeps the trials that have both.
func (w *worker) pair(x, y *measured) {
	w.x, w.y = w.x[:0], w.y[:0]
	for k, known := range x.known {
		if known && y.known[k] {
			w.x, w.y = append(w.x, x.value[k]), append(w.y, y.value[k])
		}
	}
}

// judge sets the state from the paired measurements.
func (w *worker) judge(i *Indicator, slopeUnit string) {
	p := w.settings.P
	c, err := w.trends.Of(w.x, w.y)
	if err != nil || c.Greater > p && !w.reachable(w.x, w.y) {
		i.Reason = tooFewReason
		return
	}
	w.relations = append(w.relations, Relation{N: c.N, Ties: c.Ties, P: c.Greater, Method: c.Method, Slope: c.Slope, SlopeUnit: slopeUnit})
	i.Number, i.HasNumber, i.Relation = c.Coefficient, true, &w.relations[len(w.relations)-1]
	switch {
	case c.Coefficient < 0:
		i.State = Disagrees
	case c.Coefficient > 0 && c.Greater <= p:
		i.State = Agrees
	default:
		i.State = Mixed
	}
}

// reachable reports whether these values could reach the highest chance in any order.
func (w *worker) reachable(x, y []float64) bool {
	best, err := w.trends.LowestChance(x, y)
	return err == nil && best <= w.settings.P
}

// flat sets the state where the second measurement never changes: mixed, unless not even one that rises with every trial could reach the
// highest chance.
func (w *worker) flat(i *Indicator) {
	rising := w.y
	for k := range rising {
		rising[k] = float64(k)
	}
	if !w.reachable(w.x, rising) {
		i.Reason = tooFewReason
		return
	}
	i.State, i.Reason, i.HasNumber = Mixed, sameYReason, true
}

func same(list []float64) bool {
	for _, v := range list {
		if v != list[0] {
			return false
		}
	}
	return true
}
