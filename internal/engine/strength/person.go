package strength

import (
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// zoneOrder is the order in which zones are reported.
var zoneOrder = [...]record.Zone{
	record.FloorWaist, record.WaistShoulder, record.ShoulderOverhead, record.FloorShoulder, record.Carry, record.Push, record.Pull,
}

var paceOrder = [...]record.Pace{record.Occasional, record.Frequent, record.Constant}

// OfZones gives the level reached in each tested zone, in the order of zones; never nil.
func OfZones(ch *capacity.Chosen) []record.ZoneStrength {
	found := make([]record.ZoneStrength, 0, len(zoneOrder))
	for _, z := range zoneOrder {
		if s, ok := OfZone(ch, z); ok {
			found = append(found, s)
		}
	}
	return found
}

// OfZone gives the level reached in one zone; not ok when the zone was not tested at any pace. It is the highest level whose upper
// bounds are all reached: at the occasional pace always, at the frequent and constant pace where measured.
//
// Where the occasional pace was not measured, the capacity at the next harder measured pace stands for it: a load that can be handled
// more often can be handled less often, so this never overstates. A frequent capacity of 25 lb alone therefore does not establish
// medium, whose 50 lb occasional nobody saw lifted.
//
// Between two bounds the person reaches the lower level and works within the next up to the capacity at the limiting pace. The
// limiting pace is the one that holds the person furthest from the next level; one that stands exactly on its bound comes first, and
// then there is no level to work within.
func OfZone(ch *capacity.Chosen, zone record.Zone) (record.ZoneStrength, bool) {
	return OfZoneProjected(ch, nil, zone)
}

// less compares a/goalA with b/goalB exactly. A goal is at most 100 and a mass at most 1e14 units, so the products fit.
func less(a mass.Mass, goalA int64, b mass.Mass, goalB int64) bool {
	return a.Units()*goalB < b.Units()*goalA
}

// Overall is the lowest of the zones that a job needs, or of all tested lifting zones where there is no job. Untested lists the zones
// that the job needs and nobody tested, in the order of zones: then, or where nothing that counts was tested, there is no overall level.
func Overall(zones []record.ZoneStrength, job *record.JobProfile) (overall *record.ZoneStrength, untested []record.Zone) {
	for _, z := range zoneOrder {
		if !counts(z, job) {
			continue
		}
		s := find(zones, z)
		if s == nil {
			if job != nil {
				untested = append(untested, z)
			}
			continue
		}
		if overall == nil || weaker(s, overall) {
			overall = s
		}
	}
	if len(untested) > 0 || overall == nil {
		return nil, untested
	}
	lowest := *overall
	return &lowest, nil
}

func counts(z record.Zone, job *record.JobProfile) bool {
	if job == nil {
		return z.Lifting()
	}
	for i := range job.Tasks {
		if job.Tasks[i].Zone == z {
			return true
		}
	}
	return false
}

func find(zones []record.ZoneStrength, z record.Zone) *record.ZoneStrength {
	for i := range zones {
		if zones[i].Zone == z {
			return &zones[i]
		}
	}
	return nil
}

// weaker reports whether a limits the person more than b: the lower level; at equal levels the one that does not go beyond it, then the
// one that goes less far towards the next.
func weaker(a, b *record.ZoneStrength) bool {
	if a.Level != b.Level {
		return Rank(a.Level) < Rank(b.Level)
	}
	if a.WithinUpTo == nil || b.WithinUpTo == nil {
		return a.WithinUpTo == nil && b.WithinUpTo != nil
	}
	return less(*a.WithinUpTo, goalOf(a), *b.WithinUpTo, goalOf(b))
}

func goalOf(z *record.ZoneStrength) int64 {
	p, _ := paceIndex(z.LimitingPace)
	return boundPounds(z.Within, p)
}
