package rpc_test

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// ways are the two transports; every check here holds over both.
var ways = []caller.Way{caller.GRPC, caller.REST}

// ask calls a method of EngineService with a request in the contract's JSON.
func ask[Resp any, P interface {
	*Resp
	proto.Message
}](t *testing.T, service *caller.Service, way caller.Way, method string, req proto.Message, text string) (P, error) {
	t.Helper()
	if err := protojson.Unmarshal([]byte(text), req); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return caller.Do[Resp, P](t.Context(), service.As("evaluator", way), "EngineService/"+method, req)
}

func reference(t *testing.T, name string, into any) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatal(err)
	}
}

func referenceRows(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	list, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, cells := range list[1:] {
		row := map[string]string{}
		for i, name := range list[0] {
			row[name] = cells[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// near reports whether a computed value shows the printed one at so many decimals.
func near(got, printed float64, decimals int) bool {
	return math.Abs(got-printed) <= 0.5000001*math.Pow10(-decimals)
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// formulaOf is the contract's name of a formula of the reference table; the rounded form of Gellish is none of ours.
func formulaOf(id string) string {
	switch id {
	case "gellish_2007_unrounded":
		id = "gellish_2007"
	case "gellish_2007_linear":
		return ""
	}
	return "HEART_RATE_FORMULA_" + strings.ToUpper(id)
}

// TestHeartRateLimitsReference: the predicted maxima and 85 percent of them, to the thousandth that is printed (03_hr_max_check_values.csv: Fox,
// Naughton, Haskell 1971; Tanaka, Monahan, Seals 2001; Gellish and others 2007; Gulati and others 2010; AEROBICS 2019 update for beta
// blockers), and the reserve (03_hr_reserve.json: Karvonen, Kentala, Mustala 1957).
func TestHeartRateLimitsReference(t *testing.T) {
	service := serve(t, io.Discard)
	seen := map[string]bool{}
	for _, row := range referenceRows(t, "03_hr_max_check_values.csv") {
		formula := formulaOf(row["formula_id"])
		if pb.HeartRateFormula_value[formula] == 0 {
			continue
		}
		seen[formula] = true
		for _, way := range ways {
			got, err := ask[pb.GetHeartRateLimitsResponse](t, service, way, "GetHeartRateLimits", &pb.GetHeartRateLimitsRequest{},
				`{"ageYears": `+row["age_y"]+`, "sex": "SEX_FEMALE", "limit": {"percentOfPredictedMaximum": 85, "formula": "`+formula+`"}}`)
			if err != nil {
				t.Fatal(err)
			}
			if limit := number(t, got.GetLimit().GetBpm()); !near(limit, number(t, row["pct85_bpm"]), 3) || float64(got.GetLimit().GetThousandthsBpm()) != math.Floor(1000*limit+1e-6) ||
				float64(got.GetLimit().GetHighestWithinBpm()) != math.Floor(limit) {
				t.Errorf("%s at %s: limit %v, want %s", formula, row["age_y"], got.GetLimit(), row["pct85_bpm"])
			}
			for _, m := range got.GetPredictedMaxima() {
				if m.GetFormula().String() == formula && number(t, m.GetRate().GetBpm()) != number(t, row["hr_max_bpm"]) {
					t.Errorf("%s at %s: maximum %v, want %s", formula, row["age_y"], m.GetRate(), row["hr_max_bpm"])
				}
			}
		}
	}
	if len(seen) < 6 {
		t.Errorf("only %v checked", seen)
	}
	// 220 - 40 = 180; rest 70, 60 percent of the reserve: 136.
	got, err := ask[pb.GetHeartRateLimitsResponse](t, service, caller.REST, "GetHeartRateLimits", &pb.GetHeartRateLimitsRequest{},
		`{"ageYears": 40, "restingHeartRateBpm": 70, "limit": {"percentOfReserve": 60, "formula": "HEART_RATE_FORMULA_FOX_1971"}}`)
	if err != nil || got.GetLimit().GetBpm() != "136" {
		t.Errorf("reserve: %v, %v", got, err)
	}
}

// TestFormulaeThatDoNotApply: a formula of one sex or of some ages is listed with a reason in place of a number for whom it was not made
// (03_hr_max_formulae.csv: Gulati 2010 women; Sydo 2014 men and women of 40 to 89 years; Zhu 2010, 18 to 50 years).
func TestFormulaeThatDoNotApply(t *testing.T) {
	service := serve(t, io.Discard)
	for request, want := range map[string]string{
		`{"ageYears": 39}`:                      "GULATI_2010_WOMEN SYDO_2014_MEN SYDO_2014_WOMEN",
		`{"ageYears": 39, "sex": "SEX_FEMALE"}`: "SYDO_2014_MEN SYDO_2014_WOMEN",
		`{"ageYears": 40, "sex": "SEX_FEMALE"}`: "SYDO_2014_MEN",
		`{"ageYears": 50, "sex": "SEX_MALE"}`:   "GULATI_2010_WOMEN SYDO_2014_WOMEN",
		`{"ageYears": 51, "sex": "SEX_MALE"}`:   "GULATI_2010_WOMEN SYDO_2014_WOMEN ZHU_2010",
	} {
		got, err := ask[pb.GetHeartRateLimitsResponse](t, service, caller.REST, "GetHeartRateLimits", &pb.GetHeartRateLimitsRequest{}, request)
		if err != nil {
			t.Fatal(err)
		}
		var not []string
		for _, m := range got.GetPredictedMaxima() {
			if (m.GetRate() == nil) != (m.GetNotApplicable() != "") {
				t.Errorf("%s: %v", request, m)
			}
			if m.GetRate() == nil {
				not = append(not, strings.TrimPrefix(m.GetFormula().String(), "HEART_RATE_FORMULA_"))
			}
		}
		if strings.Join(not, " ") != want {
			t.Errorf("%s: %q do not apply, want %q", request, not, want)
		}
	}
}

// TestLiftingReference: every worksheet of the manual's single-task examples whose printed multipliers follow from the formulae
// (01_niosh_examples_single.csv; Waters, Putz-Anderson, Garg, DHHS (NIOSH) Publication 94-110).
func TestLiftingReference(t *testing.T) {
	service := serve(t, io.Discard)
	durations := map[string]string{"<=1h": "LIFTING_DURATION_SHORT", "1-2h": "LIFTING_DURATION_MODERATE", "2-8h": "LIFTING_DURATION_LONG", "<=8h": "LIFTING_DURATION_LONG", "<=2h": "LIFTING_DURATION_MODERATE"}
	checked := 0
	for _, row := range referenceRows(t, "01_niosh_examples_single.csv") {
		if row["point"] != "origin" || row["multipliers_match_formula_2dp"] != "exact" {
			continue
		}
		rate := strings.TrimPrefix(row["F_per_min"], "<")
		duration, known := durations[row["duration"]]
		if !known {
			t.Fatalf("example %s has the duration %q", row["example"], row["duration"])
		}
		for _, way := range ways {
			got, err := ask[pb.AnalyzeLiftingResponse](t, service, way, "AnalyzeLifting", &pb.AnalyzeLiftingRequest{},
				`{"form": "LIFTING_FORM_US", "duration": "`+duration+`", "tasks": [{"name": "a", "load": {"value": "`+row["load_lb"]+`", "unit": "UNIT_LB"},
				"origin": {"horizontal": {"inches": "`+row["H_in"]+`"}, "vertical": {"inches": "`+row["V_in"]+`"}, "asymmetryDegrees": "`+row["A_deg"]+`"},
				"travel": {"inches": "`+row["D_in"]+`"}, "frequency": {"perMinute": "`+rate+`"}, "coupling": "COUPLING_`+strings.ToUpper(row["coupling"])+`"}]}`)
			if err != nil {
				t.Fatalf("example %s: %v", row["example"], err)
			}
			p := got.GetTasks()[0].GetOrigin()
			for name, m := range map[string]*pb.LiftingMultiplier{
				"HM": p.GetHorizontal(), "VM": p.GetVertical(), "DM": p.GetDistance(), "AM": p.GetAsymmetry(), "FM": p.GetFrequency(), "CM": p.GetCoupling(),
			} {
				if m.GetWorksheet() != row[name+"_printed"] || !near(m.GetValue(), number(t, row[name+"_printed"]), 2) {
					t.Errorf("example %s: %s %v, printed %s", row["example"], name, m, row[name+"_printed"])
				}
			}
			if p.GetRecommendedWeightLimit().GetWorksheet() != row["RWL_lb_printed"] || p.GetLiftingIndex().GetWorksheet() != row["LI_printed"] {
				t.Errorf("example %s: RWL %v LI %v, printed %s and %s", row["example"], p.GetRecommendedWeightLimit(), p.GetLiftingIndex(), row["RWL_lb_printed"], row["LI_printed"])
			}
			if full := number(t, row["computed_rwl_full_precision"]); !near(p.GetRecommendedWeightLimit().GetValue(), full, 4) {
				t.Errorf("example %s: RWL %v at full precision, want %v", row["example"], p.GetRecommendedWeightLimit(), full)
			}
			// The composite of one task is its lifting index.
			if got.GetUnit() != pb.Unit_UNIT_LB || !proto.Equal(got.GetComposite(), p.GetLiftingIndex()) {
				t.Errorf("example %s: composite %v of the index %v", row["example"], got.GetComposite(), p.GetLiftingIndex())
			}
			checked++
		}
	}
	if checked < 4 {
		t.Errorf("only %d worksheets checked", checked)
	}
}

// TestStrengthReference: a load on each upper bound demands and reaches its level, one above it demands the next
// (02_dot_strength_levels.csv: Dictionary of Occupational Titles, 4th ed. rev. 1991, Appendix C).
func TestStrengthReference(t *testing.T) {
	service := serve(t, io.Discard)
	next := map[string]string{"SEDENTARY": "LIGHT", "LIGHT": "MEDIUM", "MEDIUM": "HEAVY", "HEAVY": "VERY_HEAVY"}
	for _, row := range referenceRows(t, "02_dot_strength_levels.csv") {
		level := strings.ToUpper(row["level"])
		for _, pace := range []string{"occasional", "frequent", "constant"} {
			bound := row[pace+"_lb_max"]
			if bound == "" || bound == "negligible" || next[level] == "" {
				continue
			}
			for _, way := range ways {
				for load, want := range map[string]string{bound: level, bound + ".001": next[level]} {
					got, err := ask[pb.ClassifyStrengthResponse](t, service, way, "ClassifyStrength", &pb.ClassifyStrengthRequest{},
						`{"tasks": [{"name": "a", "zone": "ZONE_CARRY", "pace": "PACE_`+strings.ToUpper(pace)+`", "load": {"value": "`+load+`", "unit": "UNIT_LB"}}]}`)
					if err != nil || got.GetDemand().String() != "STRENGTH_LEVEL_"+want {
						t.Errorf("%s lb %s demands %v (%v), want %s", load, pace, got.GetDemand(), err, want)
					}
				}
				if pace != "occasional" {
					continue
				}
				got, err := ask[pb.ClassifyStrengthResponse](t, service, way, "ClassifyStrength", &pb.ClassifyStrengthRequest{},
					`{"capacities": [{"zone": "ZONE_FLOOR_WAIST", "pace": "PACE_OCCASIONAL", "load": {"value": "`+bound+`", "unit": "UNIT_LB"}}]}`)
				if err != nil || got.GetOverall().GetLevel().String() != "STRENGTH_LEVEL_"+level || got.GetOverall().GetWithin() != 0 {
					t.Errorf("a capacity of %s lb reaches %v (%v), want %s", bound, got.GetOverall(), err, level)
				}
			}
		}
	}
}

// TestAgreementReference: the six correlations of Shrout and Fleiss (Psychol Bull 1979;86:420-428; 08_icc_1979.json) with their intervals, and
// the limits of agreement of Bland and Altman (Lancet 1986;1:307-310; 08_bland_altman_1986_*).
func TestAgreementReference(t *testing.T) {
	service := serve(t, io.Discard)
	var icc struct {
		Ratings  [][]float64
		Computed map[string]float64 `json:"computed_icc"`
		CI       struct {
			Order        []string
			Lower, Upper []float64
		} `json:"ci95_package_2dp"`
		Squares map[string]float64 `json:"computed_mean_squares"`
	}
	reference(t, "08_icc_1979.json", &icc)
	req := &pb.AnalyzeAgreementRequest{}
	for _, row := range icc.Ratings {
		req.Rows = append(req.Rows, &pb.AnalyzeAgreementRequest_Row{Values: row})
	}
	for _, way := range ways {
		got, err := caller.Do[pb.AnalyzeAgreementResponse](t.Context(), service.As("reviewer", way), "EngineService/AnalyzeAgreement", req)
		if err != nil {
			t.Fatal(err)
		}
		for i, name := range icc.CI.Order {
			c := got.GetCorrelations()[i]
			form := "icc_" + strings.NewReplacer("ICC(", "", ",", "_", ")", "", "4", "k").Replace(name)
			if c.GetForm() != form || !near(c.GetEstimate(), icc.Computed[name], 8) || !near(c.GetLower(), icc.CI.Lower[i], 2) || !near(c.GetUpper(), icc.CI.Upper[i], 2) {
				t.Errorf("%s: %v, want %v from %v to %v", name, c, icc.Computed[name], icc.CI.Lower[i], icc.CI.Upper[i])
			}
		}
		// SEM and MDC95 = 1.96 sqrt 2 SEM (Weir, J Strength Cond Res 2005;19:231-240), by hand from the error mean square.
		sem := math.Sqrt(icc.Squares["EMS"])
		if e := got.GetConsistency(); !near(e.GetStandardErrorOfMeasurement(), sem, 6) || !near(e.GetMinimalDetectableChange_95(), 1.96*math.Sqrt2*sem, 5) {
			t.Errorf("error %v, want SEM %v", e, sem)
		}
		if got.GetLimitsOfAgreement() != nil || got.GetConfidencePercent() != 95 || len(got.GetCautions()) < 3 {
			t.Errorf("limits of four raters, confidence or cautions: %v", got)
		}
	}
	var ba struct {
		Computed struct {
			Mean   float64 `json:"mean_difference"`
			SD     float64
			Limits []float64 `json:"limits_1.96sd"`
			Bias   []float64 `json:"ci95_bias"`
		}
	}
	reference(t, "08_bland_altman_1986_results.json", &ba)
	pairs := &pb.AnalyzeAgreementRequest{}
	for _, row := range referenceRows(t, "08_bland_altman_1986_data.csv") {
		pairs.Rows = append(pairs.Rows, &pb.AnalyzeAgreementRequest_Row{Values: []float64{number(t, row["large_first"]), number(t, row["mini_first"])}})
	}
	for _, way := range ways {
		got, err := caller.Do[pb.AnalyzeAgreementResponse](t.Context(), service.As("station", way), "EngineService/AnalyzeAgreement", pairs)
		if err != nil {
			t.Fatal(err)
		}
		l, want := got.GetLimitsOfAgreement(), ba.Computed
		if !near(l.GetBias(), want.Mean, 6) || !near(l.GetStandardDeviation(), want.SD, 5) || !near(l.GetLower(), want.Limits[0], 6) || !near(l.GetUpper(), want.Limits[1], 6) ||
			!near(l.GetBiasInterval().GetFrom(), want.Bias[0], 4) || !near(l.GetBiasInterval().GetTo(), want.Bias[1], 4) {
			t.Errorf("limits %v, want %+v", l, want)
		}
	}
}

// TestPercentileReference: the published example (Potvin et al., Ergonomics 2021;64:955-970, section 3.4; 05_psychophysical_worked_examples.json):
// a woman lifts 12 kg from 0.775 to 1.285 m at 0.38 m once a minute with good handles.
func TestPercentileReference(t *testing.T) {
	service := serve(t, io.Discard)
	var published struct {
		Example struct {
			Computed map[string]float64 `json:"computed_full_precision"`
		} `json:"published_example"`
	}
	reference(t, "05_psychophysical_worked_examples.json", &published)
	want := published.Example.Computed
	for _, way := range ways {
		got, err := ask[pb.GetPopulationPercentileResponse](t, service, way, "GetPopulationPercentile", &pb.GetPopulationPercentileRequest{},
			`{"task": "HANDLING_TASK_LIFT", "sex": "SEX_FEMALE", "load": {"value": "12", "unit": "UNIT_KG"}, "horizontal": {"centimetres": "38"},
			"originHeight": {"centimetres": "77.5"}, "destinationHeight": {"centimetres": "128.5"}, "handles": "HANDLES_GOOD", "frequency": {"perMinute": "1"}}`)
		if err != nil {
			t.Fatal(err)
		}
		if !near(got.GetMedian(), want["MAL_kg"], 6) || !near(got.GetStandardDeviation(), want["SD_kg"], 6) || !near(got.GetAcceptingPercent(), want["percent_capable_12kg"], 4) ||
			!near(got.GetAcceptable(), want["MAL_75pct_kg_z_exact"], 6) || got.GetUnit() != "kg" || got.GetDesignPercent() != 75 {
			t.Errorf("%v, want %v", got, want)
		}
		if len(got.GetFactors()) != 5 || len(got.GetCautions()) != 2 {
			t.Errorf("factors %v, cautions %v", got.GetFactors(), got.GetCautions())
		}
	}
}

// TestRecipes: by hand: a tote of 5 lb with inserts of 2.5, 5, 5 and 10 lb makes 20 lb as 5 + 10 + 5 or 5 + 5 + 5 + ... only with 10 and 5.
func TestRecipes(t *testing.T) {
	service := serve(t, io.Discard)
	kit := `"kit": {"id": "0190a8c4-0000-7000-8000-000000000001", "name": "Invented", "tote": {"code": "T", "mass": {"value": "5", "unit": "UNIT_LB"}, "verifiedOn": "2026-01-05"}, "inserts": [
		{"code": "A", "mass": {"value": "2.5", "unit": "UNIT_LB"}, "verifiedOn": "2026-01-05"}, {"code": "B", "mass": {"value": "5", "unit": "UNIT_LB"}, "verifiedOn": "2026-01-05"},
		{"code": "C", "mass": {"value": "5", "unit": "UNIT_LB"}, "verifiedOn": "2025-01-05"}, {"code": "D", "mass": {"value": "10", "unit": "UNIT_LB"}, "verifiedOn": "2026-01-05"}]}`
	lb := func(v string) string { return `{"value": "` + v + `", "unit": "UNIT_LB"}` }
	for _, way := range ways {
		got, err := ask[pb.FindRecipesResponse](t, service, way, "FindRecipes", &pb.FindRecipesRequest{},
			`{`+kit+`, "target": `+lb("20")+`, "calibration": {"on": "2026-03-02", "maxAgeDays": 365}}`)
		if err != nil || len(got.GetRecipes()) != 1 || len(got.GetRecipes()[0].GetCodes()) != 2 || got.GetRecipes()[0].GetCodes()[0] != "D" ||
			len(got.GetLapsed()) != 1 || got.GetLapsed()[0].GetCode() != "C" {
			t.Errorf("20 lb: %v, %v", got, err)
		}
		got, err = ask[pb.FindRecipesResponse](t, service, way, "FindRecipes", &pb.FindRecipesRequest{}, `{`+kit+`, "target": `+lb("21")+`, "tolerance": `+lb("1")+`}`)
		if err != nil || len(got.GetRecipes()) != 1 || !got.GetRecipes()[0].GetLighter() || got.GetRecipes()[0].GetDifference().GetValue() != "1" {
			t.Errorf("21 lb within 1: %v, %v", got, err)
		}
		got, err = ask[pb.FindRecipesResponse](t, service, way, "FindRecipes", &pb.FindRecipesRequest{}, `{`+kit+`, "target": `+lb("21")+`, "tolerance": `+lb("0.999")+`}`)
		if err != nil || len(got.GetRecipes()) != 0 || got.GetNearestBelow().GetValue() != "20" || got.GetNearestAbove().GetValue() != "22.5" || len(got.GetCautions()) != 2 {
			t.Errorf("21 lb within 0.999: %v, %v", got, err)
		}
		got, err = ask[pb.FindRecipesResponse](t, service, way, "FindRecipes", &pb.FindRecipesRequest{}, `{`+kit+`, "used": {"codes": ["D"]}}`)
		if err != nil || len(got.GetRecipes()) != 1 || got.GetRecipes()[0].GetLoad().GetValue() != "15" || got.GetRecipes()[0].GetSharedCodes() != 0 {
			t.Errorf("other than D: %v, %v", got, err)
		}
		got, err = ask[pb.FindRecipesResponse](t, service, way, "FindRecipes", &pb.FindRecipesRequest{}, `{`+kit+`, "used": {"codes": ["A"]}}`)
		if err != nil || len(got.GetRecipes()) != 0 {
			t.Errorf("other than A: %v, %v", got, err)
		}
	}
}
