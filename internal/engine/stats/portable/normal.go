package portable

import "math"

const (
	invSqrt2Pi = 0.39894228040143267793994605993438186847585863116493

	// tailFrom is where the continued fraction takes over from the series.
	tailFrom = 2.5
	// tailTerms is how many terms of the continued fraction give full precision at tailFrom.
	tailTerms = 120
	// seriesTerms is how many terms of the series give full precision at tailFrom.
	seriesTerms = 48
	// tailEnd is where the tail is below the smallest float64.
	tailEnd = 39
)

// NormalCDF is the standard normal distribution function, with a relative error of about 1e-13 at most.
func NormalCDF(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x < -tailFrom:
		return normalTail(-x)
	case x > tailFrom:
		return 1 - normalTail(x)
	}
	return 0.5 + float64(normalDensity(x)*normalSeries(x))
}

// normalDensity is the standard normal density.
func normalDensity(x float64) float64 {
	return float64(invSqrt2Pi * Exp(-float64(float64(x*x)/2)))
}

// normalSeries is x + x³/3 + x⁵/(3·5) + ..., which times the density is Φ(x) - 1/2 (NIST Digital Library of Mathematical Functions,
// 7.6.2). All its terms have one sign.
func normalSeries(x float64) float64 {
	x2 := float64(x * x)
	sum := 1.0
	for i := seriesTerms; i >= 1; i-- {
		sum = float64(sum*x2)/float64(2*i+1) + 1
	}
	return float64(x * sum)
}

// normalTail is 1 - Φ(x) for x above tailFrom, by Laplace's continued fraction (NIST Digital Library of Mathematical Functions, 7.9.1).
func normalTail(x float64) float64 {
	if x > tailEnd {
		return 0
	}
	fraction := x
	for i := tailTerms; i >= 1; i-- {
		fraction = x + float64(i)/fraction
	}
	return normalDensity(x) / fraction
}

// NormalQuantile is the z below which the share p of a standard normal population lies, for 0 < p < 1; elsewhere NaN. For p of at
// least 1e-300 the error is about 1e-14 times the larger of 1 and |z|.
func NormalQuantile(p float64) float64 {
	switch {
	case math.IsNaN(p) || p <= 0 || p >= 1:
		return math.NaN()
	case p == 0.5:
		return 0
	case p > 0.5:
		// 1 - p is exact from one half on.
		return -lowerQuantile(1 - p)
	}
	return lowerQuantile(p)
}

// lowerQuantile refines a first estimate (Hastings, formula 26.2.23 in Abramowitz and Stegun, Handbook of Mathematical Functions,
// 1964, error below 4.5e-4; its coefficients from memory) by Halley's method, for p below one half.
func lowerQuantile(p float64) float64 {
	t := math.Sqrt(float64(-2 * Log(p)))
	above := float64((float64(0.010328*t)+0.802853)*t) + 2.515517
	below := float64((float64((float64(0.001308*t)+0.189269)*t)+1.432788)*t) + 1
	z := above/below - t
	for range 4 {
		density := normalDensity(z)
		if density == 0 {
			break
		}
		step := (NormalCDF(z) - p) / density
		z -= step / (1 + float64(float64(z*step)/2))
	}
	return z
}
