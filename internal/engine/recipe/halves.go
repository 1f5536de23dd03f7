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

// sum is one choice from the groups of a half: how many of each, in digits of rank.
type sum struct {
	units int64
	// rank has for each group the number left out, the heaviest group in the highest digit: lower has more of the heavier inserts.
	rank   uint64
	count  int16
	shared int16
}

// half are the sums of some groups, in ascending order of mass.
type half struct {
	groups []group
	sums   []sum
}

// pair is a sum of each half.
type pair struct {
	left, right choice
	// off is the sum less the target without the tote.
	off int64
}

// choice is a sum as a pair holds it.
type choice struct {
	rank          uint64
	count, shared int
}

func (s *sum) choice() choice {
	return choice{rank: s.rank, count: int(s.count), shared: int(s.shared)}
}

func (p *pair) count() int  { return p.left.count + p.right.count }
func (p *pair) shared() int { return p.left.shared + p.right.shared }

// halves are the whole kit.
type halves struct {
	left, right half
	// merged says that equal sums were kept once, partial that groups were left out.
	merged, partial bool
}

// split puts the heavier groups in one half and the lighter in the other, so that the larger half is as small as can be. Order by
// count first orders equal sums by how many inserts they have, otherwise by how many codes they share.
func split(groups []group, countFirst bool) *halves {
	best, size := 0, -1.0
	for at := range len(groups) + 1 {
		larger := max(product(groups[:at]), product(groups[at:]))
		if size < 0 || larger < size {
			best, size = at, larger
		}
	}
	h := &halves{left: half{groups: groups[:best]}, right: half{groups: groups[best:]}}
	h.merged = size > maxHalf
	order := byCount
	if !countFirst {
		order = byShared
	}
	for _, side := range []*half{&h.left, &h.right} {
		h.partial = side.build(order, h.merged) || h.partial
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

func byCount(a, b *sum) bool {
	switch {
	case a.units != b.units:
		return a.units < b.units
	case a.count != b.count:
		return a.count < b.count
	}
	return a.rank < b.rank
}

func byShared(a, b *sum) bool {
	switch {
	case a.units != b.units:
		return a.units < b.units
	case a.shared != b.shared:
		return a.shared < b.shared
	case a.count != b.count:
		return a.count < b.count
	}
	return a.rank < b.rank
}

// build makes the ordered sums, adding one group after the other by merging. The groups that no longer fit are left out, and dropped
// from the half.
func (h *half) build(before func(a, b *sum) bool, merge bool) (partial bool) {
	h.sums = []sum{{}}
	for i := range h.groups {
		next, fits := h.with(&h.groups[i], before, merge)
		if !fits {
			h.groups = h.groups[:i]
			return true
		}
		h.sums = next
	}
	return false
}

// with are the sums with none to all inserts of one more group, and whether they fit a half.
func (h *half) with(g *group, before func(a, b *sum) bool, merge bool) (out []sum, fits bool) {
	out = shifted(h.sums, g, 0)
	for k := 1; k <= len(g.codes); k++ {
		out = mergeSums(out, shifted(h.sums, g, k), before)
		if merge {
			out = once(out)
		}
		if len(out) > maxHalf {
			return nil, false
		}
	}
	return out, true
}

// shifted are the sums with k inserts of the group.
func shifted(sums []sum, g *group, k int) []sum {
	n := len(g.codes)
	out := make([]sum, len(sums))
	for i, s := range sums {
		out[i] = sum{
			units:  s.units + int64(k)*g.units,
			rank:   s.rank*uint64(n+1) + uint64(n-k),
			count:  s.count + int16(k),
			shared: s.shared + int16(max(0, k-g.fresh)),
		}
	}
	return out
}

func mergeSums(a, b []sum, before func(a, b *sum) bool) []sum {
	out := make([]sum, 0, len(a)+len(b))
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		if before(&b[j], &a[i]) {
			out = append(out, b[j])
			j++
			continue
		}
		out = append(out, a[i])
		i++
	}
	return append(append(out, a[i:]...), b[j:]...)
}

// once keeps of the sums with the same mass and count the first.
func once(sums []sum) []sum {
	out := sums[:0]
	start := 0
	for _, s := range sums {
		if len(out) > 0 && out[start].units != s.units {
			start = len(out)
		}
		if !slices.ContainsFunc(out[start:], func(o sum) bool { return o.units == s.units && o.count == s.count }) {
			out = append(out, s)
		}
	}
	return out
}

// recipe names the inserts of a pair.
func (h *halves) recipe(p pair, tote, target mass.Mass) Recipe {
	codes := append(h.left.codes(p.left.rank), h.right.codes(p.right.rank)...)
	load := target.Add(mass.FromUnits(p.off))
	if len(codes) == 0 {
		load = tote
	}
	return Recipe{Codes: codes, Load: load, Off: mass.FromUnits(p.off)}
}

// codes are those of a choice, heaviest first.
func (h *half) codes(rank uint64) []string {
	var groups [][]string
	for i := len(h.groups) - 1; i >= 0; i-- {
		all := h.groups[i].codes
		base := uint64(len(all) + 1)
		k := len(all) - int(rank%base)
		rank /= base
		chosen := slices.Clone(all[:k])
		slices.Sort(chosen)
		groups = append(groups, chosen)
	}
	var codes []string
	for i := len(groups) - 1; i >= 0; i-- {
		codes = append(codes, groups[i]...)
	}
	return codes
}
