package recipe

import (
	"cmp"
	"container/heap"
	"sort"

	"ponderal.example/internal/mass"
)

// maxStreams bounds the memory of a search; a kit of 24 inserts does not reach it.
const maxStreams = 1 << 14

// meeting walks pairs of sums by how far they are from the target.
type meeting struct {
	h    *halves
	rest int64 // the target without the tote
	// from is for each left sum the first right sum that with it is not below the target.
	from []int
	// start is for each right sum the first that is equally heavy.
	start []int
	heap  []stream
}

// stream are the pairs of one left sum, above (and at) the target or below it, closest first and then fewest inserts.
type stream struct {
	far   int64
	count int
	below bool
	rank  uint64
	left  int
	right int
}

func newMeeting(h *halves, rest int64) *meeting {
	m := &meeting{h: h, rest: rest, from: meet(h.left.sums, h.right.sums, rest), start: make([]int, len(h.right.sums))}
	for j := 1; j < len(m.start); j++ {
		m.start[j] = j
		if h.right.sums[j].units == h.right.sums[j-1].units {
			m.start[j] = m.start[j-1]
		}
	}
	return m
}

// meet gives for each left sum the first right sum that with it is not below rest.
func meet(left, right []sum, rest int64) []int {
	from := make([]int, len(left))
	j := len(right)
	for i := range left {
		for j > 0 && right[j-1].units+left[i].units >= rest {
			j--
		}
		from[i] = j
	}
	return from
}

// nearest are the loads next to the target that can be made, with the tote.
func (m *meeting) nearest(tote mass.Mass) (below, above *mass.Mass) {
	note := func(load **mass.Mass, units int64, closer bool) {
		if *load == nil || closer {
			sum := tote.Add(mass.FromUnits(units))
			*load = &sum
		}
	}
	low, high := int64(0), int64(0)
	for i := range m.h.left.sums {
		l := m.h.left.sums[i].units
		if j := m.from[i]; j < len(m.h.right.sums) {
			units := l + m.h.right.sums[j].units
			note(&above, units, units < high)
			high = above.Sub(tote).Units()
			if units == m.rest {
				note(&below, units, true)
				low = units
			}
		}
		if j := m.from[i] - 1; j >= 0 {
			units := l + m.h.right.sums[j].units
			note(&below, units, units > low)
			low = below.Sub(tote).Units()
		}
	}
	return below, above
}

// at sets a stream to a right sum; false when it is past the tolerance.
func (m *meeting) at(s *stream, right int, tolerance int64) bool {
	if right < 0 || right >= len(m.h.right.sums) {
		return false
	}
	l, r := &m.h.left.sums[s.left], &m.h.right.sums[right]
	off := l.units + r.units - m.rest
	s.right, s.far, s.count, s.rank = right, max(off, -off), int(l.count)+int(r.count), l.rank
	return s.far <= tolerance
}

// next advances a stream: up it goes on; down it goes through equally heavy sums in their order, then to those next below.
func (m *meeting) next(s *stream, tolerance int64) bool {
	if !s.below {
		return m.at(s, s.right+1, tolerance)
	}
	sums := m.h.right.sums
	if j := s.right + 1; j < len(sums) && sums[j].units == sums[s.right].units {
		return m.at(s, j, tolerance)
	}
	j := m.start[s.right] - 1
	if j < 0 {
		return false
	}
	return m.at(s, m.start[j], tolerance)
}

