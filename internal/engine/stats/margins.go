package stats

import "math/bits"

// margins counts the orders of one variable against another by Kendall's statistic S where both have ties, up to exactPermutations pairs.
//
// The levels of x take values of y one after another. A state is how many values of each level of y are taken. With P pairs, Tx tied in x,
// Ty tied in y, W in both and D discordant ones, S = P - Tx - Ty + W - 2D. An order costs 2D plus what W falls short of a bound; no
// step has a cost below zero, so a state needs to be counted only up to the cost that still reaches the tail. The memory is kept from
// one count to the next.
type margins struct {
	rows  [exactPermutations + 1]uint8 // how many values x takes next when so many are taken
	y     levelCounts
	most  int // the highest cost that counts
	width int // most+1
	state []state
	costs []uint32 // width to a state, counts by cost; at most 10! in all
	alive [(maxStates + 63) / 64]uint64
	// Of the step at hand:
	from   int
	short  int    // the bound on pairs tied in both
	orders uint32 // of the values that x takes
}

// maxStates: ten values with a tie have at most 3·2^8 states.
const maxStates = 768

// usualCosts has room for what most series of 8 trials need.
const usualCosts = 1024

type state struct {
	taken     uint64 // four bits for each level of y
	placed    uint8
	low, high uint16 // the range of its costs
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
	m.most, m.width = int(most), int(most)+1
	states := m.y.states()
	if len(m.state) < states {
		m.state = make([]state, states)
	}
	if need := states * m.width; len(m.costs) < need {
		m.costs = make([]uint32, max(need, usualCosts))
	}
	m.alive = [len(m.alive)]uint64{}
	m.state[0] = state{}
	m.costs[0] = 1
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
	sum := uint64(0)
	for c := m.state[last].low; c <= m.state[last].high; c++ {
		sum += uint64(m.costs[last*m.width+int(c)])
	}
	return sum
}

// step takes the values that stand beside the next level of x.
func (m *margins) step(at int) {
	s := &m.state[at]
	t := int(m.rows[s.placed])
	m.from = at
	if t > 1 {
		m.short, m.orders = m.boundOf(t), uint32(factorial(t))
		m.choose(choice{left: t, to: at, taken: s.taken, orders: m.orders})
		return
	}
	lower, size, budget := 0, 1, m.most-int(s.low)
	for l, c := range m.y.list() {
		left := int(c) - int(s.taken>>(4*l)&15)
		if left > 0 {
			if 2*lower > budget {
				return
			}
			m.add(at+size, s.taken+1<<(4*l), 1, 2*lower, 1)
		}
		lower += left
		size *= int(c) + 1
	}
}

// choice is some of the values that a level of x takes.
type choice struct {
	level, left int
	size, to    int // the step of a value of the level, less 1, and where the choice leads
	taken       uint64
	lower       int // values of lower levels that stay
	cost, equal int
	orders      uint32 // how many orders the values taken have
}

// choose tries every number of values from a level of y.
func (m *margins) choose(c choice) {
	s := &m.state[m.from]
	if c.left == 0 {
		t := m.rows[s.placed]
		m.add(c.to, c.taken, t, c.cost+m.short-c.equal, c.orders)
		return
	}
	// What is still taken passes over at least the lower values.
	if c.level == m.y.n || c.cost+2*c.left*c.lower > m.most-int(s.low) {
		return
	}
	count := int(m.y.counts[c.level])
	here := count - int(s.taken>>(4*c.level)&15)
	for k := 0; k <= min(c.left, here); k++ {
		next := choice{level: c.level + 1, left: c.left - k, size: (c.size+1)*(count+1) - 1, to: c.to + k*(c.size+1), taken: c.taken + uint64(k)<<(4*c.level),
			lower: c.lower + here - k, cost: c.cost + 2*k*c.lower, equal: c.equal + k*(k-1)/2, orders: c.orders / uint32(factorial(k))}
		m.choose(next)
	}
}

// add adds the counts of the state at hand to another, dearer by cost, times the orders of what was taken.
func (m *margins) add(to int, taken uint64, placed uint8, cost int, orders uint32) {
	s, d := &m.state[m.from], &m.state[to]
	low, high := int(s.low)+cost, min(int(s.high)+cost, m.most)
	if low > m.most {
		return
	}
	into := m.costs[to*m.width : (to+1)*m.width]
	if bit := uint64(1) << (to % 64); m.alive[to/64]&bit == 0 {
		m.alive[to/64] |= bit
		*d = state{taken: taken, placed: s.placed + placed, low: uint16(low), high: uint16(high)}
		clear(into)
	} else {
		d.low, d.high = min(d.low, uint16(low)), max(d.high, uint16(high))
	}
	from := m.costs[m.from*m.width+int(s.low):][:high-low+1]
	into = into[low:][:len(from)]
	for i, n := range from {
		into[i] += n * orders
	}
}
