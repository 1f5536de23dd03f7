package record

import "ponderal.example/internal/fault"

// maxReading is the highest reading that is believed, 200 kg: about twice the scale of a usual hand dynamometer (common practice, no source).
var maxReading = kilograms(200)

// CheckHandSeries checks one hand series by itself, as a correction brings it: trials are numbered 1, 2, 3 ... in their order and none was
// measured before the one before it; a reading is more than nothing and at most 200 kg; the instrument's calibration has a day of
// the calendar. A pinch gauge has no handle positions. Five positions and rapid exchange are of grip; of five positions every
// trial has its handle position and each occurs once; repeated readings are all in one position.
func CheckHandSeries(s HandSeries, at string) []fault.Violation {
	var k checker
	k.handSeries(&s, at)
	return k.found
}

// handSeriesIn checks a hand series in its session: its number and its times besides.
func (c *checker) handSeriesIn(s *Session, i int, at string) {
	series := &s.HandSeries[i]
	c.demand(series.Number == i+1, at+".number", "hand_series.order", "hand series are numbered 1, 2, 3 ... in their order")
	c.handSeries(series, at)
	for j := range series.Trials {
		c.demand(s.holds(series.Trials[j].At), item(at, "trials", j)+".at", "hand_trial.within_session", "a hand trial is within its session")
	}
}

func (c *checker) handSeries(s *HandSeries, at string) {
	c.demand(s.Procedure == HandRepeated || s.Measure == Grip, at+".procedure", "hand_series.procedure", "five positions and rapid exchange are procedures of grip")
	if s.InstrumentVerifiedOn != "" {
		_, ok := parseDate(s.InstrumentVerifiedOn)
		c.demand(ok, at+".instrument_verified_on", ruleCalendarDate, textCalendarDate)
	}
	for i := range s.Trials {
		t := &s.Trials[i]
		path := item(at, "trials", i)
		c.demand(t.Number == i+1, path+".number", "hand_trial.order", "hand trials are numbered 1, 2, 3 ... in the order of measuring")
		if i > 0 {
			c.demand(!t.At.Before(s.Trials[i-1].At), path+".at", "hand_trial.time_order", "a hand trial is not before the one before it")
		}
		c.demand(t.Reading.Units() > 0 && !maxReading.Less(t.Reading), path+".reading", "hand_trial.reading", "a reading is more than nothing and at most 200 kg")
	}
	c.handlePositions(s, at)
}

func (c *checker) handlePositions(s *HandSeries, at string) {
	var used [6]bool
	for i := range s.Trials {
		p := s.Trials[i].Position
		field := item(at, "trials", i) + ".handle_position"
		switch {
		case p < 0 || p >= len(used):
			c.demand(false, field, "hand_trial.position_range", "a handle position is from 1 to 5, or 0 where there is none")
		case s.Measure != Grip:
			c.demand(p == 0, field, "hand_trial.position_of_grip", "a pinch gauge has no handle positions")
		case s.Procedure == HandFivePositions:
			c.demand(p != 0, field, "hand_trial.position_given", "every trial of five positions has its handle position")
			c.demand(p == 0 || !used[p], field, "hand_trial.position_once", "of five positions each occurs once")
			used[p] = true
		case s.Procedure == HandRepeated:
			c.demand(p == s.Trials[0].Position, field, "hand_trial.one_position", "repeated readings are in one handle position")
		}
	}
}
