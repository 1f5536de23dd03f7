package portable

import "math"

const (
	// fractionTerms bounds the work of one incomplete beta function. Convergence takes about the square root of the larger parameter.
	fractionTerms = 20000
	// maxParameter bounds the parameters of the beta distribution and so keeps fractionTerms sufficient.
	maxParameter = 1e7
	tiny         = 0x1p-1000
	epsilon      = 0x1p-53
)

// BetaCDF is the regularized incomplete beta function I_x(a, b) for 0 < a, b <= 1e7: the beta distribution function. x outside 0..1 is
// taken as the nearer bound. Its relative error is about 1e-13, growing with the parameters to about 1e-9 at 1e7. Other parameters give NaN.
func BetaCDF(x, a, b float64) float64 {
	return betaBoth(x, 1-x, a, b)
}

// betaBoth is BetaCDF of x where y = 1 - x is known better than subtraction would give it.
func betaBoth(x, y, a, b float64) float64 {
	switch {
	case !(a > 0 && a <= maxParameter && b > 0 && b <= maxParameter) || math.IsNaN(x) || math.IsNaN(y):
		return math.NaN()
	case x <= 0:
		return 0
	case y <= 0:
		return 1
	}
	front := Exp(float64(a*Log(x)) + float64(b*Log(y)) - logBeta(a, b))
	if x < (a+1)/(a+b+2) {
		return share(float64(front*betaFraction(x, a, b)) / a)
	}
	return share(1 - float64(front*betaFraction(y, b, a))/b)
}

// share keeps a rounding error from leading out of 0..1.
func share(v float64) float64 {
	return min(max(v, 0), 1)
}

// logBeta is ln B(a, b). For large parameters the logarithms of the gamma function cancel, so their leading terms are combined first.
func logBeta(a, b float64) float64 {
	if a > b {
		a, b = b, a
	}
	if b < stirlingFrom {
		return LogGamma(a) + LogGamma(b) - LogGamma(a+b)
	}
	sum := a + b
	correction := stirlingSeries(b) - stirlingSeries(sum)
	if a < stirlingFrom {
		// ln Γ(b) - ln Γ(a+b) by Stirling's formula.
		return LogGamma(a) + correction + a - float64(a*Log(sum)) + float64((b-0.5)*log1p(-a/sum))
	}
	return correction + stirlingSeries(a) + halfLog2Pi - float64(0.5*Log(b)) +
		float64((a-0.5)*Log(a/sum)) + float64(b*log1p(-a/sum))
}

// log1p is ln(1+u) for -1 < u, near 0 by the rounding error of 1+u made good.
func log1p(u float64) float64 {
	w := 1 + u
	if w == 1 {
		return u
	}
	return float64(Log(w) * (u / (w - 1)))
}

// betaFraction is the continued fraction of the incomplete beta function (NIST Digital Library of Mathematical Functions, 8.17.22) by
// Lentz's method.
func betaFraction(x, a, b float64) float64 {
	c, d := 1.0, away(1-float64((a+b)*x)/(a+1))
	d = 1 / d
	h := d
	for m := 1; m <= fractionTerms; m++ {
		i := float64(m)
		even := float64(float64(i*(b-i))*x) / float64((a+i+i-1)*(a+i+i))
		d = 1 / away(1+float64(even*d))
		c = away(1 + even/c)
		h = float64(h * float64(d*c))
		odd := -float64(float64((a+i)*(a+b+i))*x) / float64((a+i+i)*(a+i+i+1))
		d = 1 / away(1+float64(odd*d))
		c = away(1 + odd/c)
		step := float64(d * c)
		h = float64(h * step)
		if math.Abs(step-1) <= 2*epsilon {
			break
		}
	}
	return h
}

// away keeps a denominator from being 0.
func away(v float64) float64 {
	if math.Abs(v) < tiny {
		return tiny
	}
	return v
}

// FCDF is the share of the F distribution with d1 and d2 degrees of freedom (which need not be whole) at or below f.
func FCDF(f, d1, d2 float64) float64 {
	if f <= 0 {
		return 0
	}
	below, above := float64(d1*f), d2
	return betaBoth(below/(below+above), above/(below+above), float64(d1/2), float64(d2/2))
}

// FTail is 1 - FCDF without cancellation.
func FTail(f, d1, d2 float64) float64 {
	if f <= 0 {
		return 1
	}
	if math.IsInf(f, 1) {
		return 0
	}
	below, above := float64(d1*f), d2
	return betaBoth(above/(below+above), below/(below+above), float64(d2/2), float64(d1/2))
}

// FQuantile is the f with FCDF(f) = p, for 0 < p < 1 and 0 < d1, d2 <= 2e7; elsewhere NaN.
func FQuantile(p, d1, d2 float64) float64 {
	if !(p > 0 && p < 1) || math.IsNaN(FCDF(1, d1, d2)) {
		return math.NaN()
	}
	reached := func(f float64) bool { return FCDF(f, d1, d2) >= p }
	if p > 0.5 {
		reached = func(f float64) bool { return FTail(f, d1, d2) <= 1-p }
	}
	// Positive floats are ordered as their bits are, so at most 64 halvings find the first float at which the share is reached.
	low, high := uint64(0), math.Float64bits(math.MaxFloat64)/2+math.Float64bits(1)/2
	for low < high {
		mid := low + (high-low)/2
		if reached(math.Float64frombits(mid)) {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return math.Float64frombits(low)
}

// StudentTail is the share of the t distribution with df degrees of freedom that lies above t.
func StudentTail(t, df float64) float64 {
	t2 := float64(t * t)
	if math.IsInf(t2, 1) {
		if t > 0 {
			return 0
		}
		return 1
	}
	half := float64(betaBoth(df/(df+t2), t2/(df+t2), float64(df/2), 0.5) / 2)
	if t < 0 {
		return 1 - half
	}
	return half
}

// StudentQuantile is the t below which the share p of the t distribution with df degrees of freedom lies, for p from 1e-9 to 1 - 1e-9 and
// 0 < df <= 2e7; elsewhere it loses precision and in the end is NaN.
func StudentQuantile(p, df float64) float64 {
	switch {
	case p == 0.5 && df > 0:
		return 0
	case p > 0.5:
		return math.Sqrt(FQuantile(1-float64(2*(1-p)), 1, df))
	}
	return -math.Sqrt(FQuantile(1-float64(2*p), 1, df))
}
