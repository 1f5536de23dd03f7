package rpc_test

import (
	"io"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/rpc"
)

// TestGoldenAdvice: every golden case of advice has its answer at the desk, which is the engine behind the contract's checks, and over both
// transports.
func TestGoldenAdvice(t *testing.T) {
	cases, err := golden.LoadAdvice("../../testdata/golden-advice")
	if err != nil {
		t.Fatal(err)
	}
	desk, err := rpc.NewDesk()
	if err != nil {
		t.Fatal(err)
	}
	service := serve(t, io.Discard)
	for _, c := range cases {
		_, line, err := desk.Advise(c.Request)
		if err == nil {
			err = c.Holds(line)
		}
		if err != nil {
			t.Errorf("%s at a desk: %v", c.Name, err)
			continue
		}
		req := &pb.AdviseRequest{}
		if err := protojson.Unmarshal(c.Request, req); err != nil {
			t.Fatalf("%s: %v", c.Name, err)
		}
		for _, way := range ways {
			got, err := caller.Do[pb.AdviseResponse](t.Context(), service.As("evaluator", way), "AdviceService/Advise", req)
			if err != nil {
				t.Errorf("%s over %s: %v", c.Name, way, err)
				continue
			}
			text, err := protojson.Marshal(got)
			if err == nil {
				err = c.Holds(text)
			}
			if err != nil {
				t.Errorf("%s over %s: %v", c.Name, way, err)
			}
		}
	}
}
