package stats

import (
	"math"
	"slices"

	"ponderal.example/internal/fault"
)

// Trend says how far y rises with x: Kendall's tau-b with the chance of one at least as high, and the median slope.
type Trend struct {
	N           int
	Coefficient float64
	// Greater is the chance of a coefficient at least as high under independence, by Method.
	Greater float64
	Method  Method
	// Ties says that values are tied.
	Ties bool
	// Slope is the median of the slopes of all pairs with different x.
	Slope float64
}

// Trends computes trends one after another in memory of its own. The zero value is ready; it is not for use at the same time by two.
type Trends struct {
	margins margins
	slopes  []float64
}

// Of computes the trend of 3 to 500 pairs: what Kendall and TheilSen give, at less cost.
func (t *Trends) Of(x, y []float64) (Trend, error) {
	var v violations
	v.pairs("x", "y", x, y, 3, maxTheilSen)
	v.spread("x", x)
	v.spread("y", y)
	if err := fault.InvalidFields(v); err != nil {
		return Trend{}, err
	}
	s := t.pairs(x, y)
	if len(t.slopes) == 0 {
		return Trend{}, tooClose()
	}
	out := Trend{N: len(x), Slope: middle(t.slopes)}
	if w, ok := t.margins.whole(x, y); ok {
		greater, all := w.countAtLeast(s)
		out.Coefficient, out.Ties, out.Method = w.coefficient(s), w.tiesX() || w.tiesY(), Exact
		out.Greater = float64(greater) / float64(all)
		return out, nil
	}
	c, err := Kendall(x, y)
	out.Coefficient, out.Greater, out.Method, out.Ties = c.Coefficient, c.Greater, c.Method, c.Ties
	return out, err
}

// pairs collects the slopes and returns Kendall's S.
func (t *Trends) pairs(x, y []float64) int64 {
	if need := len(x) * (len(x) - 1) / 2; cap(t.slopes) < need {
		t.slopes = make([]float64, 0, need)
	}
	slopes, s := t.slopes[:0], int64(0)
	for i, a := range x {
		b := y[i]
		for j, c := range x[:i] {
			if a == c {
				continue
			}
			d := y[j]
			s += rises(a, c, b, d)
			if slope := slopeOf(a, c, b, d); math.Abs(slope) <= math.MaxFloat64 {
				slopes = append(slopes, slope)
			}
		}
	}
	t.slopes = slopes
	return s
}

// rises is 1 where y is higher at the higher of two different x, -1 where it is lower.
func rises(x1, x2, y1, y2 float64) int64 {
	switch {
	case y1 == y2:
		return 0
	case (y1 > y2) == (x1 > x2):
		return 1
	}
	return -1
}

// LowestChance is the one-sided chance of the order of the values of y in which they rise with those of x as far as they can. No data of
// these values has a lower one.
func (t *Trends) LowestChance(x, y []float64) (float64, error) {
	if err := checkCorrelation(x, y); err != nil {
		return 0, err
	}
	if w, ok := t.margins.whole(x, y); ok {
		best, all := w.best()
		return float64(best) / float64(all), nil
	}
	c, err := Kendall(slices.Sorted(slices.Values(x)), slices.Sorted(slices.Values(y)))
	return c.Greater, err
}

// best counts the orders with the highest statistic. That both rise is the one way to reach it: where a lower level of x has a higher value
// than a higher level, to exchange them adds at least 2. So what is left free is the order among values of one level of x.
func (s *shape) best() (count, all uint64) {
	count, all = 1, s.y.orders(s.n)
	level, left := 0, int(s.y.counts[0])
	for _, size := range s.x.list() {
		count *= factorial(int(size))
		for need := int(size); need > 0; {
			k := min(need, left)
			count /= factorial(k)
			need, left = need-k, left-k
			if left == 0 && level+1 < s.y.n {
				level++
				left = int(s.y.counts[level])
			}
		}
	}
	return count, all
}
