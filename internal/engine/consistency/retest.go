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

// Retest is a highest load that was found twice: in series First, and blinded in series Second.
type Retest struct {
	First, Second         int
	Zone                  record.Zone
	Pace                  record.Pace
	FirstLoad, SecondLoad mass.Mass
	// SEM is the standard error of measurement of series Second's own protocol, above 0 and at most 100 kg, SEMSource whose it is. Where it is
	// nil, that of the input stands. The error of one series is never that of another.
	SEM       *mass.Mass
	SEMSource string
}

// FindRetests finds the series that repeat another of the same zone and pace blinded: each of their trials is blinded. Such a series is compared with
// the first before it that is not blinded, or else with the first. Loads gives the highest accepted load of a series by its number, nil
// where there is none; a series without one does not count. Before is by number; the order of the list changes nothing.
func FindRetests(series []record.Series, loads func(seriesNumber int) *mass.Mass) []Retest {
	var out []Retest
	for k := range series {
		second := &series[k]
		if !blinded(second) {
			continue
		}
		first := retestOf(series, second, loads)
		if first == nil {
			continue
		}
		if load := loads(second.Number); load != nil {
			out = append(out, Retest{First: first.Number, Second: second.Number, Zone: second.Zone, Pace: second.Pace, FirstLoad: *loads(first.Number), SecondLoad: *load})
		}
	}
	slices.SortFunc(out, func(a, b Retest) int { return cmp.Compare(a.Second, b.Second) })
	return out
}

// retestOf is the series that another repeats; nil if there is none.
func retestOf(series []record.Series, second *record.Series, loads func(seriesNumber int) *mass.Mass) *record.Series {
	var first *record.Series
	for k := range series {
		s := &series[k]
		if s.Number >= second.Number || s.Zone != second.Zone || s.Pace != second.Pace || loads(s.Number) == nil {
			continue
		}
		if first == nil || blinded(first) && !blinded(s) || blinded(first) == blinded(s) && s.Number < first.Number {
			first = s
		}
	}
	return first
}

// blinded reports whether the series has trials and each is blinded.
func blinded(s *record.Series) bool {
	for k := range s.Trials {
		if !s.Trials[k].Blinded {
			return false
		}
	}
	return len(s.Trials) > 0
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

// change is the minimal detectable change of a retest, in kilograms, with the source of the error; ok is false where none within its range
// was given.
func (in *Input) change(r *Retest) (kg float64, source string, ok bool) {
	switch {
	case r.SEM != nil:
		return changeOf(*r.SEM, r.SEMSource)
	case in.SEM != nil:
		return changeOf(*in.SEM, in.SEMSource)
	case in.Error != nil:
		kg, err := in.Error.MDC95()
		return kg, in.Error.Source, err == nil
	}
	return 0, "", false
}

func changeOf(sem mass.Mass, from string) (kg float64, source string, ok bool) {
	if !semSound(sem) {
		return 0, "", false
	}
	kg, err := stats.MDC95(kilograms(sem))
	return kg, from, err == nil
}

// retestRule says what retests are held against: with the measurement error, where one was given, and with that of each series where they
// differ.
func (in *Input) retestRule() Rule {
	r := Rule{Kind: BlindedRetest, Expected: expectedRetest, Threshold: thresholdRetest, Source: sourceMDC}
	var none Retest
	one := &none
	if len(in.Retests) > 0 {
		one = &in.Retests[0]
	}
	change, source, known := in.change(one)
	for k := range in.Retests {
		if c, from, ok := in.change(&in.Retests[k]); c != change || from != source || ok != known {
			return in.retestRules(r)
		}
	}
	if known {
		r.Threshold = "agrees: at most " + decimal(change, 2) + " kg, the minimal detectable change with 95 % confidence; disagrees: more"
		r.Source = sourceMDC + "; error of measurement: " + source
	}
	return r
}

// retestRules is the rule of retests whose errors differ.
func (in *Input) retestRules(r Rule) Rule {
	sorted := slices.Clone(in.Retests)
	slices.SortStableFunc(sorted, func(a, b Retest) int { return cmp.Compare(a.Second, b.Second) })
	r.Threshold = "agrees: at most the minimal detectable change with 95 % confidence of the repetition's own protocol"
	separator := ": "
	for k := range sorted {
		change, source, known := in.change(&sorted[k])
		if !known {
			continue
		}
		number := "series " + strconv.Itoa(sorted[k].Second)
		r.Threshold += separator + number + ", " + decimal(change, 2) + " kg"
		r.Source += "; error of measurement of " + number + ": " + source
		separator = "; "
	}
	r.Threshold += "; disagrees: more"
	return r
}

// retests compares each retest with the minimal detectable change.
func retests(all []Indicator, in *Input) []Indicator {
	if len(in.Retests) == 0 {
		return append(all, Indicator{Kind: BlindedRetest, Unit: unitKilogram, State: NotAssessed, Reason: noRetestReason})
	}
	from := len(all)
	for k := range in.Retests {
		r := &in.Retests[k]
		change, _, known := in.change(r)
		i := Indicator{Kind: BlindedRetest, Series: r.Second, Unit: unitKilogram, State: NotAssessed,
			Reason: "Series " + strconv.Itoa(r.Second) + " repeats series " + strconv.Itoa(r.First) + " blinded."}
		if loadSound(r.FirstLoad) && loadSound(r.SecondLoad) {
			i.Number, i.HasNumber = kilograms(r.SecondLoad.Sub(r.FirstLoad)), true
		}
		switch {
		case !i.HasNumber:
			i.Reason += " " + retestLoadReason
		case !known:
			i.Reason += " " + noErrorReason
		case math.Abs(i.Number) <= change:
			i.State = Agrees
		default:
			i.State = Disagrees
		}
		all = append(all, i)
	}
	slices.SortStableFunc(all[from:], within)
	return all
}

// within orders indicators of one kind.
func within(a, b Indicator) int {
	return cmp.Or(cmp.Compare(a.Series, b.Series), cmp.Compare(a.Part, b.Part), cmp.Compare(a.Number, b.Number))
}
