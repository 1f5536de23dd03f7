package rpc

import (
	"context"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// engine serves what needs nothing stored. It has no use cases behind a principal: whoever has a role may compute.
type engine struct {
	pb.UnimplementedEngineServiceServer
	// searches has a place for each search of a large kit that may go on at once.
	searches chan struct{}
}

func newEngine() engine { return engine{searches: make(chan struct{}, maxSearches)} }

func (engine) ScoreSession(ctx context.Context, req *pb.ScoreSessionRequest) (*pb.ScoreSessionResponse, error) {
	_, resp, err := scoreSession(ctx, req)
	return resp, err
}

func (engine) GetHeartRateLimits(ctx context.Context, req *pb.GetHeartRateLimitsRequest) (*pb.GetHeartRateLimitsResponse, error) {
	_, resp, err := heartRateLimits(ctx, req)
	return resp, err
}

func heartRateLimits(ctx context.Context, req *pb.GetHeartRateLimitsRequest) (deskwork.HeartRates, *pb.GetHeartRateLimitsResponse, error) {
	r := &reader{}
	q := deskwork.HeartRateQuestion{
		Person:  record.Person{AgeYears: int(req.GetAgeYears()), Sex: pickOrNone(r, sexes, req.GetSex(), "sex")},
		Resting: whole(req.RestingHeartRateBpm), Limit: r.heartRateLimit(req.GetLimit(), "limit"),
	}
	if err := r.refused(ctx, req); err != nil {
		return deskwork.HeartRates{}, nil, err
	}
	got, err := deskwork.HeartRateLimits(q)
	if err != nil {
		return deskwork.HeartRates{}, nil, err
	}
	w := &writer{}
	resp := &pb.GetHeartRateLimitsResponse{Cautions: writeRemarks(got.Cautions)}
	for _, m := range got.Maxima {
		one := &pb.GetHeartRateLimitsResponse_PredictedMaximum{Formula: say(w, formulae, m.Formula), NotApplicable: m.NotApplicable}
		if m.NotApplicable == "" {
			one.Rate = w.heartRate(m.Rate)
		}
		resp.PredictedMaxima = append(resp.PredictedMaxima, one)
	}
	if got.Limit != nil {
		resp.Limit = w.heartRate(*got.Limit)
	}
	resp, err = answered(w, resp)
	return got, resp, err
}

func (engine) AnalyzeLifting(ctx context.Context, req *pb.AnalyzeLiftingRequest) (*pb.AnalyzeLiftingResponse, error) {
	_, resp, err := analyzeLifting(ctx, req)
	return resp, err
}

// engineMeaning reads a request of the engine's for meaningOf, and checks of a session document what one that is pushed is checked for.
func (r *reader) engineMeaning(m proto.Message) []fault.Violation {
	switch m := m.(type) {
	case *pb.ScoreSessionRequest:
		return r.scoring(m).Check()
	case *pb.GetHeartRateLimitsRequest:
		r.heartRateLimit(m.GetLimit(), "limit")
		pickOrNone(r, sexes, m.GetSex(), "sex")
	case *pb.ClassifyStrengthRequest:
		r.strengthQuestion(m)
	case *pb.AnalyzeLiftingRequest:
		r.lifting(m)
	case *pb.GetPopulationPercentileRequest:
		r.handlingQuestion(m)
	case *pb.AnalyzeHandsRequest:
		return r.handQuestion(m).Check()
	case *pb.AssessConsistencyRequest:
		return r.consistencyQuestion(m).Check()
	case *pb.EstimateAerobicDemandRequest:
		r.aerobicQuestion(m)
	case *pb.GetBodyLimitsRequest:
		r.bodyQuestion(m)
	case *pb.AnalyzeAgreementRequest:
		r.ratings(m)
	case *pb.FindRecipesRequest:
		return record.CheckKit(r.recipeQuestion(m).Kit, "kit")
	}
	return nil
}

func scoreSession(ctx context.Context, req *pb.ScoreSessionRequest) (deskwork.Scored, *pb.ScoreSessionResponse, error) {
	r := &reader{}
	in := r.scoring(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Scored{}, nil, err
	}
	got, err := deskwork.Score(in)
	if err != nil {
		return deskwork.Scored{}, nil, err
	}
	w := &writer{}
	f := w.finding(record.Stored[record.Finding]{Value: got.Finding})
	f.Revision = nil
	resp, err := answered(w, &pb.ScoreSessionResponse{Finding: f, Cautions: writeRemarks(got.Cautions)})
	return got, resp, err
}

func (r *reader) scoring(m *pb.ScoreSessionRequest) deskwork.Scoring {
	in := deskwork.Scoring{
		Rules: m.GetRules(), Session: r.session(m.GetSession(), "session"), SessionRevision: int(m.GetSession().GetRevision().GetNumber()),
		Person: record.Person{AgeYears: int(m.GetAgeYears()), Sex: pickOrNone(r, sexes, m.GetSex(), "sex")},
	}
	for i, p := range m.GetProtocols() {
		at := index("protocols", i)
		if p.GetProtocol() == nil {
			r.bad(at+".protocol", "protocol.required", "the protocol is needed with its digest")
			continue
		}
		in.Protocols = append(in.Protocols, record.NamedProtocol{Digest: p.GetDigest(), Protocol: r.protocol(p.GetProtocol(), at+".protocol")})
	}
	if j := m.GetJobProfile(); j != nil {
		job := r.jobProfile(j, "job_profile")
		in.Job, in.JobRevision = &job, int(j.GetRevision().GetNumber())
	}
	for i, k := range m.GetKits() {
		in.Kits = append(in.Kits, r.kit(k, index("kits", i)))
	}
	return in
}

func (r *reader) tasks(list []*pb.JobTask, at string) []record.JobTask {
	var all []record.JobTask
	for i, t := range list {
		here := index(at, i)
		all = append(all, record.JobTask{
			Name: r.line(t.GetName(), here+".name"), Zone: pick(r, zones, t.GetZone(), here+".zone"), Pace: pick(r, paces, t.GetPace(), here+".pace"),
			Load: r.mass(t.GetLoad(), here+".load"),
		})
	}
	return all
}

func writeRemarks(list []record.Remark) []*pb.Remark {
	all := make([]*pb.Remark, 0, len(list))
	for _, v := range list {
		all = append(all, &pb.Remark{Code: v.Code, Text: v.Text})
	}
	return all
}

// heartRate writes a rate in its three forms, thousandths rounded down; a predicted rate is never below zero.
func (w *writer) heartRate(v deskwork.HeartRate) *pb.GetHeartRateLimitsResponse_ExactHeartRate {
	return &pb.GetHeartRateLimitsResponse_ExactHeartRate{
		ThousandthsBpm: w.number(int(v.Thousandths())), Bpm: strings.TrimSuffix(v.String(), " bpm"), HighestWithinBpm: w.number(v.Whole()),
	}
}
