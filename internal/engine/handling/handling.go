// Package handling estimates which share of female or male workers accepts a task of lifting, lowering, pushing, pulling or carrying,
// by the published psychophysical equations.
//
// Source: Potvin JR, Ciriello VM, Snook SH, Maynard WS, Brogmus GE. The LM-MMH equations. Ergonomics 2021;64(8):955-970,
// doi:10.1080/00140139.2021.1891297 (open access under CC BY-NC-ND; the coefficients are recorded here as facts, nothing of the text
// or its tables' form is). The maximum acceptable load of the median worker is a reference load times scale factors; acceptance is taken
// as normally distributed with a published coefficient of variation.
//
// What a population accepts says nothing about one person's capacity and is no clearance to work.
//
// Loads are masses in kg. Pushing and pulling take forces, and the equations give them in kilogram-force, not in newtons: a Force
// cannot be made without its unit. Inputs outside the published limits are refused, never moved to the limit. Scale factors are used
// as published even where they exceed 1 by less than 0.005 (carry, female, at 0.71 m; some at once in eight hours).
//
// The package is pure: no clock, randomness, input or output. Its floats have the same bits on every machine.
package handling

import (
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/engine/stats/portable"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Task is what is done.
type Task string

// The tasks.
const (
	Lift          Task = "lift"
	Lower         Task = "lower"
	PushInitial   Task = "push_initial"   // setting in motion
	PushSustained Task = "push_sustained" // keeping in motion
	PullInitial   Task = "pull_initial"
	PullSustained Task = "pull_sustained"
	Carry         Task = "carry"
)

// Tasks lists every task.
func Tasks() []Task {
	return []Task{Lift, Lower, PushInitial, PushSustained, PullInitial, PullSustained, Carry}
}

// Handles says how the object of a lift or lower is held.
type Handles string

// The holds, with their published factors 1, 0.925 and 0.84 (p. 968).
const (
	GoodHandles Handles = "good"
	PoorHandles Handles = "poor" // or a slippery hold
	NoHandles   Handles = "none"
)

// Input is a task of one sex's workers. What a task does not use is left zero.
type Input struct {
	Task Task
	Sex  record.Sex
	// Load is lifted, lowered or carried.
	Load mass.Mass
	// Force pushes or pulls.
	Force Force
	// Horizontal (H), MiddleHeight (VRM) and Travel (DV) describe a lift or lower, see Heights.
	Horizontal   measure.Length
	MiddleHeight measure.Length
	Travel       measure.Length
	// Handles are those of a lift or lower.
	Handles Handles
	// HandHeight (V) and Distance (DH) describe a push, pull or carry.
	HandHeight measure.Length
	Distance   measure.Length
	// Rate is how often (F), from once in eight hours.
	Rate measure.Rate
}

// Heights gives the middle height and travel of a lift or lower from the heights of the hands at its two ends; half of an odd number
// of units is rounded down.
func Heights(origin, destination measure.Length) (middle, travel measure.Length) {
	return (origin + destination) / 2, max(origin-destination, destination-origin)
}

// Factor is one scale factor.
type Factor struct {
	// Name is HSF (reach), VRMSF (middle height), DVSF (vertical travel), VSF (hand height), DHSF (distance), FSF (frequency) or CSF
	// (coupling).
	Name  string
	Value float64
}

// Result is a task's acceptability. Loads are in kg, forces in kgf.
type Result struct {
	Factors []Factor
	// Reference is the reference load, Median what half of the workers accept, Deviation its standard deviation.
	Reference, Median, Deviation float64
	// CV is the published coefficient of variation.
	CV float64
	// Accepting is the share, 0 to 1, of workers of that sex who accept the task.
	Accepting float64
	// Caution says that the speed (height or distance times frequency) is above that up to which the authors found the equations sound.
	Caution bool
}

// Analyse evaluates the task's equation. An input that breaks rules gives a *fault.Error of kind Invalid.
func Analyse(in Input) (Result, error) {
	if err := check(in); err != nil {
		return Result{}, err
	}
	r := evaluate(equationOf(in.Task, in.Sex), in)
	demand := in.Force.kgf
	if !in.Task.isForce() {
		demand = kilograms(in.Load)
	}
	r.Accepting = portable.NormalCDF((r.Median - demand) / r.Deviation)
	r.Caution = cautioned(in)
	return r, nil
}

// AcceptableTo is the load (kg) or force (kgf) that the share of workers accepts: for 0.75 the usual design limit. The share is 0.01 to
// 0.99; outside it the result is a *fault.Error of kind Invalid.
func (r Result) AcceptableTo(share float64) (float64, error) {
	if !(share >= 0.01 && share <= 0.99) {
		return 0, fault.InvalidFields([]fault.Violation{{Field: "share", Rule: RuleRange, Text: "the share of workers is 0.01 to 0.99"}})
	}
	return r.acceptable(portable.NormalQuantile(share)), nil
}

func (r Result) acceptable(z float64) float64 {
	return float64(r.Median * (1 - float64(r.CV*z)))
}

// isForce reports whether the task is done against a force.
func (t Task) isForce() bool { return t != Lift && t != Lower && t != Carry }

// isVertical reports whether the task is a lift or a lower.
func (t Task) isVertical() bool { return t == Lift || t == Lower }

// kilograms is m in kg; a mass up to 1000 kg has fewer units than 2^53, so the quotient is the nearest float64.
func kilograms(m mass.Mass) float64 { return float64(float64(m.Units()) / 100_000_000_000) }

// equationOf finds the equation; every known task and sex has one.
func equationOf(task Task, sex record.Sex) equation {
	for _, e := range equations {
		if e.task == task && e.sex == sex {
			return e
		}
	}
	return equation{}
}

// evaluate applies the scale factors.
func evaluate(e equation, in Input) Result {
	values := variablesOf(in)
	r := Result{Reference: e.reference, Median: e.reference, CV: e.cv, Factors: make([]Factor, 0, len(e.factors)+1)}
	for _, f := range e.factors {
		r.apply(f.name, f.value(&values))
	}
	if in.Task.isVertical() {
		r.apply("CSF", handleFactor(in.Handles))
	}
	r.Deviation = float64(r.CV * r.Median)
	return r
}

func (r *Result) apply(name string, value float64) {
	r.Factors = append(r.Factors, Factor{name, value})
	r.Median = float64(r.Median * value)
}

func (f factor) value(values *[variables]float64) float64 {
	sum := f.constant
	for _, t := range f.terms {
		v := values[t.of]
		if t.power == 2 {
			v = float64(v * v)
		}
		sum += v / t.divisor
	}
	return sum
}

// variablesOf has the variables of the task; those that it does not use stay 0.
func variablesOf(in Input) [variables]float64 {
	var v [variables]float64
	if in.Task.isVertical() {
		v[varH], v[varVRM] = in.Horizontal.In(measure.Metre), in.MiddleHeight.In(measure.Metre)
		v[varLnDV] = portable.Log(in.Travel.In(measure.Metre))
	} else {
		v[varV], v[varDH] = in.HandHeight.In(measure.Metre), in.Distance.In(measure.Metre)
		v[varLnDH] = portable.Log(v[varDH])
	}
	v[varLnF] = portable.Log(in.Rate.PerMinuteFloat())
	return v
}

func handleFactor(h Handles) float64 {
	switch h {
	case NoHandles:
		return 0.84
	case PoorHandles:
		return 0.925
	}
	return 1
}
