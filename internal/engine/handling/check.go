package handling

import (
	"slices"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The rules that an input can break.
const (
	// RuleUnknown: the word is one of those listed.
	RuleUnknown = "handling.unknown"
	// RulePositive: the quantity is above zero.
	RulePositive = "handling.positive"
	// RuleRange: the quantity is within the published limits of the equation.
	RuleRange = "handling.range"
	// RuleReach: the higher end of a lift is within the published arm reach, the lower end not below the floor.
	RuleReach = "handling.reach"
	// RuleSpeed: height or distance times frequency is within the published limit.
	RuleSpeed = "handling.speed"
	// RuleUnused: what the task does not use is left out, such as a mass where a force is asked for.
	RuleUnused = "handling.unused"
)

const (
	millimetre = measure.PerMillimetre
	metre      = measure.PerMetre
	maxLoad    = 1000 * 100_000_000_000
)

// bounds are a closed interval.
type bounds struct{ low, high measure.Length }

// limits are the published limits of a kind of task (pp. 961-968), lengths and speeds (m x 1/min, as length times rate).
type limits struct {
	horizontal, handHeight, distance bounds
	reach                            measure.Length
	highestRate                      measure.Rate
	speed, caution                   int64 // m/min
}

func limitsOf(task Task, sex record.Sex) limits {
	female := sex == record.Female
	switch {
	case task.isVertical() && female:
		return limits{horizontal: bounds{200 * millimetre, 680 * millimetre}, reach: 1960 * millimetre, highestRate: 20 * measure.PerMinute, speed: 11, caution: 3}
	case task.isVertical():
		return limits{horizontal: bounds{250 * millimetre, 730 * millimetre}, reach: 2140 * millimetre, highestRate: 20 * measure.PerMinute, speed: 11, caution: 3}
	case task == Carry && female:
		return limits{handHeight: bounds{710 * millimetre, 1030 * millimetre}, distance: bounds{2100 * millimetre, 10 * metre}, highestRate: 10 * measure.PerMinute, speed: 29, caution: 10}
	case task == Carry:
		// No speed of caution is published for men who carry.
		return limits{handHeight: bounds{780 * millimetre, 1100 * millimetre}, distance: bounds{2100 * millimetre, 10 * metre}, highestRate: 10 * measure.PerMinute, speed: 29, caution: 29}
	case female:
		return limits{handHeight: bounds{580 * millimetre, 1330 * millimetre}, distance: bounds{2100 * millimetre, 61 * metre}, highestRate: 10 * measure.PerMinute, speed: 37, caution: 10}
	}
	return limits{handHeight: bounds{630 * millimetre, 1440 * millimetre}, distance: bounds{2100 * millimetre, 61 * metre}, highestRate: 10 * measure.PerMinute, speed: 37, caution: 15}
}

// violations collects broken rules.
type violations []fault.Violation

func (v *violations) add(field, rule, text string) {
	*v = append(*v, fault.Violation{Field: field, Rule: rule, Text: text})
}

// within refuses a length outside the published limits.
func (v *violations) within(field string, l measure.Length, b bounds) {
	if l < b.low || l > b.high {
		v.add(field, RuleRange, "the equation holds from "+b.low.String()+" to "+b.high.String())
	}
}

// unused refuses what the task does not use.
func (v *violations) unused(field string, set bool) {
	if set {
		v.add(field, RuleUnused, "the task does not use this; leave it out")
	}
}

func check(in Input) error {
	var v violations
	if !slices.Contains(Tasks(), in.Task) {
		v.add("task", RuleUnknown, "the task is not one of those listed")
	}
	if in.Sex != record.Female && in.Sex != record.Male {
		v.add("sex", RuleUnknown, "the equations know female and male workers")
	}
	if len(v) > 0 {
		return fault.InvalidFields(v)
	}
	l := limitsOf(in.Task, in.Sex)
	v.rate(in, l)
	v.demand(in)
	if in.Task.isVertical() {
		v.vertical(in, l)
	} else {
		v.level(in, l)
	}
	return fault.InvalidFields(v)
}

func (v *violations) rate(in Input, l limits) {
	if in.Rate < measure.OncePerShift || in.Rate > l.highestRate {
		v.add("rate", RuleRange, "the equation holds from once in eight hours to the highest published frequency: 20 a minute for a lift or lower, else 10")
	}
}

func (v *violations) demand(in Input) {
	if in.Task.isForce() {
		v.unused("load", in.Load != mass.Zero())
		if in.Force.kgf <= 0 {
			v.add("force", RulePositive, "a push or pull has a force above zero")
		}
		return
	}
	v.unused("force", in.Force != Force{})
	switch units := in.Load.Units(); {
	case units <= 0:
		v.add("load", RulePositive, "the load is above zero")
	case units > maxLoad:
		v.add("load", RuleRange, "the load is at most 1000 kg")
	}
}

// vertical checks a lift or lower.
func (v *violations) vertical(in Input, l limits) {
	v.within("horizontal", in.Horizontal, l.horizontal)
	v.within("travel", in.Travel, bounds{250 * millimetre, l.reach})
	if in.Handles != GoodHandles && in.Handles != PoorHandles && in.Handles != NoHandles {
		v.add("handles", RuleUnknown, "the handles are good, poor or none")
	}
	switch {
	case in.MiddleHeight <= 0 || in.MiddleHeight > l.reach:
		v.add("middle_height", RuleReach, "the middle height is above zero and within arm reach, "+l.reach.String())
	case in.Travel < 0 || in.Travel > l.reach:
		// Named above; the sums below would not be about reach.
	case 2*in.MiddleHeight+in.Travel > 2*l.reach:
		v.add("middle_height", RuleReach, "the higher end is within arm reach, "+l.reach.String())
	case 2*in.MiddleHeight < in.Travel:
		v.add("middle_height", RuleReach, "the lower end is not below the floor")
	}
	v.unused("hand_height", in.HandHeight != 0)
	v.unused("distance", in.Distance != 0)
	v.speed("travel", in.Travel, in.Rate, l)
}

// level checks a push, pull or carry.
func (v *violations) level(in Input, l limits) {
	v.within("hand_height", in.HandHeight, l.handHeight)
	v.within("distance", in.Distance, l.distance)
	v.unused("horizontal", in.Horizontal != 0)
	v.unused("middle_height", in.MiddleHeight != 0)
	v.unused("travel", in.Travel != 0)
	v.unused("handles", in.Handles != "")
	v.speed("distance", in.Distance, in.Rate, l)
}

// speed refuses a length times rate above the limit, once both are themselves within their limits.
func (v *violations) speed(field string, length measure.Length, rate measure.Rate, l limits) {
	if len(*v) == 0 && int64(length)*int64(rate) > metresPerMinute(l.speed) {
		v.add(field, RuleSpeed, "height or distance times frequency is above the published limit for this task: lift and lower 11 m/min, push and pull 37, carry 29")
	}
}

// cautioned reports whether the speed is above that of caution.
func cautioned(in Input) bool {
	l := limitsOf(in.Task, in.Sex)
	return int64(in.Travel+in.Distance)*int64(in.Rate) > metresPerMinute(l.caution)
}

// metresPerMinute is a speed in units of length times units of rate; 61 m at 10 a minute is below 3e18.
func metresPerMinute(n int64) int64 { return n * int64(metre) * int64(measure.PerMinute) }
