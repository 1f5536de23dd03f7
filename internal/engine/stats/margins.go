package stats

import "math/bits"

// margins counts the orders of one variable against another by Kendall's statistic S where both have ties, up to exactPermutations pairs.
//
// The levels of x take values of y one after another. A state is how many values of each level of y are taken. With P pairs, Tx tied in x,
// Ty tied in y, W in both and D discordant ones, S = P - Tx - Ty + W - 2D. An order costs 2D plus what W falls short of a bound; no
// step has a cost below zero, so a state needs to be counted only up to the cost that still reaches the tail.
//
// The counts of a state, by cost, are the digits of one long number: each digit has room for all orders there are, so that no sum of
// counts reaches the next digit, and to add the counts of a state to another at a higher cost is to shift and to add (Kronecker substitution). The memory
// is kept from one count to the next.
type margins struct {
	rows  [exactPermutations + 1]uint8 // how many values x takes next when so many are taken
	y     levelCounts
	most  int // the highest cost that counts
	digit int // bits of a count
	words int // of the counts of a state
	state []state
	long  []uint64 // words to a state, the lowest digits first; digits above most are not whole and never read
	alive [(maxStates + 63) / 64]uint64
	from  int // the state of the step at hand
}

// maxStates: ten values with a tie have at most 3·2^8 states.
const maxStates = 768

// usualWords has room for what most series of 8 trials need.
const usualWords = 512

type state struct {
	taken  uint64 // four bits for each level of y
	placed uint8
	low    uint8 // the lowest cost, at most 2·45+45
}

// countAtLeast counts the distinct orders with a statistic of at least v and all of them.
func (m *margins) countAtLeast(s *shape, v int64) (count, all uint64) {
	x, y := &s.x, &s.y
	if x.states() < y.states() {
		x, y = y, x
	}
	m.y = *y
	bound := m.layers(x)
	// The cost of an order is ends + bound - S.
	ends := s.ends() + bound
	all = y.orders(s.n)
	m.digit = bits.Len64(all)
	up, down := ends-v, ends+v-1
	if up <= down {
		return m.within(up), all
	}
	m.y.reverse()
	return all - m.within(down), all
}

func (c *levelCounts) states() int {
	n := 1
	for _, t := range c.list() {
		n *= int(t) + 1
	}
	return n
}

func (c *levelCounts) reverse() {
	for i, j := 0, c.n-1; i < j; i, j = i+1, j-1 {
		c.counts[i], c.counts[j] = c.counts[j], c.counts[i]
	}
}

// layers sets the rows and returns the bound on pairs tied in both.
func (m *margins) layers(x *levelCounts) int64 {
	m.rows = [exactPermutations + 1]uint8{}
	placed, bound := 0, 0
	for _, t := range x.list() {
		m.rows[placed] = t
		placed += int(t)
		bound += m.boundOf(int(t))
	}
	return int64(bound)
}

// boundOf is a number that the pairs of t values which are equal in y cannot exceed: as many levels as possible are as large as the largest.
func (m *margins) boundOf(t int) int {
	largest := 0
	for _, c := range m.y.list() {
		largest = max(largest, int(c))
	}
	whole, rest := t/largest, t%largest
	return whole*largest*(largest-1)/2 + rest*(rest-1)/2
}

// within counts the orders that cost at most most.
func (m *margins) within(most int64) uint64 {
	if most < 0 {
		return 0
	}
	m.most = int(most)
	m.words = ((m.most+1)*m.digit + 63) / 64
	states := m.y.states()
	if len(m.state) < states {
		m.state = make([]state, states)
	}
	// One more for the product in add.
	if need := (states + 1) * m.words; len(m.long) < need {
		m.long = make([]uint64, max(need, usualWords))
	}
	m.alive = [len(m.alive)]uint64{}
	m.state[0] = state{}
	clear(m.long[:m.words])
	m.long[0] = 1
	m.alive[0] = 1
	// Each step goes to a state of higher number.
	for word := range m.alive {
		for done := uint64(0); m.alive[word]&^done != 0; {
			bit := bits.TrailingZeros64(m.alive[word] &^ done)
			done |= 2<<bit - 1
			if at := word*64 + bit; at < states-1 {
				m.step(at)
			}
		}
	}
	last := states - 1
	if m.alive[last/64]>>(last%64)&1 == 0 {
		return 0
	}
	return m.digits(m.long[last*m.words:][:m.words])
}

// digits is the sum of the counts up to most.
func (m *margins) digits(long []uint64) uint64 {
	sum, mask := uint64(0), uint64(1)<<m.digit-1
	for c := 0; c <= m.most; c++ {
		word, bit := c*m.digit/64, c*m.digit%64
		d := long[word] >> bit
		if bit+m.digit > 64 {
			d |= long[word+1] << (64 - bit)
		}
		sum += d & mask
	}
	return sum
}

