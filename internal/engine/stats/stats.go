// Package stats has the statistics behind consistency and quality figures: rank correlation with exact small-sample tails, robust
// slopes, measurement error, intraclass correlation and limits of agreement.
//
// Each result names its method, so that an approximation is never taken for an exact figure. Results are finite: where a statistic
// does not exist for the data, an error or a field says so. Sources stand beside the functions.
//
// The package is pure: no clock, randomness, input or output. Its floats have the same bits on every machine (see package portable);
// they depend on the order of the data only where sums are formed, and there in the last places alone.
package stats

import (
	"math"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats/portable"
	"ponderal.example/internal/fault"
)

// The rules that data can break.
const (
	// RuleCount: there are as many values as the method needs, and no more than it takes.
	RuleCount = "stats.count"
	// RuleLengths: paired data have the same length, and all rows of a table too.
	RuleLengths = "stats.lengths"
	// RuleValue: a value is a number from -1e12 to 1e12.
	RuleValue = "stats.value"
	// RuleSpread: the values are not all the same.
	RuleSpread = "stats.spread"
	// RuleRange: the parameter is within its range.
	RuleRange = "stats.range"
)

const (
	maxValue = 1e12
	maxPairs = 2000
)

// violations collects broken rules.
type violations []fault.Violation

func (v *violations) add(field, rule, text string) {
	*v = append(*v, fault.Violation{Field: field, Rule: rule, Text: text})
}

// values checks a series of values.
func (v *violations) values(field string, list []float64, least, most int) {
	if len(list) < least || len(list) > most {
		v.add(field, RuleCount, "there must be "+strconv.Itoa(least)+" to "+strconv.Itoa(most)+" values")
		return
	}
	for i, x := range list {
		if !(math.Abs(x) <= maxValue) {
			v.add(field+"["+strconv.Itoa(i)+"]", RuleValue, "a value is a number from -1e12 to 1e12")
		}
	}
}

// pairs checks paired values.
func (v *violations) pairs(nameX, nameY string, x, y []float64, least, most int) {
	v.values(nameX, x, least, most)
	v.values(nameY, y, least, most)
	if len(x) != len(y) {
		v.add(nameY, RuleLengths, "paired values have the same length")
	}
}

// spread refuses values that are all the same.
func (v *violations) spread(field string, list []float64) {
	if len(*v) == 0 && !differs(list) {
		v.add(field, RuleSpread, "the values are all the same")
	}
}

// differs reports whether not all values are the same.
func differs(list []float64) bool {
	for _, x := range list {
		if x != list[0] {
			return true
		}
	}
	return false
}

func mean(list []float64) float64 {
	sum := 0.0
	for _, x := range list {
		sum += x
	}
	return sum / float64(len(list))
}

// sumSquares is the sum of squared deviations from the centre.
func sumSquares(list []float64, centre float64) float64 {
	sum := 0.0
	for _, x := range list {
		d := x - centre
		sum += float64(d * d)
	}
	return sum
}

// deviation is the standard deviation with n-1.
func deviation(list []float64) float64 {
	return math.Sqrt(sumSquares(list, mean(list)) / float64(len(list)-1))
}

// Spread describes a series.
type Spread struct {
	N        int
	Mean, SD float64
	// CV is the coefficient of variation SD/mean as a fraction (times 100 it is a percentage).
	CV float64
}

// CoefficientOfVariation describes 2 to 2000 values above zero; the standard deviation has n-1.
func CoefficientOfVariation(list []float64) (Spread, error) {
	var v violations
	v.values("values", list, 2, maxPairs)
	for i, x := range list {
		if len(v) == 0 && x <= 0 {
			v.add("values["+strconv.Itoa(i)+"]", RuleRange, "a coefficient of variation needs values above zero")
		}
	}
	if err := fault.InvalidFields(v); err != nil {
		return Spread{}, err
	}
	s := Spread{N: len(list), Mean: mean(list), SD: deviation(list)}
	s.CV = s.SD / s.Mean
	return s, nil
}

