package match

import (
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/limits"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Input is all that the comparison with a job depends on.
type Input struct {
	Chosen    *capacity.Chosen
	Projected []record.ProjectedCapacity
	// Series are those that the capacities come from, in any order: they tell which trial a capacity rests on. Without them RestsOn names
	// neither series nor trial.
	Series []*record.Series
	// ErrorOf is the error of the capacity of a series, see Band; nil, or giving nil, where the series' protocol states none.
	ErrorOf  func(series int) *mass.Mass
	Job      *record.JobProfile
	Revision int
	// Limited says that the session carries a remark which limits what its measurements can be trusted for.
	Limited   bool
	Hands     []record.HandMatch
	Positions []record.PositionMatch
}

// Band is the error of a single measurement with 95 % confidence: 1.96 standard errors of measurement, rounded down to 1e-11 kg. It is the
// minimal detectable change (1.96 sqrt 2 SEM; Weir 2005) without the root, which stands for the difference of two measurements.
func Band(sem mass.Mass) mass.Mass { return project.Percent(sem, 196) }

// Match compares every demand of a job. StoodIn lists, once each and in the order of tasks, the tasks that were matched by a capacity measured at
// a harder pace.
//
// The outcome:
//
//   - does not meet, as soon as one measured demand is short: a known shortfall decides, whatever is missing elsewhere. How many are short is
//     listed and not weighed; whether the job can be changed is for the reviewer.
//   - cannot be determined, when one was not tested, or is short by a projection only, or by a series that was broken off before a limit was
//     found; or when the job demands nothing. Missing says what.
//   - meets with limits, when every demand is within, but one only within the error of measurement or by a projection, or the session is
//     limited.
//   - meets, when every demand is within what was measured.
//
// A position or hand that the job demands and that has no match was not tested.
func Match(in Input) (m record.JobMatch, stoodIn []string) {
	m = record.JobMatch{
		JobProfileID:       in.Job.ID,
		JobProfileRevision: in.Revision,
		Title:              in.Job.Title,
		Demand:             strength.OfJob(in.Job),
		Tasks:              make([]record.TaskMatch, len(in.Job.Tasks)),
		Positions:          in.Positions,
		Hands:              in.Hands,
	}
	j := judge{in: &in, rests: newLines(len(in.Job.Tasks) + len(in.Positions) + len(in.Hands))}
	for i := range in.Job.Tasks {
		if j.task(&in.Job.Tasks[i], &m.Tasks[i]) {
			stoodIn = append(stoodIn, in.Job.Tasks[i].Name)
		}
	}
	j.positions()
	j.hands()
	if len(j.rests.ends)+len(j.missing.ends) == 0 {
		j.missing.add("the job profile has no demands")
	}
	m.Outcome = outcome(j.short, len(j.missing.ends) > 0, in.Limited || j.caveat)
	if m.Outcome == record.CannotBeDetermined {
		m.Missing = j.missing.strings()
	}
	m.RestsOn = j.rests.strings()
	return m, stoodIn
}

// judge holds what the demands seen so far come to.
type judge struct {
	in             *Input
	short          bool // by a measurement
	caveat         bool // within the error, or by a projection
	missing, rests lines
}

// verdict notes one demand's verdict; a verdict that is none counts as not tested. It reports whether the demand leaves the outcome open.
func (j *judge) verdict(v record.Verdict, basis record.Basis) (open bool) {
	projected := basis == record.Projected
	switch v {
	case record.TaskWithin:
		j.caveat = j.caveat || projected
		return false
	case record.TaskWithinError:
		j.caveat = true
		return false
	case record.TaskShort:
		j.short = j.short || !projected
		return projected
	}
	return true
}

// task compares one task and reports whether a capacity measured at a harder pace stood in.
func (j *judge) task(t *record.JobTask, m *record.TaskMatch) (stoodIn bool) {
	*m = record.TaskMatch{Task: t.Name, Zone: t.Zone, Pace: t.Pace, Demand: t.Load}
	c, stoodIn := j.measured(t)
	var p *record.ProjectedCapacity
	if c == nil {
		p = project.Find(j.in.Projected, t.Zone, t.Pace)
	}
	switch {
	case c != nil:
		m.Basis, m.SeriesNumber, m.Capacity = record.Measured, c.SeriesNumber, c.Load
		if j.in.ErrorOf != nil {
			m.MeasurementError = j.in.ErrorOf(c.SeriesNumber)
		}
		compare(m)
	case p != nil:
		load := p.Load
		m.Basis, m.SeriesNumber, m.Capacity = record.Projected, p.FromSeries, &load
		compare(m)
	default:
		m.Verdict = record.TaskNotTested
	}
	switch {
	case m.Verdict == record.TaskShort && brokenOff(c, t.Load):
		j.brokenOff(m, c)
	case j.verdict(m.Verdict, m.Basis):
		j.taskMissing(m)
	}
	j.taskRests(m, c, p)
	return stoodIn
}

// measured is the capacity at the task's own pace, or else the one at the nearest harder pace that reaches the demand, which never makes a
// task short.
func (j *judge) measured(t *record.JobTask) (c *record.Capacity, stoodIn bool) {
	if c := j.in.Chosen.At(t.Zone, t.Pace); c != nil {
		return c, false
	}
	for _, pace := range harder(t.Pace) {
		if c := j.in.Chosen.At(t.Zone, pace); c != nil && reaches(c.Load, t.Load) {
			return c, true
		}
	}
	return nil, false
}

// brokenOff reports whether a series tells nothing about a demand above its capacity: it was broken off, or never brought to an end, and no
// load up to the demand failed in it.
func brokenOff(c *record.Capacity, demand mass.Mass) bool {
	if c == nil || c.EndReason != record.EndAdministrative && c.EndReason != record.EndIncomplete {
		return false
	}
	return c.BracketTo == nil || demand.Less(*c.BracketTo)
}

func reaches(capacity *mass.Mass, demand mass.Mass) bool {
	return capacity != nil && !capacity.Less(demand)
}

// compare gives the verdict on a capacity, measured or projected. The error of measurement is one of a capacity: where nothing was accepted
// there is none that could be in error, and a projection has none.
func compare(m *record.TaskMatch) {
	m.ShortBy = shortBy(m.Capacity, m.Demand)
	switch {
	case m.ShortBy == nil:
		m.Verdict = record.TaskWithin
	case m.Capacity != nil && m.MeasurementError != nil && !m.MeasurementError.Less(*m.ShortBy):
		m.Verdict = record.TaskWithinError
	default:
		m.Verdict = record.TaskShort
	}
}

func (j *judge) positions() {
	for i := range j.in.Positions {
		p := &j.in.Positions[i]
		if j.verdict(p.Verdict, record.Measured) {
			j.missing.add(limits.PositionWords(p.Position), " was not tested")
		}
		j.positionRests(p)
	}
	for i := range j.in.Job.Positions {
		if d := &j.in.Job.Positions[i]; !j.matchedPosition(d) {
			j.missing.add(limits.PositionWords(d.Position), " was not tested")
		}
	}
}

func (j *judge) matchedPosition(d *record.PositionDemand) bool {
	for i := range j.in.Positions {
		if j.in.Positions[i].Position == d.Position {
			return true
		}
	}
	return false
}

func (j *judge) hands() {
	for i := range j.in.Hands {
		h := &j.in.Hands[i]
		if j.verdict(h.Verdict, record.Measured) {
			j.handMissing(h.Name, h.Measure, h.Hand)
		}
		j.handRests(h)
	}
	for i := range j.in.Job.Hands {
		d := &j.in.Job.Hands[i]
		for _, hand := range record.Hands() {
			if (d.Hand == "" || d.Hand == hand) && !j.matchedHand(d, hand) {
				j.handMissing(d.Name, d.Measure, hand)
			}
		}
	}
}

func (j *judge) matchedHand(d *record.HandDemand, hand record.Hand) bool {
	for i := range j.in.Hands {
		if h := &j.in.Hands[i]; h.Name == d.Name && h.Measure == d.Measure && h.Hand == hand {
			return true
		}
	}
	return false
}
