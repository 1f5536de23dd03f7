// Package consistency computes indicators of how the measurements of a session hang together: ratings, heart rate, mechanics, retests and grip.
// Each has its number, the direction that is expected when effort follows the load, its threshold with its source, and a state. The
// report says how many of those assessed agree.
//
// It never judges the person, and there is no score. An indicator that disagrees is a reason to look again: at the measurement, the
// instructions, pain, fear, fatigue, a drug, the instrument. Few trials carry little; what cannot be assessed is said and not counted.
//
// The package is pure: no clock, randomness, input or output; floats have the same bits on every machine. The order of series and of their
// trials changes nothing.
package consistency

import (
	"cmp"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The rules that an input can break.
const (
	// RuleCount: at most 100 series of at most 500 trials, 100 retests and 100 grip tests.
	RuleCount = "consistency.count"
	// RuleNumberOnce: each series and each trial of a series has a number of its own.
	RuleNumberOnce = "consistency.number_once"
	// RuleLoad: a load is above zero and at most 1000 kg.
	RuleLoad = "consistency.load"
	// RuleHeartRate: a heart rate is 20 to 300 beats per minute.
	RuleHeartRate = "consistency.heart_rate"
	// RuleEffort: a rating is 0 to 10.
	RuleEffort = "consistency.effort"
	// RuleGrade: a grade of a sign is 0 to 3.
	RuleGrade = "consistency.grade"
	// RuleSettings: a setting is within its range.
	RuleSettings = "consistency.settings"
	// RuleError: a measurement error has one of its two forms, within its range, and a source.
	RuleError = "consistency.measurement_error"
)

// Kind of an indicator.
type Kind string

// The kinds, in the order of a report.
const (
	EffortLoad        Kind = "effort_vs_load"
	HeartRateLoad     Kind = "heart_rate_vs_load"
	EffortHeartRate   Kind = "effort_vs_heart_rate"
	MechanicsNearEnd  Kind = "mechanics_near_end"
	RatingAtEqualLoad Kind = "rating_at_equal_load"
	BlindedRetest     Kind = "blinded_retest"
	GripVariation     Kind = "grip_variation"
	GripPositions     Kind = "grip_positions"
	GripRapidExchange Kind = "grip_rapid_exchange"
)

// What sources and reasons say.
const (
	noSource          = "common practice, no source"
	sourceMDC         = "Weir JP, J Strength Cond Res 2005;19:231-240"
	sourceKendall     = "Kendall, Rank correlation methods; Theil 1950 and Sen 1968 for the slope"
	drugReason        = "A rate-limiting drug holds the heart rate down: what it does says nothing about the load or the effort."
	tooFewReason      = "There are too few trials with both measurements, or too many ties, for any data to reach the threshold."
	sameXReason       = "There is nothing to compare: the first measurement is the same in every trial."
	sameYReason       = "The second measurement is the same in every trial."
	noErrorReason     = "No measurement error was given to compare the retest with."
	noRetestReason    = "There was no blinded retest."
	noEqualLoadReason = "No load was handled again blinded with both trials rated."
	noLimitReason     = "The series was not ended by the person's own limit, by effort or by mechanics."
	noSignsReason     = "No observation of mechanics was recorded, not even a steady one."
	fewTrialsReason   = "There are fewer than three trials."
)

// State of an indicator.
type State string

// The states.
const (
	Agrees      State = "agrees"
	Mixed       State = "mixed"
	Disagrees   State = "disagrees"
	NotAssessed State = "not_assessed"
)

// Caution stands with every report.
const Caution = "These indicators describe measurements, not the person. Inconsistency has many causes, among them pain, fear, fatigue, illness, drugs, unclear instructions, an unfamiliar task and errors of measurement; none of them is told apart here. No indicator, and no number of them, shows whether a person was honest. Their reading is for a licensed clinician who knows the person."

// Relation is what a rank correlation found.
type Relation struct {
	// N trials had both measurements; Ties says that some are equal.
	N    int
	Ties bool
	// P is the one-sided chance of a coefficient at least as high if there were no relation, by Method.
	P      float64
	Method stats.Method
	// Slope is the median slope (Theil-Sen), in SlopeUnit.
	Slope     float64
	SlopeUnit string
}

// Indicator is one comparison.
type Indicator struct {
	Kind Kind
	// Series is its number, 0 where the indicator is not of one series. Part says which of several: the hand, the zone and pace.
	Series int
	Part   string
	State  State
	// Number is the figure in Unit; HasNumber says that there is one.
	Number    float64
	HasNumber bool
	Unit      string
	// Expected is the expected direction, Threshold the limit that parts the states, Source where the limit is from.
	Expected, Threshold, Source string
	// Reason says why it was not assessed, or what to bear in mind.
	Reason string
	// Relation is there for the correlations that were computed.
	Relation *Relation
}

// Report holds the indicators: by kind, then series, then part.
type Report struct {
	Indicators []Indicator
	// Assessed are n, Agree k of them; the others are Mixed or Disagree. NotAssessed are beside.
	Assessed, Agree, Mixed, Disagree, NotAssessed int
	// Summary is "3 of 5 assessed indicators agree; 1 mixed, 1 disagrees; 2 not assessed."
	Summary string
	Caution string
}

// Settings are the limits that a clinic may set; none has a source.
type Settings struct {
	// P is the highest one-sided chance with which a correlation agrees, 0.001 to 0.2.
	P float64
	// ShiftAgrees and ShiftMixed are the highest shifts of a rating at equal load, in halves as ratings are.
	ShiftAgrees, ShiftMixed record.Effort
	// LastTrials is how many trials at the end of a series count as near the end, 1 to 5.
	LastTrials int
}

// DefaultSettings: P 0.05, a shift of 1 point agrees and of 2 is mixed, the last 2 trials. Common practice, no source.
func DefaultSettings() Settings {
	return Settings{P: 0.05, ShiftAgrees: 2, ShiftMixed: 4, LastTrials: 2}
}

// Input is a session's measurements.
type Input struct {
	Series []record.Series
	// RateLimitingDrug leaves every indicator with the heart rate unassessed.
	RateLimitingDrug bool
	Retests          []Retest
	// Error is what retests are compared with; nil leaves them unassessed.
	Error    *MeasurementError
	Grip     []GripTest
	Settings Settings
}

const (
	maxSeries = 100
	maxTrials = 500
	maxUnits  = 1000 * 100_000_000_000
)

// Assess computes the report.
func Assess(in Input) (Report, error) {
	v := check(in)
	grips, gripErr := assessGrip(in.Grip)
	v = append(v, gripErr...)
	if err := fault.InvalidFields(v); err != nil {
		return Report{}, err
	}
	series := ordered(in.Series)
	var all []Indicator
	for i := range series {
		all = append(all, relations(&series[i], in)...)
		all = append(all, mechanics(&series[i], in.Settings))
	}
	all = append(all, ratings(series, in.Settings))
	all = append(all, retests(in)...)
	all = append(all, grips...)
	slices.SortStableFunc(all, func(a, b Indicator) int {
		return cmp.Or(cmp.Compare(a.Kind.place(), b.Kind.place()), cmp.Compare(a.Series, b.Series), cmp.Compare(a.Part, b.Part), cmp.Compare(a.Number, b.Number))
	})
	return count(all), nil
}

// Kinds returns every kind in the order of a report.
func Kinds() []Kind {
	return []Kind{EffortLoad, HeartRateLoad, EffortHeartRate, MechanicsNearEnd, RatingAtEqualLoad, BlindedRetest, GripVariation, GripPositions, GripRapidExchange}
}

func (k Kind) place() int { return slices.Index(Kinds(), k) }

// ordered are the series by number, each with its trials by number, without touching the input.
func ordered(list []record.Series) []record.Series {
	out := slices.Clone(list)
	slices.SortFunc(out, func(a, b record.Series) int { return cmp.Compare(a.Number, b.Number) })
	for i := range out {
		out[i].Trials = slices.Clone(out[i].Trials)
		slices.SortFunc(out[i].Trials, func(a, b record.Trial) int { return cmp.Compare(a.Number, b.Number) })
	}
	return out
}

func count(all []Indicator) Report {
	r := Report{Indicators: all, Caution: Caution}
	for i := range all {
		switch all[i].State {
		case Agrees:
			r.Agree++
		case Mixed:
			r.Mixed++
		case Disagrees:
			r.Disagree++
		default:
			r.NotAssessed++
		}
	}
	r.Assessed = r.Agree + r.Mixed + r.Disagree
	disagree := " disagree; "
	if r.Disagree == 1 {
		disagree = " disagrees; "
	}
	r.Summary = strconv.Itoa(r.Agree) + " of " + strconv.Itoa(r.Assessed) + " assessed indicators agree; " + strconv.Itoa(r.Mixed) + " mixed, " +
		strconv.Itoa(r.Disagree) + disagree + strconv.Itoa(r.NotAssessed) + " not assessed."
	return r
}

// kilograms is the float64 nearest to the mass.
func kilograms(m mass.Mass) float64 { return float64(float64(m.Units()) / 1e11) }
