package consistency

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// TestOutOfRange: what Assess refuses, Of leaves out: the trial as if it had not been measured, the rest as it is.
func TestOutOfRange(t *testing.T) {
	rows := []row{{10, 4, 80, 0}, {20, 6, 90, 0}, {30, 8, 100, 0}, {40, 12, 110, 1}}
	for name, c := range map[string]struct {
		bad     row
		missing []Kind // those that five trials would assess with the bad one
	}{
		"rating":     {row{50, 21, 120, 1}, []Kind{EffortLoad, EffortHeartRate}},
		"heart rate": {row{50, 14, 301, 1}, []Kind{HeartRateLoad, EffortHeartRate}},
		"load":       {row{0, 14, 120, 1}, []Kind{EffortLoad, HeartRateLoad}},
		"nothing":    {row{50, 14, 120, 1}, nil},
	} {
		in := Input{Series: []record.Series{series(1, append(slices.Clone(rows), c.bad)...)}, Settings: DefaultSettings()}
		if _, err := Assess(in); (err == nil) != (c.missing == nil) {
			t.Errorf("%s: %v", name, err)
		}
		r := Of(in)
		for _, k := range []Kind{EffortLoad, HeartRateLoad, EffortHeartRate} {
			want := 5
			if slices.Contains(c.missing, k) {
				want = 4
			}
			if got := find(t, r, k, 1); got.State != Agrees || got.Relation.N != want {
				t.Errorf("%s: %+v %+v", name, got, got.Relation)
			}
		}
	}
}

func TestSettingsOutOfRange(t *testing.T) {
	again := series(2, row{20, 6, 90, 0})
	again.Trials[0].Blinded = true
	for _, s := range []Settings{{}, {math.NaN(), 2, 4, 2}, {0.05, 5, 4, 2}, {0.05, 2, 4, 6}} {
		r := Of(Input{Series: []record.Series{series(1, row{10, 4, 80, 0}, row{20, 6, 90, 0}, row{30, 8, 100, 0}, row{40, 12, 110, 1}), again}, Settings: s})
		if r.Assessed != 0 || r.NotAssessed != len(r.Indicators) {
			t.Errorf("%+v: %s", s, r.Summary)
		}
		for _, i := range r.Indicators {
			if i.Kind != BlindedRetest && i.Reason != settingsReason {
				t.Errorf("%+v: %+v", s, i)
			}
		}
	}
}

// TestNumbersTwice: series of one number, which Assess refuses, stand in the order of the list.
func TestNumbersTwice(t *testing.T) {
	rise := series(1, row{10, 4, 80, 0}, row{20, 6, 90, 0}, row{30, 8, 100, 0}, row{40, 12, 110, 1})
	fall := series(1, row{10, 12, 80, 0}, row{20, 8, 90, 0}, row{30, 6, 100, 0}, row{40, 4, 110, 1})
	r := Of(Input{Series: []record.Series{rise, fall}, Settings: DefaultSettings()})
	if r.Indicators[0].Kind != EffortLoad || r.Indicators[0].State != Agrees || r.Indicators[1].Kind != EffortLoad || r.Indicators[1].State != Disagrees {
		t.Errorf("%+v", r.Indicators[:2])
	}
}

