// Package match compares a person's capacities with the tasks of a job and recommends an outcome. The reviewer decides.
package match

import (
	"strings"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Job compares every task. Limited says that the session carries a remark which limits what its measurements can be trusted for. Stands
// lists, once each and in the order of tasks, the tasks that were matched by a capacity at a harder pace.
//
// The outcome:
//
//   - does not meet, as soon as one task is short: a known shortfall decides, whatever is missing elsewhere. How many tasks are short is
//     listed and not weighed; whether the job can be changed is for the reviewer.
//   - cannot be determined, when no task is short and one was not tested, or when the job has no tasks.
//   - meets with limits, when every task is within and the session is limited.
//   - meets, when every task is within.
func Job(ch *capacity.Chosen, job *record.JobProfile, revision int, limited bool) (m record.JobMatch, stands []string) {
	m = record.JobMatch{
		JobProfileID:       job.ID,
		JobProfileRevision: revision,
		Title:              job.Title,
		Demand:             strength.OfJob(job),
		Tasks:              make([]record.TaskMatch, len(job.Tasks)),
	}
	short := false
	for i := range job.Tasks {
		var stoodIn bool
		m.Tasks[i], stoodIn = Task(ch, &job.Tasks[i])
		if stoodIn {
			stands = append(stands, job.Tasks[i].Name)
		}
		switch m.Tasks[i].Verdict {
		case record.TaskShort:
			short = true
		case record.TaskNotTested:
			m.Missing = append(m.Missing, missingText(&job.Tasks[i]))
		}
	}
	if len(job.Tasks) == 0 {
		m.Missing = []string{"the job profile has no tasks"}
	}
	m.Outcome = outcome(short, len(m.Missing) > 0, limited)
	if m.Outcome != record.CannotBeDetermined {
		m.Missing = nil
	}
	return m, stands
}

func outcome(short, missing, limited bool) record.Outcome {
	switch {
	case short:
		return record.DoesNotMeet
	case missing:
		return record.CannotBeDetermined
	case limited:
		return record.MeetsWithLimits
	}
	return record.Meets
}

// Task compares one task with the capacity at its zone and pace. A capacity exactly as high as the demand is within.
//
// Where that pace was not tested, a capacity at a harder pace in the same zone stands in if it reaches the demand: a load that can be
// handled more often can be handled less often. It never makes a task short, since the capacity at the task's own pace may be
// higher; such a task was not tested. An easier pace stands for nothing. StoodIn says that it was used.
func Task(ch *capacity.Chosen, t *record.JobTask) (m record.TaskMatch, stoodIn bool) {
	m = record.TaskMatch{Task: t.Name, Zone: t.Zone, Pace: t.Pace, Demand: t.Load}
	if c := ch.At(t.Zone, t.Pace); c != nil {
		m.Capacity = c.Load
		m.Verdict = record.TaskWithin
		if by := shortBy(c.Load, t.Load); by != nil {
			m.Verdict, m.ShortBy = record.TaskShort, by
		}
		return m, false
	}
	for _, pace := range harder(t.Pace) {
		c := ch.At(t.Zone, pace)
		if c != nil && shortBy(c.Load, t.Load) == nil {
			m.Capacity, m.Verdict = c.Load, record.TaskWithin
			return m, true
		}
	}
	m.Verdict = record.TaskNotTested
	return m, false
}

// shortBy is what a capacity lacks; nil when it reaches the demand. No capacity at all lacks everything.
func shortBy(capacity *mass.Mass, demand mass.Mass) *mass.Mass {
	have := mass.Zero()
	if capacity != nil {
		have = *capacity
	}
	if capacity != nil && !have.Less(demand) {
		return nil
	}
	by := demand.Sub(have)
	return &by
}

// harder lists the paces at which a load is handled more often, the nearest first.
func harder(p record.Pace) []record.Pace {
	switch p {
	case record.Occasional:
		return []record.Pace{record.Frequent, record.Constant}
	case record.Frequent:
		return []record.Pace{record.Constant}
	}
	return nil
}

func missingText(t *record.JobTask) string {
	return t.Name + ": " + strings.ReplaceAll(string(t.Zone), "_", "-") + " at the " + string(t.Pace) + " pace was not tested"
}
