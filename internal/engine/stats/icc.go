package stats

import (
	"math"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats/portable"
	"ponderal.example/internal/fault"
)

// Form is one of the six intraclass correlations of Shrout PE, Fleiss JL, Psychol Bull 1979;86:420-428.
type Form string

// The forms: each target rated by other raters (1), by the same raters as a sample of all (2), by the same raters who are all there
// are (3); of a single rating or of the mean of the ratings.
const (
	OneWaySingle      Form = "icc_1_1"
	TwoWaySingle      Form = "icc_2_1"
	ConsistencySingle Form = "icc_3_1"
	OneWayMean        Form = "icc_1_k"
	TwoWayMean        Form = "icc_2_k"
	ConsistencyMean   Form = "icc_3_k"
)

// ICC is one intraclass correlation.
type ICC struct {
	Form Form
	// Defined says that the estimate exists; it does not where the form divides by nothing.
	Defined  bool
	Estimate float64
	// IntervalDefined says that the limits of confidence exist.
	IntervalDefined bool
	Lower, Upper    float64
	// F is the form's variance ratio with its degrees of freedom and P its upper tail; FUnlimited says that the denominator is 0.
	F          float64
	FUnlimited bool
	DF1, DF2   float64
	P          float64
}

// Reliability is the analysis of a table of ratings.
type Reliability struct {
	Targets, Raters int
	Confidence      float64
	// BetweenTargets (BMS), WithinTargets (WMS), BetweenRaters (JMS) and Error (EMS) are the mean squares.
	BetweenTargets, WithinTargets, BetweenRaters, Error float64
	// Forms are in the order of the constants.
	Forms [6]ICC
	// SEMConsistency is the root of the error mean square, SEMAgreement that of the mean square within targets (Weir 2005).
	SEMConsistency, SEMAgreement float64
}

const (
	maxTargets = 2000
	maxRaters  = 50
)

// IntraclassCorrelation analyses 2 to 2000 targets (rows) rated by the same 2 to 50 raters (columns), with the confidence of its
// intervals from 0.5 to 0.999.
func IntraclassCorrelation(ratings [][]float64, confidence float64) (Reliability, error) {
	if err := checkRatings(ratings, confidence); err != nil {
		return Reliability{}, err
	}
	r := meanSquares(ratings)
	r.Confidence = confidence
	if r.BetweenTargets == 0 && r.WithinTargets == 0 {
		return Reliability{}, fault.InvalidFields([]fault.Violation{{Field: "ratings", Rule: RuleSpread, Text: "the ratings are all the same"}})
	}
	r.SEMConsistency, r.SEMAgreement = math.Sqrt(r.Error), math.Sqrt(r.WithinTargets)
	r.oneWay()
	r.consistency()
	r.twoWay()
	for i := range r.Forms {
		r.Forms[i].settle()
	}
	return r, nil
}

func checkRatings(ratings [][]float64, confidence float64) error {
	var v violations
	if len(ratings) < 2 || len(ratings) > maxTargets {
		v.add("ratings", RuleCount, "there must be 2 to 2000 targets")
		return fault.InvalidFields(v)
	}
	for i, row := range ratings {
		field := "ratings[" + strconv.Itoa(i) + "]"
		v.values(field, row, 2, maxRaters)
		if len(row) != len(ratings[0]) {
			v.add(field, RuleLengths, "every target has a rating by every rater")
		}
	}
	if !(confidence >= 0.5 && confidence <= 0.999) {
		v.add("confidence", RuleRange, "the confidence is 0.5 to 0.999")
	}
	return fault.InvalidFields(v)
}

// rounding is the part of the largest rating below which a residual is taken for the rounding of the means, that is for 0.
const rounding = 1e-13

// meanSquares is the analysis of variance with one rating in each cell. Each sum of squares is a sum of squared residuals, so none
// can be negative.
func meanSquares(ratings [][]float64) Reliability {
	n, k := len(ratings), len(ratings[0])
	rows, columns := make([]float64, n), make([]float64, k)
	for i, row := range ratings {
		rows[i] = mean(row)
		for j, x := range row {
			columns[j] += x
		}
	}
	for j := range columns {
		columns[j] = columns[j] / float64(n)
	}
	grand, noise := mean(rows), 0.0
	for _, row := range ratings {
		noise = max(noise, float64(rounding*max(slices.Max(row), -slices.Min(row))))
	}
	within, rest, between, raters := 0.0, 0.0, 0.0, 0.0
	for i, row := range ratings {
		between += squared(rows[i]-grand, noise)
		for j, x := range row {
			within += squared(x-rows[i], noise)
			rest += squared((x-rows[i])-(columns[j]-grand), noise)
		}
	}
	for _, c := range columns {
		raters += squared(c-grand, noise)
	}
	nf, kf := float64(n), float64(k)
	return Reliability{
		Targets: n, Raters: k,
		BetweenTargets: float64(kf*between) / (nf - 1),
		WithinTargets:  within / float64(nf*(kf-1)),
		BetweenRaters:  float64(nf*raters) / (kf - 1),
		Error:          rest / float64((nf-1)*(kf-1)),
	}
}

