package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
)

func (engine) AnalyzeAgreement(ctx context.Context, req *pb.AnalyzeAgreementRequest) (*pb.AnalyzeAgreementResponse, error) {
	_, resp, err := analyzeAgreement(ctx, req)
	return resp, err
}

func analyzeAgreement(ctx context.Context, req *pb.AnalyzeAgreementRequest) (deskwork.Agreed, *pb.AnalyzeAgreementResponse, error) {
	r := &reader{}
	in := r.ratings(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Agreed{}, nil, err
	}
	got, err := deskwork.AnalyzeAgreement(in)
	if err != nil {
		return deskwork.Agreed{}, nil, err
	}
	w := &writer{}
	resp, err := answered(w, w.agreed(got))
	return got, resp, err
}

func (r *reader) ratings(m *pb.AnalyzeAgreementRequest) deskwork.Ratings {
	in := deskwork.Ratings{Confidence: m.GetConfidencePercent()}
	for i, name := range m.GetRaterNames() {
		in.Names = append(in.Names, r.line(name, index("rater_names", i)))
	}
	for i, row := range m.GetRows() {
		in.Rows = append(in.Rows, row.GetValues())
		in.Groups = append(in.Groups, r.line(row.GetGroup(), index("rows", i)+".group"))
	}
	return in
}

func (w *writer) agreed(got deskwork.Agreed) *pb.AnalyzeAgreementResponse {
	m := &pb.AnalyzeAgreementResponse{
		Targets: w.number(got.Targets), Raters: w.number(got.Raters), ConfidencePercent: got.ConfidencePercent,
		MeanSquareBetweenTargets: got.BetweenTargets, MeanSquareWithinTargets: got.WithinTargets, MeanSquareBetweenRaters: got.BetweenRaters,
		MeanSquareError: got.Error, Consistency: writeError(got.Consistency), AbsoluteAgreement: writeError(got.AbsoluteSEM),
		Cautions: writeRemarks(got.Cautions),
	}
	for _, f := range got.Forms {
		m.Correlations = append(m.Correlations, writeCorrelation(f))
	}
	if got.Limits != nil {
		m.LimitsOfAgreement = writeLimits(*got.Limits)
	}
	for _, v := range got.EachRater {
		m.EachRater = append(m.EachRater, &pb.AnalyzeAgreementResponse_Rater{Name: v.Name, Mean: v.Mean, Bias: v.Bias})
	}
	for _, v := range got.Pairs {
		m.Pairs = append(m.Pairs, &pb.AnalyzeAgreementResponse_Pair{First: v.First, Second: v.Second, Limits: writeLimits(v.Limits)})
	}
	for _, v := range got.Groups {
		g := &pb.AnalyzeAgreementResponse_Group{Name: v.Name, Targets: w.number(v.Targets), NotComputed: v.NotComputed}
		if v.NotComputed == "" {
			g.Correlation, g.AbsoluteAgreement = writeCorrelation(v.Correlation), writeError(v.Error)
		}
		m.Groups = append(m.Groups, g)
	}
	return m
}

func writeLimits(l deskwork.LimitsOfAgreement) *pb.AnalyzeAgreementResponse_LimitsOfAgreement {
	return &pb.AnalyzeAgreementResponse_LimitsOfAgreement{
		Bias: l.Bias, StandardDeviation: l.SD, BiasInterval: interval(l.BiasCI), Lower: l.Limits.Lower, LowerInterval: interval(l.Limits.LowerCI),
		Upper: l.Limits.Upper, UpperInterval: interval(l.Limits.UpperCI),
	}
}

func writeError(e deskwork.MeasurementError) *pb.AnalyzeAgreementResponse_MeasurementError {
	return &pb.AnalyzeAgreementResponse_MeasurementError{StandardErrorOfMeasurement: e.SEM, MinimalDetectableChange_95: e.MDC95}
}

// writeCorrelation leaves out what does not exist.
func writeCorrelation(f deskwork.ICC) *pb.AnalyzeAgreementResponse_IntraclassCorrelation {
	m := &pb.AnalyzeAgreementResponse_IntraclassCorrelation{Form: string(f.Form), Df1: f.DF1, Df2: f.DF2}
	if f.Defined {
		m.Estimate = &f.Estimate
	}
	if f.IntervalDefined {
		m.Lower, m.Upper = &f.Lower, &f.Upper
	}
	if !f.FUnlimited {
		m.F, m.P = &f.F, &f.P
	}
	return m
}

func interval(ends [2]float64) *pb.AnalyzeAgreementResponse_Interval {
	return &pb.AnalyzeAgreementResponse_Interval{From: ends[0], To: ends[1]}
}
