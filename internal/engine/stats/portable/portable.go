// Package portable has the elementary and distribution functions that the engine needs, with float64 results whose bits are the
// same on every machine.
//
// Two things make a Go program's floats differ between machines. The compiler may fuse a product with the addition it feeds, unless
// the product is rounded by an explicit conversion (The Go Programming Language Specification, "Floating-point operators"); and
// package math has assembly for Exp, Log and others on some machines only, while its Go code for the rest is open to fusing. So here,
// and in every package whose floats reach a finding, each product stands in a float64 conversion (a test reads the source and holds
// this), and of package math only what IEEE 754 fixes to the bit is used: Sqrt, Floor, Abs and the taking apart and putting together
// of bits. Committed results in hexadecimal, checked on whichever machine runs the tests, prove it.
//
// The functions are total: no argument makes them panic or run without end. Outside its domain a function returns NaN.
package portable

import "math"

const (
	// ln2Hi has 32 significant bits, so that its product with an exponent is exact; ln2Lo is the rest of ln 2.
	ln2Hi = 0x1.62e42feep-1
	ln2Lo = math.Ln2 - ln2Hi
)

// Log is the natural logarithm, within 2 units in the last place. Log(0) is -Inf; below 0 it is NaN.
func Log(x float64) float64 {
	switch {
	case math.IsNaN(x) || x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	case math.IsInf(x, 1):
		return x
	}
	m, e := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m, e = float64(m*2), e-1
	}
	// ln m = 2 artanh((m-1)/(m+1)), and |s| < 0.1716.
	s := (m - 1) / (m + 1)
	s2 := float64(s * s)
	series := 0.0
	for k := logTerms; k >= 1; k-- {
		series = float64(series*s2) + 1/float64(2*k+1)
	}
	tail := float64(float64(2*s) * float64(s2*series))
	k := float64(e)
	return float64(k*ln2Hi) + (float64(2*s) + (tail + float64(k*ln2Lo)))
}

const (
	logTerms = 12 // 0.1716^26 is below 2^-60
	expTerms = 15 // 0.3466^16/16! is below 2^-60

	expMax = 709.782712893384   // beyond it e^x exceeds the largest float64
	expMin = -745.1332191019412 // beyond it e^x rounds to 0
)

// Exp is e^x, within 2 units in the last place where the result is a normal number. It is +Inf above 709.78 and 0 below -745.13.
func Exp(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x > expMax:
		return math.Inf(1)
	case x < expMin:
		return 0
	}
	k := math.Floor(float64(x*math.Log2E) + 0.5)
	r := (x - float64(k*ln2Hi)) - float64(k*ln2Lo)
	sum := 1.0
	for i := expTerms; i >= 1; i-- {
		sum = float64(sum*r)/float64(i) + 1
	}
	return math.Ldexp(sum, int(k))
}

// stirling holds B(2k)/(2k(2k-1)), the coefficients of Stirling's series for the logarithm of the gamma function
// (NIST Digital Library of Mathematical Functions, 5.11.1).
var stirling = [...]float64{
	1.0 / 12, -1.0 / 360, 1.0 / 1260, -1.0 / 1680, 1.0 / 1188, -691.0 / 360360, 1.0 / 156, -3617.0 / 122400,
}

const (
	stirlingFrom = 13 // from here eight terms of the series give full precision
	halfLog2Pi   = 0.91893853320467274178032973640561763986139747363778
)

// LogGamma is ln Γ(x) for x > 0, with an error of about 1e-15 times the larger of 1 and the result. Elsewhere it is NaN.
func LogGamma(x float64) float64 {
	switch {
	case math.IsNaN(x) || x <= 0:
		return math.NaN()
	case math.IsInf(x, 1):
		return x
	case x == 1 || x == 2:
		return 0
	}
	product := 1.0
	for x < stirlingFrom {
		product = float64(product * x)
		x++
	}
	return float64((x-0.5)*Log(x)) - x + halfLog2Pi + stirlingSeries(x) - Log(product)
}

// stirlingSeries is what Stirling's formula leaves out of ln Γ(x), for x of at least stirlingFrom.
func stirlingSeries(x float64) float64 {
	inverse2 := 1 / float64(x*x)
	sum := 0.0
	for i := len(stirling) - 1; i >= 0; i-- {
		sum = float64(sum*inverse2) + stirling[i]
	}
	return sum / x
}
