package rpc_test

import (
	"io"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

const (
	oneLift = `"form": "LIFTING_FORM_US", "duration": "LIFTING_DURATION_SHORT"`
	lift    = `"load": {"value": "20", "unit": "UNIT_LB"}, "origin": {"horizontal": {"inches": "12"}, "vertical": {"inches": "20"}}, "frequency": {"perMinute": "1"}, "coupling": "COUPLING_GOOD"`
	push    = `"task": "HANDLING_TASK_PUSH_INITIAL", "sex": "SEX_MALE", "force": {"value": 200, "unit": "FORCE_UNIT_N"}, "handHeight": {"centimetres": "95"}, "distance": {"centimetres": "760"}, "frequency": {"everySeconds": 60}`
)

// TestEngineRefuses: each rule fires on the field that is to blame, over both transports with the same answer, and just does not beside it (an
// empty field).
func TestEngineRefuses(t *testing.T) {
	service := serve(t, io.Discard)
	for name, c := range map[string]struct{ method, text, field string }{
		"limit without formula":    {"GetHeartRateLimits", `{"ageYears": 40, "limit": {"percentOfPredictedMaximum": 85}}`, "limit.formula"},
		"limit in beats":           {"GetHeartRateLimits", `{"ageYears": 40, "limit": {"bpm": 150}}`, ""},
		"no age":                   {"GetHeartRateLimits", `{}`, "age_years"},
		"age 1":                    {"GetHeartRateLimits", `{"ageYears": 1}`, ""},
		"age 121":                  {"GetHeartRateLimits", `{"ageYears": 121}`, "age_years"},
		"reserve without rest":     {"GetHeartRateLimits", `{"ageYears": 40, "limit": {"percentOfReserve": 60, "formula": "HEART_RATE_FORMULA_FOX_1971"}}`, "resting_heart_rate_bpm"},
		"rest at the maximum":      {"GetHeartRateLimits", `{"ageYears": 40, "restingHeartRateBpm": 180, "limit": {"percentOfReserve": 60, "formula": "HEART_RATE_FORMULA_FOX_1971"}}`, "resting_heart_rate_bpm"},
		"rest below the maximum":   {"GetHeartRateLimits", `{"ageYears": 40, "restingHeartRateBpm": 179, "limit": {"percentOfReserve": 60, "formula": "HEART_RATE_FORMULA_FOX_1971"}}`, ""},
		"nothing to classify":      {"ClassifyStrength", `{}`, "capacities"},
		"nothing accepted":         {"ClassifyStrength", `{"capacities": [{"zone": "ZONE_CARRY", "pace": "PACE_FREQUENT"}]}`, ""},
		"capacity of nothing":      {"ClassifyStrength", `{"capacities": [{"zone": "ZONE_CARRY", "pace": "PACE_FREQUENT", "load": {"value": "0", "unit": "UNIT_LB"}}]}`, "capacities[0].load"},
		"zone and pace twice":      {"ClassifyStrength", `{"capacities": [{"zone": "ZONE_CARRY", "pace": "PACE_FREQUENT"}, {"zone": "ZONE_CARRY", "pace": "PACE_FREQUENT"}]}`, "capacities[1]"},
		"zone twice":               {"ClassifyStrength", `{"capacities": [{"zone": "ZONE_CARRY", "pace": "PACE_FREQUENT"}, {"zone": "ZONE_CARRY", "pace": "PACE_CONSTANT"}]}`, ""},
		"task twice":               {"ClassifyStrength", `{"tasks": [{"name": "a", "zone": "ZONE_CARRY", "pace": "PACE_FREQUENT", "load": {"value": "5", "unit": "UNIT_LB"}}, {"name": "a", "zone": "ZONE_CARRY", "pace": "PACE_FREQUENT", "load": {"value": "5", "unit": "UNIT_LB"}}]}`, "tasks[1].name"},
		"no duration":              {"AnalyzeLifting", `{"form": "LIFTING_FORM_US", "tasks": [{"name": "a", "travel": {"inches": "10"}, ` + lift + `}]}`, "work"},
		"no travel":                {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", ` + lift + `}]}`, "tasks[0].travel"},
		"travel":                   {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "travel": {"inches": "10"}, ` + lift + `}]}`, ""},
		"travel that is not":       {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "travel": {"inches": "10"}, "destination": {"horizontal": {"inches": "12"}, "vertical": {"inches": "31"}}, ` + lift + `}]}`, "tasks[0].travel"},
		"travel that is":           {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "travel": {"inches": "11"}, "destination": {"horizontal": {"inches": "12"}, "vertical": {"inches": "31"}}, ` + lift + `}]}`, ""},
		"travel left out":          {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "destination": {"horizontal": {"inches": "12"}, "vertical": {"inches": "31"}}, ` + lift + `}]}`, ""},
		"name of a task twice":     {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "travel": {"inches": "10"}, ` + lift + `}, {"name": "a", "travel": {"inches": "10"}, ` + lift + `}]}`, "tasks[1].name"},
		"maximum below average":    {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "maximumLoad": {"value": "19.999", "unit": "UNIT_LB"}, "travel": {"inches": "10"}, ` + lift + `}]}`, "tasks[0].maximum_load"},
		"maximum at average":       {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "maximumLoad": {"value": "20", "unit": "UNIT_LB"}, "travel": {"inches": "10"}, ` + lift + `}]}`, ""},
		"angle beyond 180":         {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "destination": {"horizontal": {"inches": "12"}, "vertical": {"inches": "31"}, "asymmetryDegrees": "180.001"}, ` + lift + `}]}`, "tasks[0].destination.asymmetry_degrees"},
		"angle of 180":             {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "destination": {"horizontal": {"inches": "12"}, "vertical": {"inches": "31"}, "asymmetryDegrees": "180"}, ` + lift + `}]}`, ""},
		"condition":                {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "travel": {"inches": "10"}, "conditions": ["LIFTING_CONDITION_SLIPPERY_FLOOR"], ` + lift + `}]}`, "tasks[0].conditions[0]"},
		"decimals of an inch":      {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "travel": {"inches": "10.0001"}, ` + lift + `}]}`, "tasks[0].travel.inches"},
		"rate beyond a sample":     {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "workSecondsIn15Minutes": 901, "travel": {"inches": "10"}, ` + lift + `}]}`, "tasks[0].work_seconds_in_15_minutes"},
		"rate in a sample":         {"AnalyzeLifting", `{` + oneLift + `, "tasks": [{"name": "a", "workSecondsIn15Minutes": 900, "travel": {"inches": "10"}, ` + lift + `}]}`, ""},
		"a day over 8 hours":       {"AnalyzeLifting", `{"form": "LIFTING_FORM_US", "day": {"periods": [{"workSeconds": 28801}]}, "tasks": [{"name": "a", "travel": {"inches": "10"}, ` + lift + `}]}`, "day.periods[0].work_seconds"},
		"a day of 8 hours":         {"AnalyzeLifting", `{"form": "LIFTING_FORM_US", "day": {"periods": [{"workSeconds": 28800}]}, "tasks": [{"name": "a", "travel": {"inches": "10"}, ` + lift + `}]}`, ""},
		"push":                     {"GetPopulationPercentile", `{` + push + `}`, ""},
		"push with a load":         {"GetPopulationPercentile", `{` + push + `, "load": {"value": "5", "unit": "UNIT_KG"}}`, "load"},
		"push with a height":       {"GetPopulationPercentile", `{` + push + `, "originHeight": {"centimetres": "80"}}`, "origin_height"},
		"force without unit":       {"GetPopulationPercentile", `{"task": "HANDLING_TASK_CARRY", "sex": "SEX_MALE", "force": {"value": 200}, "frequency": {"everySeconds": 60}}`, "force.unit"},
		"force above the most":     {"GetPopulationPercentile", `{"task": "HANDLING_TASK_PULL_INITIAL", "sex": "SEX_MALE", "force": {"value": 1000.5, "unit": "FORCE_UNIT_KGF"}, "handHeight": {"centimetres": "95"}, "distance": {"centimetres": "760"}, "frequency": {"everySeconds": 60}}`, "force.value"},
		"lift without heights":     {"GetPopulationPercentile", `{"task": "HANDLING_TASK_LIFT", "sex": "SEX_MALE", "load": {"value": "5", "unit": "UNIT_KG"}, "horizontal": {"centimetres": "38"}, "handles": "HANDLES_GOOD", "frequency": {"everySeconds": 60}}`, "origin_height"},
		"too often":                {"GetPopulationPercentile", `{"task": "HANDLING_TASK_CARRY", "sex": "SEX_MALE", "load": {"value": "5", "unit": "UNIT_KG"}, "handHeight": {"centimetres": "95"}, "distance": {"centimetres": "210"}, "frequency": {"perMinute": "10.1"}}`, "frequency"},
		"often":                    {"GetPopulationPercentile", `{"task": "HANDLING_TASK_CARRY", "sex": "SEX_MALE", "load": {"value": "5", "unit": "UNIT_KG"}, "handHeight": {"centimetres": "95"}, "distance": {"centimetres": "210"}, "frequency": {"perMinute": "10"}}`, ""},
		"one row":                  {"AnalyzeAgreement", `{"rows": [{"values": [1, 2]}]}`, "rows"},
		"rows of different length": {"AnalyzeAgreement", `{"rows": [{"values": [1, 2]}, {"values": [1, 2, 3]}]}`, "rows[1].values"},
		"no spread":                {"AnalyzeAgreement", `{"rows": [{"values": [1, 1]}, {"values": [1, 1]}]}`, "rows"},
		"two rows":                 {"AnalyzeAgreement", `{"rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, ""},
		"value too large":          {"AnalyzeAgreement", `{"rows": [{"values": [1, 1.1e12]}, {"values": [1, 2]}]}`, "rows[0].values[1]"},
		"confidence too low":       {"AnalyzeAgreement", `{"confidencePercent": 49.9, "rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, "confidence_percent"},
		"confidence":               {"AnalyzeAgreement", `{"confidencePercent": 50, "rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, ""},
		"no search":                {"FindRecipes", `{` + smallKit + `}`, "search"},
		"target of nothing":        {"FindRecipes", `{` + smallKit + `, "target": {"value": "0", "unit": "UNIT_LB"}}`, "target"},
		"unknown code":             {"FindRecipes", `{` + smallKit + `, "used": {"codes": ["Z"]}}`, "used.codes[0]"},
		"no such day":              {"FindRecipes", `{` + smallKit + `, "used": {"codes": ["A"]}, "calibration": {"on": "2026-02-30", "maxAgeDays": 1}}`, "calibration.on"},
		"a day":                    {"FindRecipes", `{` + smallKit + `, "used": {"codes": ["A"]}, "calibration": {"on": "2026-02-28", "maxAgeDays": 1}}`, ""},
	} {
		for _, way := range ways {
			if got := refusedFields(t, service, way, c.method, c.text); (c.field == "") != (len(got) == 0) || c.field != "" && !slices.Contains(got, c.field) {
				t.Errorf("%s over %s: refused for %q, want %q", name, way, got, c.field)
			}
		}
	}
}

// TestFurtherRefuses: the same for the methods that came later, and for what came to the others.
func TestFurtherRefuses(t *testing.T) {
	service := serve(t, io.Discard)
	body := func(more string) string { return `{"bodyMass": {"value": "80", "unit": "UNIT_KG"}, ` + more + `}` }
	hand := func(change ...string) string {
		return `{"ageYears": 32, "handSeries": [` + strings.NewReplacer(change...).Replace(handSeriesText(1, "RIGHT", "REPEATED", nil, "40", "44")) + `]}`
	}
	rows := `"rows": [{"values": [1, 1], "group": "a"}, {"values": [1, 2]}]`
	capacity := `"zone": "ZONE_CARRY", "pace": "PACE_FREQUENT", "load": {"value": "20", "unit": "UNIT_KG"}`
	for name, c := range map[string]struct{ method, text, field string }{
		"no stature":            {"GetBodyLimits", body(`"percentOfBodyMass": 50`), "stature"},
		"stature below 1 m":     {"GetBodyLimits", body(`"stature": {"centimetres": "99.9"}`), "stature"},
		"stature of 1 m":        {"GetBodyLimits", body(`"stature": {"centimetres": "100"}`), ""},
		"stature of 2.5 m":      {"GetBodyLimits", body(`"stature": {"centimetres": "250"}`), ""},
		"body too light":        {"GetBodyLimits", `{"stature": {"inches": "69"}, "bodyMass": {"value": "19.9", "unit": "UNIT_KG"}}`, "body_mass"},
		"body of 20 kg":         {"GetBodyLimits", `{"stature": {"inches": "69"}, "bodyMass": {"value": "20", "unit": "UNIT_KG"}}`, ""},
		"zone of a push":        {"GetBodyLimits", body(`"stature": {"inches": "69"}, "zones": ["ZONE_CARRY", "ZONE_PUSH"]`), "zones[1]"},
		"zones of lifts":        {"GetBodyLimits", body(`"stature": {"inches": "69"}, "zones": ["ZONE_CARRY", "ZONE_FLOOR_SHOULDER"]`), ""},
		"201 percent":           {"GetBodyLimits", body(`"stature": {"inches": "69"}, "percentOfBodyMass": 201`), "percent_of_body_mass"},
		"200 percent":           {"GetBodyLimits", body(`"stature": {"inches": "69"}, "percentOfBodyMass": 200`), ""},
		"criterion too low":     {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"criterionNewtons": 999}`), "model.criterion_newtons"},
		"criterion":             {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"criterionNewtons": 1000}`), ""},
		"arm too short":         {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"muscleArmMm": 29}`), "model.muscle_arm_mm"},
		"arm":                   {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"muscleArmMm": 30}`), ""},
		"load too near":         {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"forward": {"centimetres": "24.9"}}`), "model.forward"},
		"load at no distance":   {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"forward": {"centimetres": "0"}}`), "model.forward"},
		"load near":             {"GetBodyLimits", body(`"stature": {"inches": "69"}, "model": {"forward": {"centimetres": "25"}}`), ""},
		"load beyond a tonne":   {"GetBodyLimits", body(`"stature": {"inches": "69"}, "load": {"value": "1000.1", "unit": "UNIT_KG"}`), "load.value"},
		"no hand series":        {"AnalyzeHands", `{"ageYears": 32}`, "hand_series"},
		"hand series":           {"AnalyzeHands", hand(), ""},
		"reading of nothing":    {"AnalyzeHands", hand(`"44"`, `"0"`), "hand_series[0].trials[1].reading"},
		"reading of 200.1 kg":   {"AnalyzeHands", hand(`"44"`, `"200.1"`), "hand_series[0].trials[1].reading"},
		"reading of 200 kg":     {"AnalyzeHands", hand(`"44"`, `"200"`), ""},
		"number left out":       {"AnalyzeHands", hand(`"number": 2`, `"number": 3`), "hand_series[0].trials[1].number"},
		"pinch exchanged":       {"AnalyzeHands", hand("HAND_MEASURE_GRIP", "HAND_MEASURE_TIP_PINCH", "REPEATED", "RAPID_EXCHANGE", `"handlePosition": 2, `, ""), "hand_series[0].procedure"},
		"pinch":                 {"AnalyzeHands", hand("HAND_MEASURE_GRIP", "HAND_MEASURE_TIP_PINCH", `"handlePosition": 2, `, ""), ""},
		"stature of nothing":    {"AnalyzeHands", strings.Replace(hand(), `"ageYears"`, `"stature": {"inches": "0"}, "ageYears"`, 1), "stature"},
		"steady below resting":  {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 59, "restingHeartRateBpm": 60, "ageYears": 40, "formula": "HEART_RATE_FORMULA_FOX_1971"}`, "steady_heart_rate_bpm"},
		"steady at resting":     {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 60, "restingHeartRateBpm": 60, "ageYears": 40, "formula": "HEART_RATE_FORMULA_FOX_1971"}`, ""},
		"no reserve":            {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 180, "restingHeartRateBpm": 180, "ageYears": 40, "formula": "HEART_RATE_FORMULA_FOX_1971"}`, "resting_heart_rate_bpm"},
		"formula of men":        {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 90, "restingHeartRateBpm": 60, "ageYears": 40, "sex": "SEX_FEMALE", "formula": "HEART_RATE_FORMULA_SYDO_2014_MEN"}`, "formula"},
		"formula without sex":   {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 90, "restingHeartRateBpm": 60, "ageYears": 40, "formula": "HEART_RATE_FORMULA_SYDO_2014_MEN"}`, "sex"},
		"formula of others":     {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 90, "restingHeartRateBpm": 60, "ageYears": 39, "sex": "SEX_MALE", "formula": "HEART_RATE_FORMULA_SYDO_2014_MEN"}`, "formula"},
		"formula of his":        {"EstimateAerobicDemand", `{"steadyHeartRateBpm": 90, "restingHeartRateBpm": 60, "ageYears": 40, "sex": "SEX_MALE", "formula": "HEART_RATE_FORMULA_SYDO_2014_MEN"}`, ""},
		"limit of others":       {"GetHeartRateLimits", `{"ageYears": 51, "limit": {"percentOfPredictedMaximum": 85, "formula": "HEART_RATE_FORMULA_ZHU_2010"}}`, "limit.formula"},
		"limit of hers":         {"GetHeartRateLimits", `{"ageYears": 50, "limit": {"percentOfPredictedMaximum": 85, "formula": "HEART_RATE_FORMULA_ZHU_2010"}}`, ""},
		"nothing measured":      {"AssessConsistency", `{}`, "series"},
		"a series":              {"AssessConsistency", `{"series": [` + loadSeries(1, false, "5") + `]}`, ""},
		"series out of order":   {"AssessConsistency", `{"series": [` + loadSeries(2, false, "5") + `]}`, "series[0].number"},
		"capacity of no series": {"AssessConsistency", `{"series": [` + loadSeries(1, false, "5") + `], "capacities": [{"seriesNumber": 2, "load": {"value": "5", "unit": "UNIT_KG"}}]}`, "capacities[0].series_number"},
		"capacity of a series":  {"AssessConsistency", `{"series": [` + loadSeries(1, false, "5") + `], "capacities": [{"seriesNumber": 1, "load": {"value": "5", "unit": "UNIT_KG"}}]}`, ""},
		"error of nothing":      {"AssessConsistency", `{"series": [` + loadSeries(1, false, "5") + `], "capacityError": {"standardError": {"value": "0", "unit": "UNIT_KG"}, "source": "none"}}`, "capacity_error.standard_error"},
		"error of 100.1 kg":     {"AssessConsistency", `{"series": [` + loadSeries(1, false, "5") + `], "capacityError": {"standardError": {"value": "100.1", "unit": "UNIT_KG"}, "source": "none"}}`, "capacity_error.standard_error"},
		"error of 100 kg":       {"AssessConsistency", `{"series": [` + loadSeries(1, false, "5") + `], "capacityError": {"standardError": {"value": "100", "unit": "UNIT_KG"}, "source": "none"}}`, ""},
		"some groups":           {"AnalyzeAgreement", `{` + rows + `}`, "rows[1].group"},
		"three names of two":    {"AnalyzeAgreement", `{"raterNames": ["x", "y", "z"], "rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, "rater_names"},
		"a name twice":          {"AnalyzeAgreement", `{"raterNames": ["x", "x"], "rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, "rater_names"},
		"two names of two":      {"AnalyzeAgreement", `{"raterNames": ["x", "y"], "rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, ""},
		"name of two lines":     {"AnalyzeAgreement", `{"raterNames": ["x", "y\nz"], "rows": [{"values": [1, 1]}, {"values": [1, 2]}]}`, "rater_names[1]"},
		"error of no capacity":  {"ClassifyStrength", `{"capacities": [{` + capacity + `, "standardError": {"value": "0", "unit": "UNIT_KG"}}]}`, "capacities[0].standard_error"},
		"error beyond 100 kg":   {"ClassifyStrength", `{"capacities": [{` + capacity + `, "standardError": {"value": "100.1", "unit": "UNIT_KG"}}]}`, "capacities[0].standard_error"},
		"error of a capacity":   {"ClassifyStrength", `{"capacities": [{` + capacity + `, "standardError": {"value": "100", "unit": "UNIT_KG"}}]}`, ""},
	} {
		for _, way := range ways {
			if got := refusedFields(t, service, way, c.method, c.text); (c.field == "") != (len(got) == 0) || c.field != "" && !slices.Contains(got, c.field) {
				t.Errorf("%s over %s: refused for %q, want %q", name, way, got, c.field)
			}
		}
	}
}

const smallKit = `"kit": {"id": "0190a8c4-0000-7000-8000-000000000001", "name": "Invented", "tote": {"code": "T", "mass": {"value": "5", "unit": "UNIT_LB"}, "verifiedOn": "2026-01-05"},
	"inserts": [{"code": "A", "mass": {"value": "2.5", "unit": "UNIT_LB"}, "verifiedOn": "2026-01-05"}]}`

// refusedFields are the fields for which a request in JSON is refused; none where it is answered.
func refusedFields(t *testing.T, service *caller.Service, way caller.Way, method, text string) []string {
	t.Helper()
	m := pb.File_ponderal_v1_engine_proto.Services().ByName("EngineService").Methods().ByName(protoreflect.Name(method))
	req, resp := messageOf(t, m.Input()), messageOf(t, m.Output())
	if err := protojson.Unmarshal([]byte(text), req); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	err := service.As("clinic_admin", way).Call(t.Context(), "EngineService/"+method, req, resp)
	if err == nil {
		return nil
	}
	p, ok := caller.AsProblem(err)
	if !ok || p.Code != "INVALID_ARGUMENT" || len(p.Fields) == 0 {
		t.Errorf("%s over %s: %v", text, way, err)
		return []string{"?"}
	}
	var fields []string
	for _, f := range p.Fields {
		fields = append(fields, f.Path)
	}
	return fields
}

func messageOf(t *testing.T, d protoreflect.MessageDescriptor) proto.Message {
	t.Helper()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		t.Fatal(err)
	}
	return kind.New().Interface()
}
