package recipe

import (
	"math"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Wanted is one load that a kit is to make.
type Wanted struct {
	// Target is the load, Low and High the loads from and to which another is taken for it; both bounds are included, and the target lies
	// between them.
	Target, Low, High mass.Mass
	// DifferFrom are the codes of the inserts from which the recipe must look different, as that of Other does; nil where it need not.
	DifferFrom []string
}

// Made is the answer to Wanted.
type Made struct {
	// Recipe is nil where the kit makes nothing from Low to High.
	Recipe *Recipe
	// Below and Above are the nearest loads that the kit makes, with a recipe that looks different where one is asked for: not above and
	// not below the target. Nil where there is none.
	Below, Above *mass.Mass
	// Partial says that the kit was too large to be searched whole.
	Partial bool
}

// Make finds the recipe of a load: the closest to the target, then as Search lists them, or where it must look different as Other chooses. A
// kit that makes nothing within the bounds is an answer, not an error. The answer is exact within the same bounds as Search.
func Make(kit record.Kit, w Wanted) (Made, error) {
	v := checkSearch(kit, w.Target, mass.Zero())
	if w.Low.Cmp(w.Target) > 0 || w.High.Less(w.Target) || w.Low.Units() < 0 || w.High.Units() > 2*maxUnits {
		v.add("target", RuleTolerance, "the target lies between the bounds")
	}
	if len(v) == 0 && w.DifferFrom != nil {
		_, v = loadOf(kit, w.DifferFrom)
	}
	if err := fault.InvalidFields(v); err != nil {
		return Made{}, err
	}
	h := split(groupsOf(kit.Inserts, w.DifferFrom))
	rest := w.Target.Sub(kit.Tote.Mass).Units()
	c := choiceFor(rest, w.Low.Sub(w.Target).Units(), w.High.Sub(w.Target).Units())
	if w.DifferFrom == nil {
		c.all(h)
	} else {
		c.different(h, len(w.DifferFrom))
	}
	out := Made{Partial: h.partial, Below: c.load(c.below, w.Target), Above: c.load(c.above, w.Target)}
	if c.ok {
		r := h.recipe(c.best, kit.Tote.Mass, w.Target)
		out.Recipe = &r
	}
	return out, nil
}

// choice is the best pair so far whose sum less the target is from low to high, and how far off the nearest sums are.
type choice struct {
	rest, low, high int64
	best            pair
	ok              bool
	// below and above are the nearest sums less the target, whatever low and high; the ends of int64 where there is none.
	below, above int64
}

func choiceFor(rest, low, high int64) choice {
	return choice{rest: rest, low: low, high: high, below: math.MinInt64, above: math.MaxInt64}
}

func (c *choice) load(off int64, target mass.Mass) *mass.Mass {
	if off == math.MinInt64 || off == math.MaxInt64 {
		return nil
	}
	m := target.Add(mass.FromUnits(off))
	return &m
}

// far is how far off the best is; pairs farther than that need no comparison.
func (c *choice) far() int64 {
	if !c.ok {
		return math.MaxInt64
	}
	return max(c.best.off, -c.best.off)
}

func (c *choice) consider(l, r *sum, off int64) {
	if off < c.low || off > c.high || max(off, -off) > c.far() {
		return
	}
	if p := (pair{left: *l, right: *r, off: off}); !c.ok || better(&p, &c.best) {
		c.best, c.ok = p, true
	}
}

// all considers the pairs of every count.
func (c *choice) all(h *halves) { c.meet(&h.left, runsOf(h.right.sums, false), anyCount) }

// different considers the pairs whose count is not that given.
func (c *choice) different(h *halves, avoid int) { c.meet(&h.left, runsOf(h.right.sums, true), avoid) }

// anyCount is a count to avoid that no pair has.
const anyCount = 1 << 20

// runs are sums in order, and where in that order something changes.
type runs struct {
	sums []sum
	// first is for each sum the first that is as heavy. before and after are the next sum before and after it with another count; -1 and
	// the length where there is none, and nil where no count is avoided.
	first, before, after []int32
}

func runsOf(sums []sum, counts bool) *runs {
	n := len(sums)
	all := make([]int32, 3*n)
	r := &runs{sums: sums, first: all[:n:n]}
	for i := 1; i < n; i++ {
		if r.first[i] = int32(i); sums[i].units == sums[i-1].units {
			r.first[i] = r.first[i-1]
		}
	}
	if !counts || n == 0 {
		return r
	}
	r.before, r.after = all[n:2*n:2*n], all[2*n:]
	r.before[0], r.after[n-1] = -1, int32(n)
	for i := 1; i < n; i++ {
		if r.before[i] = int32(i - 1); sums[i].count() == sums[i-1].count() {
			r.before[i] = r.before[i-1]
		}
	}
	for i := n - 2; i >= 0; i-- {
		if r.after[i] = int32(i + 1); sums[i].count() == sums[i+1].count() {
			r.after[i] = r.after[i+1]
		}
	}
	return r
}

// from is the first sum at or after i whose count is not that given; the length where there is none.
func (r *runs) from(i, avoid int) int {
	if i < len(r.sums) && r.after != nil && r.sums[i].count() == avoid {
		return int(r.after[i])
	}
	return i
}

// to is the last sum at or before i whose count is not that given; -1 where there is none.
func (r *runs) to(i, avoid int) int {
	if i >= 0 && r.before != nil && r.sums[i].count() == avoid {
		return int(r.before[i])
	}
	return i
}

// meet considers for each left sum the right sums with which it is nearest to the target without having the count to avoid, of equally
// heavy ones the first.
func (c *choice) meet(left *half, right *runs, avoid int) {
	sums := right.sums
	j := len(sums)
	for i := range left.sums {
		l := &left.sums[i]
		need, not := c.rest-l.units, avoid-l.count()
		for j > 0 && sums[j-1].units >= need {
			j--
		}
		if up := right.from(j, not); up < len(sums) {
			off := sums[up].units - need
			c.above = min(c.above, off)
			if off <= c.far() {
				c.consider(l, &sums[up], off)
			}
		}
		down := right.to(j-1, not)
		if down < 0 {
			continue
		}
		off := sums[down].units - need
		c.below = max(c.below, off)
		if -off <= c.far() {
			c.consider(l, &sums[right.from(int(right.first[down]), not)], off)
		}
	}
	if c.above == 0 {
		c.below = 0
	}
}
