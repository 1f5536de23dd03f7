package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/record"
)

func (engine) AssessConsistency(ctx context.Context, req *pb.AssessConsistencyRequest) (*pb.AssessConsistencyResponse, error) {
	_, resp, err := assessConsistency(ctx, req)
	return resp, err
}

func assessConsistency(ctx context.Context, req *pb.AssessConsistencyRequest) (deskwork.Consistent, *pb.AssessConsistencyResponse, error) {
	r := &reader{}
	q := r.consistencyQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Consistent{}, nil, err
	}
	got, err := deskwork.AssessConsistency(q)
	if err != nil {
		return deskwork.Consistent{}, nil, err
	}
	w := &writer{}
	resp, err := answered(w, &pb.AssessConsistencyResponse{Consistency: w.consistency(&got.Consistency), Cautions: writeRemarks(got.Cautions)})
	return got, resp, err
}

func (r *reader) consistencyQuestion(m *pb.AssessConsistencyRequest) deskwork.ConsistencyQuestion {
	q := deskwork.ConsistencyQuestion{
		Hands: r.handSeriesList(m.GetHandSeries()), RateLimitingDrug: m.GetRateLimitingDrug(), Error: r.capacityError(m.GetCapacityError(), "capacity_error"),
	}
	for i, s := range m.GetSeries() {
		q.Series = append(q.Series, r.series(s, index("series", i)))
	}
	for i, c := range m.GetCapacities() {
		q.Capacities = append(q.Capacities, deskwork.SeriesCapacity{
			Series: int(c.GetSeriesNumber()), Load: r.mass(c.GetLoad(), index("capacities", i)+".load"),
		})
	}
	return q
}

func (engine) EstimateAerobicDemand(ctx context.Context, req *pb.EstimateAerobicDemandRequest) (*pb.EstimateAerobicDemandResponse, error) {
	_, resp, err := aerobicDemand(ctx, req)
	return resp, err
}

func aerobicDemand(ctx context.Context, req *pb.EstimateAerobicDemandRequest) (deskwork.AerobicEstimate, *pb.EstimateAerobicDemandResponse, error) {
	r := &reader{}
	q := r.aerobicQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.AerobicEstimate{}, nil, err
	}
	got, err := deskwork.EstimateAerobicDemand(q)
	if err != nil {
		return deskwork.AerobicEstimate{}, nil, err
	}
	w := &writer{}
	resp, err := answered(w, &pb.EstimateAerobicDemandResponse{
		PercentOfReserve: got.Demand.PercentOfReserve, SustainableFor: got.Demand.SustainableFor, Source: got.Demand.Source,
		PredictedMaximum: w.heartRate(got.Maximum), Cautions: writeRemarks(got.Cautions),
	})
	return got, resp, err
}

func (r *reader) aerobicQuestion(m *pb.EstimateAerobicDemandRequest) deskwork.AerobicQuestion {
	return deskwork.AerobicQuestion{
		Person: record.Person{AgeYears: int(m.GetAgeYears()), Sex: pickOrNone(r, sexes, m.GetSex(), "sex")},
		Steady: int(m.GetSteadyHeartRateBpm()), Resting: int(m.GetRestingHeartRateBpm()), Formula: pick(r, formulae, m.GetFormula(), "formula"),
	}
}
