// Package consistency computes indicators of how the measurements of a session hang together: ratings, heart rate, mechanics, retests and grip.
// Each has its number and a state, and each kind the direction that is expected when effort follows the load, and its threshold with its
// source. The report says how many of those assessed agree.
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
	// RuleError: a measurement error has one of its forms, within its range, and a source.
	RuleError = "consistency.measurement_error"
	// RuleRetest: a retest is of two series, of which the second has the higher number.
	RuleRetest = "consistency.retest"
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

// Indicator is one comparison; what it is held against is the Rule of its kind.
type Indicator struct {
	Kind Kind
	// Series is its number, 0 where the indicator is not of one series: that of a retest is the repetition, that of the ratings the series of
	// the largest shift, that of a grip test what the caller gave. Part is the hand of a grip test.
	Series int
	Part   string
	State  State
	// Number is the figure in Unit; HasNumber says that there is one.
	Number    float64
	HasNumber bool
	Unit      string
	// Reason says why it was not assessed, or what to bear in mind.
	Reason string
	// Relation is there for the correlations that were computed.
	Relation *Relation
}

// Rule is what the indicators of a kind are held against.
type Rule struct {
	Kind Kind
	// Expected is the expected direction, Threshold the limit that parts the states, Source where the limit is from, Critique what the
	// literature holds against it, where there is such.
	Expected, Threshold, Source, Critique string
}

// Report holds the indicators: by kind, then series, then part.
type Report struct {
	Indicators []Indicator
	// Rules are one for each kind that is among them, in the same order.
	Rules []Rule
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
	// SEM is the standard error of measurement with which retests without one of their own are compared, above 0 and at most 100 kg,
	// SEMSource whose it is. Error is the same as figures that are not masses; there is at most one of both. Without any a retest is not
	// assessed.
	SEM       *mass.Mass
	SEMSource string
	Error     *MeasurementError
	Grip      []GripTest
	// EndOf is why a series ended, by its number, where the caller has worked that out; nil, or empty, where it has not.
	EndOf    func(series int) record.EndReason
	Settings Settings
}

const (
	maxSeries = 100
	maxTrials = 500
	maxUnits  = 1000 * 100_000_000_000
	maxSEM    = 100 * 100_000_000_000
)

// Assess checks the input and computes the report.
func Assess(in Input) (Report, error) {
	if err := fault.InvalidFields(check(&in)); err != nil {
		return Report{}, err
	}
	return Of(in), nil
}

// Of computes the report of an input that was checked before. It is total: a measurement out of its range counts as one that was not made,
// and what depends on a setting out of its range is not assessed. Numbers of series and of trials that stand twice are told apart by their
// place in the list.
func Of(in Input) Report {
	series, most := ordered(in.Series)
	var w worker
	w.prepare(&in, most)
	n := len(series)
	kinds := relationKinds()
	ofSeries := (len(kinds) + 1) * n
	all := make([]Indicator, ofSeries+1, ofSeries+1+max(1, len(in.Retests))+3*len(in.Grip))
	for k := range series {
		w.read(&series[k])
		for r := range kinds {
			w.relate(&all[r*n+k], &kinds[r], series[k].Number)
		}
		w.mechanics(&all[len(kinds)*n+k], &series[k])
	}
	w.ratings(&all[ofSeries], series)
	all = retests(all, &in)
	all = grips(all, in.Grip)
	return count(all, w.rules(&in))
}

// Kinds returns every kind in the order of a report.
func Kinds() []Kind {
	return []Kind{EffortLoad, HeartRateLoad, EffortHeartRate, MechanicsNearEnd, RatingAtEqualLoad, BlindedRetest, GripVariation, GripPositions, GripRapidExchange}
}

// rules are those of the kinds that a report has.
func (w *worker) rules(in *Input) []Rule {
	out := make([]Rule, 0, len(Kinds()))
	if len(in.Series) > 0 {
		for _, r := range relationKinds() {
			out = append(out, Rule{Kind: r.kind, Expected: r.expected, Threshold: w.texts.relation, Source: sourceRelation})
		}
		out = append(out, Rule{Kind: MechanicsNearEnd, Expected: expectedMechanics, Threshold: w.texts.mechanics, Source: noSource})
	}
	out = append(out, Rule{Kind: RatingAtEqualLoad, Expected: expectedRatings, Threshold: w.texts.ratings, Source: noSource}, in.retestRule())
	return append(out, gripRules(in.Grip)...)
}

// ordered are the series by number, each with its trials by number, and the most trials that one has. The input is not touched, and
// copied only where it is in another order.
func ordered(list []record.Series) (out []record.Series, most int) {
	out, own := list, false
	if !ascends(len(list), func(i int) int { return list[i].Number }) {
		out, own = slices.Clone(list), true
		slices.SortStableFunc(out, func(a, b record.Series) int { return cmp.Compare(a.Number, b.Number) })
	}
	for k := range out {
		trials := out[k].Trials
		most = max(most, len(trials))
		if ascends(len(trials), func(i int) int { return trials[i].Number }) {
			continue
		}
		if !own {
			out, own = slices.Clone(list), true
		}
		out[k].Trials = slices.Clone(trials)
		slices.SortStableFunc(out[k].Trials, func(a, b record.Trial) int { return cmp.Compare(a.Number, b.Number) })
	}
	return out, most
}

// ascends reports whether n numbers are in order.
func ascends(n int, number func(i int) int) bool {
	for i := 1; i < n; i++ {
		if number(i) < number(i-1) {
			return false
		}
	}
	return true
}

func count(all []Indicator, rules []Rule) Report {
	r := Report{Indicators: all, Rules: rules, Caution: Caution}
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
	r.Summary = r.summary()
	return r
}

// kilograms is the float64 nearest to the mass.
func kilograms(m mass.Mass) float64 { return float64(float64(m.Units()) / 1e11) }
