package stats

import "math/bits"

// margins counts the orders of one variable against another by Kendall's statistic S where both have ties, up to exactPermutations pairs.
//
// The levels of x take values of y one after another. A state is how many values of each level of y are taken. With P pairs, Tx tied in x,
// Ty tied in y, W in both and D discordant ones, S = P - Tx - Ty + W - 2D. An order costs 2D plus what W falls short of a bound; no
// step has a cost below zero, so a state needs to be counted only up to the cost that still reaches the tail.
//
// The counts of a state, by cost, are the digits of one long number: each digit has room for all orders there are, so that no sum of
// counts reaches the next digit, and to add the counts of a state to another at a higher cost is to shift and to add (Kronecker
// substitution). The memory is kept from one count to the next.
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
const usualWords = 256

// state has four bits for each level of y, at most nine of them: how many of its values are taken. From bit 48 on stands how many that are
// in all, and from bit 56 on the lowest cost, which is at most 2·45+45.
type state uint64

func (s state) taken(level int) int { return int(s >> (4 * level) & 15) }
func (s state) placed() int         { return int(s >> 48 & 15) }
func (s state) low() int            { return int(s >> 56) }

// with is the state with so many more of a level; its cost is left out.
func (s state) with(level, count int) state {
	return s&(1<<56-1) + state(count)<<(4*level) + state(count)<<48
}

func (s state) costing(low int) state { return s&(1<<56-1) | state(low)<<56 }

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
	m.state[0] = 0
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
	s := m.state[at]
	m.from = at
	var stay [exactPermutations]int // how many values of each level of y are not taken
	for l, c := range m.y.list() {
		stay[l] = int(c) - s.taken(l)
	}
	switch t := int(m.rows[s.placed()]); t {
	case 1:
		m.one(s, &stay)
	case 2:
		m.two(s, &stay)
	default:
		m.choose(&stay, choice{left: t, to: at, state: s, budget: m.most - s.low(), cost: m.boundOf(t), orders: factorial(t)})
	}
}

// one takes a value; what is lower and stays will be discordant with it.
func (m *margins) one(s state, stay *[exactPermutations]int) {
	lower, size, budget := 0, 1, m.most-s.low()
	for l, c := range m.y.list() {
		if 2*lower > budget {
			return
		}
		if stay[l] > 0 {
			m.add(m.from+size, s.with(l, 1), 2*lower, 1)
		}
		lower += stay[l]
		size *= int(c) + 1
	}
}

// two takes two values of one level, or of two and then in two orders. As y has ties, the bound for them is 1.
func (m *margins) two(s state, stay *[exactPermutations]int) {
	lower, size, budget := 0, 1, m.most-s.low()
	for l, c := range m.y.list() {
		if 4*lower > budget {
			return
		}
		if stay[l] > 1 {
			m.add(m.from+2*size, s.with(l, 2), 4*lower, 1)
		}
		next := size * (int(c) + 1)
		if stay[l] > 0 {
			m.second(s.with(l, 1), stay, second{m.from + size, l, next, lower, budget})
		}
		lower += stay[l]
		size = next
	}
}

// second is where a value of a level was taken: where that leads, the size of the next level, how many lower ones stay.
type second struct{ to, level, size, lower, budget int }

// second takes the higher of two values.
func (m *margins) second(s state, stay *[exactPermutations]int, c second) {
	between := c.lower + stay[c.level] - 1
	for h := c.level + 1; h < m.y.n; h++ {
		cost := 2*c.lower + 2*between + 1
		if cost > c.budget {
			return
		}
		if stay[h] > 0 {
			m.add(c.to+c.size, s.with(h, 1), cost, 2)
		}
		between += stay[h]
		c.size *= int(m.y.counts[h]) + 1
	}
}

// choice is some of the values that a level of x takes.
type choice struct {
	level, left int
	size, to    int // the size of the level, less 1, and where the choice leads
	state       state
	lower       int    // values of lower levels that stay
	budget      int    // what it may cost
	cost        int    // with the whole bound, from which the equal pairs are taken
	equal       int    // pairs that are equal in y too
	orders      uint64 // how many orders the values taken have
}

// choose tries every number of values from a level of y.
func (m *margins) choose(stay *[exactPermutations]int, c choice) {
	if c.left == 0 {
		m.add(c.to, c.state, c.cost-c.equal, c.orders)
		return
	}
	// What is still taken passes over at least the lower values; so many pairs can still be equal.
	if c.level == m.y.n || c.cost-c.equal-m.boundOf(c.left)+2*c.left*c.lower > c.budget {
		return
	}
	for k := 0; k <= min(c.left, stay[c.level]); k++ {
		next := c
		next.level, next.left = c.level+1, c.left-k
		next.size, next.to = (c.size+1)*(int(m.y.counts[c.level])+1)-1, c.to+k*(c.size+1)
		next.state, next.lower = c.state.with(c.level, k), c.lower+stay[c.level]-k
		next.cost, next.equal = c.cost+2*k*c.lower, c.equal+k*(k-1)/2
		next.orders = c.orders / factorial(k)
		m.choose(stay, next)
	}
}

// add adds the counts of the state at hand to another, dearer by cost, times the orders of what was taken.
func (m *margins) add(to int, s state, cost int, orders uint64) {
	low := m.state[m.from].low() + cost
	if low > m.most {
		return
	}
	into, from := m.long[to*m.words:][:m.words], m.long[m.from*m.words:][:m.words]
	if orders > 1 {
		from = m.times(from, orders)
	}
	if bit := uint64(1) << (to % 64); m.alive[to/64]&bit == 0 {
		m.alive[to/64] |= bit
		m.state[to] = s.costing(low)
		clear(into)
	} else if low < m.state[to].low() {
		m.state[to] = s.costing(low)
	}
	shift := uint(cost*m.digit) % 64
	into = into[cost*m.digit/64:]
	above, carry := uint64(0), uint64(0)
	for i := range into {
		v := from[i]
		into[i], carry = bits.Add64(into[i], v<<shift|above, carry)
		above = v >> 1 >> (63 - shift)
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
