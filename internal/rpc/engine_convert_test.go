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
// own: enum words carry the enum's name, and some members have their unit in their name.
var contractNames = map[string]string{
	"heart_rate": "heart_rate_bpm", "resting_heart_rate": "resting_heart_rate_bpm", "systolic": "systolic_mmhg", "diastolic": "diastolic_mmhg",
	"start_heart_rate": "start_heart_rate_bpm", "steady_heart_rate": "steady_heart_rate_bpm",
}

var enumPrefixes = map[string]string{
	"zone": "ZONE_", "zones": "ZONE_", "pace": "PACE_", "limiting_pace": "PACE_", "from_pace": "PACE_", "unit": "UNIT_", "end_reason": "END_REASON_",
	"stop": "STOP_", "status": "TRIAL_STATUS_", "level": "STRENGTH_LEVEL_", "within": "STRENGTH_LEVEL_", "basis": "BASIS_", "verdict": "TASK_VERDICT_",
	"outcome": "JOB_OUTCOME_", "sign": "SIGN_", "symptoms": "SYMPTOM_", "formula": "HEART_RATE_FORMULA_", "applies_to_sex": "SEX_",
	"repetition_is": "REPETITION_KIND_", "measure": "HAND_MEASURE_", "hand": "HAND_", "procedure": "HAND_PROCEDURE_", "position": "POSITION_",
	"rating": "TOLERANCE_", "tolerance": "TOLERANCE_", "observed": "TOLERANCE_", "ended_by": "BOUT_END_", "state": "INDICATOR_STATE_",
	"demand": "STRENGTH_LEVEL_",
}

// innerPrefixes are those of members whose enum is another one, or none, in a certain place.
var innerPrefixes = map[[2]string]string{
	{"positions", "demand"}: "TOLERANCE_", {"screening", "status"}: "SCREENING_STATUS_", {"ceilings", "basis"}: "", {"indicators", "unit"}: "",
}

// prefixOf is the enum of a member of an object that is the value, or an item, of the parent.
func prefixOf(parent, member string) string {
	if prefix, ok := innerPrefixes[[2]string{parent, member}]; ok {
		return prefix
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
	if text, err = json.Marshal(toContract("", "", doc)); err != nil {
		t.Fatal(err)
	}
	if err := protojson.Unmarshal(text, into); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
}

func toContract(parent, member string, v any) any {
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
			out[name] = toContract(member, k, inner)
		}
		return out
	case []any:
		for i := range v {
			v[i] = toContract(parent, member, v[i])
		}
		return v
	case string:
		if prefix := prefixOf(parent, member); prefix != "" {
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
	doc = toRecord("", "", doc).(map[string]any)
	fill(doc, map[string]any{"session_revision": 0, "complete": false, "zones": []any{}, "capacities": []any{}})
	for _, c := range doc["capacities"].([]any) {
		fill(c.(map[string]any), map[string]any{"accepted_trials": 0})
	}
	if overall, ok := doc["overall"].(map[string]any); ok {
		fill(overall, map[string]any{"zone": ""})
	}
	if job, ok := doc["job"].(map[string]any); ok {
		fill(job, map[string]any{"job_profile_revision": 0, "demand": "", "tasks": []any{}})
	}
	if c, ok := doc["consistency"].(map[string]any); ok {
		fill(c, map[string]any{"assessed": 0, "agree": 0, "mixed": 0, "disagree": 0, "not_assessed": 0, "indicators": []any{}, "rules": []any{}})
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

func toRecord(parent, member string, v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, inner := range v {
			name := k
			if k == "steady_heart_rate_bpm" {
				name = "steady_heart_rate"
			}
			out[name] = toRecord(member, k, inner)
		}
		return out
	case []any:
		for i := range v {
			v[i] = toRecord(parent, member, v[i])
		}
		return v
	case string:
		prefix := prefixOf(parent, member)
		if rest, ok := strings.CutPrefix(v, prefix); ok && prefix != "" {
			return strings.ToLower(rest)
		}
	}
	return v
}
