package lifteq

import (
	"strconv"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// The rules that a task can break.
const (
	// RuleUnknown: the word is one of those listed.
	RuleUnknown = "lifteq.unknown"
	// RulePositive: the quantity is above zero.
	RulePositive = "lifteq.positive"
	// RuleRange: the quantity is within what can be measured: lengths to 10 m, angles to 180 degrees, loads to 1000 kg, rates to 1000 a
	// minute.
	RuleRange = "lifteq.range"
	// RuleTravel: the vertical travel is the difference of the heights at origin and destination.
	RuleTravel = "lifteq.travel"
	// RuleNotApplicable: the equation does not cover the condition.
	RuleNotApplicable = "lifteq.not_applicable"
	// RuleMaximum: the maximum load is at least the average load.
	RuleMaximum = "lifteq.maximum"
	// RuleTasks: a job has 1 to 100 tasks.
	RuleTasks = "lifteq.tasks"
	// RuleHours: lifting without sufficient recovery adds up to at most 8 hours.
	RuleHours = "lifteq.hours"
)

// Condition is a circumstance that the equation does not cover (manual, limitations).
type Condition string

// The conditions.
const (
	OneHanded        Condition = "one_handed"
	OverEightHours   Condition = "over_eight_hours"
	SeatedOrKneeling Condition = "seated_or_kneeling"
	RestrictedSpace  Condition = "restricted_space"
	UnstableObject   Condition = "unstable_object"
	WhileMoving      Condition = "while_carrying_pushing_pulling"
	BarrowOrShovel   Condition = "wheelbarrow_or_shovel"
	HighSpeed        Condition = "high_speed"        // about 30 in/s or faster
	SlipperyFloor    Condition = "slippery_floor"    // friction of foot and floor below 0.4
	HarshEnvironment Condition = "harsh_environment" // outside about 19-26 °C or 35-50 % relative humidity
)

// Conditions lists every condition that the equation does not cover.
func Conditions() []Condition {
	return []Condition{OneHanded, OverEightHours, SeatedOrKneeling, RestrictedSpace, UnstableObject, WhileMoving, BarrowOrShovel, HighSpeed, SlipperyFloor, HarshEnvironment}
}

const (
	maxLength = 10 * measure.PerMetre
	maxLoad   = 1000 * kilogram
)

// violations collects broken rules under a path.
type violations struct {
	path string
	list []fault.Violation
}

func (v *violations) add(field, rule, text string) {
	v.list = append(v.list, fault.Violation{Field: v.path + field, Rule: rule, Text: text})
}

func check(task Task) error {
	var v violations
	v.task(task)
	return fault.InvalidFields(v.list)
}

func (v *violations) task(task Task) {
	if task.System != US && task.System != Metric {
		v.add("system", RuleUnknown, "the form of the equation is us or metric")
	}
	if task.Duration != Short && task.Duration != Moderate && task.Duration != Long {
		v.add("duration", RuleUnknown, "the duration is short, moderate or long")
	}
	if task.Coupling != Good && task.Coupling != Fair && task.Coupling != Poor {
		v.add("coupling", RuleUnknown, "the coupling is good, fair or poor")
	}
	v.load("load", task.Load)
	v.hands("origin.", task.Origin)
	if task.Travel < 0 || task.Travel > maxLength {
		v.add("travel", RuleRange, "the vertical travel is 0 to 10 m")
	}
	if d := task.Destination; d != nil {
		v.hands("destination.", *d)
		rise := d.Vertical - task.Origin.Vertical
		if task.Travel != max(rise, -rise) {
			v.add("travel", RuleTravel, "the vertical travel is the difference of the heights at origin and destination")
		}
	}
	switch {
	case task.Rate <= 0:
		v.add("rate", RulePositive, "the rate of lifting is above zero")
	case task.Rate > measure.MaxRate:
		v.add("rate", RuleRange, "the rate of lifting is at most 1000 a minute")
	}
	v.conditions(task.Conditions)
}

func (v *violations) load(field string, load mass.Mass) {
	switch {
	case load.Units() <= 0:
		v.add(field, RulePositive, "the load is above zero")
	case load.Units() > maxLoad:
		v.add(field, RuleRange, "the load is at most 1000 kg")
	}
}

func (v *violations) hands(at string, h Hands) {
	switch {
	case h.Horizontal <= 0:
		v.add(at+"horizontal", RulePositive, "the horizontal distance is above zero")
	case h.Horizontal > maxLength:
		v.add(at+"horizontal", RuleRange, "the horizontal distance is at most 10 m")
	}
	if h.Vertical < 0 || h.Vertical > maxLength {
		v.add(at+"vertical", RuleRange, "the height of the hands is 0 to 10 m")
	}
	if h.Asymmetry < 0 || h.Asymmetry > 180*Degree {
		v.add(at+"asymmetry", RuleRange, "the asymmetry angle is 0 to 180 degrees")
	}
}

func (v *violations) conditions(list []Condition) {
	known := Conditions()
	for i, c := range list {
		rule, text := RuleUnknown, "the condition is not one of those listed"
		for _, k := range known {
			if c == k {
				rule, text = RuleNotApplicable, "the lifting equation does not cover this condition"
			}
		}
		v.add("conditions["+strconv.Itoa(i)+"]", rule, text)
	}
}
