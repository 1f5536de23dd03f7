package rpc

import (
	"context"
	"errors"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/fault"
)

func (engine) GetPopulationPercentile(ctx context.Context, req *pb.GetPopulationPercentileRequest) (*pb.GetPopulationPercentileResponse, error) {
	_, resp, err := populationPercentile(ctx, req)
	return resp, err
}

func populationPercentile(ctx context.Context, req *pb.GetPopulationPercentileRequest) (deskwork.Handled, *pb.GetPopulationPercentileResponse, error) {
	r := &reader{}
	q := r.handlingQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Handled{}, nil, err
	}
	got, err := deskwork.PopulationPercentile(q)
	if err != nil {
		return deskwork.Handled{}, nil, err
	}
	w := &writer{}
	resp := &pb.GetPopulationPercentileResponse{
		AcceptingPercent: 100 * got.Accepting, Unit: got.Unit, Median: got.Median, StandardDeviation: got.Deviation, CoefficientOfVariation: got.CV,
		Reference: got.Reference, Acceptable: got.Acceptable, DesignPercent: w.number(got.DesignPercent), Cautions: writeRemarks(got.Cautions),
	}
	for _, f := range got.Factors {
		resp.Factors = append(resp.Factors, &pb.GetPopulationPercentileResponse_Factor{Name: f.Name, Value: f.Value})
	}
	resp, err = answered(w, resp)
	return got, resp, err
}

func (r *reader) handlingQuestion(m *pb.GetPopulationPercentileRequest) deskwork.HandlingQuestion {
	return deskwork.HandlingQuestion{
		Task: pick(r, handlingTasks, m.GetTask(), "task"), Sex: pick(r, sexes, m.GetSex(), "sex"), Load: r.massOrNone(m.GetLoad(), "load"),
		Force: r.forceOrNone(m.GetForce(), "force"), Horizontal: r.lengthOrNone(m.GetHorizontal(), "horizontal"),
		OriginHeight: r.lengthOrNone(m.GetOriginHeight(), "origin_height"), DestHeight: r.lengthOrNone(m.GetDestinationHeight(), "destination_height"),
		Handles: pickOrNone(r, handleKinds, m.GetHandles(), "handles"), HandHeight: r.lengthOrNone(m.GetHandHeight(), "hand_height"),
		Distance: r.lengthOrNone(m.GetDistance(), "distance"), Rate: r.frequency(m.GetFrequency(), "frequency"), DesignPercent: int(m.GetDesignPercent()),
	}
}

func (r *reader) forceOrNone(m *pb.Force, at string) *deskwork.Force {
	if m == nil {
		return nil
	}
	unit := pick(r, forceUnits, m.GetUnit(), at+".unit")
	if unit == "" {
		return nil
	}
	v, err := deskwork.ForceOf(m.GetValue(), unit)
	var broken *fault.Error
	switch {
	case errors.As(err, &broken) && len(broken.Violations) > 0:
		r.bad(at+".value", broken.Violations[0].Rule, broken.Violations[0].Text)
	case err != nil:
		r.bad(at, "force", "the force cannot be read")
	}
	return &v
}
