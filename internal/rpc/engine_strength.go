package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/record"
)

func (engine) ClassifyStrength(ctx context.Context, req *pb.ClassifyStrengthRequest) (*pb.ClassifyStrengthResponse, error) {
	_, resp, err := classifyStrength(ctx, req)
	return resp, err
}

func classifyStrength(ctx context.Context, req *pb.ClassifyStrengthRequest) (deskwork.Strengths, *pb.ClassifyStrengthResponse, error) {
	r := &reader{}
	q := r.strengthQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Strengths{}, nil, err
	}
	got, err := deskwork.ClassifyStrength(q)
	if err != nil {
		return deskwork.Strengths{}, nil, err
	}
	w := &writer{}
	resp := &pb.ClassifyStrengthResponse{Demand: sayOrNone(w, levels, got.Demand), Cautions: writeRemarks(got.Cautions)}
	for _, z := range got.Zones {
		resp.Zones = append(resp.Zones, w.zoneStrength(z))
	}
	if got.Overall != nil {
		resp.Overall = w.zoneStrength(*got.Overall)
	}
	if m := w.jobMatch(got.Match); m != nil {
		resp.TaskMatches, resp.Outcome, resp.Missing, resp.RestsOn = m.GetTasks(), m.GetOutcome(), m.GetMissing(), m.GetRestsOn()
	}
	for _, p := range got.Projected {
		resp.Projected = append(resp.Projected, w.projection(p))
	}
	resp, err = answered(w, resp)
	return got, resp, err
}

func (r *reader) strengthQuestion(m *pb.ClassifyStrengthRequest) deskwork.StrengthQuestion {
	q := deskwork.StrengthQuestion{Tasks: r.tasks(m.GetTasks(), "tasks"), Projected: m.GetProjected()}
	for i, c := range m.GetCapacities() {
		at := index("capacities", i)
		q.Capacities = append(q.Capacities, deskwork.KnownCapacity{
			Zone: pick(r, zones, c.GetZone(), at+".zone"), Pace: pick(r, paces, c.GetPace(), at+".pace"), Load: r.massOrNone(c.GetLoad(), at+".load"),
			Error: r.massOrNone(c.GetStandardError(), at+".standard_error"),
		})
	}
	return q
}

func (w *writer) projection(p record.ProjectedCapacity) *pb.ProjectedCapacity {
	return &pb.ProjectedCapacity{
		Zone: say(w, zones, p.Zone), Pace: say(w, paces, p.Pace), Load: w.mass(p.Load), FromSeries: w.number(p.FromSeries),
		FromPace: say(w, paces, p.FromPace), Percent: w.number(p.Percent), Source: p.Source,
	}
}
