package match

import (
	"strconv"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/limits"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// lines are texts that are put together one after the other in one piece of memory.
type lines struct {
	buf  []byte
	ends []int
}

// newLines makes room for so many sentences of the usual length.
func newLines(n int) lines {
	const usual = 176
	return lines{buf: make([]byte, 0, n*usual), ends: make([]int, 0, n)}
}

func (l *lines) text(parts ...string) {
	for _, p := range parts {
		l.buf = append(l.buf, p...)
	}
}

func (l *lines) number(n int) { l.buf = strconv.AppendInt(l.buf, int64(n), 10) }

func (l *lines) mass(m mass.Mass) { l.buf = limits.AppendMass(l.buf, m) }

func (l *lines) end() { l.ends = append(l.ends, len(l.buf)) }

func (l *lines) add(parts ...string) {
	l.text(parts...)
	l.end()
}

// strings are the texts; nil where there is none.
func (l *lines) strings() []string {
	if len(l.ends) == 0 {
		return nil
	}
	all, from := string(l.buf), 0
	texts := make([]string, len(l.ends))
	for i, to := range l.ends {
		texts[i], from = all[from:to], to
	}
	return texts
}

func (j *judge) brokenOff(m *record.TaskMatch, c *record.Capacity) {
	l := &j.missing
	l.text(m.Task, ": ", zoneName(m.Zone), " at the ", string(m.Pace), " pace: series ")
	l.number(c.SeriesNumber)
	if c.EndReason == record.EndAdministrative {
		l.add(" was broken off before a limit was found")
		return
	}
	l.add(" was not brought to an end")
}

func (j *judge) taskMissing(m *record.TaskMatch) {
	l := &j.missing
	l.text(m.Task, ": ", zoneName(m.Zone), " at the ", string(m.Pace), " pace was ")
	if m.Basis != record.Projected {
		l.add("not tested")
		return
	}
	l.text("projected and not measured; the projection is ")
	l.mass(*m.ShortBy)
	l.add(" short")
}

func (j *judge) handMissing(name string, measure record.HandMeasure, hand record.Hand) {
	j.missing.add(name, ": ", limits.MeasureWords(measure), " of the ", string(hand), " hand was not tested")
}

// taskRests says what the verdict on a task rests on: a measured capacity at its pace or a harder one, a projection, or nothing.
func (j *judge) taskRests(m *record.TaskMatch, c *record.Capacity, p *record.ProjectedCapacity) {
	l := &j.rests
	l.text(`"`, m.Task, `": `, zoneName(m.Zone), ", ", string(m.Pace), ": ")
	switch {
	case c != nil:
		j.measuredRests(c, m.Pace)
	case p != nil:
		j.projectedRests(p)
	default:
		l.text("not tested")
	}
	l.text("; demand ")
	l.mass(m.Demand)
	if m.ShortBy != nil {
		l.text(", short by ")
		l.mass(*m.ShortBy)
	}
	if m.Verdict == record.TaskWithinError {
		l.text(", which is within the error of measurement of ")
		l.mass(*m.MeasurementError)
	}
	l.add(".")
}

func (j *judge) measuredRests(c *record.Capacity, pace record.Pace) {
	l := &j.rests
	l.text("measured ")
	if c.Load == nil {
		l.text("without a load that was accepted")
	} else {
		l.mass(*c.Load)
	}
	stands := c.Pace != pace
	if stands {
		l.text(" at the ", string(c.Pace), " pace")
	}
	j.where(c)
	if stands {
		l.text(", which stands for the ", string(pace), " pace")
	}
}

func (j *judge) projectedRests(p *record.ProjectedCapacity) {
	l := &j.rests
	l.text("projected ")
	l.mass(p.Load)
	l.text(", ")
	l.number(p.Percent)
	l.text(" % of ")
	c := j.in.Chosen.At(p.Zone, p.FromPace)
	if c != nil && c.Load != nil {
		l.text("the ")
		l.mass(*c.Load)
		l.text(" measured")
	} else {
		l.text("what was measured")
	}
	l.text(" at the ", string(p.FromPace), " pace")
	if c != nil {
		j.where(c)
	}
}

// where names the series, the last accepted trial at the capacity's load, and how the series ended.
func (j *judge) where(c *record.Capacity) {
	l := &j.rests
	s := j.series(c.SeriesNumber)
	if s == nil {
		return
	}
	l.text(" in series ")
	l.number(c.SeriesNumber)
	if n, ok := trialOf(s, c); ok {
		l.text(", trial ")
		l.number(n)
	}
	if words := endWords(c.EndReason); words != "" {
		l.text(" (", words, ")")
	}
}

func (j *judge) series(number int) *record.Series {
	for _, s := range j.in.Series {
		if s.Number == number {
			return s
		}
	}
	return nil
}

// trialOf is the number of the last accepted trial at the capacity's load; not ok where there is none.
func trialOf(s *record.Series, c *record.Capacity) (number int, ok bool) {
	if c.Load == nil || len(s.Trials) != len(c.Trials) {
		return 0, false
	}
	trials := capacity.Ordered(s.Trials)
	for i := len(trials) - 1; i >= 0; i-- {
		if c.Trials[i].Status == record.TrialAccepted && trials[i].Load == *c.Load {
			return trials[i].Number, true
		}
	}
	return 0, false
}

func (j *judge) positionRests(p *record.PositionMatch) {
	l := &j.rests
	l.text(limits.PositionWords(p.Position), ": ")
	if p.Tolerance == record.NoTolerance {
		l.text("not tested")
	} else {
		l.text("tolerated ", limits.ToleranceWord(p.Tolerance), " in position series ")
		l.number(p.SeriesNumber)
	}
	l.text("; demand ", limits.ToleranceWord(p.Demand))
	if p.Verdict == record.TaskShort {
		l.text(", short")
	}
	l.add(".")
}

func (j *judge) handRests(h *record.HandMatch) {
	l := &j.rests
	l.text(`"`, h.Name, `": `, limits.MeasureWords(h.Measure), ", ", string(h.Hand), " hand: ")
	if h.Strength == nil {
		l.text("not tested")
	} else {
		l.text("measured ")
		l.mass(*h.Strength)
		l.text(" in hand series ")
		l.number(h.SeriesNumber)
	}
	l.text("; demand ")
	l.mass(h.Demand)
	if h.ShortBy != nil {
		l.text(", short by ")
		l.mass(*h.ShortBy)
	}
	l.add(".")
}

// zoneName is a zone in one word: "floor-waist".
func zoneName(z record.Zone) string {
	switch z {
	case record.FloorWaist:
		return "floor-waist"
	case record.WaistShoulder:
		return "waist-shoulder"
	case record.ShoulderOverhead:
		return "shoulder-overhead"
	case record.FloorShoulder:
		return "floor-shoulder"
	}
	return string(z)
}

// endWords is why a series ended, for people.
func endWords(r record.EndReason) string {
	switch r {
	case record.EndVolitional:
		return "the client's choice"
	case record.EndEffort:
		return "effort"
	case record.EndHeartRate:
		return "heart rate"
	case record.EndMechanics:
		return "mechanics"
	case record.EndCeiling:
		return "load ceiling"
	case record.EndSymptom:
		return "symptom"
	case record.EndAdministrative:
		return "broken off"
	case record.EndIncomplete:
		return "not brought to an end"
	}
	return ""
}
