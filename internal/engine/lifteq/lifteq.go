// Package lifteq computes the revised NIOSH lifting equation: the recommended weight limit and the lifting index of a two-handed
// lift, and the composite index of a job of several lifts.
//
// Source: Waters TR, Putz-Anderson V, Garg A. Applications manual for the revised NIOSH lifting equation. DHHS (NIOSH) Publication
// 94-110, revised 9/2021. The US customary and the metric form are two equations, not conversions of each other; the caller chooses
// one, and results are in its units (lb or kg).
//
// Two results stand side by side: at full precision, and rounded as the manual's worksheets are (multipliers to two decimals, then
// the rounded ones multiplied, limits and indices to one decimal, halves up). Multipliers are quotients of whole numbers, so both are
// exact up to their last rounding and the same on every machine.
//
// The equation knows nothing of the person: it rates a task for a healthy working population and is no clearance to lift. It does not
// apply to the conditions that Condition lists; those are refused.
//
// The package is pure: no clock, randomness, input or output.
package lifteq

import (
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
)

// System is the form of the equation.
type System string

// The forms.
const (
	US     System = "us"     // 51 lb, inches
	Metric System = "metric" // 23 kg, centimetres
)

// Duration is the category of the work's duration, see DurationOf.
type Duration string

// The categories.
const (
	Short    Duration = "short"    // at most 1 h, then recovery
	Moderate Duration = "moderate" // at most 2 h, then recovery
	Long     Duration = "long"     // at most 8 h
)

// Coupling is how well the hands hold the object.
type Coupling string

// The couplings.
const (
	Good Coupling = "good"
	Fair Coupling = "fair"
	Poor Coupling = "poor"
)

// Angle is an asymmetry angle in thousandths of a degree.
type Angle int32

// Degree is one degree.
const Degree Angle = 1000

// Hands is where the hands are at the beginning or end of a lift.
type Hands struct {
	// Horizontal is H, from the midpoint between the ankles to the midpoint between the hands.
	Horizontal measure.Length
	// Vertical is V, from the floor to the hands.
	Vertical measure.Length
	// Asymmetry is A, 0 to 180 degrees either way; above 135 nothing should be lifted.
	Asymmetry Angle
}

// Task is one lift, repeated.
type Task struct {
	System System
	// Load is the load that is lifted; in a job of several tasks its average.
	Load   mass.Mass
	Origin Hands
	// Destination is where the load is put down under control, nil when no significant control is needed there.
	Destination *Hands
	// Travel is D, the vertical travel of the hands. Where there is a destination it is the difference of the two heights.
	Travel measure.Length
	// Rate is F, the average of a 15-minute sample, see SampleRate.
	Rate     measure.Rate
	Duration Duration
	Coupling Coupling
	// Conditions are those that hold and that the equation does not cover: any makes Analyse refuse.
	Conditions []Condition
}

// Multiplier is one factor of the equation.
type Multiplier struct {
	// Value is the factor at full precision, 0 to 1.
	Value float64
	// Hundredths is the factor of the worksheet.
	Hundredths int
}

// Index is a lifting index.
type Index struct {
	// Value is the load as a multiple of the recommended weight limit; 0 where Unlimited.
	Value float64
	// Unlimited says that the recommended weight limit is 0: no load is recommended.
	Unlimited bool
}

// WorksheetIndex is an index rounded as a worksheet rounds it.
type WorksheetIndex struct {
	// Tenths is the index in tenths; 0 where Unlimited.
	Tenths int64
	// Unlimited says that the recommended weight limit is 0.
	Unlimited bool
}

// Point is the result at one end of the lift. Weights are in lb (US) or kg (Metric).
type Point struct {
	HM, VM, DM, AM, FM, CM Multiplier
	// RWL is the recommended weight limit, FIRWL the same without the frequency multiplier.
	RWL, FIRWL float64
	LI         Index
	// RWLTenths and FIRWLTenths are the worksheet's weights in tenths of the unit.
	RWLTenths, FIRWLTenths int64
	WorksheetLI            WorksheetIndex
}

// Analysis is the result for one task.
type Analysis struct {
	Origin Point
	// Destination holds a result where DestinationAssessed.
	Destination         Point
	DestinationAssessed bool
	// DestinationGoverns says that the limit at the destination is the lower one.
	DestinationGoverns bool
}

// Governing is the end with the lower recommended weight limit.
func (a Analysis) Governing() Point {
	if a.DestinationGoverns {
		return a.Destination
	}
	return a.Origin
}

// Analyse rates one task. A task that breaks rules gives a *fault.Error of kind Invalid whose fields are "load", "origin.horizontal"
// and so on.
func Analyse(task Task) (Analysis, error) {
	if err := check(task); err != nil {
		return Analysis{}, err
	}
	return analyse(task), nil
}

func analyse(task Task) Analysis {
	form := formOf(task.System)
	fm := frequencyMultiplier(task.Duration, task.Origin.Vertical >= form.split, task.Rate)
	a := Analysis{Origin: form.point(task, task.Origin, fm)}
	if task.Destination != nil {
		a.DestinationAssessed = true
		a.Destination = form.point(task, *task.Destination, fm)
		a.DestinationGoverns = a.Destination.RWL < a.Origin.RWL
	}
	return a
}

// point rates one end. FM belongs to the height at the origin (manual pp. 15 and 74), CM to the height of the end rated (from the
// manual's example 4).
func (f form) point(task Task, at Hands, fm Multiplier) Point {
	p := Point{
		HM: f.horizontal(at.Horizontal),
		VM: f.vertical(at.Vertical),
		DM: f.distance(task.Travel),
		AM: asymmetryMultiplier(at.Asymmetry),
		FM: fm,
		CM: couplingMultiplier(task.Coupling, at.Vertical >= f.split),
	}
	p.FIRWL = float64(float64(f.loadConstant) * p.HM.Value * p.VM.Value * p.DM.Value * p.AM.Value * p.CM.Value)
	p.RWL = float64(p.FIRWL * p.FM.Value)
	p.LI = f.index(task.Load, p.RWL)
	product := f.loadConstant * int64(p.HM.Hundredths) * int64(p.VM.Hundredths) * int64(p.DM.Hundredths) * int64(p.AM.Hundredths) * int64(p.CM.Hundredths)
	p.FIRWLTenths = halfUp(product, 1_000_000_000)
	p.RWLTenths = halfUp(product*int64(p.FM.Hundredths), 100_000_000_000)
	p.WorksheetLI = f.worksheetIndex(task.Load, p.RWLTenths)
	return p
}

// index is load / limit, the limit in the form's unit of weight.
func (f form) index(load mass.Mass, limit float64) Index {
	if limit <= 0 {
		return Index{Unlimited: true}
	}
	return Index{Value: float64(load.Units()) / float64(f.unit) / limit}
}

// worksheetIndex is load / limit to one decimal, from the limit as printed.
func (f form) worksheetIndex(load mass.Mass, limitTenths int64) WorksheetIndex {
	if limitTenths <= 0 {
		return WorksheetIndex{Unlimited: true}
	}
	return WorksheetIndex{Tenths: halfUp(100*load.Units(), limitTenths*f.unit)}
}

// halfUp is num / den, both not negative and den above zero, rounded to a whole number with halves up.
func halfUp(num, den int64) int64 {
	q, r := num/den, num%den
	if r >= den-r {
		q++
	}
	return q
}
