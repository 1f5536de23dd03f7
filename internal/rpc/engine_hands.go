package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/record"
)

func (engine) AnalyzeHands(ctx context.Context, req *pb.AnalyzeHandsRequest) (*pb.AnalyzeHandsResponse, error) {
	_, resp, err := analyzeHands(ctx, req)
	return resp, err
}

func analyzeHands(ctx context.Context, req *pb.AnalyzeHandsRequest) (deskwork.HandsFound, *pb.AnalyzeHandsResponse, error) {
	r := &reader{}
	q := r.handQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.HandsFound{}, nil, err
	}
	got, err := deskwork.AnalyzeHands(q)
	if err != nil {
		return deskwork.HandsFound{}, nil, err
	}
	w := &writer{}
	resp, err := answered(w, w.handsFound(got))
	return got, resp, err
}

func (r *reader) handQuestion(m *pb.AnalyzeHandsRequest) deskwork.HandQuestion {
	q := deskwork.HandQuestion{
		Person: record.Person{AgeYears: int(m.GetAgeYears()), Sex: pickOrNone(r, sexes, m.GetSex(), "sex")},
		Series: r.handSeriesList(m.GetHandSeries()),
	}
	if s := r.lengthOrNone(m.GetStature(), "stature"); s != nil {
		if *s == 0 {
			r.bad("stature", "body.stature", "a stature is 1.00 to 2.50 m")
		}
		q.Stature = *s
	}
	return q
}

func (r *reader) handSeriesList(list []*pb.HandSeries) []record.HandSeries {
	var all []record.HandSeries
	for i, s := range list {
		all = append(all, r.handSeries(s, index("hand_series", i)))
	}
	return all
}

func (w *writer) handsFound(v deskwork.HandsFound) *pb.AnalyzeHandsResponse {
	m := &pb.AnalyzeHandsResponse{
		VariationCritique: v.VariationCritique, CurveCritique: v.CurveCritique, ExchangeCritique: v.ExchangeCritique, Cautions: writeRemarks(v.Cautions),
	}
	for _, s := range v.Strengths {
		m.Strengths = append(m.Strengths, w.handStrength(s))
	}
	for _, g := range v.Variations {
		one := &pb.AnalyzeHandsResponse_GripVariation{
			SeriesNumber: w.number(g.Series), Hand: say(w, handSides, g.Hand), MeanKg: g.MeanKg, StandardDeviationKg: g.SDKg, Percent: g.CVPercent,
		}
		for _, c := range g.Cutoffs {
			one.Cutoffs = append(one.Cutoffs, &pb.AnalyzeHandsResponse_Cutoff{Percent: c.Percent, ForWhom: c.For, Source: c.Source, Within: c.Within})
		}
		m.Variations = append(m.Variations, one)
	}
	for _, g := range v.Curves {
		one := &pb.AnalyzeHandsResponse_PositionCurve{
			SeriesNumber: w.number(g.Series), Hand: say(w, handSides, g.Hand), Shape: string(g.Shape), PeakPosition: w.number(g.Peak),
			StandardDeviationKg: g.SDKg, SpreadPercent: g.SpreadPercent,
		}
		for _, reading := range g.Readings {
			one.Readings = append(one.Readings, w.mass(reading))
		}
		m.Curves = append(m.Curves, one)
	}
	for _, g := range v.Exchanges {
		m.Exchanges = append(m.Exchanges, &pb.AnalyzeHandsResponse_RapidExchange{
			Hand: say(w, handSides, g.Hand), Static: w.mass(g.Static), Rapid: w.mass(g.Rapid), DifferencePercent: g.DifferencePercent,
		})
	}
	return m
}
