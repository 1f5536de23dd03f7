package e2e

import (
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// renamed are the members that the contract names with their unit; prefixes the words that are enums there.
var (
	renamed = map[string]string{"heart_rate": "heart_rate_bpm", "resting_heart_rate": "resting_heart_rate_bpm", "systolic": "systolic_mmhg",
		"diastolic": "diastolic_mmhg", "start_heart_rate": "start_heart_rate_bpm", "steady_heart_rate": "steady_heart_rate_bpm"}
	prefixes = map[string]string{"unit": "UNIT_", "zone": "ZONE_", "pace": "PACE_", "stop": "STOP_", "sign": "SIGN_", "symptoms": "SYMPTOM_",
		"level": "STRENGTH_LEVEL_", "within": "STRENGTH_LEVEL_", "end_reason": "END_REASON_", "basis": "BASIS_", "limiting_pace": "PACE_",
		"measure": "HAND_MEASURE_", "hand": "HAND_", "procedure": "HAND_PROCEDURE_", "position": "POSITION_", "rating": "TOLERANCE_",
		"ended_by": "BOUT_END_"}
)

// message turns a stored session into the contract's, by the names alone: a second conversion beside the service's own.
func message(t testing.TB, s record.Session) *pb.Session {
	t.Helper()
	text := must(record.CanonicalSession(s))(t)
	var doc any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	var out pb.Session
	if err := protojson.Unmarshal(must(json.Marshal(worded("", doc)))(t), &out); err != nil {
		t.Fatal(err)
	}
	return &out
}

func worded(name string, v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := make(map[string]any, len(v))
		for k, x := range v {
			to := k
			if r, ok := renamed[k]; ok {
				to = r
			}
			out[to] = worded(k, x)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, x := range v {
			out[i] = worded(name, x)
		}
		return out
	case string:
		if p, ok := prefixes[name]; ok {
			return p + strings.ToUpper(v)
		}
	}
	return v
}