// TestRetestsOutOfRange: a load, or the measurement error.
func TestRetestsOutOfRange(t *testing.T) {
	kg := func(n int64) mass.Mass { return mass.FromUnits(n * 1e11) }
	for name, c := range map[string]struct {
		retest Retest
		sem    *mass.Mass
		reason string
		number bool
	}{
		"first load":     {Retest{First: 1, Second: 2, SecondLoad: kg(1)}, massOf(1e11), retestLoadReason, false},
		"second load":    {Retest{First: 1, Second: 2, FirstLoad: kg(1), SecondLoad: kg(1001)}, massOf(1e11), retestLoadReason, false},
		"no error":       {Retest{First: 1, Second: 2, FirstLoad: kg(1), SecondLoad: kg(1)}, nil, noErrorReason, true},
		"an error of 0":  {Retest{First: 1, Second: 2, FirstLoad: kg(1), SecondLoad: kg(1)}, massOf(0), noErrorReason, true},
		"an error above": {Retest{First: 1, Second: 2, FirstLoad: kg(1), SecondLoad: kg(1)}, massOf(maxSEM + 1), noErrorReason, true},
	} {
		got := find(t, Of(Input{Retests: []Retest{c.retest}, SEM: c.sem, SEMSource: "s"}), BlindedRetest, 2)
		if got.State != NotAssessed || got.HasNumber != c.number || !strings.HasSuffix(got.Reason, c.reason) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestGripOutOfRange: the comparison is there and not assessed.
func TestGripOutOfRange(t *testing.T) {
	good := GripTest{Hand: grip.Left, Series: 9, CutoffPercent: 10, Trials: []mass.Mass{lb(t, "95"), lb(t, "100"), lb(t, "105")}, Static: lb(t, "80"), Rapid: lb(t, "80"), MixedPercent: 10}
	for name, c := range map[string]struct {
		change func(g *GripTest)
		kind   Kind
		state  State
	}{
		"good":       {func(*GripTest) {}, GripVariation, Agrees},
		"readings":   {func(g *GripTest) { g.Trials = g.Trials[:2] }, GripVariation, NotAssessed},
		"cut-off":    {func(g *GripTest) { g.CutoffPercent = 101 }, GripVariation, NotAssessed},
		"hand":       {func(g *GripTest) { g.Hand = "both" }, GripVariation, NotAssessed},
		"no rapid":   {func(g *GripTest) { g.Rapid = mass.Zero() }, GripRapidExchange, NotAssessed},
		"mixed":      {func(g *GripTest) { g.MixedPercent = math.NaN() }, GripRapidExchange, NotAssessed},
		"good rapid": {func(*GripTest) {}, GripRapidExchange, Agrees},
	} {
		g := good
		c.change(&g)
		got := find(t, Of(Input{Grip: []GripTest{g}, Settings: DefaultSettings()}), c.kind, 9)
		if got.State != c.state || (got.State == NotAssessed) != (got.Reason == gripReason) || got.HasNumber == (got.State == NotAssessed) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestGripRules: tests with other limits have both named, each once; tests of several hands and series stand in order.
func TestGripRules(t *testing.T) {
	trials := []mass.Mass{lb(t, "95"), lb(t, "100"), lb(t, "105")}
	in := Input{Grip: []GripTest{{Hand: grip.Right, Series: 8, Trials: trials, CutoffPercent: 7.5}, {Hand: grip.Left, Series: 7, Trials: trials, CutoffPercent: 20},
		{Hand: grip.Left, Series: 9, Trials: trials, CutoffPercent: 7.5}}, Settings: DefaultSettings()}
	r := assess(t, in)
	rule := ruleOf(t, r, GripVariation)
	if rule.Threshold != "agrees: at most 20 %; mixed: more; or agrees: at most 7.5 %; mixed: more" || strings.Count(rule.Source, "1995") != 1 || !strings.Contains(rule.Source, "set by the clinic") {
		t.Errorf("%+v", rule)
	}
	var numbers []int
	for _, i := range r.Indicators {
		if i.Kind == GripVariation {
			numbers = append(numbers, i.Series)
		}
	}
	if !slices.Equal(numbers, []int{7, 8, 9}) {
		t.Errorf("order %v", numbers)
	}
}

// TestTooManyTrials: 500 are correlated; beyond, which Assess refuses, they are not.
func TestTooManyTrials(t *testing.T) {
	for n, want := range map[int]string{500: "", 501: tooManyReason} {
		got := find(t, Of(Input{Series: []record.Series{series(1, long(n)...)}, Settings: DefaultSettings()}), EffortLoad, 1)
		if got.Reason != want || (got.State == NotAssessed) != (want != "") {
			t.Errorf("%d: %+v", n, got)
		}
	}
}

// TestConstantTexts: the texts of the usual settings are those that the settings make.
func TestConstantTexts(t *testing.T) {
	if got, want := textsOf(DefaultSettings()), settingTexts(DefaultSettings()); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	other := Settings{0.01, 3, 5, 1}
	if got := textsOf(other); !strings.Contains(got.relation, "0.01;") || !strings.Contains(got.mechanics, "last 1 ") || got.ratings != "agrees: at most 1.5; mixed: at most 2.5; disagrees: more" {
		t.Errorf("%+v", got)
	}
}

// TestTiesOfEverySize: 3 to 12 trials with ties in both measurements, against the correlation that the statistics give for the pairs.
func TestTiesOfEverySize(t *testing.T) {
	for n := 3; n <= 12; n++ {
		var rows []row
		var x, y []float64
		for k := range n {
			effort, hr := 2+k-k%2, 80+4*k-4*(k%3)
			rows = append(rows, row{10 * (k + 1), effort, hr, 0})
			x, y = append(x, float64(hr)), append(y, float64(effort)/2)
		}
		c, errC := stats.Kendall(x, y)
		line, errL := stats.TheilSen(x, y)
		got := find(t, assess(t, Input{Series: []record.Series{series(1, rows...)}}), EffortHeartRate, 1)
		best, err := stats.Kendall(slices.Sorted(slices.Values(x)), slices.Sorted(slices.Values(y)))
		if err != nil || best.Greater > 0.05 {
			if n > 6 || got.State != NotAssessed {
				t.Errorf("%d: %+v", n, got)
			}
			continue
		}
		if errC != nil || errL != nil || got.Relation == nil {
			t.Fatalf("%d: %+v, %v, %v", n, got, errC, errL)
		}
		want := Relation{n, true, c.Greater, c.Method, line.Slope, "points per bpm"}
		if *got.Relation != want || got.Number != c.Coefficient || (c.Method == stats.Exact) != (n <= 10) {
			t.Errorf("%d: %+v, want %+v", n, *got.Relation, want)
		}
	}
}

// slowRatings is the largest shift by looking at every pair of trials.
func slowRatings(list []record.Series) (shift record.Effort, number int, found bool) {
	type placed struct {
		s *record.Series
		t *record.Trial
	}
	var all []placed
	for k := range list {
		for j := range list[k].Trials {
			if list[k].Trials[j].Effort != nil {
				all = append(all, placed{&list[k], &list[k].Trials[j]})
			}
		}
	}
	slices.SortFunc(all, func(a, b placed) int {
		if c := a.t.At.Std().Compare(b.t.At.Std()); c != 0 {
			return c
		}
		if a.s.Number != b.s.Number {
			return a.s.Number - b.s.Number
		}
		return a.t.Number - b.t.Number
	})
	for i, b := range all {
		for _, a := range all[:i] {
			if a.s.Zone == b.s.Zone && a.s.Pace == b.s.Pace && a.t.Load == b.t.Load {
				if d := *b.t.Effort - *a.t.Effort; b.t.Blinded && (!found || size(d) > size(shift)) {
					shift, number, found = d, b.s.Number, true
				}
				break
			}
		}
	}
	return shift, number, found
}

func TestRatingsAgainstSlow(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	shifts := 0
	for range 500 {
		var list []record.Series
		for k := range 1 + rng.IntN(4) {
			var rows []row
			for range rng.IntN(12) {
				rows = append(rows, row{10 * (1 + rng.IntN(6)), rng.IntN(22) - 1, -1, 0})
			}
			s := series(k+1, rows...)
			s.Zone = []record.Zone{record.FloorWaist, record.WaistShoulder}[rng.IntN(2)]
			s.Pace = []record.Pace{record.Occasional, record.Frequent}[rng.IntN(2)]
			for j := range s.Trials {
				s.Trials[j].Blinded = rng.IntN(3) == 0
				s.Trials[j].At = record.TimeOf(start.Add(time.Duration(rng.IntN(20)) * time.Minute))
				if s.Trials[j].Effort != nil && *s.Trials[j].Effort > record.EffortMax {
					s.Trials[j].Effort = nil
				}
			}
			list = append(list, s)
		}
		shift, number, found := slowRatings(list)
		for _, got := range assess(t, Input{Series: list}).Indicators {
			if got.Kind == RatingAtEqualLoad && (got.HasNumber != found || got.Number != shift.Float() || got.Series != number) {
				t.Fatalf("%+v, want %v of series %d, %v", got, shift, number, found)
			}
		}
		if found {
			shifts++
		}
	}
	if shifts < 100 {
		t.Errorf("only %d shifts", shifts)
	}
}

// TestToRecord: every number as text with the decimals of its kind, states and counts as they are, a rule for each kind.
func TestToRecord(t *testing.T) {
	in := realistic()
	in.Grip = []GripTest{{Hand: grip.Right, Series: 8, CutoffPercent: 7.5, Trials: []mass.Mass{lb(t, "95"), lb(t, "100"), lb(t, "104")}}}
	r := assess(t, in)
	got := ToRecord(r)
	find := func(kind Kind, number int) record.Indicator {
		for _, i := range got.Indicators {
			if i.Kind == string(kind) && i.Series == number {
				return i
			}
		}
		t.Fatalf("no %s of %d", kind, number)
		return record.Indicator{}
	}
	for _, want := range []record.Indicator{
		{Kind: "effort_vs_load", Series: 4, State: record.IndicatorAgrees, Value: "0.9436", Unit: "tau-b", Pairs: 8, P: "0.00020", Method: "exact", Slope: "0.220", SlopeUnit: "points per kg"},
		{Kind: "mechanics_near_end", Series: 2, State: record.IndicatorAgrees, Value: "7", Unit: unitTrials},
		{Kind: "blinded_retest", Series: 6, State: record.IndicatorAgrees, Value: "0.00", Unit: "kg", Reason: "Series 6 repeats series 1 blinded."},
		{Kind: "rating_at_equal_load", Series: 6, State: record.IndicatorMixed, Value: "1.5", Unit: "points", Reason: fatigueReason},
		{Kind: "grip_variation", Series: 8, State: record.IndicatorAgrees, Value: "4.5", Unit: unitCV},
	} {
		if diff := gocmp.Diff(want, find(Kind(want.Kind), want.Series)); diff != "" {
			t.Errorf("%s:\n%s", want.Kind, diff)
		}
	}
	in.RateLimitingDrug = true
	got = ToRecord(assess(t, in))
	if diff := gocmp.Diff(record.Indicator{Kind: "heart_rate_vs_load", Series: 1, State: record.IndicatorNotAssessed, Reason: drugReason}, find(HeartRateLoad, 1)); diff != "" {
		t.Error(diff)
	}
	if got.Assessed != 15 || got.Agree != 14 || got.Mixed != 1 || got.Disagree != 0 || got.NotAssessed != 12 || got.Summary == "" || got.Caution != Caution || len(got.Indicators) != len(r.Indicators) {
		t.Errorf("%+v", got)
	}
	for k, rule := range got.Rules {
		if rule != (record.IndicatorRule{Kind: string(r.Rules[k].Kind), Expected: r.Rules[k].Expected, Threshold: r.Rules[k].Threshold, Source: r.Rules[k].Source, Critique: r.Rules[k].Critique}) {
			t.Errorf("%+v", rule)
		}
	}
	if len(got.Rules) != 7 {
		t.Errorf("%d rules", len(got.Rules))
	}
}
