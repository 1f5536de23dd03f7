package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"ponderal.example/internal/engine/golden"
)

// TestScoreGoldenCases: the command gives every golden session its finding, on one line, by the newest rules and by the rules before; and for
// people a page that names each series' capacity, each limit and the recommendation, within 100 columns.
func TestScoreGoldenCases(t *testing.T) {
	for _, dir := range []string{"golden", "golden-rules-1"} {
		cases, err := golden.Load("../../testdata/" + dir)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range cases {
			request, err := c.Input.Request()
			if err != nil {
				t.Fatal(err)
			}
			got := play(t, nil, string(request), "score", "-json", "-")
			var answer struct{ Finding json.RawMessage }
			if err := json.Unmarshal([]byte(got.out), &answer); err != nil || got.code != exitOK || got.err != "" || strings.Count(got.out, "\n") != 1 {
				t.Errorf("%s: %v: %+v", c.Name, err, got)
				continue
			}
			if err := c.Holds(answer.Finding); err != nil {
				t.Errorf("%s: %v", c.Name, err)
			}
			if i%4 == 0 {
				readable(t, c, string(request))
			}
		}
	}
}

func readable(t *testing.T, c golden.Case, request string) {
	t.Helper()
	got := play(t, nil, request, "score", "-")
	if got.code != exitOK || got.err != "" {
		t.Errorf("%s: %+v", c.Name, got)
	}
	flat := strings.Join(strings.Fields(got.out), " ")
	var wanted []string
	for _, k := range c.Finding.Capacities {
		wanted = append(wanted, fmt.Sprintf("%d %s %s %s", k.SeriesNumber, zoneText(k.Zone), k.Pace, massText(k.Load)))
	}
	for _, l := range c.Finding.Limits {
		wanted = append(wanted, l.Text)
	}
	if c.Finding.Job != nil {
		wanted = append(wanted, "for the reviewer to decide: "+words(c.Finding.Job.Outcome))
	}
	for _, want := range wanted {
		if !strings.Contains(flat, want) {
			t.Errorf("%s: the page lacks %q:\n%s", c.Name, want, got.out)
		}
	}
	for _, line := range strings.Split(got.out, "\n") {
		if len([]rune(line)) > 100 {
			t.Errorf("%s: a line of %d columns: %s", c.Name, len([]rune(line)), line)
		}
	}
}
