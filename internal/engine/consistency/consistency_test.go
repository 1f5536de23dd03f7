package consistency

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func rules(err error) []string {
	var e *fault.Error
	if !errors.As(err, &e) {
		return nil
	}
	var out []string
	for _, v := range e.Violations {
		out = append(out, v.Field+" "+v.Rule)
	}
	return out
}

func lb(t testing.TB, value string) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, mass.Pound)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

var start = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// row is a trial: load in whole pounds, rating in halves, heart rate (each -1 where there is none), highest grade (-1 where nothing was
// recorded).
type row struct{ load, effort, heartRate, grade int }

func series(number int, rows ...row) record.Series {
	s := record.Series{Number: number, Zone: record.FloorWaist, Pace: record.Occasional, Stop: record.StopVolitional}
	for i, r := range rows {
		t := record.Trial{Number: i + 1, At: record.TimeOf(start.Add(time.Duration(number*100+i) * time.Minute)), Load: mass.FromUnits(int64(r.load) * 45_359_237_000)}
		if r.effort >= 0 {
			e := record.Effort(r.effort)
			t.Effort = &e
		}
		if r.heartRate >= 0 {
			hr := r.heartRate
			t.HeartRate = &hr
		}
		if r.grade >= 0 {
			t.Signs = []record.MechanicsSign{{Sign: record.SignTrunkLean, Grade: r.grade}}
		}
		s.Trials = append(s.Trials, t)
	}
	return s
}

