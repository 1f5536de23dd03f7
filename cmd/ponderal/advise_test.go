package main

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestAdvise: 40 s of 60 s of rest are over, so the next trial is 20 s after 09:03:00; the rating 6 tapers the step to 5 lb, so 25 lb follow on
// 20 lb (11.33980925 kg, by 1 lb = 0.45359237 kg).
func TestAdvise(t *testing.T) {
	got := play(t, nil, "", "advise", examples+"advice.json")
	if got.code != exitOK || got.err != "" {
		t.Fatalf("status %d, stderr %q", got.code, got.err)
	}
	for _, want := range []string{
		"Advice: wait, then advance. Nothing was stored.", "25 lb (11.3 kg)", "2026-03-02T09:03:20Z", "rest       wait       40 s      60 s",
		"steps      -          6 of 10   5 lb", "  inserts    M2 P4\n", "support a licensed clinician's judgement",
	} {
		if !strings.Contains(got.out, want) {
			t.Errorf("the page lacks %q:\n%s", want, got.out)
		}
	}
	if piped := play(t, nil, example(t, "advice.json"), "advise", "-"); piped != got {
		t.Errorf("standard input gives %+v", piped)
	}
	stopped := play(t, nil, strings.Replace(example(t, "advice.json"), `"effortRating": 6`, `"effortRating": 8`, 1), "advise", "-")
	if stopped.code != exitOK || !strings.Contains(stopped.out, "Advice: stop.") || !strings.Contains(stopped.out, "No further load in this series") {
		t.Errorf("status %d: %s", stopped.code, stopped.out)
	}
}

func TestAdviseJSON(t *testing.T) {
	got := play(t, nil, "", "advise", "-json", examples+"advice.json")
	var answer struct {
		Action, Then string
		Load         struct{ Value string }
		Reasons      []struct{ Guard string }
	}
	if err := json.Unmarshal([]byte(got.out), &answer); err != nil || got.code != exitOK || strings.Count(got.out, "\n") != 1 {
		t.Fatalf("status %d, %v: %s", got.code, err, got.out)
	}
	if answer.Action != "ADVICE_ACTION_WAIT" || answer.Then != "ADVICE_ACTION_ADVANCE" || answer.Load.Value != "25" || len(answer.Reasons) != 3 {
		t.Errorf("%+v", answer)
	}
}

func TestAdviseRefuses(t *testing.T) {
	got := play(t, nil, strings.Replace(example(t, "advice.json"), `"number": 2`, `"number": 3`, 1), "advise", "-")
	if got.code != exitFailed || got.out != "" || !strings.Contains(got.err, "trials[1].number: ") || !strings.Contains(got.err, "[trial.order]") {
		t.Errorf("%+v", got)
	}
}
