package deskwork

import (
	"ponderal.example/internal/engine/handling"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// HandlingQuestion is a task of one sex's workers. What it leaves out is nil or zero. DesignPercent is the share of workers for whom the
// acceptable demand is asked, 0 for 75.
type HandlingQuestion struct {
	Task          HandlingTask
	Sex           record.Sex
	Load          *mass.Mass
	Force         *Force
	Horizontal    *Length
	OriginHeight  *Length
	DestHeight    *Length
	Handles       Handles
	HandHeight    *Length
	Distance      *Length
	Rate          Rate
	DesignPercent int
}

// usualDesignPercent is the share of workers for whom tasks are usually designed.
const usualDesignPercent = 75

// Handled is the answer: loads in kg, forces in kgf (Unit).
type Handled struct {
	handling.Result
	Unit          string
	Acceptable    float64
	DesignPercent int
	Cautions      []record.Remark
}

// PopulationPercentile is the share of workers who accept the task.
func PopulationPercentile(q HandlingQuestion) (Handled, error) {
	in, found := q.input()
	if len(found) > 0 {
		return Handled{}, fault.InvalidFields(found)
	}
	r, err := handling.Analyse(in)
	if err != nil {
		return Handled{}, renamed(err, handlingPath)
	}
	out := Handled{Result: r, Unit: "kg", DesignPercent: q.DesignPercent, Cautions: handlingCautions(r)}
	if in.Force != (Force{}) {
		out.Unit = "kgf"
	}
	if out.DesignPercent == 0 {
		out.DesignPercent = usualDesignPercent
	}
	if out.Acceptable, err = r.AcceptableTo(float64(out.DesignPercent) / 100); err != nil {
		return Handled{}, renamed(err, func(string) string { return "design_percent" })
	}
	return out, nil
}

// input fills in the engine's form; what the task needs and is left out is a broken rule.
func (q HandlingQuestion) input() (handling.Input, []fault.Violation) {
	in := handling.Input{Task: q.Task, Sex: q.Sex, Handles: q.Handles, Rate: q.Rate}
	var found []fault.Violation
	vertical := q.Task == handling.Lift || q.Task == handling.Lower
	length := func(l *Length, field string, needed bool) Length {
		switch {
		case l == nil && needed:
			found = append(found, fault.Violation{Field: field, Rule: "handling.needed", Text: "the task needs this"})
			return 0
		case l != nil && !needed:
			found = append(found, fault.Violation{Field: field, Rule: handling.RuleUnused, Text: "the task does not use this; leave it out"})
			return 0
		case l == nil:
			return 0
		}
		return *l
	}
	in.Horizontal = length(q.Horizontal, "horizontal", vertical)
	origin, destination := length(q.OriginHeight, "origin_height", vertical), length(q.DestHeight, "destination_height", vertical)
	if vertical {
		in.MiddleHeight, in.Travel = handling.Heights(origin, destination)
	}
	in.HandHeight = length(q.HandHeight, "hand_height", !vertical)
	in.Distance = length(q.Distance, "distance", !vertical)
	if q.Load != nil {
		in.Load = *q.Load
	}
	if q.Force != nil {
		in.Force = *q.Force
	}
	return in, found
}

// handlingPath is the contract's path of a field of the engine's input. The two heights stand behind the middle height and the travel.
func handlingPath(field string) string {
	switch field {
	case "rate":
		return "frequency"
	case "middle_height", "travel":
		return "destination_height"
	}
	return field
}

func handlingCautions(r handling.Result) []record.Remark {
	all := []record.Remark{judgement(), {Code: "no_clearance",
		Text: "What a population of workers accepts says nothing about one person's capacity and is no clearance to work."}}
	if r.Caution {
		all = append(all, record.Remark{Code: "speed",
			Text: "Height or distance times frequency is above that up to which the authors found the equation sound; take the answer with reserve."})
	}
	return all
}
