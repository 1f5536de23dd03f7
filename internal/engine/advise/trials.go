package advise

import (
	"strconv"

	"ponderal.example/internal/engine/accept"
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// state is what the trials so far come to.
type state struct {
	trials []record.Trial
	// last is what the last trial is worth.
	last record.TrialStatus
	// best is the highest accepted load, failed the lightest failed one.
	best, failed       mass.Mass
	hasBest, hasFailed bool
	// effort is the highest rating of an accepted trial; unrated says that an accepted trial has none.
	effort  record.Effort
	unrated bool
	// lastFailed says that the last trial failed in a way that a lighter load may follow.
	lastFailed bool
}

// trials judges each trial by the work guards and says what stands in the way of a next one.
func (j *judge) trials() {
	s := &j.state
	s.trials = capacity.Ordered(j.in.Series.Trials)
	if len(s.trials) == 0 {
		return
	}
	// Most series have no more trials than this; their verdicts need no room of their own.
	var room [12]record.TrialVerdict
	verdicts := room[:0]
	for i := range s.trials {
		t := &s.trials[i]
		hits := j.limits.Work(t)
		verdicts = append(verdicts, record.TrialVerdict{Number: t.Number, Status: accept.Status(t, hits), Guards: hits})
		j.trial(t, &verdicts[i])
	}
	for i := range s.trials {
		if capacity.Unresolved(s.trials, verdicts, i) {
			j.unresolved(&s.trials[i], &verdicts[i])
		}
	}
	s.last = verdicts[len(verdicts)-1].Status
	j.approach(&s.trials[len(s.trials)-1])
	if most := j.in.Protocol.MaxTrials; most > 0 && len(s.trials) >= most {
		j.say(Stop, GuardMaxTrials, counted(len(s.trials), "trial"), counted(most, "trial"), "The series has as many trials as the protocol allows.")
	}
}

// trial takes one trial into the state and stops at what ends the series.
func (j *judge) trial(t *record.Trial, v *record.TrialVerdict) {
	s := &j.state
	short := v.Status == record.TrialFailed
	for _, hit := range v.Guards {
		end, ends := guard.EndOf(hit)
		switch {
		case ends && guard.Safety(end):
			j.say(Stop, hit.Guard, hit.Measured, hit.Limit, trialName(t)+stopText(hit.Guard))
		case hit.Guard == record.GuardAcceptability:
			short = short || hit.Voids
			if !hit.Voids || noMore(t) || j.in.Protocol.BackOff == nil {
				j.say(Stop, hit.Guard, hit.Measured, hit.Limit, trialName(t)+": the client's answer ends the series.")
			}
		case hit.Guard == record.GuardRepetitions && v.Status == record.TrialFailed && j.in.Protocol.BackOff == nil:
			j.say(Stop, hit.Guard, hit.Measured, hit.Limit, trialName(t)+" was not completed, which ends the series under this protocol.")
		}
	}
	s.lastFailed = short
	switch {
	case short:
		if !s.hasFailed || t.Load.Less(s.failed) {
			s.failed, s.hasFailed = t.Load, true
		}
	case v.Status == record.TrialAccepted:
		if !s.hasBest || s.best.Less(t.Load) {
			s.best, s.hasBest = t.Load, true
		}
		s.unrated = s.unrated || t.Effort == nil
		if t.Effort != nil {
			s.effort = max(s.effort, *t.Effort)
		}
	}
}

func noMore(t *record.Trial) bool { return t.MorePossible != nil && !*t.MorePossible }

func (j *judge) unresolved(t *record.Trial, v *record.TrialVerdict) {
	for _, hit := range v.Guards {
		if hit.Guard == record.GuardMissingMeasurement {
			j.missing(hit.Limit, trialName(t)+" lacks: "+hit.Limit+". Complete it, repeat it or close it with a reason; until then no further load.")
		}
	}
}

// approach notes signs below the grade that stops: they mark the approach to the maximum.
func (j *judge) approach(t *record.Trial) {
	highest := 0
	for _, sign := range t.Signs {
		highest = max(highest, sign.Grade)
	}
	stop := guard.UnsafeGrade
	if j.in.Protocol.StopMechanicsGrade != 0 {
		stop = j.in.Protocol.StopMechanicsGrade
	}
	if highest > 0 && highest < stop {
		j.say(Note, record.GuardMechanics, "grade "+strconv.Itoa(highest), "grade "+strconv.Itoa(stop-1), "Handling has changed: the maximum is near.")
	}
}

func trialName(t *record.Trial) string { return "Trial " + strconv.Itoa(t.Number) }

func stopText(name string) string {
	switch name {
	case record.GuardSymptom:
		return ": a symptom ends the session. Follow the clinic's emergency plan."
	case record.GuardMechanics:
		return ": the load was no longer handled safely."
	case record.GuardHeartRateWork:
		return ": the heart rate was above its limit."
	case record.GuardEffortStop:
		return ": the effort reached the stop, whatever the client wants."
	case record.GuardLoadCeiling:
		return ": the load was above the ceiling."
	}
	return " ends the series."
}
