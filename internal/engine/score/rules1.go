package score

import (
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/record"
)

// byRules1 is the first version of the rules: guards and acceptance, capacities, levels, job match. It stays as it is.
func byRules1(in *Input, series []*record.Series) record.Finding {
	f := begin(in, Rules1, len(series))
	notes := &notes{}
	notes.drug(in)
	notes.overridden(&in.Session.Screening, "")
	for i, s := range series {
		protocol := in.Protocols[s.ProtocolDigest]
		limits := guard.LimitsOf(&protocol, in.Person, in.Session.Screening)
		f.Capacities[i] = capacity.Of(s, &limits)
		trials := capacity.Ordered(s.Trials)
		notes.series(trials, &f.Capacities[i])
		notes.aboveCeiling(&f.Capacities[i], " was above the protocol's load ceiling.")
		notes.unchecked(trials, &protocol, &limits, &f.Capacities[i])
		f.Complete = f.Complete && f.Capacities[i].EndReason != record.EndIncomplete
	}
	notes.symptom(series)
	chosen := capacity.Choose(f.Capacities)
	notes.repeated(f.Capacities, &chosen)
	f.Zones = strength.OfZones(&chosen)
	notes.paces(f.Zones, &chosen)
	var untested []record.Zone
	f.Overall, untested = strength.Overall(f.Zones, in.Job)
	notes.untested(untested)
	if in.Job != nil {
		job, stoodIn := match.Job(&chosen, in.Job, in.JobRevision, notes.limited)
		notes.stoodIn(stoodIn)
		f.Job = &job
	}
	f.Remarks = notes.remarks
	return f
}
