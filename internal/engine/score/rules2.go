package score

import (
	"ponderal.example/internal/engine/aerobic"
	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/consistency"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/engine/limits"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/engine/positions"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/engine/screen"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// byRules2 is what rules 1 make of a session, and besides: the screening held against the protocols' limits, ceilings by body, start heart
// rates and calibration among the guards, changes in mechanics, aerobic demand, projected capacities, the error of measurement in the job
// match, hand and position series, consistency of effort, limits in plain language.
func byRules2(in *Input, series []*record.Series) record.Finding {
	f := begin(in, Rules2, len(series))
	n := &notes{}
	n.drug(in)
	tests := testsOf(in, series)
	screening := screen.Of(in.Session.Screening, protocolsOf(tests))
	f.Screening = &screening
	n.screening(&screening, &in.Session.Screening)
	for i := range tests {
		f.Complete = n.measured(in, &tests[i], &f.Capacities[i]) && f.Complete
	}
	n.symptom(series)
	n.symptoms(series)
	n.furtherSymptoms(in.Session.HandSeries, in.Session.PositionSeries)
	f.Hands = hands.Of(in.Session.HandSeries, in.Person, in.Session.Body)
	f.Positions = positions.Of(in.Session.PositionSeries)
	n.rated(f.Positions)
	chosen := capacity.Choose(f.Capacities)
	n.repeated(f.Capacities, &chosen)
	n.failedElsewhere(f.Capacities, &chosen)
	f.Projected = project.Of(&chosen)
	f.Zones = strength.OfZonesProjected(&chosen, f.Projected)
	n.pacesProjected(f.Zones, f.Projected, &chosen)
	var untested []record.Zone
	f.Overall, untested = strength.Overall(f.Zones, in.Job)
	n.untested(untested)
	if in.Job != nil {
		f.Job = n.job(in, series, &f, &chosen)
	}
	f.Consistency = consistencyOf(in, f.Capacities)
	f.Limits = limits.Of(&chosen, f.Projected, f.Hands, f.Positions)
	f.Remarks = n.remarks
	return f
}

// test is a series with its protocol and its trials by number.
type test struct {
	series   *record.Series
	protocol *record.Protocol
	trials   []record.Trial
}

func testsOf(in *Input, series []*record.Series) []test {
	list := make([]test, len(series))
	for i, s := range series {
		list[i] = test{series: s, trials: capacity.Ordered(s.Trials)}
		if i > 0 && series[i-1].ProtocolDigest == s.ProtocolDigest {
			// A protocol is large, and a day's series mostly share one.
			list[i].protocol = list[i-1].protocol
			continue
		}
		p := in.Protocols[s.ProtocolDigest]
		list[i].protocol = &p
	}
	return list
}

// measured scores one series; it reports whether the series was brought to an end.
func (n *notes) measured(in *Input, t *test, c *record.Capacity) bool {
	s, p := t.series, t.protocol
	with := guard.Input{Protocol: p, Person: in.Person, Screening: in.Session.Screening, Body: in.Session.Body, Zone: s.Zone}
	if s.KitID != "" && p.Calibration != nil {
		if kit, ok := in.Kits[s.KitID]; ok {
			with.Kit = &kit
		}
	}
	l := guard.LimitsFor(with)
	*c = capacity.Of(s, &l)
	c.Mechanics = capacity.Mechanics(t.trials)
	c.Ceilings = l.Ceilings()
	c.Aerobic = aerobic.Of(t.trials, c, formulaOf(p), in.Person, in.Session.Screening)
	n.appliesTo(p, in.Person, c)
	n.series(t.trials, c)
	n.failedWithin(t.trials, c)
	n.aboveCeiling(c, " was above a load ceiling of the protocol.")
	n.further(c, &l)
	n.unchecked(t.trials, p, &l, c)
	return c.EndReason != record.EndIncomplete
}

// formulaOf is the formula by which a protocol predicts the maximum heart rate; empty where it needs none.
func formulaOf(p *record.Protocol) record.HeartRateFormula {
	for _, l := range []*record.HeartRateLimit{p.HeartRateLimit, p.HeartRateStartLimit} {
		if l != nil && l.Formula != "" {
			return l.Formula
		}
	}
	return ""
}

func protocolsOf(tests []test) []*record.Protocol {
	list := make([]*record.Protocol, len(tests))
	for i := range tests {
		list[i] = tests[i].protocol
	}
	return list
}

func (n *notes) job(in *Input, series []*record.Series, f *record.Finding, ch *capacity.Chosen) *record.JobMatch {
	job, stoodIn := match.Match(match.Input{
		Chosen: ch, Projected: f.Projected, Series: series, Job: in.Job, Revision: in.JobRevision, Limited: n.limited,
		Hands: hands.Match(in.Job.Hands, f.Hands), Positions: positions.Match(in.Job.Positions, f.Positions),
		ErrorOf: func(number int) *mass.Mass {
			e := in.errorOf(number)
			if e == nil {
				return nil
			}
			band := match.Band(e.StandardError)
			return &band
		},
	})
	n.stoodIn(stoodIn)
	return &job
}

// errorOf is the error of the capacity of a series, by its number; nil where its protocol states none.
func (in *Input) errorOf(number int) *record.CapacityError {
	for i := range in.Session.Series {
		if s := &in.Session.Series[i]; s.Number == number {
			return in.Protocols[s.ProtocolDigest].CapacityError
		}
	}
	return nil
}

// consistencyOf is nil where nothing was measured that hangs together.
func consistencyOf(in *Input, capacities []record.Capacity) *record.Consistency {
	tests := hands.GripTests(in.Session.HandSeries)
	if len(capacities) == 0 && len(tests) == 0 {
		return nil
	}
	with := consistency.Input{
		Series: in.Session.Series, RateLimitingDrug: in.Session.Screening.RateLimitingDrug, Grip: tests, Settings: consistency.DefaultSettings(),
		EndOf: func(number int) record.EndReason {
			if c := of(capacities, number); c != nil {
				return c.EndReason
			}
			return ""
		},
		Retests: consistency.FindRetests(in.Session.Series, func(number int) *mass.Mass {
			if c := of(capacities, number); c != nil {
				return c.Load
			}
			return nil
		}),
	}
	for i := range with.Retests {
		r := &with.Retests[i]
		if e := in.errorOf(r.Second); e != nil {
			r.SEM, r.SEMSource = &e.StandardError, e.Source
		}
	}
	return consistency.ToRecord(consistency.Of(with))
}

// of is the capacity of a series by its number; nil where there is none.
func of(capacities []record.Capacity, number int) *record.Capacity {
	for i := range capacities {
		if capacities[i].SeriesNumber == number {
			return &capacities[i]
		}
	}
	return nil
}