func assess(t testing.TB, in Input) Report {
	t.Helper()
	if in.Settings == (Settings{}) {
		in.Settings = DefaultSettings()
	}
	r, err := Assess(in)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func find(t testing.TB, r Report, kind Kind, number int) Indicator {
	t.Helper()
	for _, i := range r.Indicators {
		if i.Kind == kind && i.Series == number {
			return i
		}
	}
	t.Fatalf("no %s of series %d", kind, number)
	return Indicator{}
}

func ruleOf(t testing.TB, r Report, kind Kind) Rule {
	t.Helper()
	for _, i := range r.Rules {
		if i.Kind == kind {
			return i
		}
	}
	t.Fatalf("no rule of %s", kind)
	return Rule{}
}

// TestEffortLoad: four trials in perfect order have the exact chance 1/4! = 1/24; of three not even the perfect order reaches 0.05
// (1/6). Tables of Kendall's S have both.
func TestEffortLoad(t *testing.T) {
	for name, c := range map[string]struct {
		rows  []row
		state State
		p     float64
		tau   float64
	}{
		"four rise":            {[]row{{10, 4, -1, 0}, {20, 6, -1, 0}, {30, 8, -1, 0}, {40, 12, -1, 1}}, Agrees, 1.0 / 24, 1},
		"three rise":           {[]row{{10, 4, -1, 0}, {20, 6, -1, 0}, {30, 8, -1, 0}}, NotAssessed, 0, 0},
		"one swap of four":     {[]row{{10, 4, -1, 0}, {20, 8, -1, 0}, {30, 6, -1, 0}, {40, 12, -1, 1}}, Mixed, 4.0 / 24, 4.0 / 6},
		"one swap of five":     {[]row{{10, 4, -1, 0}, {20, 8, -1, 0}, {30, 6, -1, 0}, {40, 12, -1, 1}, {50, 14, -1, 1}}, Agrees, 5.0 / 120, 8.0 / 10},
		"falls":                {[]row{{10, 14, -1, 0}, {20, 12, -1, 0}, {30, 6, -1, 0}, {40, 4, -1, 1}}, Disagrees, 1, -1},
		"no relation":          {[]row{{10, 8, -1, 0}, {20, 4, -1, 0}, {30, 14, -1, 0}, {40, 6, -1, 1}}, Mixed, 0.625, 0},
		"always the same":      {[]row{{10, 8, -1, 0}, {20, 8, -1, 0}, {30, 8, -1, 0}, {40, 8, -1, 1}}, Mixed, 0, 0},
		"three the same":       {[]row{{10, 8, -1, 0}, {20, 8, -1, 0}, {30, 8, -1, 0}}, NotAssessed, 0, 0},
		"one load":             {[]row{{10, 8, -1, 0}, {10, 6, -1, 0}, {10, 4, -1, 0}, {10, 2, -1, 1}}, NotAssessed, 0, 0},
		"unrated left out":     {[]row{{10, 4, -1, 0}, {20, 6, -1, 0}, {30, -1, -1, 0}, {40, 12, -1, 1}}, NotAssessed, 0, 0},
		"too tied":             {[]row{{10, 4, -1, 0}, {20, 4, -1, 0}, {30, 4, -1, 0}, {40, 12, -1, 1}}, NotAssessed, 0, 0},
		"half tied five agree": {[]row{{10, 4, -1, 0}, {20, 4, -1, 0}, {30, 6, -1, 0}, {40, 8, -1, 1}, {50, 12, -1, 1}}, Agrees, 2.0 / 120, 0},
	} {
		got := find(t, assess(t, Input{Series: []record.Series{series(1, c.rows...)}}), EffortLoad, 1)
		if got.State != c.state {
			t.Errorf("%s: %+v", name, got)
			continue
		}
		if c.p > 0 && (got.Relation == nil || math.Abs(got.Relation.P-c.p) > 1e-12 || got.Relation.Method != stats.Exact) {
			t.Errorf("%s: relation %+v, want p %v", name, got.Relation, c.p)
		}
		if c.tau != 0 && math.Abs(got.Number-c.tau) > 1e-12 {
			t.Errorf("%s: %v, want %v", name, got.Number, c.tau)
		}
		if got.State == NotAssessed && (got.Reason == "" || got.HasNumber) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestPublishedCorrelation: tau 0.4444 and the exact one-sided chance 0.05972 of Hollander and Wolfe 1973, p. 187 (S92), reached through
// trials: x as loads in kilograms, y as ratings.
func TestPublishedCorrelation(t *testing.T) {
	x := []string{"44.4", "45.9", "41.9", "53.3", "44.7", "44.1", "50.7", "45.2", "60.1"}
	y := []float64{2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8}
	s := series(1, make([]row, len(x))...)
	sorted := slices.Sorted(slices.Values(y))
	for i := range x {
		m, err := mass.Parse(x[i], mass.Kilogram)
		if err != nil {
			t.Fatal(err)
		}
		s.Trials[i].Load = m
		// Ranks of y as ratings: the correlation is of ranks.
		e := record.Effort(slices.Index(sorted, y[i]))
		s.Trials[i].Effort, s.Trials[i].HeartRate = &e, nil
	}
	got := find(t, assess(t, Input{Series: []record.Series{s}}), EffortLoad, 1)
	if got.State != Mixed || math.Abs(got.Number-0.444444444) > 1e-9 || math.Abs(got.Relation.P-0.059719466) > 1e-9 {
		t.Errorf("%+v %+v", got, got.Relation)
	}
	loose := DefaultSettings()
	loose.P = 0.06
	if got := find(t, assess(t, Input{Series: []record.Series{s}, Settings: loose}), EffortLoad, 1); got.State != Agrees {
		t.Errorf("at 0.06: %+v", got)
	}
}

// TestSlope: 2 points for every 10 lb, which is 4.5359237 kg.
func TestSlope(t *testing.T) {
	s := series(1, row{10, 4, 80, 0}, row{20, 8, 90, 0}, row{30, 12, 100, 0}, row{40, 16, 110, 1})
	r := assess(t, Input{Series: []record.Series{s}})
	if got := find(t, r, EffortLoad, 1); math.Abs(got.Relation.Slope-2/4.5359237) > 1e-9 || got.Relation.SlopeUnit != "points per kg" {
		t.Errorf("%+v", got.Relation)
	}
	if got := find(t, r, HeartRateLoad, 1); got.State != Agrees || math.Abs(got.Relation.Slope-10/4.5359237) > 1e-9 {
		t.Errorf("%+v", got.Relation)
	}
	if got := find(t, r, EffortHeartRate, 1); got.State != Agrees || math.Abs(got.Relation.Slope-0.2) > 1e-12 {
		t.Errorf("%+v", got.Relation)
	}
}

// TestDrug: a rate-limiting drug leaves both heart-rate indicators unassessed and says so; effort against load stays.
func TestDrug(t *testing.T) {
	s := series(1, row{10, 4, 80, 0}, row{20, 8, 90, 0}, row{30, 12, 100, 0}, row{40, 16, 110, 1})
	r := assess(t, Input{Series: []record.Series{s}, RateLimitingDrug: true})
	for _, k := range []Kind{HeartRateLoad, EffortHeartRate} {
		if got := find(t, r, k, 1); got.State != NotAssessed || got.Reason != drugReason || got.Relation != nil {
			t.Errorf("%+v", got)
		}
	}
	if got := find(t, r, EffortLoad, 1); got.State != Agrees {
		t.Errorf("%+v", got)
	}
}

func TestMechanics(t *testing.T) {
	r := func(grades ...int) []row {
		var out []row
		for i, g := range grades {
			out = append(out, row{10 * (i + 1), 4, -1, g})
		}
		return out
	}
	for name, c := range map[string]struct {
		rows  []row
		stop  record.Stop
		state State
		onset float64
	}{
		"last but one":       {r(0, 0, 0, 1, 0), record.StopVolitional, Agrees, 4},
		"last but two":       {r(0, 0, 1, 0, 0), record.StopVolitional, Mixed, 3},
		"early and late":     {r(1, 0, 0, 0, 2), record.StopVolitional, Agrees, 1},
		"none":               {r(0, 0, 0), record.StopVolitional, Disagrees, 0},
		"two trials":         {r(0, 0), record.StopVolitional, NotAssessed, 0},
		"nothing recorded":   {r(-1, -1, -1), record.StopVolitional, NotAssessed, 0},
		"ended for the day":  {r(0, 0, 0), record.StopAdministrative, NotAssessed, 0},
		"at the ceiling":     {r(0, 0, 0), record.StopCeiling, NotAssessed, 0},
		"no stop, grade 3":   {r(0, 0, 3), "", Agrees, 3},
		"no stop, grade 2":   {r(0, 0, 2), "", NotAssessed, 0},
		"no stop, rating 8":  {append(r(0, 0), row{30, 16, -1, 0}), "", Disagrees, 0},
		"no stop, below 8":   {append(r(0, 0), row{30, 15, -1, 0}), "", NotAssessed, 0},
		"no trials":          {nil, record.StopVolitional, NotAssessed, 0},
		"no trials, no stop": {nil, "", NotAssessed, 0},
	} {
		s := series(1, c.rows...)
		s.Stop = c.stop
		got := find(t, assess(t, Input{Series: []record.Series{s}}), MechanicsNearEnd, 1)
		if got.State != c.state || got.Number != c.onset {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestRatings: the bounds of 1 and 2 points are inclusive; only a blinded trial after another counts.
func TestRatings(t *testing.T) {
	for name, c := range map[string]struct {
		again   int
		blinded bool
		load    int
		pace    record.Pace
		state   State
		shift   float64
	}{
		"same":         {8, true, 20, record.Occasional, Agrees, 0},
		"up 1":         {10, true, 20, record.Occasional, Agrees, 1},
		"down 1":       {6, true, 20, record.Occasional, Agrees, -1},
		"up 1.5":       {11, true, 20, record.Occasional, Mixed, 1.5},
		"up 2":         {12, true, 20, record.Occasional, Mixed, 2},
		"up 2.5":       {13, true, 20, record.Occasional, Disagrees, 2.5},
		"down 2.5":     {3, true, 20, record.Occasional, Disagrees, -2.5},
		"not blinded":  {13, false, 20, record.Occasional, NotAssessed, 0},
		"another load": {13, true, 21, record.Occasional, NotAssessed, 0},
		"another pace": {13, true, 20, record.Frequent, NotAssessed, 0},
	} {
		first, second := series(1, row{10, 4, -1, 0}, row{20, 8, -1, 0}), series(2, row{c.load, c.again, -1, 0})
		second.Trials[0].Blinded, second.Pace = c.blinded, c.pace
		r := assess(t, Input{Series: []record.Series{first, second}})
		for _, got := range r.Indicators {
			if got.Kind == RatingAtEqualLoad && (got.State != c.state || got.Number != c.shift) {
				t.Errorf("%s: %+v", name, got)
			}
		}
	}
}

// TestRetest: with the published standard error of 2.2 kg the minimal detectable change is 6.098 kg (computed beside the table,
// S33 and S95): 6.09 kg is within, 6.10 kg is not.
func TestRetest(t *testing.T) {
	sem := PublishedErrors()[0]
	for name, c := range map[string]struct {
		second string
		err    *MeasurementError
		state  State
	}{
		"within above":   {"26.09", &sem, Agrees},
		"beyond above":   {"26.10", &sem, Disagrees},
		"within below":   {"13.91", &sem, Agrees},
		"beyond below":   {"13.90", &sem, Disagrees},
		"no error given": {"20", nil, NotAssessed},
		// SD 10 and ICC 0.91 give SEM 3.0 and 8.315576 (computed, S95).
		"icc within": {"28.31557", &MeasurementError{SDKilograms: 10, ICC: 0.91, Source: "s"}, Agrees},
		"icc beyond": {"28.31558", &MeasurementError{SDKilograms: 10, ICC: 0.91, Source: "s"}, Disagrees},
	} {
		first, _ := mass.Parse("20", mass.Kilogram)
		second, err := mass.Parse(c.second, mass.Kilogram)
		if err != nil {
			t.Fatal(err)
		}
		r := assess(t, Input{Retests: []Retest{{1, 2, record.FloorWaist, record.Occasional, first, second, nil, ""}}, Error: c.err})
		got := find(t, r, BlindedRetest, 2)
		if got.State != c.state || !strings.HasPrefix(got.Reason, "Series 2 repeats series 1 blinded.") || !got.HasNumber {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := find(t, assess(t, Input{}), BlindedRetest, 0); got.State != NotAssessed || got.Reason != noRetestReason {
		t.Errorf("%+v", got)
	}
}

// TestPublishedErrors compares the table with S33, Lindell et al. 2007 table 1, and its minimal detectable changes.
func TestPublishedErrors(t *testing.T) {
	file, err := os.Open("../../../testdata/reference/04_lifting_test_reliability.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, r := range rows {
		if r[0] != "Lindell 2007" {
			continue
		}
		sem, _ := strconv.ParseFloat(r[7], 64)
		mdc, _ := strconv.ParseFloat(r[10], 64)
		e := PublishedErrors()[n]
		got, err := e.MDC95()
		region := r[1][strings.LastIndex(r[1], " ")+1:]
		if err != nil || e.SEMKilograms != sem || math.Abs(got-mdc) > 0.005 || r[8] != "kg" || !strings.Contains(e.Source, region+", "+r[2]) {
			t.Errorf("%v: %+v, %v, %v", r, e, got, err)
		}
		n++
	}
	if n != len(PublishedErrors()) {
		t.Errorf("%d published, %d here", n, len(PublishedErrors()))
	}
}

func TestGrip(t *testing.T) {
	test := GripTest{Hand: grip.Right, CutoffPercent: 7.5, FlatPercent: 10, MixedPercent: 15,
		Trials:    []mass.Mass{lb(t, "95"), lb(t, "100"), lb(t, "105")},
		Positions: []mass.Mass{lb(t, "60"), lb(t, "80"), lb(t, "90"), lb(t, "75"), lb(t, "60")}, Static: lb(t, "80"), Rapid: lb(t, "80")}
	r := assess(t, Input{Grip: []GripTest{test}})
	for _, k := range []Kind{GripVariation, GripPositions, GripRapidExchange} {
		if got := find(t, r, k, 0); got.State != Agrees || got.Part != "right" || got.Reason != "" || !got.HasNumber {
			t.Errorf("%+v", got)
		}
	}
	if got := ruleOf(t, r, GripVariation); !strings.Contains(got.Source, "1995") || !strings.Contains(got.Critique, "97 % of women") {
		t.Errorf("the critique must stand beside the cut-off: %+v", got)
	}
	test.CutoffPercent, test.FlatPercent, test.Rapid = 4.9, 34, lb(t, "92")
	r = assess(t, Input{Grip: []GripTest{test}})
	for _, k := range []Kind{GripVariation, GripPositions, GripRapidExchange} {
		if got := find(t, r, k, 0); got.State != Mixed {
			t.Errorf("%+v", got)
		}
	}
	test.Rapid = lb(t, "92.001")
	if got := find(t, assess(t, Input{Grip: []GripTest{test}}), GripRapidExchange, 0); got.State != Disagrees {
		t.Errorf("%+v", got)
	}
	bad := GripTest{Hand: "both", Trials: test.Trials[:2], Static: lb(t, "80"), MixedPercent: 101}
	_, err := Assess(Input{Grip: []GripTest{bad}, Settings: DefaultSettings()})
	want := []string{"grip[0].hand grip.hand", "grip[0].trials.readings grip.count", "grip[0].mixed_percent grip.range", "grip[0].exchange.rapid grip.reading"}
	if diff := gocmp.Diff(want, rules(err)); diff != "" {
		t.Error(diff)
	}
}
