package golden_test

import (
	"encoding/json"
	"strings"
	"testing"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/record"
)

const adviceDir = "../../../testdata/golden-advice"

// TestAdviceCasesCoverTheRules: each action and each guard of advice occurs, each guard in a case where it demands something and beside cases in
// which it does not.
func TestAdviceCasesCoverTheRules(t *testing.T) {
	cases, err := golden.LoadAdvice(adviceDir)
	if err != nil {
		t.Fatal(err)
	}
	actions, fires := map[string]int{}, map[string]int{}
	for _, c := range cases {
		var answer struct {
			Action  string
			Reasons []struct{ Guard, Calls string }
		}
		if err := json.Unmarshal(c.Answer, &answer); err != nil {
			t.Fatalf("%s: %v", c.Name, err)
		}
		actions[strings.ToLower(strings.TrimPrefix(answer.Action, "ADVICE_ACTION_"))]++
		for _, r := range answer.Reasons {
			fires[r.Guard]++
		}
	}
	for _, a := range advise.Actions() {
		if actions[string(a)] == 0 {
			t.Errorf("no case of the action %s", a)
		}
	}
	for _, g := range []string{
		record.GuardScreening, record.GuardHeartRateStart, record.GuardHeartRateWork, record.GuardRateLimitingDrug, record.GuardEffortStop,
		record.GuardAcceptability, record.GuardRepetitions, record.GuardMechanics, record.GuardLoadCeiling, record.GuardSymptom,
		record.GuardMissingMeasurement, record.GuardCalibration, advise.GuardRest, advise.GuardMaxTrials, advise.GuardRecordedStop,
		advise.GuardAppliesTo, advise.GuardBracket, advise.GuardSteps, advise.GuardRecipe,
	} {
		if fires[g] == 0 || fires[g] == len(cases) {
			t.Errorf("the guard %s speaks in %d of %d cases", g, fires[g], len(cases))
		}
	}
}

// TestAdviceCaseHolds: an answer holds only when it is the case's own apart from its wording.
func TestAdviceCaseHolds(t *testing.T) {
	c := golden.AdviceCase{Name: "n", Why: "w", Source: "s", Answer: []byte(`{"action":"A","reasons":[{"guard":"rest"}]}`)}
	for answer, holds := range map[string]bool{
		`{"action":"A","reasons":[{"guard":"rest","text":"x"}],"cautions":[{"code":"c"}]}`:                      true,
		`{"action":"B","reasons":[{"guard":"rest","text":"x"}],"cautions":[{"code":"c"}]}`:                      false,
		`{"action":"A","reasons":[{"guard":"rest"}],"cautions":[{"code":"c"}]}`:                                 false,
		`{"action":"A","reasons":[{"guard":"rest","text":"x"}]}`:                                                false,
		`{"action":"A","load":{"value":"1"},"reasons":[{"guard":"rest","text":"x"}],"cautions":[{"code":"c"}]}`: false,
		`{`: false,
	} {
		if err := c.Holds([]byte(answer)); (err == nil) != holds {
			t.Errorf("%s: %v", answer, err)
		}
	}
}
