package main

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestTaskKinds: each example is told by its members and read by name alike, for people and for programs, within 100 columns.
func TestTaskKinds(t *testing.T) {
	for kind, c := range map[string]struct{ file, page, member string }{
		"lifting":     {"lifting.json", "Composite lifting index", "composite"},
		"percentile":  {"percentile.json", "Accepted by 79.2 %", "acceptingPercent"},
		"body":        {"body.json", "Ceiling at 55 % of body mass: 39.875 kg", "stations"},
		"strength":    {"strength.json", "within the error of measurement", "taskMatches"},
		"agreement":   {"agreement.json", "Bland", "correlations"},
		"hands":       {"hands.json", "Five handle positions", "strengths"},
		"heart-rate":  {"heart-rate.json", "the formula was made for the other sex", "predictedMaxima"},
		"aerobic":     {"aerobic.json", "heart-rate reserve", "percentOfReserve"},
		"recipes":     {"recipes.json", "Recipes, closest first", "recipes"},
		"consistency": {"consistency.json", "assessed indicators agree", "consistency"},
	} {
		told := play(t, nil, "", "task", examples+c.file)
		if told.code != exitOK || told.err != "" || !strings.Contains(told.out, c.page) || !strings.Contains(told.out, "Nothing was stored") {
			t.Errorf("%s: status %d, %s, the page lacks %q:\n%s", kind, told.code, told.err, c.page, told.out)
		}
		for _, line := range strings.Split(told.out, "\n") {
			if len([]rune(line)) > 100 || strings.TrimRight(line, " ") != line {
				t.Errorf("%s: a line that is too long or ends in blanks: %q", kind, line)
			}
		}
		if named := play(t, nil, example(t, c.file), "task", "-kind", kind, "-"); named != told {
			t.Errorf("%s by name gives another page: %+v", kind, named)
		}
		var answer map[string]json.RawMessage
		got := play(t, nil, "", "task", "-json", examples+c.file)
		if err := json.Unmarshal([]byte(got.out), &answer); err != nil || got.code != exitOK || answer[c.member] == nil {
			t.Errorf("%s: %v, the answer lacks %s: %s", kind, err, c.member, got.out)
		}
	}
}

// TestTaskKindRefused: an unknown kind is a wrong use that names the nearest; a file of another kind is refused by field.
func TestTaskKindRefused(t *testing.T) {
	if got := play(t, nil, "", "task", "-kind", "bodi", examples+"body.json"); got.code != exitUsage || !strings.Contains(got.err, "body") || got.out != "" {
		t.Errorf("an unknown kind: %+v", got)
	}
	if got := play(t, nil, "", "task", "-kind", "lifting", examples+"body.json"); got.code != exitFailed || !strings.Contains(got.err, "stature") || got.out != "" {
		t.Errorf("a file of another kind: %+v", got)
	}
	if got := play(t, nil, "{}", "task", "-"); got.code != exitFailed || !strings.Contains(got.err, "form") {
		t.Errorf("a file that tells nothing: %+v", got)
	}
}