// step takes the values that stand beside the next level of x.
func (m *margins) step(at int) {
	s := &m.state[at]
	m.from = at
	var stay [exactPermutations]int // how many values of each level of y are not taken
	for l, c := range m.y.list() {
		stay[l] = int(c) - int(s.taken>>(4*l)&15)
	}
	switch t := int(m.rows[s.placed]); t {
	case 1:
		m.one(s, &stay)
	case 2:
		m.two(s, &stay)
	default:
		m.choose(choice{left: t, to: at, taken: s.taken, cost: m.boundOf(t), orders: factorial(t)})
	}
}

// one takes a value; what is lower and stays will be discordant with it.
func (m *margins) one(s *state, stay *[exactPermutations]int) {
	lower, to, budget := 0, m.from, m.most-int(s.low)
	size := 1
	for l, c := range m.y.list() {
		if 2*lower > budget {
			return
		}
		if stay[l] > 0 {
			m.add(to+size, s.taken+1<<(4*l), 1, 2*lower, 1)
		}
		lower += stay[l]
		size *= int(c) + 1
	}
}

// two takes two values of one level, or of two and then in two orders. As y has ties, the bound for them is 1.
func (m *margins) two(s *state, stay *[exactPermutations]int) {
	lower, budget := 0, m.most-int(s.low)
	size := 1
	for l, c := range m.y.list() {
		if 4*lower > budget {
			return
		}
		if stay[l] > 1 {
			m.add(m.from+2*size, s.taken+2<<(4*l), 2, 4*lower, 1)
		}
		next := size * (int(c) + 1)
		if stay[l] > 0 {
			m.second(s, stay, l, size, next, lower, budget)
		}
		lower += stay[l]
		size = next
	}
}

// second takes the higher of two values, when one of level l is taken.
func (m *margins) second(s *state, stay *[exactPermutations]int, l, first, size, lower, budget int) {
	between := lower + stay[l] - 1
	for h := l + 1; h < m.y.n; h++ {
		cost := 2*lower + 2*between + 1
		if cost > budget {
			return
		}
		if stay[h] > 0 {
			m.add(m.from+first+size, s.taken+1<<(4*l)+1<<(4*h), 2, cost, 2)
		}
		between += stay[h]
		size *= int(m.y.counts[h]) + 1
	}
}

// choice is some of the values that a level of x takes.
type choice struct {
	level, left int
	size, to    int // the step of a value of the level, less 1, and where the choice leads
	taken       uint64
	lower       int    // values of lower levels that stay
	cost        int    // with the whole bound, from which the equal pairs are taken
	equal       int    // pairs that are equal in y too
	orders      uint64 // how many orders the values taken have
}

// choose tries every number of values from a level of y.
func (m *margins) choose(c choice) {
	s := &m.state[m.from]
	if c.left == 0 {
		m.add(c.to, c.taken, m.rows[s.placed], c.cost-c.equal, c.orders)
		return
	}
	// What is still taken passes over at least the lower values; so many pairs can still be equal.
	if c.level == m.y.n || c.cost-c.equal-m.boundOf(c.left)+2*c.left*c.lower > m.most-int(s.low) {
		return
	}
	count := int(m.y.counts[c.level])
	here := count - int(s.taken>>(4*c.level)&15)
	for k := 0; k <= min(c.left, here); k++ {
		next := choice{level: c.level + 1, left: c.left - k, size: (c.size+1)*(count+1) - 1, to: c.to + k*(c.size+1), taken: c.taken + uint64(k)<<(4*c.level),
			lower: c.lower + here - k, cost: c.cost + 2*k*c.lower, equal: c.equal + k*(k-1)/2, orders: c.orders / factorial(k)}
		m.choose(next)
	}
}

// add adds the counts of the state at hand to another, dearer by cost, times the orders of what was taken.
func (m *margins) add(to int, taken uint64, placed uint8, cost int, orders uint64) {
	s, d := &m.state[m.from], &m.state[to]
	low := int(s.low) + cost
	if low > m.most {
		return
	}
	into, from := m.long[to*m.words:][:m.words], m.long[m.from*m.words:][:m.words]
	if orders > 1 {
		from = m.times(from, orders)
	}
	if bit := uint64(1) << (to % 64); m.alive[to/64]&bit == 0 {
		m.alive[to/64] |= bit
		*d = state{taken: taken, placed: s.placed + placed, low: uint8(low)}
		clear(into)
	} else {
		d.low = min(d.low, uint8(low))
	}
	shift := uint(cost*m.digit) % 64
	into = into[cost*m.digit/64:]
	above, carry := uint64(0), uint64(0)
	for i := range into {
		v := from[i]
		into[i], carry = bits.Add64(into[i], v<<shift|above, carry)
		above = v >> (64 - shift)
	}
}

// times is a product, in memory of its own. What leaves the last word belongs to digits that do not count.
func (m *margins) times(long []uint64, orders uint64) []uint64 {
	out := m.long[len(m.long)-m.words:]
	carry := uint64(0)
	for i, v := range long {
		hi, lo := bits.Mul64(v, orders)
		sum, over := bits.Add64(lo, carry, 0)
		out[i], carry = sum, hi+over
	}
	return out
}
