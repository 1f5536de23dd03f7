package rpc_test

import (
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/canon"
)

// The conversion between a record's JSON and the contract's is written here a second time, by the names alone and without the service's
// own: enum words carry the enum's name, and four members have their unit in their name.
var contractNames = map[string]string{
	"heart_rate": "heart_rate_bpm", "resting_heart_rate": "resting_heart_rate_bpm", "systolic": "systolic_mmhg", "diastolic": "diastolic_mmhg",
}

var enumPrefixes = map[string]string{
	"zone": "ZONE_", "zones": "ZONE_", "pace": "PACE_", "limiting_pace": "PACE_", "unit": "UNIT_", "end_reason": "END_REASON_", "stop": "STOP_",
	"status": "TRIAL_STATUS_", "level": "STRENGTH_LEVEL_", "within": "STRENGTH_LEVEL_", "basis": "BASIS_", "verdict": "TASK_VERDICT_",
	"outcome": "JOB_OUTCOME_", "sign": "SIGN_", "symptoms": "SYMPTOM_", "formula": "HEART_RATE_FORMULA_",
}

// prefixOf is the enum of a member; a demand is a level in a job match and a mass in a task.
func prefixOf(member string, v any) string {
	if _, word := v.(string); member == "demand" && word {
		return "STRENGTH_LEVEL_"
	}
	return enumPrefixes[member]
}

func intoMessage(t *testing.T, v any, into proto.Message) {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	if text, err = json.Marshal(toContract("", doc)); err != nil {
		t.Fatal(err)
	}
	if err := protojson.Unmarshal(text, into); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
}

func toContract(member string, v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, inner := range v {
			if k == "clinic_id" {
				// The contract has it on a session alone, where it plays no part.
				continue
			}
			name := k
			if known, ok := contractNames[k]; ok {
				name = known
			}
			out[name] = toContract(k, inner)
		}
		return out
	case []any:
		for i := range v {
			v[i] = toContract(member, v[i])
		}
		return v
	case string:
		if prefix := prefixOf(member, v); prefix != "" {
			return prefix + strings.ToUpper(v)
		}
	}
	return v
}

// fromFinding is a finding of the wire as a record's canonical JSON. What the wire leaves out because it is zero and a record does not is
// put back.
func fromFinding(t *testing.T, f *pb.Finding) []byte {
	t.Helper()
	text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	doc := map[string]any{}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	doc = toRecord("", doc).(map[string]any)
	fill(doc, map[string]any{"session_revision": 0, "complete": false, "zones": []any{}, "capacities": []any{}})
	for _, c := range doc["capacities"].([]any) {
		fill(c.(map[string]any), map[string]any{"accepted_trials": 0})
	}
	if overall, ok := doc["overall"].(map[string]any); ok {
		fill(overall, map[string]any{"zone": ""})
	}
	if job, ok := doc["job"].(map[string]any); ok {
		fill(job, map[string]any{"job_profile_revision": 0, "demand": ""})
	}
	out, err := canon.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func fill(doc, zeros map[string]any) {
	for k, zero := range zeros {
		if _, ok := doc[k]; !ok {
			doc[k] = zero
		}
	}
}

func toRecord(member string, v any) any {
	switch v := v.(type) {
	case map[string]any:
		for k, inner := range v {
			v[k] = toRecord(k, inner)
		}
		return v
	case []any:
		for i := range v {
			v[i] = toRecord(member, v[i])
		}
		return v
	case string:
		prefix := prefixOf(member, v)
		if rest, ok := strings.CutPrefix(v, prefix); ok && prefix != "" {
			return strings.ToLower(rest)
		}
	}
	return v
}
