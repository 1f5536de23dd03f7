package rpc_test

import (
	"encoding/json"
	"regexp"
	"testing"

	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/rpc"
)

// TestReasonsThatNameALoadSaySo: over every golden case of advice, a reason in which a mass stands is one that reveals a load. The body's own
// mass is not handled, and no reason names it.
func TestReasonsThatNameALoadSaySo(t *testing.T) {
	cases, err := golden.LoadAdvice("../../testdata/golden-advice")
	if err != nil {
		t.Fatal(err)
	}
	desk, err := rpc.NewDesk()
	if err != nil {
		t.Fatal(err)
	}
	mass := regexp.MustCompile(`[0-9] (lb|kg)\b`)
	revealed := 0
	for _, c := range cases {
		_, line, err := desk.Advise(c.Request)
		if err != nil {
			t.Fatalf("%s: %v", c.Name, err)
		}
		var answer struct {
			Reasons []struct {
				Guard, Measured, Limit, Text string
				RevealsLoad                  bool
			}
		}
		if err := json.Unmarshal(line, &answer); err != nil {
			t.Fatal(err)
		}
		for _, r := range answer.Reasons {
			if mass.MatchString(r.Measured+" "+r.Limit+" "+r.Text) && !r.RevealsLoad {
				t.Errorf("%s: the reason %s names a load and does not say so: %+v", c.Name, r.Guard, r)
			}
			if r.RevealsLoad {
				revealed++
			}
		}
	}
	if revealed < 10 {
		t.Errorf("only %d reasons reveal a load: the rule was hardly tried", revealed)
	}
}
