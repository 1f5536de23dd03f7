package advise

import (
	"strings"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// limitsFor works out the limits for this person. The age of the kit's weighing is judged by what is used next, not by the trials so far.
func (j *judge) limitsFor() guard.Limits {
	p := &j.in.Person
	measured := record.BodyMeasures{StatureMM: p.StatureMM, Mass: p.BodyMass}
	return guard.LimitsFor(guard.Input{
		Protocol: &j.in.Protocol, Person: p.record(), Screening: j.in.Screening, Body: &measured, Zone: j.in.Series.Zone,
	})
}

// lacking waits for what a ceiling lacks that cannot be worked out.
func (j *judge) lacking() {
	if _, _, all := j.limits.Lowest(); all {
		return
	}
	for _, c := range j.limits.Ceilings() {
		if c.Load == nil {
			basis, lacks, _ := strings.Cut(c.Text, "; ")
			j.missing(strings.TrimPrefix(lacks, "missing: "), "The load ceiling by "+basis+" cannot be worked out; "+lacks+".")
		}
	}
}

// overCeiling reports whether a load is above a ceiling that is known.
func (j *judge) overCeiling(load mass.Mass) bool {
	low, known, _ := j.limits.Lowest()
	return known && low.Less(load)
}

// above says which ceilings the next load is above; each with its number, and what it comes from.
func (j *judge) above(load mass.Mass) {
	if !j.overCeiling(load) {
		return
	}
	for _, c := range j.limits.Ceilings() {
		if c.Load == nil || !c.Load.Less(load) {
			continue
		}
		limit := c.Load.String()
		if c.Basis != record.CeilingProtocol {
			limit += " (" + c.Text + ")"
		}
		j.say(Stop, record.GuardLoadCeiling, load.String(), limit, "The next load would be above the ceiling: "+c.Text+".")
	}
}
