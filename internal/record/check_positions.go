package record

import (
	"time"

	"ponderal.example/internal/fault"
)

// CheckPositionSeries checks one position series by itself, as a correction brings it: bouts are numbered 1, 2, 3 ... in their order and none
// began before the one before it; none was kept up longer than asked for, and one that was completed was kept up as long; a judgement
// without a bout has a note that says what it rests on.
func CheckPositionSeries(s PositionSeries, at string) []fault.Violation {
	var k checker
	k.positionSeries(&s, at)
	return k.found
}

// positionSeriesIn checks a position series in its session: its number and its times besides.
func (c *checker) positionSeriesIn(s *Session, i int, at string) {
	series := &s.PositionSeries[i]
	c.demand(series.Number == i+1, at+".number", "position_series.order", "position series are numbered 1, 2, 3 ... in their order")
	c.positionSeries(series, at)
	for j := range series.Bouts {
		b := &series.Bouts[j]
		within := s.holds(b.At) && s.holds(b.end())
		c.demand(within, item(at, "bouts", j)+".at", "bout.within_session", "a bout begins and ends within its session")
	}
}

// end is when the position was no longer kept up.
func (b *Bout) end() Time { return TimeOf(b.At.Std().Add(time.Duration(b.KeptSeconds) * time.Second)) }

func (c *checker) positionSeries(s *PositionSeries, at string) {
	c.demand(len(s.Bouts) > 0 || s.Note != "", at+".note", "position.note", "a judgement without a bout has a note that says what it rests on")
	for i := range s.Bouts {
		b := &s.Bouts[i]
		path := item(at, "bouts", i)
		c.demand(b.Number == i+1, path+".number", "bout.order", "bouts are numbered 1, 2, 3 ... in the order of testing")
		if i > 0 {
			c.demand(!b.At.Before(s.Bouts[i-1].At), path+".at", "bout.time_order", "a bout does not begin before the one before it")
		}
		c.demand(b.KeptSeconds <= b.AskedSeconds, path+".kept_seconds", "bout.kept", "a bout is not kept up longer than asked for")
		done := b.EndedBy != BoutCompleted || b.KeptSeconds >= b.AskedSeconds
		c.demand(done, path+".ended_by", "bout.completed", "a completed bout was kept up as long as asked for")
	}
}
