// Package deskwork has the use cases that need nothing stored: each computes from its input alone, with the engine's packages, checks that
// input as a push would, and says what to keep in mind. The service offers them as EngineService, the commands at a desk.
//
// An input that breaks rules gives a *fault.Error of kind Invalid whose fields are paths of the contract's request. Nothing here knows a
// clock, randomness, a store or a caller. The numbers support a licensed clinician's judgement and do not replace it.
package deskwork

import (
	"errors"

	"ponderal.example/internal/engine/handling"
	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/engine/lifteq"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/engine/recipe"
	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// The quantities and words of the engine's packages, under the names by which the layers above know them.
type (
	// Length is exact.
	Length = measure.Length
	// Rate is how often, exact.
	Rate = measure.Rate
	// LengthUnit is a unit of Length.
	LengthUnit = measure.Unit
	// MeasureError is a length or rate that cannot be read.
	MeasureError = measure.RuleError
	// HeartRate is exact to a hundred-thousandth of a beat.
	HeartRate = heartrate.Rate
	// LiftingForm is a form of the lifting equation.
	LiftingForm = lifteq.System
	// LiftingDuration is a category of the work's duration.
	LiftingDuration = lifteq.Duration
	// Coupling is the hold of the hands.
	Coupling = lifteq.Coupling
	// LiftingCondition is one that the equation does not cover.
	LiftingCondition = lifteq.Condition
	// Angle is in thousandths of a degree.
	Angle = lifteq.Angle
	// LiftingHands is where the hands are.
	LiftingHands = lifteq.Hands
	// LiftingPoint is the result at one end.
	LiftingPoint = lifteq.Point
	// LiftingMultiplier is one factor.
	LiftingMultiplier = lifteq.Multiplier
	// LiftingIndex is at full precision.
	LiftingIndex = lifteq.Index
	// WorksheetIndex is rounded as a worksheet has it.
	WorksheetIndex = lifteq.WorksheetIndex
	// LiftingTaskResult is one task's part.
	LiftingTaskResult = lifteq.JobTaskResult
	// WorkPeriod is lifting and recovery.
	WorkPeriod = lifteq.Period
	// HandlingTask is what is done.
	HandlingTask = handling.Task
	// Handles are those of a lift or lower.
	Handles = handling.Handles
	// Force has its unit with it.
	Force = handling.Force
	// ForceUnit is a unit of Force.
	ForceUnit = handling.ForceUnit
	// Recipe is a set of inserts that with the tote makes a load.
	Recipe = recipe.Recipe
	// Lapse is a piece whose weighing is too old.
	Lapse = recipe.Lapse
	// ICC is one intraclass correlation.
	ICC = stats.ICC
	// LimitsOfAgreement are those of Bland and Altman.
	LimitsOfAgreement = stats.Agreement
)

// ParseLength reads an exact length.
func ParseLength(value string, unit LengthUnit) (Length, error) {
	return measure.ParseLength(value, unit)
}

// ParseRate reads an exact rate per minute.
func ParseRate(value string) (Rate, error) { return measure.ParseRate(value) }

// Every is the rate of once in that many seconds.
func Every(seconds int) (Rate, error) { return measure.Every(1, seconds) }

// ForceOf makes a force.
func ForceOf(value float64, unit ForceUnit) (Force, error) { return handling.ForceOf(value, unit) }

// The caution that stands beside every answer.
const judgementText = "These numbers support a licensed clinician's judgement and do not replace it. Local codes and licensed practice come first."

func judgement() record.Remark { return record.Remark{Code: "judgement", Text: judgementText} }

// renamed gives an engine's refusal the paths of the contract; any other error is returned as it is.
func renamed(err error, path func(field string) string) error {
	var f *fault.Error
	if !errors.As(err, &f) || len(f.Violations) == 0 {
		return err
	}
	found := make([]fault.Violation, len(f.Violations))
	for i, v := range f.Violations {
		found[i] = fault.Violation{Field: path(v.Field), Rule: v.Rule, Text: v.Text}
	}
	return fault.InvalidFields(found)
}
