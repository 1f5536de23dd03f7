package rpc

import (
	"context"
	"errors"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/fault"
)

func (engine) GetPopulationPercentile(ctx context.Context, req *pb.GetPopulationPercentileRequest) (*pb.GetPopulationPercentileResponse, error) {
	r := &reader{}
	q := r.handlingQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := deskwork.PopulationPercentile(q)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	resp := &pb.GetPopulationPercentileResponse{
		AcceptingPercent: 100 * got.Accepting, Unit: got.Unit, Median: got.Median, StandardDeviation: got.Deviation, CoefficientOfVariation: got.CV,
		Reference: got.Reference, Acceptable: got.Acceptable, DesignPercent: w.number(got.DesignPercent), Cautions: writeRemarks(got.Cautions),
	}
	for _, f := range got.Factors {
		resp.Factors = append(resp.Factors, &pb.GetPopulationPercentileResponse_Factor{Name: f.Name, Value: f.Value})
	}
	return answered(w, resp)
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

func (engine) AnalyzeAgreement(_ context.Context, req *pb.AnalyzeAgreementRequest) (*pb.AnalyzeAgreementResponse, error) {
	in := deskwork.Ratings{Confidence: req.GetConfidencePercent()}
	for _, row := range req.GetRows() {
		in.Rows = append(in.Rows, row.GetValues())
	}
	got, err := deskwork.AnalyzeAgreement(in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	resp := &pb.AnalyzeAgreementResponse{
		Targets: w.number(got.Targets), Raters: w.number(got.Raters), ConfidencePercent: got.ConfidencePercent,
		MeanSquareBetweenTargets: got.BetweenTargets, MeanSquareWithinTargets: got.WithinTargets, MeanSquareBetweenRaters: got.BetweenRaters,
		MeanSquareError: got.Error, Consistency: writeError(got.Consistency), AbsoluteAgreement: writeError(got.AbsoluteSEM),
		Cautions: writeRemarks(got.Cautions),
	}
	for _, f := range got.Forms {
		resp.Correlations = append(resp.Correlations, writeCorrelation(f))
	}
	if l := got.Limits; l != nil {
		resp.LimitsOfAgreement = &pb.AnalyzeAgreementResponse_LimitsOfAgreement{
			Bias: l.Bias, StandardDeviation: l.SD, BiasInterval: interval(l.BiasCI), Lower: l.Limits.Lower, LowerInterval: interval(l.Limits.LowerCI),
			Upper: l.Limits.Upper, UpperInterval: interval(l.Limits.UpperCI),
		}
	}
	return answered(w, resp)
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
