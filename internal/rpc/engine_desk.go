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
