// Package limits says in plain language what a person was seen to be able to do: "floor to waist, occasionally, up to 35 lb (15.9 kg)".
//
// A text says no more than was found: it states no strength level, no fitness for a job, and calls a projection a projection. Turning limits
// into advice for a workplace is for the licensed clinician who signs.
package limits

import (
	"strconv"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/engine/positions"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

var (
	zones = [...]record.Zone{
		record.FloorWaist, record.WaistShoulder, record.ShoulderOverhead, record.FloorShoulder, record.Carry, record.Push, record.Pull,
	}
	paces    = [...]record.Pace{record.Occasional, record.Frequent, record.Constant}
	measures = [...]record.HandMeasure{record.Grip, record.TipPinch, record.KeyPinch, record.PalmarPinch}
	sides    = [...]record.Hand{record.RightHand, record.LeftHand}
	postures = [...]record.Position{
		record.Sitting, record.Standing, record.Walking, record.ClimbingStairs, record.ClimbingLadder, record.Balancing, record.Stooping,
		record.Kneeling, record.Crouching, record.Crawling, record.ReachingForward, record.ReachingOverhead, record.Handling, record.Fingering,
	}
)

// Of lists the limits: of loads by zone, then pace, measured or else projected; of each measure by hand, from the strength that stands (see
// hands.Stands); of each position, from the tolerance that stands (see positions.Stands). Nil where nothing was
// found; the order of hands and positions given alters nothing.
func Of(
	ch *capacity.Chosen, projected []record.ProjectedCapacity, found []record.HandStrength, tolerated []record.PositionTolerance,
) []record.WorkLimit {
	var l list
	l.loads(ch, projected)
	l.hands(found)
	l.positions(tolerated)
	return l.done()
}

// list gathers limits; their texts stand one after the other in buf and become strings at the end, at once.
type list struct {
	buf    []byte
	ends   []int
	limits []record.WorkLimit
}

// begin makes room where this is the first limit, for a day of the usual size.
func (l *list) begin() {
	if l.limits == nil {
		const usual, textBytes = 18, 88
		l.limits = make([]record.WorkLimit, 0, usual)
		l.ends = make([]int, 0, usual)
		l.buf = make([]byte, 0, usual*textBytes)
	}
}

func (l *list) end(kind record.LimitKind, basis record.Basis, series int) {
	l.ends = append(l.ends, len(l.buf))
	l.limits = append(l.limits, record.WorkLimit{Kind: kind, Basis: basis, SeriesNumber: series})
}

func (l *list) done() []record.WorkLimit {
	texts, from := string(l.buf), 0
	for i, to := range l.ends {
		l.limits[i].Text, from = texts[from:to], to
	}
	return l.limits
}

func (l *list) loads(ch *capacity.Chosen, projected []record.ProjectedCapacity) {
	for _, z := range zones {
		for _, p := range paces {
			if c := ch.At(z, p); c != nil {
				l.begin()
				l.load(z, p, c.Load)
				l.buf = append(l.buf, openEnd(c)...)
				l.end(record.LimitLoad, record.Measured, c.SeriesNumber)
			} else if pr := project.Find(projected, z, p); pr != nil {
				l.begin()
				l.load(z, p, &pr.Load)
				l.buf = append(append(append(l.buf, ", projected from the "...), pr.FromPace...), " pace, not measured"...)
				l.end(record.LimitLoad, record.Projected, pr.FromSeries)
			}
		}
	}
}

// openEnd says of a series that found no limit, nor a heavier load that failed, that more may be possible.
func openEnd(c *record.Capacity) string {
	switch {
	case c.Load == nil || c.BracketTo != nil:
	case c.EndReason == record.EndAdministrative:
		return "; the series was broken off before a limit was found"
	case c.EndReason == record.EndIncomplete:
		return "; the series was not brought to an end"
	}
	return ""
}

func (l *list) load(z record.Zone, p record.Pace, m *mass.Mass) {
	force := z == record.Push || z == record.Pull
	l.buf = append(append(append(l.buf, ZoneWords(z)...), ", "...), PaceWord(p)...)
	switch {
	case m == nil && force:
		l.buf = append(l.buf, ": no force was accepted"...)
	case m == nil:
		l.buf = append(l.buf, ": no load was accepted"...)
	default:
		l.buf = AppendMass(append(l.buf, ", up to "...), *m)
		if force {
			l.buf = append(l.buf, " of force"...)
		}
	}
}

func (l *list) hands(found []record.HandStrength) {
	if len(found) == 0 {
		return
	}
	for _, measure := range measures {
		for _, side := range sides {
			s := hands.Stands(found, measure, side)
			if s == nil {
				continue
			}
			l.begin()
			l.buf = append(append(append(append(l.buf, side...), " hand, "...), MeasureWords(measure)...), ": "...)
			l.buf = AppendMass(l.buf, s.Strength)
			if s.Trials == 1 {
				l.buf = append(l.buf, ", one reading"...)
			} else {
				l.buf = append(strconv.AppendInt(append(l.buf, ", mean of "...), int64(s.Trials), 10), " readings"...)
			}
			l.end(record.LimitHand, record.Measured, s.SeriesNumber)
		}
	}
}

func (l *list) positions(found []record.PositionTolerance) {
	if len(found) == 0 {
		return
	}
	for _, p := range postures {
		t := positions.Stands(found, p)
		if t == nil || t.Tolerance == record.NoTolerance {
			continue
		}
		l.begin()
		l.buf = append(append(append(l.buf, PositionWords(p)...), ": "...), shareOfDay(t.Tolerance)...)
		l.end(record.LimitPosition, "", t.SeriesNumber)
	}
}
