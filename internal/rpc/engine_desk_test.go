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

// FuzzDesk: whatever a file holds is either answered with the service's own JSON, the same each time, or refused as invalid with every
// broken rule named.
func FuzzDesk(f *testing.F) {
	session, lifting := exampleFile(f, "session.json"), exampleFile(f, "lifting.json")
	f.Add(session, true)
	f.Add(lifting, false)
	f.Add([]byte(strings.Replace(string(lifting), `"15"`, `"25.001"`, 1)), false)
	f.Add([]byte(strings.Replace(string(lifting), `"duration": "LIFTING_DURATION_MODERATE"`, `"day": {"periods": [{"workSeconds": 3600, "recoverySeconds": 10}]}`, 1)), false)
	f.Add([]byte(`{"session": null}`), true)
	f.Add([]byte(`{`), false)
	desk, err := rpc.NewDesk()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text []byte, score bool) {
		answer := func() (line []byte, into proto.Message, err error) {
			if score {
				_, line, err = desk.ScoreSession(text)
				return line, &pb.ScoreSessionResponse{}, err
			}
			_, line, err = desk.AnalyzeLifting(text)
			return line, &pb.AnalyzeLiftingResponse{}, err
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
