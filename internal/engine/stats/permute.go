package stats

import "math"

// window counts orders by the value of a statistic: counts[i] have the value low+i.
type window struct {
	low, high int64 // the least and the greatest value
	counts    []uint64
}

// contribution is what placing chosen[l] values of each level l of y beside the x level to adds to the statistic, when used[l] of each
// are beside lower x levels.
type contribution func(to level, y []level, used, chosen []int) int64

// permuter counts orders of y against x. A state is how many values of each level of y are used so far; states go from none to all,
// up the levels of x, each to states of higher number only. For ten values there are at most 1024 states and 10! orders.
type permuter struct {
	x, y         []level
	add          contribution
	used, chosen []int
	// next is the level of x that comes after so many values, where a level ends there.
	next map[int]level
}

// permutations is the exact distribution of a statistic over all distinct orders of y against x.
func permutations(x, y []level, add contribution) window {
	p := permuter{x: x, y: y, add: add, used: make([]int, len(y)), chosen: make([]int, len(y)), next: map[int]level{}}
	placed, states := 0, 1
	for _, l := range x {
		p.next[placed] = l
		placed += l.count
	}
	for _, l := range y {
		states *= l.count + 1
	}
	windows := make([]window, states)
	for i := 1; i < states; i++ {
		windows[i] = window{low: math.MaxInt64, high: math.MinInt64}
	}
	// First the extent of each state's values, then the counts.
	size := int64(0)
	p.walk(windows, func(from, to *window, shift int64, _ uint64) {
		to.low, to.high = min(to.low, from.low+shift), max(to.high, from.high+shift)
	})
	for _, w := range windows {
		size += max(0, w.width())
	}
	store := make([]uint64, size)
	for i := range windows {
		if n := windows[i].width(); n > 0 {
			windows[i].counts, store = store[:n:n], store[n:]
		}
	}
	windows[0].counts[0] = 1
	p.walk(windows, func(from, to *window, shift int64, weight uint64) {
		into := to.counts[from.low+shift-to.low:]
		for i, c := range from.counts {
			into[i] += c * weight
		}
	})
	return windows[states-1]
}

// width is how many values are from the least to the greatest; not above zero for a state that is not reached.
func (w window) width() int64 {
	if w.high < w.low {
		return 0
	}
	return w.high - w.low + 1
}

// walk visits every step from a state that is reached.
func (p *permuter) walk(windows []window, visit func(from, to *window, shift int64, weight uint64)) {
	for state := range windows {
		w := &windows[state]
		to, ok := p.next[p.decode(state)]
		if w.width() == 0 || !ok {
			continue
		}
		clear(p.chosen)
		p.choose(0, 0, 1, to.count, factorial(to.count), func(step int, weight uint64) {
			visit(w, &windows[state+step], p.add(to, p.y, p.used, p.chosen), weight)
		})
	}
}

// choose tries every way to take left values from level at on. Taking k of it moves the state by k times size; weight is the number
// of orders of what is taken.
func (p *permuter) choose(at, step, size, left int, weight uint64, visit func(step int, weight uint64)) {
	if left == 0 {
		visit(step, weight)
		return
	}
	if at == len(p.y) {
		return
	}
	for k := 0; k <= min(left, p.y[at].count-p.used[at]); k++ {
		p.chosen[at] = k
		p.choose(at+1, step+k*size, size*(p.y[at].count+1), left-k, weight/factorial(k), visit)
	}
	p.chosen[at] = 0
}

// decode writes the counts of a state and returns their sum.
func (p *permuter) decode(state int) int {
	sum := 0
	for l := range p.y {
		p.used[l] = state % (p.y[l].count + 1)
		state /= p.y[l].count + 1
		sum += p.used[l]
	}
	return sum
}

// factorials are 0! to 20!, the last below 2^64.
var factorials = [...]uint64{1, 1, 2, 6, 24, 120, 720, 5040, 40320, 362880, 3628800, 39916800, 479001600, 6227020800, 87178291200,
	1307674368000, 20922789888000, 355687428096000, 6402373705728000, 121645100408832000, 2432902008176640000}

// factorial is n! for n up to 20.
func factorial(n int) uint64 { return factorials[n] }
