package rpc

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/fault"
)

// Desk answers requests of EngineService and AdviceService that stand in a file as the API's own JSON, by the rules of the service and without one. Errors are
// of package fault and name each field with its rule. A Desk is safe for concurrent use.
type Desk struct{ validation *validation }

// NewDesk compiles the field rules.
func NewDesk() (*Desk, error) {
	v, err := newValidation([]protoreflect.ServiceDescriptor{
		pb.File_ponderal_v1_engine_proto.Services().ByName("EngineService"), pb.File_ponderal_v1_advice_proto.Services().ByName("AdviceService"),
	})
	if err != nil {
		return nil, fmt.Errorf("make desk: %w", err)
	}
	return &Desk{validation: v}, nil
}

// ScoreSession reads a ScoreSessionRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) ScoreSession(text []byte) (deskwork.Scored, []byte, error) {
	return atDesk(d, text, &pb.ScoreSessionRequest{}, scoreSession)
}

// AnalyzeLifting reads an AnalyzeLiftingRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) AnalyzeLifting(text []byte) (deskwork.Lifted, []byte, error) {
	return atDesk(d, text, &pb.AnalyzeLiftingRequest{}, analyzeLifting)
}

// ScoreSessionBy is ScoreSession by a version of the rules, in place of the one that the request names; empty leaves it at that.
func (d *Desk) ScoreSessionBy(text []byte, rules string) (deskwork.Scored, []byte, error) {
	return atDesk(d, text, &pb.ScoreSessionRequest{}, func(ctx context.Context, req *pb.ScoreSessionRequest) (deskwork.Scored, *pb.ScoreSessionResponse, error) {
		if rules != "" {
			req.Rules = rules
		}
		return scoreSession(ctx, req)
	})
}

// GetPopulationPercentile reads a GetPopulationPercentileRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) GetPopulationPercentile(text []byte) (deskwork.Handled, []byte, error) {
	return atDesk(d, text, &pb.GetPopulationPercentileRequest{}, populationPercentile)
}

// GetBodyLimits reads a GetBodyLimitsRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) GetBodyLimits(text []byte) (deskwork.BodyLimits, []byte, error) {
	return atDesk(d, text, &pb.GetBodyLimitsRequest{}, bodyLimits)
}

// ClassifyStrength reads a ClassifyStrengthRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) ClassifyStrength(text []byte) (deskwork.Strengths, []byte, error) {
	return atDesk(d, text, &pb.ClassifyStrengthRequest{}, classifyStrength)
}

// AnalyzeAgreement reads an AnalyzeAgreementRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) AnalyzeAgreement(text []byte) (deskwork.Agreed, []byte, error) {
	return atDesk(d, text, &pb.AnalyzeAgreementRequest{}, analyzeAgreement)
}

// GetHeartRateLimits reads a GetHeartRateLimitsRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) GetHeartRateLimits(text []byte) (deskwork.HeartRates, []byte, error) {
	return atDesk(d, text, &pb.GetHeartRateLimitsRequest{}, heartRateLimits)
}

// AnalyzeHands reads an AnalyzeHandsRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) AnalyzeHands(text []byte) (deskwork.HandsFound, []byte, error) {
	return atDesk(d, text, &pb.AnalyzeHandsRequest{}, analyzeHands)
}

// EstimateAerobicDemand reads an EstimateAerobicDemandRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) EstimateAerobicDemand(text []byte) (deskwork.AerobicEstimate, []byte, error) {
	return atDesk(d, text, &pb.EstimateAerobicDemandRequest{}, aerobicDemand)
}

// AssessConsistency reads an AssessConsistencyRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) AssessConsistency(text []byte) (deskwork.Consistent, []byte, error) {
	return atDesk(d, text, &pb.AssessConsistencyRequest{}, assessConsistency)
}

// FindRecipes reads a FindRecipesRequest and answers it: for people, and as the service's JSON on one line. The kit is searched for each of
// the two; a desk has the time.
func (d *Desk) FindRecipes(text []byte) (deskwork.Recipes, []byte, error) {
	return atDesk(d, text, &pb.FindRecipesRequest{}, func(ctx context.Context, req *pb.FindRecipesRequest) (deskwork.Recipes, *pb.FindRecipesResponse, error) {
		resp, err := newEngine().FindRecipes(ctx, req)
		if err != nil {
			return deskwork.Recipes{}, nil, err
		}
		r := &reader{}
		got, err := deskwork.FindRecipes(r.recipeQuestion(req))
		return got, resp, err
	})
}

func atDesk[Req, Resp proto.Message, Out any](d *Desk, text []byte, req Req, answer func(context.Context, Req) (Out, Resp, error)) (out Out, line []byte, err error) {
	if err := readStrict(text, req); err != nil {
		return out, nil, err
	}
	// No rule of these requests asks for the time.
	c := &call{method: string(req.ProtoReflect().Descriptor().FullName()), rule: &Rule{}, now: func() time.Time { return time.Time{} }}
	if err := d.validation.message(c, req); err != nil {
		return out, nil, err
	}
	out, resp, err := answer(context.WithValue(context.Background(), callKey{}, c), req)
	if err != nil {
		return out, nil, err
	}
	written, err := protojson.Marshal(resp)
	if err != nil {
		return out, nil, fmt.Errorf("write answer: %w", err)
	}
	// protojson spaces its output as it likes.
	var compact bytes.Buffer
	if err := json.Compact(&compact, written); err != nil {
		return out, nil, fmt.Errorf("write answer: %w", err)
	}
	return out, compact.Bytes(), nil
}

// readStrict refuses what is not exactly one message of the contract in JSON.
func readStrict(text []byte, into proto.Message) error {
	if err := protojson.Unmarshal(text, into); err != nil {
		says := strings.TrimLeft(strings.TrimPrefix(err.Error(), "proto:"), " \u00a0")
		f := fault.New(fault.Invalid, "MALFORMED_BODY", "it is no "+string(into.ProtoReflect().Descriptor().Name())+" in JSON")
		f.Violations = []fault.Violation{{Field: "body", Rule: "json", Text: says}}
		return f
	}
	return nil
}
