package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// concordanceOf is the contribution of a level of x: each value placed is concordant with those used that are lower, discordant with
// those that are higher, and tied in x with the others placed.
func concordanceOf(_ level, y []level, used, chosen []int) int64 {
	sum, lower, all := int64(0), 0, 0
	for _, u := range used {
		all += u
	}
	for l := range y {
		sum += int64(chosen[l]) * int64(lower-(all-lower-used[l]))
		lower += used[l]
	}
	return sum
}

// slowKendall is Kendall by the way in which Spearman's statistic is counted: every step from every state, with the whole distribution of
// each. It is the reference for what is counted in other ways, up to 10 pairs.
func slowKendall(x, y []float64) Correlation {
	rx, ry := rankOf(x), rankOf(y)
	s, n := concordance(x, y), int64(len(x))
	c := Correlation{N: len(x), Ties: rx.ties() || ry.ties(), Method: Exact}
	pairs := n * (n - 1) / 2
	c.Coefficient = float64(s) / math.Sqrt(float64(float64(pairs-rx.tiedPairs())*float64(pairs-ry.tiedPairs())))
	c.tails(permutations(rx.levels, ry.levels, concordanceOf), s, 1, 0)
	return c
}

// randomPairs has n pairs of a few or many levels, neither variable all the same.
func randomPairs(rng *rand.Rand, n int) (x, y []float64) {
	for {
		x, y = make([]float64, n), make([]float64, n)
		a, b, rise := 2+rng.IntN(2*n), 2+rng.IntN(2*n), rng.IntN(3)
		for i := range x {
			x[i], y[i] = float64(rng.IntN(a)), float64(rng.IntN(b))
			if rise > 0 {
				y[i] = math.Floor(y[i]/2 + x[i])
			}
		}
		if slices.Max(x) > slices.Min(x) && slices.Max(y) > slices.Min(y) {
			return x, y
		}
	}
}

// TestExactAgainstSlow: to the bit, for 3 to 10 pairs with ties in none, one and both.
func TestExactAgainstSlow(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	var trends Trends
	kinds := map[[2]bool]int{}
	for round := range 1600 {
		n := 3 + round%6
		if round >= 1560 {
			n = 9 + round%2
		}
		x, y := randomPairs(rng, n)
		want := slowKendall(x, y)
		got, err := Kendall(x, y)
		if err != nil || got != want {
			t.Fatalf("%v %v: %+v (%v), want %+v", x, y, got, err, want)
		}
		trend, err := trends.Of(x, y)
		line, errL := TheilSen(x, y)
		if want := (Trend{n, want.Coefficient, want.Greater, Exact, want.Ties, line.Slope}); err != nil || errL != nil || trend != want {
			t.Fatalf("%v %v: %+v (%v), want %+v", x, y, trend, err, want)
		}
		kinds[[2]bool{rankOf(x).ties(), rankOf(y).ties()}]++
	}
	for kind, n := range kinds {
		if n < 100 {
			t.Errorf("ties %v: only %d", kind, n)
		}
	}
	if len(kinds) != 4 {
		t.Errorf("kinds %v", kinds)
	}
}

// TestEveryTail: the whole distribution, one value after another, for shapes with large and small levels on either side.
func TestEveryTail(t *testing.T) {
	var m margins
	for _, c := range []struct{ x, y []float64 }{
		{[]float64{1, 1, 2, 2, 3, 3}, []float64{1, 1, 2, 2, 3, 3}},
		{[]float64{1, 1, 1, 1, 2}, []float64{1, 2, 2, 2, 2}},
		{[]float64{1, 1, 1, 1, 1, 1, 1, 1, 2, 3}, []float64{1, 1, 1, 2, 2, 2, 3, 3, 3, 3}},
		{[]float64{1, 2, 3, 4, 5, 6, 7, 7}, []float64{1, 2, 2, 3, 4, 5, 5, 6}},
		{[]float64{1, 1, 2, 3, 4, 5, 6, 7, 8, 9}, []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 9}},
		{[]float64{1, 2, 2, 3, 4}, []float64{1, 2, 3, 4, 5}},
		{[]float64{1, 2, 3, 4, 5, 6, 7}, []float64{1, 1, 1, 2, 3, 3, 4}},
		{[]float64{1, 2, 3, 4, 5}, []float64{1, 2, 3, 4, 5}},
	} {
		w, ok := m.whole(c.x, c.y)
		if !ok {
			t.Fatal("not counted")
		}
		d := permutations(rankOf(c.x).levels, rankOf(c.y).levels, concordanceOf)
		total := uint64(0)
		for _, n := range d.counts {
			total += n
		}
		tail := total
		for v := d.low - 3; v <= d.high+3; v++ {
			if count, all := w.countAtLeast(v); float64(count)/float64(all) != float64(tail)/float64(total) {
				t.Errorf("%v %v: at least %d: %d of %d, want %d of %d", c.x, c.y, v, count, all, tail, total)
			}
			if v >= d.low && v <= d.high {
				tail -= d.counts[v-d.low]
			}
		}
	}
}

