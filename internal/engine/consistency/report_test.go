package consistency

import (
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/record"
)

// TestReport: k of n, the fixed caution, and that order changes nothing.
func TestReport(t *testing.T) {
	a := series(1, row{10, 4, 80, 0}, row{20, 8, 90, 0}, row{30, 12, 100, 0}, row{40, 16, 110, 1})
	b := series(2, row{10, 14, 80, 0}, row{20, 12, 90, 0}, row{30, 10, 100, 0}, row{40, 4, 110, 0})
	in := Input{Series: []record.Series{a, b}}
	r := assess(t, in)
	if r.Summary != "5 of 8 assessed indicators agree; 0 mixed, 3 disagree; 2 not assessed." || r.Agree != 5 || r.Assessed != 8 {
		t.Errorf("%s %+v", r.Summary, r)
	}
	if r.Caution != Caution || !strings.Contains(Caution, "many causes") {
		t.Error("no caution")
	}
	turned := Input{Series: []record.Series{b, a}}
	turned.Series[0].Trials = slices.Clone(b.Trials)
	slices.Reverse(turned.Series[0].Trials)
	if diff := gocmp.Diff(r, assess(t, turned)); diff != "" {
		t.Errorf("another order:\n%s", diff)
	}
	if turned.Series[0].Trials[0].Number != 4 {
		t.Error("the input was changed")
	}
	for _, i := range r.Indicators {
		if rule := ruleOf(t, r, i.Kind); rule.Expected == "" || rule.Threshold == "" || rule.Source == "" || !slices.Contains(Kinds(), i.Kind) {
			t.Errorf("%+v", rule)
		}
	}
	if one := count([]Indicator{{State: Disagrees}}, nil); one.Summary != "0 of 1 assessed indicators agree; 0 mixed, 1 disagrees; 0 not assessed." {
		t.Error(one.Summary)
	}
}

// TestNoVerdict: no text that can reach a reader judges the person.
func TestNoVerdict(t *testing.T) {
	s := series(1, row{10, 14, 80, 0}, row{20, 12, 90, 0}, row{30, 10, 100, 0}, row{40, 4, 110, 0})
	text := ""
	r := assess(t, Input{Series: []record.Series{s}})
	for _, i := range r.Indicators {
		text += i.Reason + string(i.State) + "\n"
	}
	for _, i := range r.Rules {
		text += i.Expected + i.Threshold + i.Source + i.Critique + "\n"
	}
	for _, word := range []string{"sincer", "maling", "faking", "honest", "exaggerat", "submaximal", "invalid", "valid effort"} {
		if strings.Contains(strings.ToLower(text), word) {
			t.Errorf("a text says %q", word)
		}
	}
}
