package capacity

import "ponderal.example/internal/record"

// Chosen holds, for each zone and pace, the capacity that stands for it.
type Chosen struct {
	at [zones][paces]*record.Capacity
}

const (
	zones = 7
	paces = 3
)

// Choose picks the capacity that stands for each zone and pace. Where several series share them:
//
//   - a series that ended at a limit of the person or the plan stands before one that was broken off (administrative) or left
//     incomplete, because a series broken off says nothing about where the limit is;
//   - among those, the lower capacity stands, so that a finding never overstates. The engine does not pick the better of two tries,
//     nor the later one: a repeat that came out higher is for the reviewer to weigh. Equal capacities: the lower series number.
//
// A series that says nothing (see Tested) stands for nothing. The choice does not depend on the order of capacities.
func Choose(capacities []record.Capacity) Chosen {
	var ch Chosen
	for i := range capacities {
		c := &capacities[i]
		z, p := zoneIndex(c.Zone), paceIndex(c.Pace)
		if z < 0 || p < 0 || !Tested(c) {
			continue
		}
		if at := &ch.at[z][p]; *at == nil || stands(c, *at) {
			*at = c
		}
	}
	return ch
}

// At returns the capacity that stands for a zone and pace; nil when they were not tested.
func (ch *Chosen) At(zone record.Zone, pace record.Pace) *record.Capacity {
	z, p := zoneIndex(zone), paceIndex(pace)
	if z < 0 || p < 0 {
		return nil
	}
	return ch.at[z][p]
}

// stands reports whether a stands before b.
func stands(a, b *record.Capacity) bool {
	if la, lb := atLimit(a), atLimit(b); la != lb {
		return la
	}
	switch {
	case a.Load == nil && b.Load != nil:
		return true
	case b.Load == nil && a.Load != nil:
		return false
	case a.Load != nil && *a.Load != *b.Load:
		return a.Load.Less(*b.Load)
	}
	return a.SeriesNumber < b.SeriesNumber
}

func atLimit(c *record.Capacity) bool {
	return c.EndReason != record.EndAdministrative && c.EndReason != record.EndIncomplete
}

func zoneIndex(z record.Zone) int {
	switch z {
	case record.FloorWaist:
		return 0
	case record.WaistShoulder:
		return 1
	case record.ShoulderOverhead:
		return 2
	case record.FloorShoulder:
		return 3
	case record.Carry:
		return 4
	case record.Push:
		return 5
	case record.Pull:
		return 6
	}
	return -1
}

func paceIndex(p record.Pace) int {
	switch p {
	case record.Occasional:
		return 0
	case record.Frequent:
		return 1
	case record.Constant:
		return 2
	}
	return -1
}