// TestMahonianNumbers: rows 3 to 6 of OEIS A008302 (from memory); each row is symmetric and adds up to n!, which stays below 2^53.
func TestMahonianNumbers(t *testing.T) {
	for n, want := range map[int][]uint64{
		3: {1, 2, 2, 1},
		4: {1, 3, 5, 6, 5, 3, 1},
		5: {1, 4, 9, 15, 20, 22, 20, 15, 9, 4, 1},
		6: {1, 5, 14, 29, 49, 71, 90, 101, 101, 90, 71, 49, 29, 14, 5, 1},
	} {
		if !slices.Equal(mahonian[n], want) {
			t.Errorf("%d: %v, want %v", n, mahonian[n], want)
		}
	}
	for n := 1; n <= exactWhole; n++ {
		row, sum := mahonian[n], uint64(0)
		for k, c := range row {
			sum += c
			if c != row[len(row)-1-k] {
				t.Errorf("%d: %v is not symmetric", n, row)
			}
		}
		if sum != factorial(n) || sum >= 1<<53 || len(row) != n*(n-1)/2+1 {
			t.Errorf("%d: %d orders, want %d", n, sum, factorial(n))
		}
	}
}

// TestElevenAndMore: counted in whole numbers to 18 pairs, as sums of chances beyond; both agree.
func TestElevenAndMore(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for n := 11; n <= exactWhole; n++ {
		for range 6 {
			x := ascending(n)
			_, y := randomPairs(rng, n)
			if rng.IntN(2) == 0 {
				x, y = y, x
			}
			got, err := Kendall(x, y)
			if err != nil || got.Method != Exact {
				t.Fatalf("%+v, %v", got, err)
			}
			tied := rankOf(y)
			if rankOf(x).ties() {
				tied = rankOf(x)
			}
			want := got
			want.Greater, want.Less, want.TwoSided = 0, 0, 0
			want.inversionTails(tied, concordance(x, y))
			nearTails(t, "chances", got, []float64{want.Greater, want.Less, want.TwoSided}, 1e-13)
		}
	}
}

// TestTrendBeyond: what is not counted is as Kendall has it.
func TestTrendBeyond(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	var trends Trends
	for _, n := range []int{11, 18, 19, 30, 50, 51, 300} {
		for range 4 {
			x, y := randomPairs(rng, n)
			k, errK := Kendall(x, y)
			line, errL := TheilSen(x, y)
			got, err := trends.Of(x, y)
			if want := (Trend{n, k.Coefficient, k.Greater, k.Method, k.Ties, line.Slope}); err != nil || errK != nil || errL != nil || got != want {
				t.Errorf("%d: %+v (%v), want %+v", n, got, err, want)
			}
		}
	}
}

// TestLowestChance: that of the values in rising order, which no other order of them goes below.
func TestLowestChance(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	var trends Trends
	for round := range 800 {
		n := 3 + round%6
		if round >= 780 {
			n = 9 + round%25
		}
		x, y := randomPairs(rng, n)
		got, err := trends.LowestChance(x, y)
		c, errC := Kendall(x, y)
		slices.Sort(x)
		slices.Sort(y)
		best, errB := Kendall(x, y)
		if err != nil || errB != nil || errC != nil || got != best.Greater || c.Greater < got && c.Method == Exact {
			t.Fatalf("%v %v: %v (%v), want %v", x, y, got, err, best.Greater)
		}
	}
	_, err := trends.LowestChance([]float64{1, 1, 1}, []float64{1, 2, 3})
	checkViolation(t, "constant", err, "x", RuleSpread)
}

