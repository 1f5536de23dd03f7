package advise

import (
	"strconv"

	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// next finds the candidate for the next trial. It is not ok when there is none: the series is over, or its last trial is not settled.
//
//   - before the first trial: the start load;
//   - after an accepted one: a step above the highest accepted load, and below every load that failed;
//   - after a failed one, where the protocol backs off: so much below the lightest load that failed, and above the highest accepted load;
//   - after a closed one: the same load again, unless it is one that failed.
func (j *judge) next() (move, bool) {
	s := &j.state
	if len(s.trials) == 0 {
		return move{action: Start, load: j.in.Protocol.StartLoad, at: j.in.Now}, true
	}
	last := len(s.trials) - 1
	switch {
	case s.lastFailed:
		return j.backOff()
	case s.last == record.TrialAccepted:
		return j.advance()
	case s.last == record.TrialClosed:
		return j.within(move{action: Repeat, load: s.trials[last].Load, at: j.in.Now})
	}
	return move{}, false
}

func (j *judge) advance() (move, bool) {
	s := &j.state
	step := j.step()
	load := s.best.Add(step)
	if !s.best.Less(load) {
		j.say(Stop, GuardProtocol, s.best.String(), "", "There is no heavier load.")
		return move{}, false
	}
	measured := "not rated"
	if !s.unrated {
		measured = s.effort.String() + " of 10"
	}
	j.say(Note, GuardSteps, measured, step.String(), "The step above the highest accepted load, by the highest rating so far.")
	return j.within(move{action: Advance, load: load, at: j.in.Now})
}

// step is the increment from the highest rating so far on; the smallest of all where an accepted trial was not rated.
func (j *judge) step() mass.Mass {
	steps := j.in.Protocol.Steps
	chosen := steps[0].Increment
	for i := range steps {
		if j.state.unrated {
			if steps[i].Increment.Less(chosen) {
				chosen = steps[i].Increment
			}
		} else if steps[i].FromEffort <= j.state.effort {
			chosen = steps[i].Increment
		}
	}
	return chosen
}

func (j *judge) backOff() (move, bool) {
	s, off := &j.state, j.in.Protocol.BackOff
	if off == nil {
		return move{}, false
	}
	load := s.failed.Sub(*off)
	if load.Units() <= 0 {
		j.say(Stop, GuardBracket, s.failed.String(), off.String(), "The lightest failed load leaves nothing to back off to.")
		return move{}, false
	}
	if s.hasBest && !s.best.Less(load) {
		j.say(Stop, GuardBracket, s.best.String(), s.failed.String(), "The capacity is bracketed: the next lighter load is accepted already.")
		return move{}, false
	}
	return move{action: BackOff, load: load, at: j.in.Now}, true
}

// within refuses a load that is not below every failed one, or none at all.
func (j *judge) within(m move) (move, bool) {
	if m.load.Units() <= 0 {
		j.say(Stop, GuardProtocol, m.load.String(), "", "A load is more than nothing.")
		return move{}, false
	}
	if s := &j.state; s.hasFailed && !m.load.Less(s.failed) {
		j.say(Stop, GuardBracket, m.load.String(), s.failed.String(), "The capacity is bracketed: the next load is not below one that failed.")
		return move{}, false
	}
	return m, true
}

// before judges the start guards of a candidate and puts off its moment.
func (j *judge) before(m *move) {
	j.above(m.load)
	j.heartRateWork()
	j.heartRateStart()
	j.calibration()
	if len(j.state.trials) > 0 {
		j.rest(m)
	}
}

// heartRateWork waits for what the limit within a trial lacks: without it no heart rate could be held against it.
func (j *judge) heartRateWork() {
	limit := j.in.Protocol.HeartRateLimit
	// No trial is accepted while that limit lacks something.
	if limit == nil || j.state.hasBest {
		return
	}
	if _, lacks := heartrate.Limit(*limit, j.in.Person.record(), j.in.Screening.RestingHeartRate); lacks != "" {
		j.missing(string(lacks), "The heart-rate limit within a trial cannot be worked out without: "+string(lacks)+".")
	}
}

// heartRateStart holds the heart rate now against the limit under which a trial may begin.
func (j *judge) heartRateStart() {
	limit := j.in.Protocol.HeartRateStartLimit
	if limit == nil {
		return
	}
	rate, lacks := heartrate.Limit(*limit, j.in.Person.record(), j.in.Screening.RestingHeartRate)
	switch now := j.in.HeartRate; {
	case lacks != "":
		j.missing(string(lacks), "The heart-rate limit before a trial cannot be worked out without: "+string(lacks)+".")
	case now == nil:
		j.say(Wait, GuardHeartRateStart, "not measured", rate.String(), "The heart rate before the trial is not measured.")
	case rate.Above(*now):
		j.say(Wait, GuardHeartRateStart, heartrate.BPM(*now).String(), rate.String(), "The heart rate is still above the limit with which a trial may begin.")
	}
}

// maxRest bounds a rest that is believed, in seconds: a day.
const maxRest = 86_400

// rest puts off a trial until the protocol's rest is over. What is said of the rest so far is believed no further than the moment at which
// the last trial began.
func (j *judge) rest(m *move) {
	need := min(j.in.Protocol.RestSeconds, maxRest)
	if need <= 0 {
		return
	}
	had := 0
	if j.in.RestSeconds != nil {
		had = min(max(*j.in.RestSeconds, 0), maxRest)
	}
	last := j.state.trials[len(j.state.trials)-1].At
	if !j.in.Now.IsZero() && !last.IsZero() {
		had = min(had, max(int(min(j.in.Now.Std().Sub(last.Std()).Seconds(), maxRest)), 0))
	}
	if had >= need {
		return
	}
	if !m.at.IsZero() {
		m.at = later(m.at, need-had)
	}
	j.say(Wait, GuardRest, strconv.Itoa(had)+" s", strconv.Itoa(need)+" s", "The rest since the last trial is not over.")
}
