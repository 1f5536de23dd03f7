package strength

import (
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// OfZonesProjected gives the level reached in each tested zone, as OfZones does, with the projections of paces that were not measured; never nil.
func OfZonesProjected(ch *capacity.Chosen, projected []record.ProjectedCapacity) []record.ZoneStrength {
	found := make([]record.ZoneStrength, 0, len(zoneOrder))
	for _, z := range zoneOrder {
		if s, ok := OfZoneProjected(ch, projected, z); ok {
			found = append(found, s)
		}
	}
	return found
}

// OfZoneProjected is OfZone where a projection takes part at the frequent and the constant pace when that pace was not measured: the highest
// level whose upper bounds are all reached, occasional, and frequent and constant where measured or projected. A projection never raises a
// level.
//
// The basis is projected when the limiting pace is; the limiting series is then the one that was projected from. Where a measured and a
// projected pace hold the person back equally, the measured one limits. Where nothing limits (very heavy), the basis is projected as soon as
// one of the bounds was reached by a projection.
//
// Since the rules of package project are the table's own ratios, a capacity and its projections stand at the same place of the table: they
// hold a person back equally, and the measured one limits.
func OfZoneProjected(ch *capacity.Chosen, projected []record.ProjectedCapacity, zone record.Zone) (record.ZoneStrength, bool) {
	worst, basis := step{}, record.Measured
	for i, pace := range paceOrder {
		s, ok := stepAt(ch, projected, zone, i)
		if !ok && i == 0 {
			// Neither the occasional pace nor a harder one was measured.
			return record.ZoneStrength{}, false
		}
		if !ok {
			continue
		}
		s.goal = boundPounds(next(s.level), i)
		s.onBound = s.hundredths <= 100*unitsPerPound*boundPounds(s.level, i)
		s.pace = pace
		if s.basis == record.Projected {
			basis = record.Projected
		}
		if i == 0 || s.below(worst) {
			worst = s
		}
	}
	if worst.level == record.VeryHeavy {
		return record.ZoneStrength{Zone: zone, Level: worst.level, Basis: basis}, true
	}
	return worst.strength(zone), true
}

// step is how far one capacity goes at one pace: the level it reaches and, as load over goal, how much of the bound of the next.
type step struct {
	series  int
	basis   record.Basis
	pace    record.Pace // whose bounds count
	level   record.Level
	load    mass.Mass
	goal    int64 // pounds; the bound of the next level
	onBound bool  // the load is no more than the level itself asks

	// hundredths is the load in hundredths of mass's unit. A projection has what its rule gives before it is rounded down, so that rounding
	// never sets it below the measured capacity with which it shares its place in the table.
	hundredths int64
}

// stepAt is the step at a pace by its index: of what was measured, of the harder pace that stands for the occasional one, or of a
// projection; not ok when there is none of these. A harder pace that stands is held against the bounds of both paces.
func stepAt(ch *capacity.Chosen, projected []record.ProjectedCapacity, zone record.Zone, pace int) (step, bool) {
	c := ch.At(zone, paceOrder[pace])
	if c == nil && pace == 0 {
		c = harder(ch, zone)
	}
	if c != nil {
		s := step{series: c.SeriesNumber, basis: record.Measured}
		if c.Load != nil {
			s.load = *c.Load
		}
		s.hundredths = 100 * s.load.Units()
		s.level = Reached(paceOrder[pace], s.load)
		return s, true
	}
	if pace == 0 {
		return step{}, false
	}
	p := project.Find(projected, zone, paceOrder[pace])
	if p == nil {
		return step{}, false
	}
	s := step{series: p.FromSeries, basis: record.Projected, load: p.Load, hundredths: exact(ch, p)}
	s.level = Reached(p.Pace, s.load)
	if s.hundredths > 100*unitsPerPound*boundPounds(record.VeryHeavy, pace) {
		// In excess of the bound by less than the rounding.
		s.level = record.VeryHeavy
	}
	return s, true
}

// exact is a projection before it was rounded down, in hundredths of mass's unit.
func exact(ch *capacity.Chosen, p *record.ProjectedCapacity) int64 {
	from := ch.At(p.Zone, p.FromPace)
	if from != nil && from.Load != nil && project.Percent(*from.Load, p.Percent) == p.Load {
		return from.Load.Units() * int64(p.Percent)
	}
	return 100 * p.Load.Units()
}

func harder(ch *capacity.Chosen, zone record.Zone) *record.Capacity {
	for _, pace := range paceOrder[1:] {
		if c := ch.At(zone, pace); c != nil {
			return c
		}
	}
	return nil
}

// below reports whether s holds the person back more than t, which was seen before. Equal steps: a measured one stays or takes the place of a
// projected one; otherwise the rarer pace, which is seen first, stays.
func (s step) below(t step) bool {
	switch {
	case s.level != t.level:
		return Rank(s.level) < Rank(t.level)
	case s.onBound != t.onBound:
		return s.onBound
	}
	// A goal is at most 100 lb and a mass at most 1e14 units, so the products fit.
	if a, b := s.hundredths*t.goal, t.hundredths*s.goal; a != b {
		return a < b
	}
	return s.basis == record.Measured && t.basis == record.Projected
}

func (s step) strength(zone record.Zone) record.ZoneStrength {
	z := record.ZoneStrength{Zone: zone, Level: s.level, LimitingSeries: s.series, LimitingPace: s.pace, Basis: s.basis}
	if !s.onBound {
		upTo := s.load
		z.Within, z.WithinUpTo = next(s.level), &upTo
	}
	return z
}