// TestTrendRefusals: 3 to 500 pairs, neither all the same, x far enough apart for a slope.
func TestTrendRefusals(t *testing.T) {
	var trends Trends
	of := func(x, y []float64) error { _, err := trends.Of(x, y); return err }
	tiny := []float64{0, math.SmallestNonzeroFloat64, 2 * math.SmallestNonzeroFloat64}
	checkViolation(t, "3", of(ascending(3), ascending(3)), "", "")
	checkViolation(t, "2", of(ascending(2), ascending(2)), "x", RuleCount)
	checkViolation(t, "500", of(ascending(500), ascending(500)), "", "")
	checkViolation(t, "501", of(ascending(501), ascending(501)), "x", RuleCount)
	checkViolation(t, "x the same", of([]float64{1, 1, 1}, ascending(3)), "x", RuleSpread)
	checkViolation(t, "y the same", of(ascending(3), []float64{1, 1, 1}), "y", RuleSpread)
	checkViolation(t, "NaN", of(ascending(3), []float64{1, math.NaN(), 1}), "y[1]", RuleValue)
	checkViolation(t, "too close", of(tiny, ascending(3)), "x", RuleSpread)
}

// TestMiddle: the median by selection is that by sorting, on either side of the length from which it sorts.
func TestMiddle(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for round := range 2000 {
		list := make([]float64, 1+rng.IntN(60))
		if round > 1990 {
			list = make([]float64, selectUpTo-1+round%4)
		}
		levels := 1 + rng.IntN(100)
		for i := range list {
			list[i] = float64(rng.IntN(levels)) - float64(levels)/2
		}
		want := median(slices.Clone(list))
		if got := middle(list); got != want {
			t.Fatalf("%v: %v, want %v", list, got, want)
		}
	}
}

// TestSlopeOfZero: it has no sign, whichever way the points stand.
func TestSlopeOfZero(t *testing.T) {
	for _, x := range [][]float64{{1, 2, 3}, {3, 2, 1}} {
		if line, err := TheilSen(x, []float64{5, 5, 5}); err != nil || math.Signbit(line.Slope) {
			t.Errorf("%v: %v (%v)", x, line, err)
		}
	}
}

func benchmarkTrend(b *testing.B, x, y []float64) {
	var trends Trends
	b.ReportAllocs()
	for b.Loop() {
		if _, err := trends.Of(x, y); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTrendUntied(b *testing.B) {
	benchmarkTrend(b, ascending(8), []float64{1, 2, 4, 3, 5, 6, 8, 7})
}

func BenchmarkTrendOneTied(b *testing.B) {
	benchmarkTrend(b, ascending(8), []float64{2, 2, 3, 4, 5, 5, 6, 7})
}

func BenchmarkTrendBothTied(b *testing.B) {
	benchmarkTrend(b, []float64{10, 20, 30, 40, 50, 60, 60, 70}, []float64{2, 2, 3, 4, 5, 5, 6, 7})
}

func BenchmarkTrendBothTiedSwapped(b *testing.B) {
	benchmarkTrend(b, []float64{82, 88, 88, 94, 101, 99, 108, 115}, []float64{2, 2, 3, 4, 5, 5, 6, 7})
}

// BenchmarkTrendBothTiedWorst is of a statistic near the middle of its distribution.
func BenchmarkTrendBothTiedWorst(b *testing.B) {
	benchmarkTrend(b, []float64{10, 20, 30, 40, 50, 60, 60, 70}, []float64{5, 2, 7, 4, 2, 5, 6, 3})
}

func BenchmarkKendallEightBothTied(b *testing.B) {
	benchmarkCorrelation(b, Kendall, []float64{10, 20, 30, 40, 50, 60, 60, 70}, []float64{2, 2, 3, 4, 5, 5, 6, 7})
}

func BenchmarkSlowKendallEightBothTied(b *testing.B) {
	benchmarkCorrelation(b, func(x, y []float64) (Correlation, error) { return slowKendall(x, y), nil }, []float64{10, 20, 30, 40, 50, 60, 60, 70}, []float64{2, 2, 3, 4, 5, 5, 6, 7})
}

// TestFactorials: each is the one before times its number.
func TestFactorials(t *testing.T) {
	for n := 1; n < len(factorials); n++ {
		if factorials[n]/uint64(n) != factorials[n-1] || factorials[n]%uint64(n) != 0 {
			t.Errorf("%d! is %d", n, factorials[n])
		}
	}
}
