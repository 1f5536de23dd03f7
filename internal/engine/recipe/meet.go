package recipe

import (
	"cmp"
	"math"
	"slices"

	"ponderal.example/internal/mass"
)

// meeting walks pairs of sums by how far they are from the target.
type meeting struct {
	h    *halves
	rest int64 // the target without the tote
	// from is for each left sum the first right sum that with it is not below the target.
	from []int32
	heap []stream
}

// stream are the pairs of one left sum, above (and at) the target or below it, closest first and then fewest inserts.
type stream struct {
	far         int64
	tie         uint64 // the count, then whether above
	left, right int32
}

func (s *stream) below() bool { return s.tie&1 == 0 }

func newMeeting(h *halves, rest int64) *meeting {
	return &meeting{h: h, rest: rest, from: meet(h.left.sums, h.right.sums, rest, nil)}
}

// meet gives for each left sum the first right sum that with it is not below rest.
func meet(left, right []sum, rest int64, from []int32) []int32 {
	from = slices.Grow(from[:0], len(left))[:len(left)]
	j := len(right)
	for i := range left {
		for j > 0 && right[j-1].units+left[i].units >= rest {
			j--
		}
		from[i] = int32(j)
	}
	return from
}

// first is the first right sum that is as heavy as the one at j.
func (m *meeting) first(j int32) int32 {
	sums := m.h.right.sums
	for j > 0 && sums[j-1].units == sums[j].units {
		j--
	}
	return j
}

// nearest are the loads next to the target that can be made, with the tote.
func (m *meeting) nearest(tote mass.Mass) (below, above *mass.Mass) {
	low, high := int64(math.MinInt64), int64(math.MaxInt64)
	right := m.h.right.sums
	for i, l := range m.h.left.sums {
		j := m.from[i]
		if int(j) < len(right) {
			high = min(high, l.units+right[j].units)
		}
		if j > 0 {
			low = max(low, l.units+right[j-1].units)
		}
	}
	if high == m.rest {
		low = high
	}
	if low != math.MinInt64 {
		sum := tote.Add(mass.FromUnits(low))
		below = &sum
	}
	if high != math.MaxInt64 {
		sum := tote.Add(mass.FromUnits(high))
		above = &sum
	}
	return below, above
}

// at makes a stream stand at a right sum; false when there is none or it is past the tolerance.
func (m *meeting) at(left int, right, tolerance int64, below bool) (stream, bool) {
	if right < 0 || right >= int64(len(m.h.right.sums)) {
		return stream{}, false
	}
	l, r := m.h.left.sums[left], m.h.right.sums[right]
	off := l.units + r.units - m.rest
	tie := uint64(l.count()+r.count()) << 1
	if !below {
		tie |= 1
	}
	s := stream{far: max(off, -off), tie: tie, left: int32(left), right: int32(right)}
	return s, s.far <= tolerance
}

// next advances a stream: up it goes on; down it goes through equally heavy sums in their order, then to those next below.
func (m *meeting) next(s stream, tolerance int64) (stream, bool) {
	sums, j := m.h.right.sums, s.right+1
	if s.below() && (int(j) == len(sums) || sums[j].units != sums[s.right].units) {
		if j = m.first(s.right) - 1; j >= 0 {
			j = m.first(j)
		}
	}
	return m.at(int(s.left), int64(j), tolerance, s.below())
}

// closest lists up to `most` pairs within the tolerance, and whether there are more.
func (m *meeting) closest(tolerance int64, most int) (found []pair, more bool) {
	m.gather(tolerance, most+1)
	for len(m.heap) > 0 {
		if len(found) == most {
			return found, true
		}
		s := m.heap[0]
		l, r := m.h.left.sums[s.left], m.h.right.sums[s.right]
		found = append(found, pair{left: l, right: r, off: l.units + r.units - m.rest})
		next, ok := m.next(s, tolerance)
		if !ok {
			last := len(m.heap) - 1
			next, m.heap = m.heap[last], m.heap[:last]
		}
		if len(m.heap) > 0 {
			m.heap[0] = next
			m.sink(0, false)
		}
	}
	return found, false
}

// gather collects the n best of the streams that begin within the tolerance, in order: among the first n pairs none is of another. Until
// they are put in order the worst is on top of the heap.
func (m *meeting) gather(tolerance int64, n int) {
	m.heap = make([]stream, 0, n)
	for i := range m.h.left.sums {
		j := m.from[i]
		if s, ok := m.at(i, int64(j), tolerance, false); ok {
			m.keep(s, n)
		}
		// What is farther than the worst needs no search for its first.
		if s, ok := m.at(i, int64(j)-1, tolerance, true); ok && (len(m.heap) < n || s.far <= m.heap[0].far) {
			s, _ = m.at(i, int64(m.first(j-1)), tolerance, true)
			m.keep(s, n)
		}
	}
	slices.SortFunc(m.heap, func(a, b stream) int {
		if m.before(&a, &b) {
			return -1
		}
		return 1
	})
}

// keep takes a stream in among the n best.
func (m *meeting) keep(s stream, n int) {
	switch {
	case len(m.heap) < n:
		m.heap = append(m.heap, s)
		if len(m.heap) == n {
			for i := n/2 - 1; i >= 0; i-- {
				m.sink(i, true)
			}
		}
	case m.before(&s, &m.heap[0]):
		m.heap[0] = s
		m.sink(0, true)
	}
}

// before orders streams by the pair at which they stand; no two are alike.
func (m *meeting) before(a, b *stream) bool {
	switch {
	case a.far != b.far:
		return a.far < b.far
	case a.tie != b.tie:
		return a.tie < b.tie
	case a.left != b.left:
		return m.h.left.sums[a.left].rank() < m.h.left.sums[b.left].rank()
	}
	return m.h.right.sums[a.right].rank() < m.h.right.sums[b.right].rank()
}

// sink moves the stream at i down to its place in the heap, which has the best or the worst on top.
func (m *meeting) sink(i int, worst bool) {
	for {
		best := i
		for c := 2*i + 1; c <= 2*i+2 && c < len(m.heap); c++ {
			if m.before(&m.heap[c], &m.heap[best]) != worst {
				best = c
			}
		}
		if best == i {
			return
		}
		m.heap[i], m.heap[best] = m.heap[best], m.heap[i]
		i = best
	}
}

// better orders pairs: closest, fewest codes in common, fewest inserts, lighter, more of the heavier inserts.
func better(a, b *pair) bool {
	return cmp.Or(
		cmp.Compare(max(a.off, -a.off), max(b.off, -b.off)),
		cmp.Compare(a.shared(), b.shared()),
		cmp.Compare(a.count(), b.count()),
		cmp.Compare(a.off, b.off),
		cmp.Compare(a.left.rank(), b.left.rank()),
		cmp.Compare(a.right.rank(), b.right.rank()),
	) < 0
}
