// Package project says what a person's capacity at a pace that was not measured would be by rule, from a capacity at an easier pace that was.
// A projection is no measurement, and everything that rests on one says so.
//
// The rules are the ratios of the table of strength levels (US Dictionary of Occupational Titles, 4th ed. rev. 1991, Appendix C): heavy work
// has 100, 50 and 20 lb occasionally, frequently and constantly, medium work 50, 25 and 10 lb. So frequent is 50 % and constant 20 % of
// occasional, and constant 40 % of frequent. That the ratios of the table hold for one person's capacity is common practice, no source.
//
// Lifts and carries are projected; pushing and pulling are not: how a force falls with the pace must be measured.
package project

import (
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Source is what every projection is published with.
const Source = "ratios of DOT Appendix C; applying them to a person's capacity is common practice, no source"

// The rules, in percent of the measured capacity.
const (
	FrequentOfOccasional = 50
	ConstantOfOccasional = 20
	ConstantOfFrequent   = 40
)

// zones are those that are projected, in the order of zones.
var zones = [...]record.Zone{record.FloorWaist, record.WaistShoulder, record.ShoulderOverhead, record.FloorShoulder, record.Carry}

// Of projects every pace that is harder than a measured one and was itself not measured, in the order of zones, then of paces; nil where there
// is none. Loads are exact, rounded down to 1e-11 kg.
//
//   - Where two rules give the constant pace, the lower stands; of equals the one from the nearer pace.
//   - Where nothing was accepted at an easier pace, nothing is projected to a harder one.
//   - A frequent projection is left out where the constant pace was measured at no less: the measurement says more.
//   - No pace is projected from a harder one, which bounds it from below as it is.
func Of(ch *capacity.Chosen) []record.ProjectedCapacity {
	var found [2 * len(zones)]record.ProjectedCapacity
	n := 0
	for _, z := range zones {
		occasional, frequent, constant := ch.At(z, record.Occasional), ch.At(z, record.Frequent), ch.At(z, record.Constant)
		if nothing(occasional) || nothing(frequent) {
			continue
		}
		if frequent == nil && occasional != nil {
			p := of(occasional, record.Frequent, FrequentOfOccasional)
			if constant == nil || constant.Load == nil || constant.Load.Less(p.Load) {
				found[n], n = p, n+1
			}
		}
		if constant != nil {
			continue
		}
		if p, ok := toConstant(occasional, frequent); ok {
			found[n], n = p, n+1
		}
	}
	if n == 0 {
		return nil
	}
	return append(make([]record.ProjectedCapacity, 0, n), found[:n]...)
}

// Find is the projection for a zone and a pace; nil where there is none.
func Find(projected []record.ProjectedCapacity, zone record.Zone, pace record.Pace) *record.ProjectedCapacity {
	for i := range projected {
		if projected[i].Zone == zone && projected[i].Pace == pace {
			return &projected[i]
		}
	}
	return nil
}

// nothing reports whether a pace was tested without a load that could be handled.
func nothing(c *record.Capacity) bool { return c != nil && (c.Load == nil || c.Load.IsZero()) }

// toConstant is the lower of what the two rules give, compared before rounding.
func toConstant(occasional, frequent *record.Capacity) (record.ProjectedCapacity, bool) {
	switch {
	case occasional == nil && frequent == nil:
		return record.ProjectedCapacity{}, false
	case frequent == nil || occasional != nil && lower(*occasional.Load, *frequent.Load):
		return of(occasional, record.Constant, ConstantOfOccasional), true
	}
	return of(frequent, record.Constant, ConstantOfFrequent), true
}

// lower reports whether 20 % of occasional is less than 40 % of frequent: whether occasional is less than twice frequent.
func lower(occasional, frequent mass.Mass) bool { return occasional.Less(frequent.Add(frequent)) }

func of(c *record.Capacity, pace record.Pace, percent int) record.ProjectedCapacity {
	return record.ProjectedCapacity{
		Zone: c.Zone, Pace: pace, Load: Percent(*c.Load, percent), FromSeries: c.SeriesNumber, FromPace: c.Pace, Percent: percent, Source: Source,
	}
}

// Percent is that share of a mass, exact and rounded down to 1e-11 kg. The mass is not negative; percent is 0 to 1000.
func Percent(m mass.Mass, percent int) mass.Mass {
	// Split so that the product fits for every mass whose share does.
	hundreds, rest := m.Units()/100, m.Units()%100
	return mass.FromUnits(hundreds*int64(percent) + rest*int64(percent)/100)
}
