package e2e

import (
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/record"
)

// TestGoldenAdvice asks the whole service every golden case of advice, as a station of a clinic, over gRPC and over REST.
func TestGoldenAdvice(t *testing.T) {
	t.Parallel()
	cases := must(golden.LoadAdvice("../../testdata/golden-advice"))(t)
	w := newWorld(t)
	clinic := id("ca", 1)
	w.clinic(clinic, id("ea", 1))
	token := w.token(clinic, "", record.RoleStation)
	for _, c := range cases {
		req := &pb.AdviseRequest{}
		if err := protojson.Unmarshal(c.Request, req); err != nil {
			t.Fatalf("%s: %v", c.Name, err)
		}
		for _, way := range both {
			got, err := caller.Do[pb.AdviseResponse](w.ctx, w.service.As(token, way), "AdviceService/Advise", req)
			if err != nil {
				t.Errorf("%s over %v: %v", c.Name, way, err)
				continue
			}
			if err := c.Holds(must(protojson.Marshal(got))(t)); err != nil {
				t.Errorf("%s over %v: %v", c.Name, way, err)
			}
		}
	}
}
