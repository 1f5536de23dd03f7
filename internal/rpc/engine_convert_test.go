package rpc_test

import (
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/engine/golden"
)

// document is a golden case as a request, by way of the contract's JSON.
func document(t *testing.T, in golden.Input) *pb.ScoreSessionRequest {
	t.Helper()
	text, err := in.Request()
	if err != nil {
		t.Fatal(err)
	}
	req := &pb.ScoreSessionRequest{}
	if err := protojson.Unmarshal(text, req); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return req
}

// fromFinding is a finding of the wire as a record's canonical JSON.
func fromFinding(t *testing.T, f *pb.Finding) []byte {
	t.Helper()
	text, err := protojson.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	out, err := golden.FindingRecord(text)
	if err != nil {
		t.Fatal(err)
	}
	return out
}
