// Package grip reads a grip test: three trials in one position, five handle positions, rapid exchange between the hands, and strength
// against published norms.
//
// None of this tells whether a person gave full effort. Every figure that is offered for that stands with the published critique of it, and
// with cut-offs that differ between sources; pain, fear, injury, fatigue, an unfamiliar task and the instrument move the same figures. The
// judgement is the licensed clinician's.
//
// A reading is the dynamometer's force as the mass that weighs as much: 50 lb, 22.5 kg. The package is pure: no clock, randomness, input or
// output; floats have the same bits on every machine.
package grip

import (
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// The rules that an input can break.
const (
	// RuleCount: three trials, five positions.
	RuleCount = "grip.count"
	// RuleReading: a reading is above zero and at most 200 kg.
	RuleReading = "grip.reading"
	// RuleRange: a percentage is 0 to 100.
	RuleRange = "grip.range"
	// RuleUnknown: the word is one of those listed.
	RuleUnknown = "grip.unknown"
	// RuleAge: the norms have the age.
	RuleAge = "grip.age"
	// RuleHand: the norms need the hand.
	RuleHand = "grip.hand"
	// RuleStature: the norms have the stature.
	RuleStature = "grip.stature"
)

const (
	trials    = 3
	positions = 5
	maxUnits  = 200 * 100_000_000_000
)

// violations collects broken rules.
type violations []fault.Violation

func (v *violations) add(field, rule, text string) {
	*v = append(*v, fault.Violation{Field: field, Rule: rule, Text: text})
}

func (v *violations) readings(list []mass.Mass, n int) {
	if len(list) != n {
		v.add("readings", RuleCount, "there are exactly "+strconv.Itoa(n)+" readings")
		return
	}
	for i, m := range list {
		if !isReading(m) {
			v.reading("readings["+strconv.Itoa(i)+"]", m)
		}
	}
}

func isReading(m mass.Mass) bool { return m.Units() > 0 && m.Units() <= maxUnits }

func (v *violations) reading(field string, m mass.Mass) {
	if !isReading(m) {
		v.add(field, RuleReading, "a reading is above zero and at most 200 kg")
	}
}

func (v *violations) percent(field string, p float64) {
	if !(p >= 0 && p <= 100) {
		v.add(field, RuleRange, "a percentage is 0 to 100")
	}
}

// kilograms is the float64 nearest to the mass.
func kilograms(m mass.Mass) float64 { return float64(float64(m.Units()) / 1e11) }

func allKilograms(list []mass.Mass) []float64 {
	out := make([]float64, len(list))
	for i, m := range list {
		out[i] = kilograms(m)
	}
	return out
}

// Cutoff is a published limit for the coefficient of variation of three trials.
type Cutoff struct {
	Percent float64
	// For says for whom, where the source says so.
	For    string
	Source string
}

// Cutoffs are the published limits; they disagree. The caller chooses one and Critique stands beside it.
func Cutoffs() []Cutoff {
	return []Cutoff{
		{7.5, "", "tested by Hamilton Fairfax, Balnave and Adams, Ergonomics 1995;38(9):1819-1830"},
		{10, "men", "summary page for a hydraulic dynamometer (secondary)"},
		{12, "women", "summary page for a hydraulic dynamometer (secondary)"},
		{10, "", "used in practice, no source read"},
		{15, "", "used in practice, no source read"},
	}
}

// Critique is what the literature holds against the coefficient of variation as a sign of effort.
func Critique() []string {
	return []string{
		"With a cut-off of 7.5 %, 97 % of women and 64 % of men who gave maximal effort would be misclassified (n = 63 maximal, 40 half effort); the coefficient's reliability from day to day is near zero. Hamilton Fairfax, Balnave and Adams, Ergonomics 1995;38(9):1819-1830.",
		"The standard deviation does not differ between maximal and submaximal effort (n = 146); the coefficient rises only because the mean falls. Shechtman, J Hand Ther 2001;14(3).",
		"Not an appropriate measure; it may be inflated in injured hands. Shechtman, J Hand Ther 2000;13(1):25-32.",
	}
}

// Variation describes three trials.
type Variation struct {
	// MeanKg and SDKg are in kilograms of force, the deviation with n-1; CVPercent is their quotient.
	MeanKg, SDKg, CVPercent float64
	// CutoffPercent is the limit that was asked for, Within whether the coefficient is not above it.
	CutoffPercent float64
	Within        bool
}

// Trials is the coefficient of variation of three trials against a cut-off in percent.
func Trials(readings []mass.Mass, cutoffPercent float64) (Variation, error) {
	var v violations
	v.readings(readings, trials)
	v.percent("cutoff_percent", cutoffPercent)
	if err := fault.InvalidFields(v); err != nil {
		return Variation{}, err
	}
	s, err := stats.CoefficientOfVariation(allKilograms(readings))
	if err != nil {
		return Variation{}, err
	}
	out := Variation{MeanKg: s.Mean, SDKg: s.SD, CVPercent: float64(100 * s.CV), CutoffPercent: cutoffPercent}
	out.Within = out.CVPercent <= cutoffPercent
	return out, nil
}

// Shape of the curve over five handle positions.
type Shape string

// The shapes.
const (
	// Peaked: it rises to one position between the ends and falls after it.
	Peaked Shape = "peaked"
	// PeakAtEnd: it only rises or only falls.
	PeakAtEnd Shape = "peak_at_end"
	// Uneven: it falls and rises again.
	Uneven Shape = "uneven"
	// Flat: its spread is within the limit that was asked for.
	Flat Shape = "flat"
)

// Curve describes five handle positions.
type Curve struct {
	Shape Shape
	// Peak is the strongest position, 1 to 5, the first of equals.
	Peak int
	// SDKg is the standard deviation over the positions (n-1), in kilograms of force.
	SDKg float64
	// SpreadPercent is the highest less the lowest as a percentage of the highest.
	SpreadPercent float64
}

// CurveCritique is what the literature holds against the curve over five positions (Stokes, J Occup Med 1983;25:683-684) as a sign of effort.
const CurveCritique = "Not effective on its own: in 30 hand patients the spread of the curve differed by sex, injury and effort, and sensitivity and specificity vary with the cut-off. Gutierrez and Shechtman, Am J Phys Med Rehabil 2003;82."

// Positions describes the strongest readings in the five handle positions, narrowest first. A curve with a spread of at most flatPercent is called
// flat; there is no published limit that holds (Gutierrez and Shechtman 2003), 10 is common practice without a source.
func Positions(readings []mass.Mass, flatPercent float64) (Curve, error) {
	var v violations
	v.readings(readings, positions)
	v.percent("flat_percent", flatPercent)
	if err := fault.InvalidFields(v); err != nil {
		return Curve{}, err
	}
	s, err := stats.CoefficientOfVariation(allKilograms(readings))
	if err != nil {
		return Curve{}, err
	}
	high := slices.MaxFunc(readings, mass.Mass.Cmp)
	low := slices.MinFunc(readings, mass.Mass.Cmp)
	peak := slices.Index(readings, high)
	c := Curve{Peak: peak + 1, SDKg: s.SD, SpreadPercent: percentOf(high.Sub(low), high), Shape: shapeOf(readings, peak)}
	if c.SpreadPercent <= flatPercent {
		c.Shape = Flat
	}
	return c, nil
}

func shapeOf(readings []mass.Mass, peak int) Shape {
	for i := 1; i < len(readings); i++ {
		if rises := readings[i].Cmp(readings[i-1]); i <= peak && rises < 0 || i > peak && rises > 0 {
			return Uneven
		}
	}
	if peak == 0 || readings[len(readings)-1] == readings[peak] {
		return PeakAtEnd
	}
	return Peaked
}

// percentOf is 100 a/b. Products of whole numbers up to 2e13 by 100 are exact.
func percentOf(a, b mass.Mass) float64 {
	return float64(100*a.Units()) / float64(b.Units())
}

// Exchange compares rapid exchange with the static test of the same hand.
type Exchange struct {
	// DifferencePercent is rapid less static as a percentage of static.
	DifferencePercent float64
}

// ExchangeCritique says how much a difference can carry.
const ExchangeCritique = "That rapid exchange gives no more than the static test at full effort is common practice; no source was read for a limit, and speed, learning and pain change it too."

// RapidExchange compares the strongest readings of one hand.
func RapidExchange(static, rapid mass.Mass) (Exchange, error) {
	var v violations
	v.reading("static", static)
	v.reading("rapid", rapid)
	if err := fault.InvalidFields(v); err != nil {
		return Exchange{}, err
	}
	return Exchange{DifferencePercent: percentOf(rapid.Sub(static), static)}, nil
}
