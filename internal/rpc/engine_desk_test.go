package rpc_test

import (
	"errors"
	"os"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/rpc"
)

func exampleFile(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/examples/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// deskKind is one request that a desk answers, with its example.
type deskKind struct {
	example string
	answer  func(*rpc.Desk, []byte) ([]byte, error)
	into    func() proto.Message
}

func deskKindOf[T any](example string, into proto.Message, answer func(*rpc.Desk, []byte) (T, []byte, error)) deskKind {
	return deskKind{example, func(d *rpc.Desk, text []byte) ([]byte, error) {
		_, line, err := answer(d, text)
		return line, err
	}, func() proto.Message { return into.ProtoReflect().New().Interface() }}
}

func deskKinds() []deskKind {
	return []deskKind{
		deskKindOf("", &pb.ScoreSessionResponse{}, (*rpc.Desk).ScoreSession),
		deskKindOf("", &pb.AnalyzeLiftingResponse{}, (*rpc.Desk).AnalyzeLifting),
		deskKindOf("percentile.json", &pb.GetPopulationPercentileResponse{}, (*rpc.Desk).GetPopulationPercentile),
		deskKindOf("body.json", &pb.GetBodyLimitsResponse{}, (*rpc.Desk).GetBodyLimits),
		deskKindOf("strength.json", &pb.ClassifyStrengthResponse{}, (*rpc.Desk).ClassifyStrength),
		deskKindOf("agreement.json", &pb.AnalyzeAgreementResponse{}, (*rpc.Desk).AnalyzeAgreement),
		deskKindOf("hands.json", &pb.AnalyzeHandsResponse{}, (*rpc.Desk).AnalyzeHands),
		deskKindOf("heart-rate.json", &pb.GetHeartRateLimitsResponse{}, (*rpc.Desk).GetHeartRateLimits),
		deskKindOf("aerobic.json", &pb.EstimateAerobicDemandResponse{}, (*rpc.Desk).EstimateAerobicDemand),
		deskKindOf("consistency.json", &pb.AssessConsistencyResponse{}, (*rpc.Desk).AssessConsistency),
		deskKindOf("recipes.json", &pb.FindRecipesResponse{}, (*rpc.Desk).FindRecipes),
	}
}

// FuzzDesk: whatever a file holds is either answered with the service's own JSON, the same each time, or refused as invalid with every
// broken rule named.
func FuzzDesk(f *testing.F) {
	session, lifting := exampleFile(f, "session.json"), exampleFile(f, "lifting.json")
	kinds := deskKinds()
	f.Add(session, uint8(0))
	f.Add([]byte(strings.Replace(string(session), "{", `{"rules": "1",`, 1)), uint8(0))
	f.Add(lifting, uint8(1))
	f.Add([]byte(strings.Replace(string(lifting), `"15"`, `"25.001"`, 1)), uint8(1))
	f.Add([]byte(strings.Replace(string(lifting), `"duration": "LIFTING_DURATION_MODERATE"`, `"day": {"periods": [{"workSeconds": 3600, "recoverySeconds": 10}]}`, 1)), uint8(1))
	f.Add([]byte(`{"session": null}`), uint8(0))
	f.Add([]byte(`{`), uint8(1))
	for i, k := range kinds {
		if k.example != "" {
			f.Add(exampleFile(f, k.example), uint8(i))
		}
	}
	desk, err := rpc.NewDesk()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text []byte, kind uint8) {
		k := kinds[int(kind)%len(kinds)]
		answer := func() ([]byte, proto.Message, error) {
			line, err := k.answer(desk, text)
			return line, k.into(), err
		}
		line, into, err := answer()
		if err != nil {
			var broken *fault.Error
			if !errors.As(err, &broken) || broken.Kind != fault.Invalid || len(broken.Violations) == 0 {
				t.Fatalf("%s: %v", text, err)
			}
			for _, v := range broken.Violations {
				if v.Field == "" || v.Rule == "" || v.Text == "" {
					t.Fatalf("%s: %+v", text, v)
				}
			}
			return
		}
		if err := protojson.Unmarshal(line, into); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if again, _, _ := answer(); string(again) != string(line) {
			t.Fatalf("the second answer differs:\n%s\n%s", line, again)
		}
	})
}

// TestEveryFormulaIsPredicted: a formula that joins the contract has its maximum in the answer.
func TestEveryFormulaIsPredicted(t *testing.T) {
	got, err := ask[pb.GetHeartRateLimitsResponse](t, serve(t, &strings.Builder{}), ways[0], "GetHeartRateLimits", &pb.GetHeartRateLimitsRequest{}, `{"ageYears": 40}`)
	if err != nil || len(got.GetPredictedMaxima()) != len(pb.HeartRateFormula_name)-1 || got.GetLimit() != nil {
		t.Errorf("%v, %v", got, err)
	}
}
