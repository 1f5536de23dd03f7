package deskwork

import (
	"strconv"
	"strings"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// KnownCapacity is the highest load that is accepted in a zone at a pace; nil where it was tested and none was. Error is its standard error
// of measurement, nil where it is not known.
type KnownCapacity struct {
	Zone  record.Zone
	Pace  record.Pace
	Load  *mass.Mass
	Error *mass.Mass
}

// StrengthQuestion has capacities, job tasks, or both. Projected asks for capacities at harder paces by rule.
type StrengthQuestion struct {
	Capacities []KnownCapacity
	Tasks      []record.JobTask
	Projected  bool
}

// mostError is the largest standard error that is taken.
var mostError = mass.FromUnits(100 * 100_000_000_000)

// Strengths is the answer. A series number in it is the place of a capacity in the question, from 1. Match is nil unless there are both
// capacities and tasks; Demand is empty without tasks.
type Strengths struct {
	Zones     []record.ZoneStrength
	Overall   *record.ZoneStrength
	Projected []record.ProjectedCapacity
	Demand    record.Level
	Match     *record.JobMatch
	Cautions  []record.Remark
}

// ClassifyStrength places capacities and tasks on the strength levels (DOT Appendix C) and compares the two.
func ClassifyStrength(q StrengthQuestion) (Strengths, error) {
	if err := fault.InvalidFields(q.check()); err != nil {
		return Strengths{}, err
	}
	var job *record.JobProfile
	if len(q.Tasks) > 0 {
		job = &record.JobProfile{Tasks: q.Tasks}
	}
	out := Strengths{Cautions: []record.Remark{judgement()}}
	chosen := capacity.Choose(q.stated())
	if q.Projected {
		out.Projected = project.Of(&chosen)
		out.Cautions = append(out.Cautions, record.Remark{Code: "projected_not_measured",
			Text: "A projected capacity is no measurement (" + project.Source + "). Pushing and pulling are not projected."})
	}
	var untested []record.Zone
	if len(q.Capacities) > 0 {
		out.Zones = strength.OfZonesProjected(&chosen, out.Projected)
		out.Overall, untested = strength.Overall(out.Zones, job)
	}
	for _, z := range untested {
		out.Cautions = append(out.Cautions, record.Remark{Code: "job_zone_not_tested",
			Text: "The tasks need the zone " + strings.ReplaceAll(string(z), "_", "-") + ", for which no capacity is given; there is no overall strength level."})
	}
	if job == nil {
		return out, nil
	}
	out.Demand = strength.OfJob(job)
	if len(q.Capacities) > 0 {
		out.match(q, &chosen, job)
	}
	return out, nil
}

// match compares capacities and tasks.
func (out *Strengths) match(q StrengthQuestion, chosen *capacity.Chosen, job *record.JobProfile) {
	m, stoodIn := match.Match(match.Input{Chosen: chosen, Projected: out.Projected, Job: job, ErrorOf: q.errorOf})
	out.Match = &m
	for _, task := range stoodIn {
		out.Cautions = append(out.Cautions, record.Remark{Code: "matched_at_harder_pace",
			Text: "No capacity is given at the pace of the task \"" + task + "\"; one at a harder pace in the same zone reaches its load."})
	}
}

// errorOf is the error with 95 % confidence of the capacity at that place of the question, from 1; nil where it is not known.
func (q StrengthQuestion) errorOf(place int) *mass.Mass {
	if place < 1 || place > len(q.Capacities) || q.Capacities[place-1].Error == nil {
		return nil
	}
	band := match.Band(*q.Capacities[place-1].Error)
	return &band
}

func (q StrengthQuestion) check() []fault.Violation {
	var found []fault.Violation
	add := func(field, rule, text string) {
		found = append(found, fault.Violation{Field: field, Rule: rule, Text: text})
	}
	if len(q.Capacities) == 0 && len(q.Tasks) == 0 {
		add("capacities", "strength.something", "capacities, tasks or both are given")
	}
	seen := map[[2]string]bool{}
	for i, c := range q.Capacities {
		at := "capacities[" + strconv.Itoa(i) + "]"
		key := [2]string{string(c.Zone), string(c.Pace)}
		if seen[key] {
			add(at, "strength.once", "each zone and pace has at most one capacity")
		}
		seen[key] = true
		if c.Load != nil && c.Load.IsZero() {
			add(at+".load", "strength.load_positive", "a capacity is more than nothing; leave the load out where none was accepted")
		}
		if c.Error != nil && c.Error.IsZero() {
			add(at+".standard_error", "strength.error_positive", "a standard error is more than nothing; leave it out where it is not known")
		}
		if c.Error != nil && mostError.Less(*c.Error) {
			add(at+".standard_error", "strength.error_range", "a standard error is at most 100 kg")
		}
	}
	for _, v := range record.CheckJobTasks(q.Tasks, "") {
		add(strings.TrimPrefix(v.Field, "."), v.Rule, v.Text)
	}
	return found
}

// stated are the capacities as of series that ended by the person's will.
func (q StrengthQuestion) stated() []record.Capacity {
	all := make([]record.Capacity, len(q.Capacities))
	for i, c := range q.Capacities {
		verdict := record.TrialVerdict{Number: 1, Status: record.TrialFailed}
		if c.Load != nil {
			verdict.Status = record.TrialAccepted
		}
		all[i] = record.Capacity{
			SeriesNumber: i + 1, Zone: c.Zone, Pace: c.Pace, Load: c.Load, EndReason: record.EndVolitional, TotalTrials: 1,
			Trials: []record.TrialVerdict{verdict},
		}
	}
	return all
}
