package stats

import (
	"math"

	"ponderal.example/internal/engine/stats/portable"
)

// Kendall is Kendall's tau-b of 3 to 2000 pairs (Kendall MG, Rank correlation methods, 4th ed. 1970; from memory): exact to 10 pairs,
// and to 50 where one variable has no ties; an approximation beyond.
func Kendall(x, y []float64) (Correlation, error) {
	if err := checkCorrelation(x, y); err != nil {
		return Correlation{}, err
	}
	var m margins
	if w, ok := m.whole(x, y); ok {
		return w.correlation(concordance(x, y)), nil
	}
	rx, ry := rankOf(x), rankOf(y)
	n := int64(len(x))
	s := concordance(x, y)
	pairs := n * (n - 1) / 2
	c := Correlation{N: len(x), Ties: rx.ties() || ry.ties()}
	c.Coefficient = tauB(s, pairs-rx.tiedPairs(), pairs-ry.tiedPairs())
	if len(x) <= exactKendall && !(rx.ties() && ry.ties()) {
		c.Method = Exact
		tied := ry
		if rx.ties() {
			tied = rx
		}
		c.inversionTails(tied, s)
		return c, nil
	}
	c.Method = NormalApproximation
	c.normal(s, kendallVariance(rx, ry))
	return c, nil
}

// tauB is Kendall's coefficient from S and from how many pairs are not tied in x and in y.
func tauB(s, x, y int64) float64 {
	return float64(s) / math.Sqrt(float64(float64(x)*float64(y)))
}

// whole is a distribution of S that is counted in whole numbers.
type whole struct {
	shape
	margins *margins
}

// whole is the distribution for these pairs; ok is false where there are too many to count.
func (m *margins) whole(x, y []float64) (w whole, ok bool) {
	if len(x) > exactWhole {
		return whole{}, false
	}
	w = whole{shapeOf(x, y), m}
	return w, len(x) <= exactPermutations || !w.tiesX() || !w.tiesY()
}

// countAtLeast counts the distinct orders with a statistic of at least v and all of them.
func (w *whole) countAtLeast(v int64) (count, all uint64) {
	if w.tiesX() && w.tiesY() {
		return w.margins.countAtLeast(&w.shape, v)
	}
	return w.atLeast(v)
}

func (w *whole) coefficient(s int64) float64 {
	return tauB(s, w.pairs()-w.x.tied, w.pairs()-w.y.tied)
}

// correlation has every tail.
func (w *whole) correlation(s int64) Correlation {
	c := Correlation{N: w.n, Ties: w.tiesX() || w.tiesY(), Method: Exact, Coefficient: w.coefficient(s)}
	far := magnitude(s)
	greater, all := w.countAtLeast(s)
	above, _ := w.countAtLeast(s + 1)
	upper, _ := w.countAtLeast(far)
	inner, _ := w.countAtLeast(-far + 1)
	c.Greater, c.Less = float64(greater)/float64(all), float64(all-above)/float64(all)
	// In the middle both tails hold the same orders.
	c.TwoSided = min(1, float64(upper+all-inner)/float64(all))
	return c
}

// concordance is the number of concordant pairs less that of discordant ones.
func concordance(x, y []float64) int64 {
	s := int64(0)
	for i, a := range x {
		for j, c := range x[:i] {
			if a != c {
				s += rises(a, c, y[i], y[j])
			}
		}
	}
	return s
}

// inversionTails sets the exact tails where one variable has no ties. The inversions of a random order of the tied one are a sum of
// independent parts: each level against all lower ones, distributed as the Mann-Whitney statistic.
func (c *Correlation) inversionTails(tied ranking, s int64) {
	chances, below := []float64{1}, 0
	for _, l := range tied.levels {
		chances = convolve(chances, mannWhitney(below, l.count))
		below += l.count
	}
	// S is the number of pairs not tied less twice the inversions, so its distribution ends where the chances do.
	most := int64(len(chances) - 1)
	for k, p := range chances {
		value := most - 2*int64(k)
		if value >= s {
			c.Greater += p
		}
		if value <= s {
			c.Less += p
		}
		if magnitude(value) >= magnitude(s) {
			c.TwoSided += p
		}
	}
	c.Greater, c.Less, c.TwoSided = min(1, c.Greater), min(1, c.Less), min(1, c.TwoSided)
}

// convolve is the distribution of the sum of two independent counts.
func convolve(a, b []float64) []float64 {
	out := make([]float64, len(a)+len(b)-1)
	for i, p := range a {
		for j, q := range b {
			out[i+j] += float64(p * q)
		}
	}
	return out
}

// mannWhitney is the distribution of the number of pairs in the wrong order among all orders of m lower and t higher values
// (Mann HB, Whitney DR, Ann Math Stat 1947;18:50-60).
func mannWhitney(m, t int) []float64 {
	// rows[b] is the distribution for a lower and b higher values, as a grows to m.
	rows := make([][]float64, t+1)
	for b := range rows {
		rows[b] = []float64{1}
	}
	for a := 1; a <= m; a++ {
		for b := 1; b <= t; b++ {
			row := make([]float64, a*b+1)
			// The last value is a lower one, out of order with all b higher ones, or a higher one.
			for k, p := range rows[b] {
				row[k+b] += float64(p * (float64(a) / float64(a+b)))
			}
			for k, p := range rows[b-1] {
				row[k] += float64(p * (float64(b) / float64(a+b)))
			}
			rows[b] = row
		}
	}
	return rows[t]
}

// kendallVariance is the variance of S under independence with ties in both variables (Kendall 1970).
func kendallVariance(x, y ranking) float64 {
	n := int64(len(x.level))
	x1, x2, x3 := tieSums(x)
	y1, y2, y3 := tieSums(y)
	main := float64(float64(n*(n-1)*(2*n+5)-x3-y3) / 18)
	pairs := float64(float64(x1)*float64(y1)) / float64(2*n*(n-1))
	triples := float64(float64(x2)*float64(y2)) / float64(9*n*(n-1)*(n-2))
	return main + pairs + triples
}

// tieSums are the sums over the levels of t(t-1), t(t-1)(t-2) and t(t-1)(2t+5).
func tieSums(r ranking) (pairs, triples, weighted int64) {
	for _, l := range r.levels {
		t := int64(l.count)
		pairs += t * (t - 1)
		triples += t * (t - 1) * (t - 2)
		weighted += t * (t - 1) * (2*t + 5)
	}
	return pairs, triples, weighted
}

// normal refers S to the normal distribution.
func (c *Correlation) normal(s int64, variance float64) {
	z := float64(magnitude(s)) / math.Sqrt(variance)
	c.approximate(portable.NormalCDF(-z), portable.NormalCDF(z))
}
