package recipe

import (
	"cmp"
	"slices"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const (
	// maxHalf is how many sums a half holds at most.
	maxHalf = 1 << 20
)

// group are the inserts of one mass.
type group struct {
	units int64
	// codes: those not used before come first, by code.
	codes []string
	// fresh is how many of the codes were not used before.
	fresh int
}

// groupsOf groups the inserts, heaviest group first.
func groupsOf(inserts []record.Piece, used []string) []group {
	sorted := slices.Clone(inserts)
	worn := func(p *record.Piece) int {
		if slices.Contains(used, p.Code) {
			return 1
		}
		return 0
	}
	slices.SortFunc(sorted, func(a, b record.Piece) int {
		return cmp.Or(b.Mass.Cmp(a.Mass), cmp.Compare(worn(&a), worn(&b)), cmp.Compare(a.Code, b.Code))
	})
	var groups []group
	for i := range sorted {
		p := &sorted[i]
		if n := len(groups); n == 0 || groups[n-1].units != p.Mass.Units() {
			groups = append(groups, group{units: p.Mass.Units()})
		}
		g := &groups[len(groups)-1]
		g.codes = append(g.codes, p.Code)
		g.fresh += 1 - worn(p)
	}
	return groups
}

// sum is one choice from the groups of a half. Adding inserts of a group adds the same to the mass and to the tie of every sum, so the order of
// sums is kept.
type sum struct {
	units int64
	// tie orders sums of equal mass: from the highest bits how many codes are shared with the recipe used before, how many inserts there
	// are, and the rank, which has for each group the number left out, the heaviest group in the highest digit: lower has more of
	// the heavier inserts. A rank stays below 2^52: at most 60 inserts, of which a half has at most 2^40 choices.
	tie uint64
}

const (
	countShift  = 52
	sharedShift = 58
	countMask   = 1<<(sharedShift-countShift) - 1
	rankMask    = 1<<countShift - 1
)

func (s sum) count() int   { return int(s.tie >> countShift & countMask) }
func (s sum) shared() int  { return int(s.tie >> sharedShift) }
func (s sum) rank() uint64 { return s.tie & rankMask }

func (s sum) before(o sum) bool {
	return s.units < o.units || s.units == o.units && s.tie < o.tie
}

// half are the sums of some groups, in ascending order of mass.
type half struct {
	groups []group
	sums   []sum
}

// pair is a sum of each half.
type pair struct {
	left, right sum
	// off is the sum less the target without the tote.
	off int64
}

func (p *pair) count() int  { return p.left.count() + p.right.count() }
func (p *pair) shared() int { return p.left.shared() + p.right.shared() }

// halves are the whole kit.
type halves struct {
	left, right half
	// merged says that equal sums were kept once, partial that groups were left out.
	merged, partial bool
}

// split puts the heavier groups in one half and the lighter in the other, so that the larger half is as small as can be.
func split(groups []group) *halves {
	best, size := 0, -1.0
	for at := range len(groups) + 1 {
		larger := max(product(groups[:at]), product(groups[at:]))
		if size < 0 || larger < size {
			best, size = at, larger
		}
	}
	h := &halves{left: half{groups: groups[:best]}, right: half{groups: groups[best:]}}
	h.merged = size > maxHalf
	for _, side := range []*half{&h.left, &h.right} {
		h.partial = side.build(h.merged) || h.partial
	}
	return h
}

// product is how many choices the groups give, as a float that cannot overflow.
func product(groups []group) float64 {
	n := 1.0
	for i := range groups {
		n = float64(n * float64(len(groups[i].codes)+1))
	}
	return n
}

// build makes the ordered sums, adding one group after the other by merging. From the first group that no longer fits all are left out.
func (h *half) build(merge bool) (partial bool) {
	size := 1
	if !merge {
		size = int(product(h.groups))
	}
	weight := uint64(1)
	weights := make([]uint64, len(h.groups))
	for i := len(h.groups) - 1; i >= 0; i-- {
		weights[i] = weight
		weight *= uint64(len(h.groups[i].codes) + 1)
	}
	h.sums = append(make([]sum, 0, size), sum{tie: weight - 1})
	spare := [2][]sum{make([]sum, 0, size), nil}
	for i := range h.groups {
		next, free := h.groups[i].add(h.sums, weights[i], spare, merge)
		if len(next) > maxHalf {
			return true
		}
		h.sums, spare = next, free
	}
	return false
}

// add are the sums with none to all inserts of the group, written to the spare lists, and the lists that are spare then. It stops when
// they no longer fit a half.
func (g *group) add(base []sum, weight uint64, spare [2][]sum, merge bool) (all []sum, free [2][]sum) {
	all = base
	for k := 1; k <= len(g.codes) && len(all) <= maxHalf; k++ {
		next := mergeShifted(spare[0][:0], all, base, g.some(k, weight))
		if merge {
			next = once(next)
		}
		spare[0] = all
		if k == 1 {
			spare[0] = spare[1]
		}
		all = next
	}
	return all, [2][]sum{base, spare[0]}
}

// some is what k inserts of the group add to a sum.
func (g *group) some(k int, weight uint64) sum {
	tie := uint64(k)<<countShift + uint64(max(0, k-g.fresh))<<sharedShift - uint64(k)*weight
	return sum{units: int64(k) * g.units, tie: tie}
}

// mergeShifted merges, in order, a list and another one to each of which a sum is added.
func mergeShifted(out, a, b []sum, add sum) []sum {
	out = slices.Grow(out, len(a)+len(b))
	i := 0
	for _, s := range b {
		s.units += add.units
		s.tie += add.tie
		for i < len(a) && a[i].before(s) {
			out = append(out, a[i])
			i++
		}
		out = append(out, s)
	}
	return append(out, a[i:]...)
}

// once keeps of the sums with the same mass and count the first.
func once(sums []sum) []sum {
	out := sums[:0]
	start := 0
	for _, s := range sums {
		if len(out) > 0 && out[start].units != s.units {
			start = len(out)
		}
		if !slices.ContainsFunc(out[start:], func(o sum) bool { return o.units == s.units && o.count() == s.count() }) {
			out = append(out, s)
		}
	}
	return out
}

// recipe names the inserts of a pair.
func (h *halves) recipe(p pair, tote, target mass.Mass) Recipe {
	codes := make([]string, 0, p.count())
	codes = h.right.codes(p.right.rank(), h.left.codes(p.left.rank(), codes))
	load := target.Add(mass.FromUnits(p.off))
	if len(codes) == 0 {
		load = tote
	}
	return Recipe{Codes: codes, Load: load, Off: mass.FromUnits(p.off)}
}

// codes appends those of a choice, heaviest first.
func (h *half) codes(rank uint64, to []string) []string {
	var chosen [MaxInserts]int
	for i := len(h.groups) - 1; i >= 0; i-- {
		n := uint64(len(h.groups[i].codes))
		chosen[i] = int(n - rank%(n+1))
		rank /= n + 1
	}
	for i := range h.groups {
		at := len(to)
		to = append(to, h.groups[i].codes[:chosen[i]]...)
		if chosen[i] > 1 {
			// Those not used before come first in a group.
			slices.Sort(to[at:])
		}
	}
	return to
}
