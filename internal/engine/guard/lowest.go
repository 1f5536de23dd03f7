package guard

import "ponderal.example/internal/mass"

// Lowest is the lowest ceiling that could be worked out, known where there is one, and whether every ceiling that the protocol sets could
// be. It is what Ceilings says, without a text.
func (l *Limits) Lowest() (load mass.Mass, known, all bool) {
	c := &l.ceilings
	all = c.n == 0 || c.at[c.n-1].lacks == ""
	low := c.lowest()
	if low == nil {
		return mass.Zero(), false, all
	}
	return low.load, true, all
}
