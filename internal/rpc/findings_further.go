package rpc

import (
	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// findingFurther writes what came with the engine's rules 2.
func (w *writer) findingFurther(m *pb.Finding, v *record.Finding) {
	if s := v.Screening; s != nil {
		m.Screening = &pb.ScreeningFinding{Status: say(w, screeningStatuses, s.Status), Guards: w.guards(s.Guards), Missing: s.Missing}
	}
	for _, p := range v.Projected {
		m.Projected = append(m.Projected, &pb.ProjectedCapacity{
			Zone: say(w, zones, p.Zone), Pace: say(w, paces, p.Pace), Load: w.mass(p.Load), FromSeries: w.number(p.FromSeries),
			FromPace: say(w, paces, p.FromPace), Percent: w.number(p.Percent), Source: p.Source,
		})
	}
	for _, h := range v.Hands {
		m.Hands = append(m.Hands, w.handStrength(h))
	}
	for _, p := range v.Positions {
		m.Positions = append(m.Positions, &pb.PositionTolerance{
			SeriesNumber: w.number(p.SeriesNumber), Position: say(w, positionKinds, p.Position), Tolerance: say(w, tolerances, p.Tolerance),
			Rating: say(w, tolerances, p.Rating), Observed: sayOrNone(w, tolerances, p.Observed), AskedSeconds: w.number(p.AskedSeconds),
			KeptSeconds: w.number(p.KeptSeconds), LongestSeconds: w.number(p.LongestSeconds),
		})
	}
	m.Consistency = w.consistency(v.Consistency)
	for _, l := range v.Limits {
		m.Limits = append(m.Limits, &pb.WorkLimit{
			Text: l.Text, Kind: string(l.Kind), Basis: sayOrNone(w, bases, l.Basis), SeriesNumber: w.number(l.SeriesNumber),
		})
	}
}

func (w *writer) mechanics(v *record.MechanicsChange) *pb.MechanicsChange {
	if v == nil {
		return nil
	}
	m := &pb.MechanicsChange{
		OnsetTrial: w.number(v.OnsetTrial), OnsetLoad: w.mass(v.OnsetLoad), EndTrial: w.number(v.EndTrial), EndLoad: w.mass(v.EndLoad),
		HighestGrade: w.number(v.HighestGrade),
	}
	for _, s := range v.Signs {
		m.Signs = append(m.Signs, string(s))
	}
	return m
}

func (w *writer) aerobic(v *record.AerobicDemand) *pb.AerobicDemand {
	if v == nil {
		return nil
	}
	return &pb.AerobicDemand{
		Trial: w.number(v.Trial), SteadyHeartRateBpm: w.number(v.SteadyHeartRate), PercentOfReserve: v.PercentOfReserve,
		SustainableFor: v.SustainableFor, Source: v.Source,
	}
}

func (w *writer) handStrength(v record.HandStrength) *pb.HandStrength {
	m := &pb.HandStrength{
		SeriesNumber: w.number(v.SeriesNumber), Measure: say(w, handMeasures, v.Measure), Hand: say(w, handSides, v.Hand),
		Procedure: say(w, handProcedures, v.Procedure), Strength: w.mass(v.Strength), Trials: w.number(v.Trials), VariationPercent: v.VariationPercent,
	}
	for _, n := range v.Norms {
		m.Norms = append(m.Norms, &pb.HandStrength_NormStanding{Norm: n.Norm, Percentile: n.Percentile, Bound: n.Bound, Source: n.Source})
	}
	return m
}

func (w *writer) consistency(v *record.Consistency) *pb.Consistency {
	if v == nil {
		return nil
	}
	m := &pb.Consistency{
		Assessed: w.number(v.Assessed), Agree: w.number(v.Agree), Mixed: w.number(v.Mixed), Disagree: w.number(v.Disagree),
		NotAssessed: w.number(v.NotAssessed), Summary: v.Summary, Caution: v.Caution,
	}
	for _, i := range v.Indicators {
		m.Indicators = append(m.Indicators, &pb.Indicator{
			Kind: i.Kind, SeriesNumber: w.number(i.Series), State: say(w, indicatorStates, i.State), Value: i.Value, Unit: i.Unit,
			Pairs: w.number(i.Pairs), P: i.P, Method: i.Method, Slope: i.Slope, SlopeUnit: i.SlopeUnit, Reason: i.Reason,
		})
	}
	for _, r := range v.Rules {
		m.Rules = append(m.Rules, &pb.IndicatorRule{Kind: r.Kind, Expected: r.Expected, Threshold: r.Threshold, Source: r.Source, Critique: r.Critique})
	}
	return m
}

func (w *writer) positionMatches(all []record.PositionMatch) []*pb.PositionMatch {
	var out []*pb.PositionMatch
	for _, p := range all {
		out = append(out, &pb.PositionMatch{
			Position: say(w, positionKinds, p.Position), Demand: say(w, tolerances, p.Demand), Tolerance: sayOrNone(w, tolerances, p.Tolerance),
			Verdict: say(w, verdicts, p.Verdict), SeriesNumber: w.number(p.SeriesNumber),
		})
	}
	return out
}

func (w *writer) handMatches(all []record.HandMatch) []*pb.HandMatch {
	var out []*pb.HandMatch
	for _, h := range all {
		out = append(out, &pb.HandMatch{
			Name: h.Name, Measure: say(w, handMeasures, h.Measure), Hand: say(w, handSides, h.Hand), Demand: w.mass(h.Demand),
			Strength: w.massOrNone(h.Strength), Verdict: say(w, verdicts, h.Verdict), ShortBy: w.massOrNone(h.ShortBy),
			SeriesNumber: w.number(h.SeriesNumber),
		})
	}
	return out
}
