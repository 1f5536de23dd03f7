package stats

const (
	// exactWhole is up to how many pairs, one variable without ties, Kendall's distribution is counted in whole numbers: n! is below 2^53
	// up to 18, so that each count is a float64 too and a chance is one rounded quotient.
	exactWhole = 18
	// halfInversions is half of the most inversions of so many values.
	halfInversions = exactWhole * (exactWhole - 1) / 4
)

// levelCounts says how often each distinct value stands, in ascending order of the values.
type levelCounts struct {
	n      int
	counts [exactWhole]uint8
	tied   int64 // how many pairs are equal
}

// shape is what the exact distribution of Kendall's statistic depends on.
type shape struct {
	n    int
	x, y levelCounts
}

// shapeOf takes 1 to exactWhole pairs.
func shapeOf(x, y []float64) shape {
	return shape{n: len(x), x: levelsOf(x), y: levelsOf(y)}
}

func levelsOf(values []float64) levelCounts {
	var sorted [exactWhole]float64
	list := sorted[:copy(sorted[:], values)]
	insertionSort(list)
	c := levelCounts{}
	for i := range list {
		if i == 0 || list[i] != list[i-1] {
			c.n++
		}
		// With one more, a value is equal to each that stands on its level.
		c.tied += int64(c.counts[c.n-1])
		c.counts[c.n-1]++
	}
	return c
}

func insertionSort(list []float64) {
	for i := 1; i < len(list); i++ {
		v, j := list[i], i
		for ; j > 0 && list[j-1] > v; j-- {
			list[j] = list[j-1]
		}
		list[j] = v
	}
}

func (c *levelCounts) list() []uint8 { return c.counts[:c.n] }

// orders is n!/(t1! t2! ...), how many distinct orders the values have.
func (c *levelCounts) orders(n int) uint64 {
	all := factorial(n)
	if c.n == n {
		return all
	}
	for _, t := range c.list() {
		all /= factorial(int(t))
	}
	return all
}

func (s *shape) pairs() int64 { return int64(s.n) * int64(s.n-1) / 2 }

func (s *shape) tiesX() bool { return s.x.n < s.n }

func (s *shape) tiesY() bool { return s.y.n < s.n }

// ends is the greatest value of the statistic where one variable has no ties: it lies between -ends and ends, in steps of 2.
func (s *shape) ends() int64 { return s.pairs() - s.x.tied - s.y.tied }

// mahonian holds for each n how many orders of n different values have k inversions. It is never written after this.
var mahonian = mahonianNumbers()

// mahonianNumbers follows the recurrence of the generating function (1)(1+q)(1+q+q²)... (Knuth, The Art of Computer Programming 3,
// section 5.1.1; from memory).
func mahonianNumbers() [exactWhole + 1][]uint64 {
	rows := [exactWhole + 1][]uint64{{1}, {1}}
	for n := 2; n <= exactWhole; n++ {
		row := make([]uint64, n*(n-1)/2+1)
		for k := range row {
			for i := max(0, k-n+1); i <= min(k, len(rows[n-1])-1); i++ {
				row[k] += rows[n-1][i]
			}
		}
		rows[n] = row
	}
	return rows
}

// atLeast counts the distinct orders with a statistic of at least v and all of them, where one variable has no ties. Then the statistic is
// ends less twice the inversions of the other variable, which are distributed as the q-multinomial coefficient [n]!/([t1]![t2]!...)
// (MacMahon; Stanley, Enumerative Combinatorics 1, section 1.7; from memory), the same from either end.
func (s *shape) atLeast(v int64) (count, all uint64) {
	tied := &s.x
	if s.tiesY() {
		tied = &s.y
	}
	all = tied.orders(s.n)
	ends := s.ends()
	switch {
	case v <= -ends:
		return all, all
	case v > ends:
		return 0, all
	}
	most := (ends - v) / 2
	if rest := ends - most - 1; rest < most {
		return all - atMost(s.n, tied.list(), int(rest)), all
	}
	return atMost(s.n, tied.list(), int(most)), all
}

// atMost counts the orders of n values with so many of each that have at most k inversions; k is below half of what they can have.
func atMost(n int, tied []uint8, k int) uint64 {
	if k < 0 {
		return 0
	}
	series := mahonian[n][:k+1]
	if len(tied) == n {
		return sumOf(series)
	}
	var stack [halfInversions + 1]uint64
	series = stack[:copy(stack[:], series)]
	for _, t := range tied {
		for j := 2; j <= int(t); j++ {
			divide(series, j)
		}
	}
	return sumOf(series)
}

func sumOf(series []uint64) uint64 {
	sum := uint64(0)
	for _, c := range series {
		sum += c
	}
	return sum
}

// divide divides a series by 1+q+...+q^(j-1), which is to multiply by 1-q and divide by 1-q^j. What lies between may wrap below zero; the
// results are whole.
func divide(series []uint64, j int) {
	before := uint64(0)
	for i, c := range series {
		q := c - before
		if i >= j {
			q += series[i-j]
		}
		before, series[i] = c, q
	}
}
