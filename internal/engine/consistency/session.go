package consistency

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// mechanics looks whether a change in how the load is handled was seen near the end of a series that the person's limit ended.
func mechanics(s *record.Series, set Settings) Indicator {
	i := Indicator{Kind: MechanicsNearEnd, Series: s.Number, Unit: "trials up to the first with a change", Source: noSource,
		Expected:  "a change in mechanics is seen near the end of a series that a limit ended",
		Threshold: "agrees: a sign of grade 1 or more in the last " + strconv.Itoa(set.LastTrials) + " trials; mixed: only earlier; disagrees: none in the series"}
	onset, last, seen := Onset(s.Trials)
	switch {
	case !limited(s, last):
		i.State, i.Reason = NotAssessed, noLimitReason
	case len(s.Trials) < 3:
		i.State, i.Reason = NotAssessed, fewTrialsReason
	case !seen:
		i.State, i.Reason = NotAssessed, noSignsReason
	case onset == 0:
		i.State = Disagrees
	case len(s.Trials)-last < set.LastTrials:
		i.State, i.Number, i.HasNumber = Agrees, float64(onset), true
	default:
		i.State, i.Number, i.HasNumber = Mixed, float64(onset), true
	}
	return i
}

// limited reports whether the person's own limit, effort of 8 or more, or an unsafe sign ended the series.
func limited(s *record.Series, last int) bool {
	if s.Stop == record.StopVolitional {
		return true
	}
	if s.Stop != "" || len(s.Trials) == 0 {
		return false
	}
	end := &s.Trials[len(s.Trials)-1]
	return end.Effort != nil && *end.Effort >= effortStop || last == len(s.Trials) && grade(end) == unsafe
}

const (
	// effortStop is the rating that ends a series, 8 (common practice, no source), in halves.
	effortStop record.Effort = 16
	// unsafe is the grade that ends a series.
	unsafe = 3
)

// Onset finds among trials in their order the first and the last with a sign of grade 1 or more, counted from 1; 0 where there is none. Seen says
// that any sign was recorded, a steady one too: where nothing was, nothing is known.
func Onset(trials []record.Trial) (first, last int, seen bool) {
	for i := range trials {
		seen = seen || len(trials[i].Signs) > 0
		if grade(&trials[i]) > 0 {
			last = i + 1
			if first == 0 {
				first = last
			}
		}
	}
	return first, last, seen
}

func grade(t *record.Trial) int {
	highest := 0
	for _, s := range t.Signs {
		highest = max(highest, s.Grade)
	}
	return highest
}

// rated is a trial with a rating and where it stands.
type rated struct {
	trial  *record.Trial
	series *record.Series
}

// ratings compares each blinded trial with the first rated trial before it of the same load, zone and pace: the largest shift counts.
func ratings(series []record.Series, set Settings) Indicator {
	i := Indicator{Kind: RatingAtEqualLoad, Unit: "points", Source: noSource, Expected: "the same load is rated alike when it is handled again blinded",
		Threshold: "agrees: at most " + set.ShiftAgrees.String() + "; mixed: at most " + set.ShiftMixed.String() + "; disagrees: more"}
	var all []rated
	for k := range series {
		for j := range series[k].Trials {
			if series[k].Trials[j].Effort != nil {
				all = append(all, rated{&series[k].Trials[j], &series[k]})
			}
		}
	}
	slices.SortFunc(all, func(a, b rated) int {
		return cmp.Or(a.trial.At.Std().Compare(b.trial.At.Std()), cmp.Compare(a.series.Number, b.series.Number), cmp.Compare(a.trial.Number, b.trial.Number))
	})
	type key struct {
		zone record.Zone
		pace record.Pace
		load mass.Mass
	}
	first := map[key]record.Effort{}
	largest, found := record.Effort(0), false
	for _, r := range all {
		k := key{r.series.Zone, r.series.Pace, r.trial.Load}
		before, known := first[k]
		if !known {
			first[k] = *r.trial.Effort
			continue
		}
		if shift := *r.trial.Effort - before; r.trial.Blinded && (!found || size(shift) > size(largest)) {
			largest, found, i.Series = shift, true, r.series.Number
		}
	}
	if !found {
		i.State, i.Reason = NotAssessed, noEqualLoadReason
		return i
	}
	i.Number, i.HasNumber = largest.Float(), true
	i.Reason = "Fatigue alone raises a later rating."
	switch {
	case size(largest) <= set.ShiftAgrees:
		i.State = Agrees
	case size(largest) <= set.ShiftMixed:
		i.State = Mixed
	default:
		i.State = Disagrees
	}
	return i
}

func size(e record.Effort) record.Effort { return max(e, -e) }

// Retest is a highest load that was found twice, the second time blinded.
type Retest struct {
	Zone          record.Zone
	Pace          record.Pace
	First, Second mass.Mass
}

// MeasurementError is the error of the measurement that a retest repeats, in one of two forms: the standard error of measurement, or a
// standard deviation with a coefficient of reliability (SEM = SD sqrt(1 - ICC)). Source says whose it is.
type MeasurementError struct {
	SEMKilograms     float64
	SDKilograms, ICC float64
	Source           string
}

// PublishedErrors are standard errors of measurement of lifting tests with their sources. They are of two raters, not of two days, of a test
// and of people that may differ: a clinic's own figures are better.
func PublishedErrors() []MeasurementError {
	const source = "Lindell et al., BMC Musculoskelet Disord 2007;8:31, table 1: progressive isoinertial lift, between raters, "
	return []MeasurementError{
		{SEMKilograms: 2.2, Source: source + "lumbar, 50 participants"},
		{SEMKilograms: 1.8, Source: source + "cervical, 50 participants"},
		{SEMKilograms: 2.1, Source: source + "lumbar, 30 patients"},
		{SEMKilograms: 1.5, Source: source + "cervical, 30 patients"},
	}
}

// MDC95 is the minimal detectable change with 95 % confidence, in kilograms.
func (e MeasurementError) MDC95() (float64, error) {
	sem := e.SEMKilograms
	if sem == 0 {
		var err error
		if sem, err = stats.SEM(e.SDKilograms, e.ICC); err != nil {
			return 0, err
		}
	}
	return stats.MDC95(sem)
}

// retests compares each retest with the minimal detectable change.
func retests(in Input) []Indicator {
	blank := Indicator{Kind: BlindedRetest, Unit: "kg", Source: sourceMDC, State: NotAssessed,
		Expected: "a blinded retest ends at the same load, within the error of measurement", Threshold: "agrees: at most the minimal detectable change with 95 % confidence; disagrees: more"}
	if len(in.Retests) == 0 {
		blank.Reason = noRetestReason
		return []Indicator{blank}
	}
	var out []Indicator
	for _, r := range in.Retests {
		i := blank
		i.Part = string(r.Zone) + " " + string(r.Pace)
		i.Number, i.HasNumber = kilograms(r.Second.Sub(r.First)), true
		i.judgeRetest(in.Error)
		out = append(out, i)
	}
	return out
}

func (i *Indicator) judgeRetest(e *MeasurementError) {
	if e == nil {
		i.Reason = noErrorReason
		return
	}
	change, err := e.MDC95()
	if err != nil {
		i.Reason = noErrorReason
		return
	}
	i.Threshold = "agrees: at most " + strconv.FormatFloat(change, 'f', 2, 64) + " kg, the minimal detectable change with 95 % confidence; disagrees: more"
	i.Source = sourceMDC + "; error of measurement: " + e.Source
	i.State = Disagrees
	if math.Abs(i.Number) <= change {
		i.State = Agrees
	}
}