// SEM is the standard error of measurement SD sqrt(1-ICC) (Weir JP, J Strength Cond Res 2005;19:231-240). Where the SD contains
// differences between raters it differs from the root of the error mean square, which Reliability gives.
func SEM(sd, icc float64) (float64, error) {
	var v violations
	if !(sd >= 0 && sd <= maxValue) {
		v.add("sd", RuleRange, "a standard deviation is 0 to 1e12")
	}
	if !(icc >= 0 && icc <= 1) {
		v.add("icc", RuleRange, "a reliability coefficient for this is 0 to 1")
	}
	if err := fault.InvalidFields(v); err != nil {
		return 0, err
	}
	return float64(sd * math.Sqrt(1-icc)), nil
}

// MDC95 is the minimal detectable change with 95 % confidence, 1.96 sqrt(2) SEM (Weir 2005).
func MDC95(sem float64) (float64, error) { return minimalChange(sem, 1.96) }

// MDC90 is the minimal detectable change with 90 % confidence, 1.645 sqrt(2) SEM (Weir 2005).
func MDC90(sem float64) (float64, error) { return minimalChange(sem, 1.645) }

func minimalChange(sem, z float64) (float64, error) {
	if !(sem >= 0 && sem <= maxValue) {
		return 0, fault.InvalidFields([]fault.Violation{{Field: "sem", Rule: RuleRange, Text: "a standard error of measurement is 0 to 1e12"}})
	}
	return float64(z * math.Sqrt2 * sem), nil
}

// Line is a robust straight line.
type Line struct {
	// Slope is the median of the slopes of all pairs with different x, Pairs how many there are.
	Slope float64
	Pairs int
	// Intercept is the median of y - slope x.
	Intercept float64
}

// maxTheilSen bounds the work of a slope: about 125,000 pairs.
const maxTheilSen = 500

// TheilSen fits a line through 2 to 500 points (Theil 1950; Sen PK, J Am Stat Assoc 1968;63:1379-1389).
func TheilSen(x, y []float64) (Line, error) {
	var v violations
	v.pairs("x", "y", x, y, 2, maxTheilSen)
	v.spread("x", x)
	if err := fault.InvalidFields(v); err != nil {
		return Line{}, err
	}
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := range i {
			if slope := slopeOf(x[i], x[j], y[i], y[j]); x[i] != x[j] && !math.IsInf(slope, 0) {
				slopes = append(slopes, slope)
			}
		}
	}
	if len(slopes) == 0 {
		return Line{}, tooClose()
	}
	line := Line{Slope: median(slopes), Pairs: len(slopes)}
	rests := make([]float64, len(x))
	for i := range x {
		rests[i] = y[i] - float64(line.Slope*x[i])
	}
	line.Intercept = median(rests)
	// A slope so steep that it overflows far points comes from close points, which are then more than half: the median stays finite.
	return line, nil
}

// slopeOf is the slope between two points. A slope of zero has no sign, so that the order of the points cannot show in it.
func slopeOf(x1, x2, y1, y2 float64) float64 { return (y1-y2)/(x1-x2) + 0 }

func tooClose() error {
	return fault.InvalidFields([]fault.Violation{{Field: "x", Rule: RuleSpread, Text: "the values differ too little for a slope"}})
}

// median sorts the list; of an even number it is the mean of the two in the middle.
func median(list []float64) float64 {
	slices.Sort(list)
	n := len(list)
	if n%2 == 1 {
		return list[n/2]
	}
	return float64(list[n/2-1]/2) + float64(list[n/2]/2)
}

// studentHalf is the two-sided quantile of the t distribution for the confidence.
func studentHalf(confidence, df float64) float64 {
	return portable.StudentQuantile(float64((1+confidence)/2), df)
}
