package main

import (
	"strings"
	"testing"

	"ponderal.example/internal/engine/golden"
)

// TestAdviseGoldenCases: the command gives every golden case of advice its answer, on one line; and, of every sixth, for people a page that says the
// action and the inserts.
func TestAdviseGoldenCases(t *testing.T) {
	cases, err := golden.LoadAdvice("../../testdata/golden-advice")
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range cases {
		got := play(t, nil, string(c.Request), "advise", "-json", "-")
		if got.code != exitOK || got.err != "" || strings.Count(got.out, "\n") != 1 {
			t.Errorf("%s: %+v", c.Name, got)
			continue
		}
		if err := c.Holds([]byte(got.out)); err != nil {
			t.Errorf("%s: %v", c.Name, err)
		}
		if i%6 > 0 {
			continue
		}
		page := play(t, nil, string(c.Request), "advise", "-")
		if page.code != exitOK || !strings.HasPrefix(page.out, "Advice: ") || strings.Contains(page.out, "\n  inserts    ") != strings.Contains(string(c.Answer), `"recipe": {`) {
			t.Errorf("%s: %s", c.Name, page.out)
		}
	}
}