// squared is the square of a residual above the noise.
func squared(residual, noise float64) float64 {
	if math.Abs(residual) <= noise {
		return 0
	}
	return float64(residual * residual)
}

// oneWay has forms 1: the ratio of the mean squares between and within targets.
func (r *Reliability) oneWay() {
	n, k := float64(r.Targets), float64(r.Raters)
	r.ratioForms(0, 3, OneWaySingle, OneWayMean, r.WithinTargets, n-1, float64(n*(k-1)))
}

// consistency has forms 3: the ratio of the mean square between targets and the error.
func (r *Reliability) consistency() {
	n, k := float64(r.Targets), float64(r.Raters)
	r.ratioForms(2, 5, ConsistencySingle, ConsistencyMean, r.Error, n-1, float64((n-1)*(k-1)))
}

// ratioForms sets a single and a mean form that depend on one variance ratio F: (F-1)/(F+k-1) and 1-1/F, their limits by the limits of F.
func (r *Reliability) ratioForms(single, average int, singleForm, meanForm Form, noise, df1, df2 float64) {
	k, b := float64(r.Raters), r.BetweenTargets
	one := ICC{Form: singleForm, DF1: df1, DF2: df2, Estimate: (b - noise) / (b + float64((k-1)*noise))}
	many := ICC{Form: meanForm, DF1: df1, DF2: df2, Estimate: (b - noise) / b}
	if noise == 0 {
		for _, f := range []*ICC{&one, &many} {
			f.FUnlimited, f.Lower, f.Upper = true, 1, 1
		}
	} else {
		f := b / noise
		one.F, one.P = f, portable.FTail(f, df1, df2)
		many.F, many.P = one.F, one.P
		p := float64((1 + r.Confidence) / 2)
		low, high := f/portable.FQuantile(p, df1, df2), float64(f*portable.FQuantile(p, df2, df1))
		one.Lower, one.Upper = (low-1)/(low+k-1), (high-1)/(high+k-1)
		many.Lower, many.Upper = 1-1/low, 1-1/high
	}
	r.Forms[single], r.Forms[average] = one, many
}

// twoWay has forms 2, whose limits rest on Satterthwaite's degrees of freedom (Shrout and Fleiss 1979, p. 424).
func (r *Reliability) twoWay() {
	n, k := float64(r.Targets), float64(r.Raters)
	b, j, e := r.BetweenTargets, r.BetweenRaters, r.Error
	consistent := r.Forms[2]
	one := ICC{Form: TwoWaySingle, F: consistent.F, FUnlimited: consistent.FUnlimited, DF1: consistent.DF1, DF2: consistent.DF2, P: consistent.P}
	many := one
	many.Form = TwoWayMean
	one.Estimate = (b - e) / (b + float64((k-1)*e) + float64(k*(j-e))/n)
	many.Estimate = positiveQuotient(b-e, b+(j-e)/n)
	if r.WithinTargets == 0 {
		one.Lower, one.Upper, many.Lower, many.Upper = 1, 1, 1, 1
	} else {
		one.Lower, one.Upper = r.twoWayLimits(one.Estimate)
		many.Lower, many.Upper = spearmanBrown(one.Lower, k), spearmanBrown(one.Upper, k)
	}
	r.Forms[1], r.Forms[4] = one, many
}

// twoWayLimits are the limits of ICC(2,1).
func (r *Reliability) twoWayLimits(icc float64) (lower, upper float64) {
	n, k := float64(r.Targets), float64(r.Raters)
	b, j, e := r.BetweenTargets, r.BetweenRaters, r.Error
	// The published ratio of degrees of freedom, both parts multiplied by the squared error so that an error of 0 does no harm.
	raters := float64(k * icc * j)
	targets := float64((float64(n*(1+float64((k-1)*icc))) - float64(k*icc)) * e)
	sum := raters + targets
	df := float64((k-1)*(n-1)*sum*sum) / (float64((n-1)*raters*raters) + float64(targets*targets))
	p := float64((1 + r.Confidence) / 2)
	f := portable.FQuantile(p, n-1, df)
	rest := float64(k*j) + float64((float64(k*n)-k-n)*e)
	lower = float64(n*(b-float64(f*e))) / (float64(f*rest) + float64(n*b))
	f = portable.FQuantile(p, df, n-1)
	upper = float64(n*(float64(f*b)-e)) / (rest + float64(n*f*b))
	return lower, upper
}

// spearmanBrown is the reliability of the mean of k ratings; where it has no meaning it is NaN.
func spearmanBrown(single, k float64) float64 {
	return positiveQuotient(float64(k*single), 1+float64((k-1)*single))
}

// positiveQuotient is a/b for b above zero, else NaN.
func positiveQuotient(a, b float64) float64 {
	if !(b > 0) {
		return math.NaN()
	}
	return a / b
}

// settle clears what does not exist, so that every number is finite.
func (c *ICC) settle() {
	c.Defined = finite(c.Estimate)
	c.IntervalDefined = c.Defined && finite(c.Lower) && finite(c.Upper)
	if !c.Defined {
		c.Estimate = 0
	}
	if !c.IntervalDefined {
		c.Lower, c.Upper = 0, 0
	}
	if !finite(c.F) {
		c.F, c.P, c.FUnlimited = 0, 0, true
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