// closest lists up to `most` pairs within the tolerance, and whether there are more.
func (m *meeting) closest(tolerance int64, most int) (found []pair, more bool) {
	m.heap = make([]stream, 0, min(2*len(m.h.left.sums), maxStreams))
	for i := range m.h.left.sums {
		if s := (stream{left: i}); m.at(&s, m.from[i], tolerance) {
			m.heap = append(m.heap, s)
		}
		if j := m.from[i] - 1; j >= 0 {
			if s := (stream{left: i, below: true}); m.at(&s, m.start[j], tolerance) {
				m.heap = append(m.heap, s)
			}
		}
		if len(m.heap) >= maxStreams-1 {
			m.prune(most + 1)
		}
	}
	heap.Init(m)
	for len(m.heap) > 0 {
		if len(found) == most {
			return found, true
		}
		s := &m.heap[0]
		l, r := &m.h.left.sums[s.left], &m.h.right.sums[s.right]
		found = append(found, pair{left: l.choice(), right: r.choice(), off: l.units + r.units - m.rest})
		if m.next(s, tolerance) {
			heap.Fix(m, 0)
			continue
		}
		heap.Pop(m)
	}
	return found, false
}

// prune keeps the best streams: of a list of n pairs, no other can hold one.
func (m *meeting) prune(n int) {
	sort.Sort(m)
	m.heap = m.heap[:n]
}

// Len, Less, Swap, Push and Pop make a heap of the streams.
func (m *meeting) Len() int { return len(m.heap) }

func (m *meeting) Less(i, j int) bool {
	a, b := &m.heap[i], &m.heap[j]
	switch {
	case a.far != b.far:
		return a.far < b.far
	case a.count != b.count:
		return a.count < b.count
	case a.below != b.below:
		return a.below
	case a.rank != b.rank:
		return a.rank < b.rank
	}
	return m.h.right.sums[a.right].rank < m.h.right.sums[b.right].rank
}

func (m *meeting) Swap(i, j int) { m.heap[i], m.heap[j] = m.heap[j], m.heap[i] }

// Push is not used: streams only end.
func (m *meeting) Push(any) {}

// Pop takes the last stream off; the value is not used.
func (m *meeting) Pop() any {
	m.heap = m.heap[:len(m.heap)-1]
	return nil
}

// different is the best pair within the tolerance whose count is not that given. Sums are taken apart by their count, so that
// those with the count to avoid need not be walked through.
func (h *halves) different(rest, tolerance int64, avoid int) (best pair, ok bool) {
	left, right := byCounts(h.left.sums), byCounts(h.right.sums)
	consider := func(l, r *sum) {
		off := l.units + r.units - rest
		p := pair{left: l.choice(), right: r.choice(), off: off}
		if max(off, -off) <= tolerance && (!ok || better(&p, &best)) {
			best, ok = p, true
		}
	}
	for lc, ls := range left {
		for rc, rs := range right {
			if lc+rc == avoid || len(ls) == 0 || len(rs) == 0 {
				continue
			}
			for i, j := range meet(ls, rs, rest) {
				if j < len(rs) {
					consider(&ls[i], &rs[j])
				}
				if j > 0 {
					consider(&ls[i], &rs[j-1])
				}
			}
		}
	}
	return best, ok
}

// byCounts takes sums apart by their count and keeps of equal masses the first, which shares the fewest codes.
func byCounts(sums []sum) [][]sum {
	var sizes [MaxInserts + 1]int
	for i := range sums {
		sizes[sums[i].count]++
	}
	out := make([][]sum, MaxInserts+1)
	for _, s := range sums {
		list := out[s.count]
		if list == nil {
			list = make([]sum, 0, sizes[s.count])
		}
		if n := len(list); n == 0 || list[n-1].units != s.units {
			list = append(list, s)
		}
		out[s.count] = list
	}
	return out
}

// better orders pairs: closest, fewest codes in common, fewest inserts, lighter, more of the heavier inserts.
func better(a, b *pair) bool {
	return cmp.Or(
		cmp.Compare(max(a.off, -a.off), max(b.off, -b.off)),
		cmp.Compare(a.shared(), b.shared()),
		cmp.Compare(a.count(), b.count()),
		cmp.Compare(a.off, b.off),
		cmp.Compare(a.left.rank, b.left.rank),
		cmp.Compare(a.right.rank, b.right.rank),
	) < 0
}
