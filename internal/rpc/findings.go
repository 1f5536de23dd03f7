package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// FindingCases are the use cases of findings. Revision 0 is the newest.
type FindingCases interface {
	GetFinding(ctx context.Context, p authn.Principal, sessionID string, revision int) (record.Stored[record.Finding], error)
	ListFindings(context.Context, authn.Principal, record.Page) (record.List[record.Finding], error)
}

type findings struct {
	pb.UnimplementedFindingServiceServer
	cases FindingCases
}

func (s findings) GetFinding(ctx context.Context, req *pb.GetFindingRequest) (*pb.GetFindingResponse, error) {
	stored, err := s.cases.GetFinding(ctx, principalOf(ctx), lower(req.GetSessionId()), int(req.GetRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetFindingResponse{Finding: w.finding(stored)})
}

func (s findings) ListFindings(ctx context.Context, req *pb.ListFindingsRequest) (*pb.ListFindingsResponse, error) {
	got, err := s.cases.ListFindings(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListFindingsResponse{Findings: list(w, got.Items, (*writer).finding), NextCursor: got.Next})
}

func (w *writer) finding(s record.Stored[record.Finding]) *pb.Finding {
	v := s.Value
	m := &pb.Finding{
		SessionId: v.SessionID, SessionRevision: w.number(v.SessionRevision), Engine: v.Engine, Job: w.jobMatch(v.Job),
		Complete: v.Complete, Revision: w.revision(s.Revision),
	}
	for _, c := range v.Capacities {
		m.Capacities = append(m.Capacities, w.capacity(c))
	}
	for _, z := range v.Zones {
		m.Zones = append(m.Zones, w.zoneStrength(z))
	}
	if v.Overall != nil {
		m.Overall = w.zoneStrength(*v.Overall)
	}
	for _, r := range v.Remarks {
		m.Remarks = append(m.Remarks, &pb.Remark{Code: r.Code, Text: r.Text})
	}
	w.findingFurther(m, &v)
	return m
}

func (w *writer) capacity(v record.Capacity) *pb.Capacity {
	m := &pb.Capacity{
		SeriesNumber: w.number(v.SeriesNumber), Zone: say(w, zones, v.Zone), Pace: say(w, paces, v.Pace), Load: w.massOrNone(v.Load),
		BracketTo: w.massOrNone(v.BracketTo), EndReason: say(w, endReasons, v.EndReason),
		AcceptedTrials: w.number(v.AcceptedTrials), TotalTrials: w.number(v.TotalTrials),
	}
	for _, t := range v.Trials {
		m.Trials = append(m.Trials, &pb.TrialVerdict{
			Number: w.number(t.Number), Status: say(w, trialStatuses, t.Status), Guards: w.guards(t.Guards),
		})
	}
	m.Mechanics, m.Aerobic = w.mechanics(v.Mechanics), w.aerobic(v.Aerobic)
	for _, c := range v.Ceilings {
		m.Ceilings = append(m.Ceilings, &pb.LoadCeiling{Basis: string(c.Basis), Load: w.massOrNone(c.Load), Text: c.Text})
	}
	return m
}

func (w *writer) guards(hits []record.GuardHit) []*pb.GuardHit {
	var out []*pb.GuardHit
	for _, g := range hits {
		out = append(out, &pb.GuardHit{Guard: g.Guard, Measured: g.Measured, Limit: g.Limit, Voids: g.Voids, Ends: g.Ends})
	}
	return out
}

// zoneStrength leaves unspecified what a finding leaves empty: the zone of an overall level that no zone limits, a level not reached.
func (w *writer) zoneStrength(v record.ZoneStrength) *pb.ZoneStrength {
	return &pb.ZoneStrength{
		Zone: sayOrNone(w, zones, v.Zone), Level: sayOrNone(w, levels, v.Level), Within: sayOrNone(w, levels, v.Within),
		WithinUpTo: w.massOrNone(v.WithinUpTo), LimitingSeries: w.number(v.LimitingSeries),
		LimitingPace: sayOrNone(w, paces, v.LimitingPace), Basis: sayOrNone(w, bases, v.Basis),
	}
}

func (w *writer) jobMatch(v *record.JobMatch) *pb.JobMatch {
	if v == nil {
		return nil
	}
	m := &pb.JobMatch{
		JobProfileId: v.JobProfileID, JobProfileRevision: w.number(v.JobProfileRevision), Title: v.Title,
		Demand: sayOrNone(w, levels, v.Demand), Outcome: say(w, outcomes, v.Outcome), Missing: v.Missing,
	}
	for _, t := range v.Tasks {
		m.Tasks = append(m.Tasks, &pb.TaskMatch{
			Task: t.Task, Zone: say(w, zones, t.Zone), Pace: say(w, paces, t.Pace), Demand: w.mass(t.Demand),
			Capacity: w.massOrNone(t.Capacity), Verdict: say(w, verdicts, t.Verdict), ShortBy: w.massOrNone(t.ShortBy),
			Basis: sayOrNone(w, bases, t.Basis), SeriesNumber: w.number(t.SeriesNumber), MeasurementError: w.massOrNone(t.MeasurementError),
		})
	}
	m.Positions, m.Hands, m.RestsOn = w.positionMatches(v.Positions), w.handMatches(v.Hands), v.RestsOn
	return m
}
