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

// readCeilings takes the ceilings from the limits. One that cannot be worked out is waited for.
func (j *judge) readCeilings() {
	j.ceilings = j.limits.Ceilings()
	for i := range j.ceilings {
		if j.ceilings[i].Load != nil {
			continue
		}
		basis, lacks, _ := strings.Cut(j.ceilings[i].Text, "; ")
		j.missing(strings.TrimPrefix(lacks, "missing: "), "The load ceiling by "+basis+" cannot be worked out; "+lacks+".")
	}
}

// lowest is the lowest ceiling that is known; nil where there is none.
func (j *judge) lowest() *mass.Mass {
	// Known ones stand first, the lowest before all.
	if len(j.ceilings) == 0 {
		return nil
	}
	return j.ceilings[0].Load
}

// above says which ceilings the next load is above; each with its number, and what it comes from.
func (j *judge) above(load mass.Mass) {
	for i := range j.ceilings {
		c := &j.ceilings[i]
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
