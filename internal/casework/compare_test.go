package casework

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// TestCompareFindings: two corrections between the first and the third revision; what differs between any two of them is what the corrections between
// them changed, each told with who, why and its own differences.
func TestCompareFindings(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	other := s.Series[1].Trials[2]
	other.Load = lb(t, "25")
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), Correction{SessionID: s.ID, Series: 2, Trial: other, Expected: 2, Reason: "an insert was left out"}))(t)
	first := record.Difference{Path: "series[1].trials[4].load.value", Was: `"45"`, Now: `"35"`}
	second := record.Difference{Path: "series[2].trials[3].load.value", Was: `"35"`, Now: `"25"`}
	for _, c := range []struct {
		from, to int
		measured []record.Difference
		reasons  []string
	}{
		{1, 3, []record.Difference{first, second}, []string{"the recipe was misread", "an insert was left out"}},
		{1, 2, []record.Difference{first}, []string{"the recipe was misread"}},
		{2, 3, []record.Difference{second}, []string{"an insert was left out"}},
		{1, 1, nil, nil},
		{3, 3, nil, nil},
	} {
		got := must(w.c.CompareFindings(w.ctx, w.admin(east), s.ID, c.from, c.to))(t)
		if diff := cmp.Diff(c.measured, got.Measured); diff != "" {
			t.Errorf("%d to %d, measured (-want +got)\n%s", c.from, c.to, diff)
		}
		var reasons []string
		var steps []record.Difference
		for _, cause := range got.Causes {
			reasons = append(reasons, cause.Entry.Entry.Reason)
			steps = append(steps, cause.Measured...)
			if cause.Entry.ActorName != "Dana Whitfield" || cause.Entry.Entry.Action != record.ActionTrialCorrect || cause.Proof.Checkpoint == "" || len(cause.Computed) == 0 ||
				!strings.Contains(cause.Line, "corrected series") {
				t.Errorf("%d to %d: cause %+v", c.from, c.to, cause)
			}
		}
		if diff := cmp.Diff(c.reasons, reasons); diff != "" {
			t.Errorf("%d to %d, reasons (-want +got)\n%s", c.from, c.to, diff)
		}
		if diff := cmp.Diff(c.measured, steps); diff != "" {
			t.Errorf("%d to %d: the steps do not add up (-want +got)\n%s", c.from, c.to, diff)
		}
		if (len(got.Computed) == 0) != (c.from == c.to) {
			t.Errorf("%d to %d: computed %+v", c.from, c.to, got.Computed)
		}
	}
	computed := make(map[string]record.Difference)
	for _, d := range must(w.c.CompareFindings(w.ctx, w.admin(east), s.ID, 1, 3))(t).Computed {
		computed[d.Path] = d
	}
	for _, want := range []record.Difference{{Path: "capacities[0].load.value", Was: `"45"`, Now: `"35"`}, {Path: "capacities[1].load.value", Was: `"35"`, Now: `"25"`}} {
		if computed[want.Path] != want {
			t.Errorf("computed lacks %+v: %+v", want, computed)
		}
	}
}

func TestCompareFindingsRefuses(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	if _, err := w.c.CompareFindings(w.ctx, w.admin(east), s.ID, 1, 2); reasonOf(err) != "NO_SUCH_REVISION" {
		t.Errorf("a later revision that is not there, of a session that is: %v", err)
	}
	_, err := w.c.CompareFindings(w.ctx, w.admin(east), s.ID, 2, 1)
	wantInvalid(t, err, "to_revision compare.order")
	for name, in := range map[string]struct {
		clinic, session string
		from, to        int
	}{
		"the later revision is not there":   {east, s.ID, 1, 2},
		"the earlier revision is not there": {east, s.ID, 2, 2},
		"no such session":                   {east, id("5e", 9), 1, 1},
		"the session of another clinic":     {west, s.ID, 1, 1},
		"no id at all":                      {east, "x", 1, 1},
	} {
		if _, err := w.c.CompareFindings(w.ctx, w.admin(in.clinic), in.session, in.from, in.to); !fault.Is(err, fault.NotFound) {
			t.Errorf("%s: %v, want NotFound", name, err)
		}
	}
}
