package stats

import (
	"math"
	"slices"

	"ponderal.example/internal/engine/stats/portable"
	"ponderal.example/internal/fault"
)

// Method says how the tails of a correlation were found.
type Method string

// The methods.
const (
	// Exact: the distribution over all orders of the data, ties included.
	Exact Method = "exact"
	// StudentApproximation: Spearman's coefficient referred to t with n-2 degrees of freedom.
	StudentApproximation Method = "t_approximation"
	// NormalApproximation: Kendall's statistic referred to the normal distribution with its variance corrected for ties, without a
	// correction for continuity.
	NormalApproximation Method = "normal_approximation"
)

const (
	// exactPermutations is up to how many pairs every order is counted.
	exactPermutations = 10
	// exactKendall is up to how many pairs Kendall's distribution is exact when one of the variables has no ties.
	exactKendall = 50
)

// Correlation is a rank correlation with its tails under independence.
type Correlation struct {
	N int
	// Coefficient is -1 to 1: Spearman's with mean ranks for ties, Kendall's tau-b.
	Coefficient float64
	// Greater is the chance of a coefficient at least as high, Less of one at least as low, TwoSided of one at least as far from the
	// centre (in an approximation twice the smaller tail).
	Greater, Less, TwoSided float64
	Method                  Method
	// Ties says that values are tied.
	Ties bool
}

func checkCorrelation(x, y []float64) error {
	var v violations
	v.pairs("x", "y", x, y, 3, maxPairs)
	v.spread("x", x)
	v.spread("y", y)
	return fault.InvalidFields(v)
}

// Spearman is Spearman's rank correlation of 3 to 2000 pairs: exact to 10 pairs, an approximation beyond.
func Spearman(x, y []float64) (Correlation, error) {
	if err := checkCorrelation(x, y); err != nil {
		return Correlation{}, err
	}
	rx, ry := rankOf(x), rankOf(y)
	rx.halve()
	ry.halve()
	n := int64(len(x))
	var sx, sy, xx, yy, xy int64
	for i := range x {
		a, b := rx.doubled[i], ry.doubled[i]
		sx, sy, xx, yy, xy = sx+a, sy+b, xx+a*a, yy+b*b, xy+a*b
	}
	// Whole numbers up to 2e14: exact.
	c := Correlation{N: len(x), Ties: rx.ties() || ry.ties()}
	c.Coefficient = float64(n*xy-sx*sy) / math.Sqrt(float64(float64(n*xx-sx*sx)*float64(n*yy-sy*sy)))
	if len(x) > exactPermutations {
		c.Method = StudentApproximation
		c.student()
		return c, nil
	}
	c.Method = Exact
	d := permutations(rx.levels, ry.levels, func(to level, _ []level, _ []int, chosen []int) int64 {
		sum := int64(0)
		for l, k := range chosen {
			sum += int64(k) * ry.levels[l].doubled
		}
		return to.doubled * sum
	})
	c.tails(d, xy, n, sx*sy)
	return c, nil
}

// student refers the coefficient to t with n-2 degrees of freedom.
func (c *Correlation) student() {
	df := float64(c.N - 2)
	rest := 1 - float64(c.Coefficient*c.Coefficient)
	t := math.Inf(1)
	if rest > 0 {
		t = float64(math.Abs(c.Coefficient) * math.Sqrt(df/rest))
	}
	c.approximate(portable.StudentTail(t, df), portable.StudentTail(-t, df))
}

// approximate sets the tails from those beyond and before the absolute value.
func (c *Correlation) approximate(beyond, before float64) {
	c.Greater, c.Less = beyond, before
	if c.Coefficient < 0 {
		c.Greater, c.Less = before, beyond
	}
	c.TwoSided = min(1, float64(2*beyond))
}

// tails sets the exact tails from the distribution of a statistic whose value is observed and whose mean is centre/n.
func (c *Correlation) tails(d window, observed, n, centre int64) {
	var all, greater, less, both uint64
	far := magnitude(n*observed - centre)
	for i, count := range d.counts {
		s := d.low + int64(i)
		all += count
		if s >= observed {
			greater += count
		}
		if s <= observed {
			less += count
		}
		if magnitude(n*s-centre) >= far {
			both += count
		}
	}
	// At most 10! orders.
	c.Greater, c.Less, c.TwoSided = float64(greater)/float64(all), float64(less)/float64(all), float64(both)/float64(all)
}

func magnitude(v int64) int64 { return max(v, -v) }

// ranking are the ranks of a series.
type ranking struct {
	doubled []int64 // twice the mean rank of each value, a whole number
	level   []int   // which level each value is on
	levels  []level // the distinct values in ascending order
}

// level is one distinct value.
type level struct {
	count   int
	doubled int64
}

func (r ranking) ties() bool { return len(r.levels) < len(r.doubled) }

func rankOf(values []float64) ranking {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case values[a] < values[b]:
			return -1
		case values[a] > values[b]:
			return 1
		}
		return 0
	})
	r := ranking{doubled: make([]int64, len(values)), level: make([]int, len(values))}
	for from := 0; from < len(order); {
		to := from + 1
		for to < len(order) && values[order[to]] == values[order[from]] {
			to++
		}
		// Ranks from+1 to to have the mean (from+1+to)/2.
		l := level{count: to - from, doubled: int64(from + 1 + to)}
		for _, i := range order[from:to] {
			r.doubled[i], r.level[i] = l.doubled, len(r.levels)
		}
		r.levels = append(r.levels, l)
		from = to
	}
	return r
}

// halve takes the ranks themselves in place of their doubles, which is the same correlation, where they are whole.
func (r *ranking) halve() {
	for _, l := range r.levels {
		if l.doubled%2 != 0 {
			return
		}
	}
	for i := range r.doubled {
		r.doubled[i] /= 2
	}
	for i := range r.levels {
		r.levels[i].doubled /= 2
	}
}

// tiedPairs is how many pairs of values are on one level.
func (r ranking) tiedPairs() int64 {
	sum := int64(0)
	for _, l := range r.levels {
		sum += int64(l.count) * int64(l.count-1) / 2
	}
	return sum
}
