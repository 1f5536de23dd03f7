package deskwork

import (
	"strconv"
	"strings"

	"ponderal.example/internal/engine/lifteq"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// LiftingTask is one lift of a job. Maximum nil: all loads are the same. Travel nil: the difference of the two heights. SampleSeconds is
// for how much of every 15 minutes the rate holds, 0 for all of it.
type LiftingTask struct {
	Name          string
	Load          mass.Mass
	Maximum       *mass.Mass
	Origin        LiftingHands
	Destination   *LiftingHands
	Travel        *Length
	Rate          Rate
	SampleSeconds int
	Coupling      Coupling
	Conditions    []LiftingCondition
}

// Lifting is a job of one or several tasks. Duration is empty where it follows from the periods.
type Lifting struct {
	Form     LiftingForm
	Duration LiftingDuration
	Periods  []WorkPeriod
	// First asks for the recovery of the manual's first edition.
	First bool
	Tasks []LiftingTask
}

// Lifted is the answer: the parts in the order of the tasks, the composite index, and the duration that was used.
type Lifted struct {
	Form         LiftingForm
	Duration     LiftingDuration
	Names        []string
	Parts        []LiftingTaskResult
	Composite    LiftingIndex
	WorksheetCLI WorksheetIndex
	Cautions     []record.Remark
}

// Unit is that of the answer's weights.
func (l Lifted) Unit() mass.Unit {
	if l.Form == lifteq.Metric {
		return mass.Kilogram
	}
	return mass.Pound
}

// AnalyzeLifting rates the job by the revised NIOSH lifting equation.
func AnalyzeLifting(in Lifting) (Lifted, error) {
	found := in.checkNames()
	duration, err := in.duration()
	found = append(found, violationsOf(err)...)
	tasks := make([]lifteq.JobTask, len(in.Tasks))
	for i, t := range in.Tasks {
		t.complete("tasks["+strconv.Itoa(i)+"].", &tasks[i], &found)
		tasks[i].System, tasks[i].Duration = in.Form, duration
	}
	if len(found) > 0 {
		return Lifted{}, fault.InvalidFields(found)
	}
	r, err := lifteq.AnalyseJob(tasks)
	if err != nil {
		return Lifted{}, renamed(err, liftingPath)
	}
	out := Lifted{Form: in.Form, Duration: duration, Parts: r.Tasks, Composite: r.CLI, WorksheetCLI: r.WorksheetCLI, Cautions: liftingCautions()}
	for i, t := range in.Tasks {
		out.Names = append(out.Names, t.Name)
		if r.Tasks[i].Analysis.Governing().RWL == 0 {
			out.Cautions = append(out.Cautions, record.Remark{Code: "no_load_recommended",
				Text: "Task \"" + t.Name + "\": one of its measures is beyond the equation's limits, so that no load at all is recommended."})
		}
	}
	return out, nil
}

func (in Lifting) checkNames() []fault.Violation {
	var found []fault.Violation
	seen := map[string]bool{}
	for i, t := range in.Tasks {
		if seen[t.Name] {
			found = append(found, fault.Violation{Field: "tasks[" + strconv.Itoa(i) + "].name", Rule: "lifting.task_once", Text: "each task of a job has a name of its own"})
		}
		seen[t.Name] = true
	}
	return found
}

func (in Lifting) duration() (LiftingDuration, error) {
	if in.Duration != "" {
		return in.Duration, nil
	}
	edition := lifteq.Revision2021
	if in.First {
		edition = lifteq.Edition1994
	}
	d, err := lifteq.DurationOf(in.Periods, edition)
	return d, renamed(err, func(field string) string { return "day." + field })
}

// complete fills in what the task leaves to be worked out.
func (t LiftingTask) complete(at string, out *lifteq.JobTask, found *[]fault.Violation) {
	*out = lifteq.JobTask{Maximum: t.Load, Task: lifteq.Task{
		Load: t.Load, Origin: t.Origin, Destination: t.Destination, Rate: t.Rate, Coupling: t.Coupling, Conditions: t.Conditions,
	}}
	if t.Maximum != nil {
		out.Maximum = *t.Maximum
	}
	switch {
	case t.Travel != nil:
		out.Travel = *t.Travel
	case t.Destination != nil:
		out.Travel = max(t.Destination.Vertical-t.Origin.Vertical, t.Origin.Vertical-t.Destination.Vertical)
	default:
		*found = append(*found, fault.Violation{Field: at + "travel", Rule: "lifting.travel", Text: "without a destination the vertical travel is given"})
	}
	if t.SampleSeconds != 0 {
		rate, err := lifteq.SampleRate(t.Rate, t.SampleSeconds)
		*found = append(*found, violationsOf(renamed(err, func(field string) string {
			if field == "work_seconds" {
				return at + "work_seconds_in_15_minutes"
			}
			return at + "frequency"
		}))...)
		out.Rate = rate
	}
}

// liftingPath is the contract's path of a field of the engine's task.
func liftingPath(field string) string {
	task, rest, ok := strings.Cut(field, ".")
	if !ok {
		return field
	}
	switch rest {
	case "system":
		return "form"
	case "duration":
		return "duration"
	case "maximum":
		rest = "maximum_load"
	case "rate":
		rest = "frequency"
	}
	return task + "." + strings.Replace(rest, ".asymmetry", ".asymmetry_degrees", 1)
}

func liftingCautions() []record.Remark {
	return []record.Remark{judgement(),
		{Code: "limits_of_the_equation", Text: "The equation rates two-handed lifting while standing, with sufficient floor friction, in moderate climate. It does not cover lifting with one hand, " +
			"for over 8 hours, while seated or kneeling, in a restricted work space, of unstable objects, while carrying, pushing or pulling, with wheelbarrows or shovels, " +
			"at high speed, on slippery floors or in harsh environments, nor other demanding work beside the lifting."},
		{Code: "no_clearance", Text: "The equation knows nothing of the person: it rates a task for a healthy working population and is no clearance to lift."},
	}
}
