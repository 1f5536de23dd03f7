package golden

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
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
	"outcome": "JOB_OUTCOME_", "sign": "SIGN_", "symptoms": "SYMPTOM_", "formula": "HEART_RATE_FORMULA_", "applies_to_sex": "SEX_", "sex": "SEX_",
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

// Request is the case as the contract's ScoreSessionRequest, JSON.
func (in Input) Request() ([]byte, error) {
	session, err := contractOf(in.Session)
	if err != nil {
		return nil, err
	}
	session["revision"] = map[string]any{"number": in.SessionRevision}
	req := map[string]any{"session": session, "age_years": in.Person.AgeYears, "rules": in.Rules}
	if in.Person.Sex != "" {
		req["sex"] = "SEX_" + strings.ToUpper(string(in.Person.Sex))
	}
	var protocols, kits []any
	for _, p := range in.Protocols {
		m, err := contractOf(p)
		if err != nil {
			return nil, err
		}
		protocols = append(protocols, m)
	}
	for _, k := range in.Kits {
		m, err := contractOf(k)
		if err != nil {
			return nil, err
		}
		kits = append(kits, m)
	}
	req["protocols"], req["kits"] = protocols, kits
	if in.Job != nil {
		job, err := contractOf(in.Job)
		if err != nil {
			return nil, err
		}
		job["revision"] = map[string]any{"number": in.JobRevision}
		req["job_profile"] = job
	}
	return json.Marshal(req)
}

func contractOf(v any) (map[string]any, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("write golden request: %w", err)
	}
	doc := map[string]any{}
	if err := json.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("write golden request: %w", err)
	}
	return toContract("", "", doc).(map[string]any), nil
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

// Holds reports how a finding on the wire, JSON with either spelling of its members, differs from the case's; nil when it is the same.
func (c Case) Holds(finding []byte) error {
	got, err := FindingRecord(finding)
	if err != nil {
		return err
	}
	want, err := record.CanonicalFinding(c.Finding)
	if err != nil {
		return err
	}
	if !bytes.Equal(got, want) {
		return fmt.Errorf("finding\n%s\nwant\n%s", got, want)
	}
	return nil
}

// FindingRecord is a finding of the wire as a record's canonical JSON. What the wire leaves out because it is zero and a record does not is
// put back.
func FindingRecord(finding []byte) ([]byte, error) {
	wire := map[string]any{}
	if err := json.Unmarshal(finding, &wire); err != nil {
		return nil, fmt.Errorf("read a finding: %w", err)
	}
	delete(wire, "revision")
	doc := toRecord("", "", wire).(map[string]any)
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
	return canon.Marshal(doc)
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
			name := snake(k)
			if name == "steady_heart_rate_bpm" {
				name = "steady_heart_rate"
			}
			out[name] = toRecord(member, snake(k), inner)
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

// snake is the contract's own spelling of a member: seriesNumber is series_number.
func snake(member string) string {
	var b strings.Builder
	for _, c := range member {
		if c >= 'A' && c <= 'Z' {
			b.WriteByte('_')
			c += 'a' - 'A'
		}
		b.WriteRune(c)
	}
	return b.String()
}
