package bundle

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// further is a verified report with everything that rules 2 can find; the values are made up and stand for their places in the text.
func further(t *testing.T) Report {
	m := lb(t, "20")
	f := record.Finding{
		Engine: "2", Complete: true,
		Screening: &record.ScreeningFinding{Status: record.ScreeningOverridden, Missing: []string{"diastolic pressure"},
			Guards: []record.GuardHit{{Guard: "screening", Measured: "systolic 164 mmHg", Limit: "160 mmHg"}}},
		Capacities: []record.Capacity{{SeriesNumber: 1, Zone: record.Carry, Pace: record.Occasional, Load: &m, EndReason: "effort",
			Mechanics: &record.MechanicsChange{OnsetTrial: 2, OnsetLoad: m, EndTrial: 3, EndLoad: m, HighestGrade: 2, Signs: []record.SignKind{"heel_rise"}},
			Ceilings:  []record.LoadCeiling{{Basis: record.CeilingBodyMass, Load: &m, Text: "half of the body mass"}},
			Aerobic:   &record.AerobicDemand{Trial: 3, SteadyHeartRate: 115, PercentOfReserve: "35.0", SustainableFor: "2 h", Source: "source of the demand"}}},
		Projected: []record.ProjectedCapacity{{Zone: record.Carry, Pace: record.Frequent, Load: m, FromSeries: 1, FromPace: record.Occasional, Percent: 50, Source: "source of the rule"}},
		Hands: []record.HandStrength{{SeriesNumber: 1, Measure: record.Grip, Hand: record.LeftHand, Procedure: record.HandRepeated, Strength: m, Trials: 3,
			VariationPercent: "1.5", Norms: []record.NormStanding{{Norm: "n", Percentile: "5", Bound: "below", Source: "source of the norm"}}}},
		Positions: []record.PositionTolerance{{SeriesNumber: 1, Position: record.Kneeling, Tolerance: record.ToleratedOccasional, Rating: record.ToleratedFrequent,
			Observed: record.ToleratedOccasional, AskedSeconds: 300, KeptSeconds: 110, LongestSeconds: 110}},
		Limits: []record.WorkLimit{{Text: "carry, occasionally, up to 20 lb"}},
		Consistency: &record.Consistency{Summary: "1 of 2 assessed indicators agree.", Caution: "No verdict on the person.",
			Indicators: []record.Indicator{{Kind: "effort_vs_load", Series: 1, State: record.IndicatorAgrees, Value: "1.0000", Unit: "tau-b", Pairs: 5, P: "0.0083", Method: "exact"},
				{Kind: "blinded_retest", State: record.IndicatorNotAssessed, Reason: "There was none."}},
			Rules: []record.IndicatorRule{{Kind: "effort_vs_load", Expected: "rises", Threshold: "above 0", Source: "source of the threshold", Critique: "what speaks against it"}}},
		Job: &record.JobMatch{Title: "Porter", Outcome: record.DoesNotMeet, RestsOn: []string{"what it rests on"},
			Tasks: []record.TaskMatch{{Task: "Carry", Zone: record.Carry, Pace: record.Frequent, Demand: m, Capacity: &m, Verdict: record.TaskWithinError, ShortBy: &m,
				Basis: record.Projected, MeasurementError: &m}},
			Positions: []record.PositionMatch{{Position: record.Crawling, Demand: record.ToleratedFrequent, Verdict: "not_tested"}},
			Hands:     []record.HandMatch{{Name: "Hold", Measure: record.Grip, Hand: record.LeftHand, Demand: m, Verdict: "not_tested"}}},
	}
	return Report{OK: true, Document: record.ResultDocument{Finding: f, Cautions: []string{strings.Repeat("caution ", 30)},
		Corrections: []record.Correction{{Part: "screening", By: "Dana Whitfield", Reason: "misread"}}}}
}

// TestReportByRules2: each part of a finding by rules 2 is said, within 100 columns; rules 1, which have none of it, say none of it.
func TestReportByRules2(t *testing.T) {
	var out strings.Builder
	if err := further(t).WriteText(&out); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{
		"Screening before the tests: overridden", "screening systolic 164 mmHg, limit 160 mmHg", "not measured: diastolic pressure",
		"highest grade 2 of 3: heel rise", "load ceiling by body mass: 20.0 lb (9.1 kg); half of the body mass (series 1)",
		"35.0 % of the heart-rate reserve in trial 3 (115 bpm), sustainable for 2 h. Source: source of the demand",
		"Projected by rule, not measured - carry, frequent: 20.0 lb (9.1 kg), 50 % of series 1 (occasional) - Source: source of the rule",
		"capacity 20.0 lb (9.1 kg), projected: short by 20.0 lb (9.1 kg), within the error of measurement of 20.0 lb (9.1 kg)",
		"crawling: needs frequent, tolerated not tested: not tested", "Hold: grip, left hand, needs 20.0 lb (9.1 kg), strength none: not tested",
		"The recommendation rests on - what it rests on", "What the person can do - carry, occasionally, up to 20 lb",
		"grip, left hand, repeated: 20.0 lb (9.1 kg) from 3 readings, variation 1.5 %; percentile below 5 (source of the norm)",
		"kneeling: occasional (rated frequent, observed occasional); kept up 1:50 of 5:00 min asked, longest 1:50",
		"1 of 2 assessed indicators agree. - No verdict on the person.", "effort vs load 1 agrees 1.0000 tau-b; p 0.0083 (exact, n 5)",
		"blinded retest - not assessed: There was none.", "source: source of the threshold. Against it: what speaks against it",
		"screening by Dana Whitfield",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	for _, line := range strings.Split(out.String(), "\n") {
		if utf8.RuneCountInString(line) > columns {
			t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
		}
	}
}

// TestReportByRules1 keeps to what such a report always held.
func TestReportByRules1(t *testing.T) {
	read := func(name string) []byte { return must(os.ReadFile(filepath.Join("testdata", name)))(t) }
	r, err := Verify(must(seal.ParseJWKS(read("rules1_jwks.json")))(t), must(Decode(read("rules1_bundle.json")))(t), "")
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	if err := r.WriteText(&out); err != nil {
		t.Fatal(err)
	}
	for _, not := range []string{"Screening before", "More about", "Projected by", "rests on", "can do", "Hands (", "Positions,", "Consistency of"} {
		if strings.Contains(out.String(), not) {
			t.Errorf("a report by rules 1 says %q", not)
		}
	}
}
