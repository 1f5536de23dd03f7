// Package advise says what comes next in a series: start, wait, advance, repeat, back off or stop, with every reason, its number and its
// limit, and the next load. It is total: whatever the input, it returns, and no load is offered where a guard fails.
//
// Advice supports the licensed clinician who runs the test and does not replace that judgement: whoever sees a reason to stop stops.
package advise

import (
	"time"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Action is what comes next.
type Action string

// The actions.
const (
	// Start the series with its first load.
	Start Action = "start"
	// Wait: something is missing, too high or too early. The person does not handle a load until it is put right.
	Wait Action = "wait"
	// Advance to a heavier load.
	Advance Action = "advance"
	// Repeat the load of a trial that was closed without a required measurement.
	Repeat Action = "repeat"
	// BackOff to a lighter load than the one that failed.
	BackOff Action = "back_off"
	// Stop: the series does not begin, or it has ended.
	Stop Action = "stop"
	// Note is no action: a reason that says something and demands nothing.
	Note Action = ""
)

// Actions returns every action.
func Actions() []Action { return []Action{Start, Wait, Advance, Repeat, BackOff, Stop} }

// The names of guards that only advice has; the others are those of package record.
const (
	GuardHeartRateStart = record.GuardHeartRateStart
	GuardCalibration    = record.GuardCalibration
	GuardRest           = "rest"
	GuardMaxTrials      = "max_trials"
	GuardRecordedStop   = "recorded_stop"
	GuardAppliesTo      = "applies_to"
	GuardProtocol       = "protocol"
	GuardBracket        = "bracket"
	GuardSteps          = "steps"
	GuardRecipe         = "recipe"
)

// Person is who is tested: age in completed years (0 where not known), sex (empty where not known), body mass (nil where not known) and
// stature in millimetres (0 where not known).
type Person struct {
	AgeYears  int
	Sex       record.Sex
	BodyMass  *mass.Mass
	StatureMM int
}

func (p *Person) record() record.Person { return record.Person{AgeYears: p.AgeYears, Sex: p.Sex} }

// Input is all that advice depends on.
type Input struct {
	Protocol  record.Protocol
	Person    Person
	Screening record.Screening
	// Kit is what the loads are made of; nil where it is not known.
	Kit *record.Kit
	// Series holds the trials so far, in any order of their numbers.
	Series record.Series
	// Now is the present moment; zero where it is not known.
	Now record.Time
	// RestSeconds is how long the person has rested since the last trial ended; nil where nobody says, which counts as not at all.
	RestSeconds *int
	// HeartRate is the heart rate now, in beats per minute; nil where not measured.
	HeartRate *int
	// Symptoms are those reported or seen since the last trial.
	Symptoms []record.Symptom
}

// Reason is one guard and what it found. Measured and Limit are texts with units; Calls is the action that it demands.
type Reason struct {
	Guard    string
	Calls    Action
	Measured string
	Limit    string
	Text     string
}

// RevealsLoad reports whether the reason's numbers or text may name a load: it is kept, with the load, from whoever is blinded.
func (r Reason) RevealsLoad() bool {
	switch r.Guard {
	case record.GuardLoadCeiling, GuardBracket, GuardSteps, GuardRecipe:
		return true
	}
	return false
}

// Advice is the answer. Then, Load and EarliestAt are of the next trial: Then is its action when the advice is to wait and it is
// known what follows, which it is not while a measurement is missing. Load is nil where no next trial is in sight; EarliestAt is zero
// where its moment is not known, since only the end of a rest is.
type Advice struct {
	Action     Action
	Then       Action
	Reasons    []Reason
	Load       *mass.Mass
	EarliestAt record.Time
}

// Advise says what comes next. Reasons stand gravest first: what stops, what must wait, what is only said.
// It keeps nothing of the input and changes nothing in it.
func Advise(in *Input) Advice {
	j := judge{in: in}
	return j.decide(j.look())
}

// look gathers every reason and finds the candidate for the next trial.
func (j *judge) look() move {
	if !j.protocol() {
		return move{}
	}
	j.limits = j.limitsFor()
	j.lacking()
	j.session()
	j.screening()
	j.trials()
	if j.stops {
		return move{}
	}
	next, ok := j.next()
	if ok {
		j.before(&next)
	}
	return next
}

// move is a candidate for the next trial; its action is Note where there is none.
type move struct {
	action Action
	load   mass.Mass
	// at is the earliest moment, zero where it is not known.
	at record.Time
}

// judge gathers the reasons.
type judge struct {
	in      *Input
	limits  guard.Limits
	reasons []Reason
	state   state
	// stops, waits: a reason demands it. unknown: something is missing on which the next load may depend; blocked: a wait whose end nobody knows.
	stops, waits, unknown, blocked bool
}

func (j *judge) say(calls Action, name, measured, limit, text string) {
	j.stops = j.stops || calls == Stop
	j.waits = j.waits || calls == Wait
	j.unknown = j.unknown || calls == Wait && name == record.GuardMissingMeasurement
	j.blocked = j.blocked || calls == Wait && name != GuardRest
	if j.reasons == nil {
		j.reasons = make([]Reason, 0, 4)
	}
	j.reasons = append(j.reasons, Reason{Guard: name, Calls: calls, Measured: measured, Limit: limit, Text: text})
}

// missing says what must be measured or given before anything goes on.
func (j *judge) missing(what, text string) {
	j.say(Wait, record.GuardMissingMeasurement, "", what, text)
}

// decide makes advice of the reasons and the move. A stop outweighs all, waiting outweighs every load.
func (j *judge) decide(next move) Advice {
	a := Advice{Action: Stop, Reasons: j.reasons}
	byGravity(a.Reasons)
	switch {
	case j.stops || next.action == Note && !j.waits:
		return a
	case j.waits:
		a.Action = Wait
		if j.unknown || next.action == Note {
			return a
		}
		a.Then = next.action
	default:
		a.Action = next.action
	}
	load := next.load
	a.Load = &load
	if !j.blocked {
		a.EarliestAt = next.at
	}
	return a
}

// byGravity sorts few reasons in place, stable: stops by the end that they mean, gravest first, then waits, then notes.
func byGravity(reasons []Reason) {
	for i := 1; i < len(reasons); i++ {
		for k := i; k > 0 && weight(&reasons[k]) < weight(&reasons[k-1]); k-- {
			reasons[k], reasons[k-1] = reasons[k-1], reasons[k]
		}
	}
}

const (
	weightWait = 100
	weightNote = 200
)

func weight(r *Reason) int {
	switch r.Calls {
	case Stop:
		end, ok := guard.EndOf(record.GuardHit{Guard: r.Guard, Ends: true})
		if !ok {
			end = record.EndIncomplete
		}
		return guard.Rank(end)
	case Wait:
		return weightWait
	}
	return weightNote
}

// later adds whole seconds.
func later(t record.Time, seconds int) record.Time {
	return record.TimeOf(t.Std().Add(time.Duration(seconds) * time.Second))
}
