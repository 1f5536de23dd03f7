package stats

import (
	"math"

	"ponderal.example/internal/fault"
)

// Limits are limits of agreement: bias less and plus a multiple of the standard deviation, each with its 95 % interval.
type Limits struct {
	Multiple     float64
	Lower, Upper float64
	LowerCI      [2]float64
	UpperCI      [2]float64
}

// Agreement compares two methods on the same subjects.
type Agreement struct {
	N int
	// Bias is the mean of first less second, SD the standard deviation of the differences with n-1, BiasCI the 95 % interval of the bias.
	Bias, SD float64
	BiasCI   [2]float64
	// LimitSE is the standard error of a limit, SD sqrt(3/n).
	LimitSE float64
	// Limits have 1.96 standard deviations, as is usual now; Published have 2, as the article prints.
	Limits, Published Limits
}

// BlandAltman is the agreement of two methods on 3 to 2000 subjects (Bland JM, Altman DG, Lancet 1986;1:307-310).
func BlandAltman(first, second []float64) (Agreement, error) {
	var v violations
	v.pairs("first", "second", first, second, 3, maxPairs)
	if err := fault.InvalidFields(v); err != nil {
		return Agreement{}, err
	}
	d := differences(first, second)
	n := float64(len(d))
	a := Agreement{N: len(d), Bias: mean(d), SD: deviation(d)}
	t := studentHalf(0.95, n-1)
	a.LimitSE = float64(a.SD * math.Sqrt(3/n))
	a.BiasCI = around(a.Bias, float64(t*(a.SD/math.Sqrt(n))))
	a.Limits, a.Published = a.limits(1.96, t), a.limits(2, t)
	return a, nil
}

func (a Agreement) limits(multiple, t float64) Limits {
	l := Limits{Multiple: multiple}
	both := around(a.Bias, float64(multiple*a.SD))
	l.Lower, l.Upper = both[0], both[1]
	half := float64(t * a.LimitSE)
	l.LowerCI, l.UpperCI = around(l.Lower, half), around(l.Upper, half)
	return l
}

func around(centre, half float64) [2]float64 { return [2]float64{centre - half, centre + half} }

func differences(first, second []float64) []float64 {
	d := make([]float64, len(first))
	for i := range first {
		d[i] = first[i] - second[i]
	}
	return d
}

// Repeat is the repeatability of one method from two readings of each subject.
type Repeat struct {
	N int
	// WithinSD is the within-subject standard deviation, the root of half the mean squared difference.
	WithinSD float64
	// Coefficient is 1.96 times the root mean squared difference: two readings differ by less in 95 % of subjects. Published has 2 in
	// place of 1.96, as the article does; AboutMean is 2 SD of the differences about their own mean.
	Coefficient, Published, AboutMean float64
}

// Repeatability is the repeatability on 2 to 2000 subjects (Bland and Altman 1986). The coefficients assume no bias between the readings;
// AboutMean does not.
func Repeatability(first, second []float64) (Repeat, error) {
	var v violations
	v.pairs("first", "second", first, second, 2, maxPairs)
	if err := fault.InvalidFields(v); err != nil {
		return Repeat{}, err
	}
	d := differences(first, second)
	meanSquare := sumSquares(d, 0) / float64(len(d))
	rms := math.Sqrt(meanSquare)
	return Repeat{
		N: len(d), WithinSD: math.Sqrt(float64(meanSquare / 2)),
		Coefficient: float64(1.96 * rms), Published: float64(2 * rms), AboutMean: float64(2 * deviation(d)),
	}, nil
}
