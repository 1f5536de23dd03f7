package match_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

var exactly = cmp.Comparer(func(a, b mass.Mass) bool { return a == b })

func pounds(milli int64) mass.Mass { return mass.FromUnits(milli * milliLb) }

func pointer(milli int64) *mass.Mass {
	m := pounds(milli)
	return &m
}

// inSeries is a capacity of its own series.
func inSeries(series int, pace record.Pace, milli int64) record.Capacity {
	c := of(pace, milli)
	c.SeriesNumber = series
	return c
}

func carry(name string, pace record.Pace, milli int64) record.JobTask {
	return record.JobTask{Name: name, Zone: record.Carry, Pace: pace, Load: pounds(milli)}
}

// TestBand: 1.96 standard errors are the published minimal detectable change (1.96 sqrt 2 SEM; Weir 2005, S95, 08_reliability_formulae.json) over
// sqrt 2, for each of the worked values there.
func TestBand(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", "08_reliability_formulae.json"))
	if err != nil {
		t.Fatal(err)
	}
	var reference struct {
		Checks []struct {
			SEM   float64
			MDC95 float64
		} `json:"checks_computed"`
	}
	if err := json.Unmarshal(text, &reference); err != nil {
		t.Fatal(err)
	}
	if len(reference.Checks) != 3 {
		t.Fatalf("%d worked values", len(reference.Checks))
	}
	const kilogram = 100_000_000_000
	for _, c := range reference.Checks {
		band := match.Band(mass.FromUnits(int64(math.Round(c.SEM * kilogram))))
		if got := float64(band.Units()) / kilogram * math.Sqrt2; math.Abs(got-c.MDC95) > 1e-6 {
			t.Errorf("SEM %v: band %s times sqrt 2 is %v, want %v", c.SEM, band, got, c.MDC95)
		}
	}
	for units, want := range map[int64]int64{0: 0, 1: 1, 25: 49, 26: 50, 100: 196} {
		if got := match.Band(mass.FromUnits(units)); got.Units() != want {
			t.Errorf("band of %d units is %d, want %d", units, got.Units(), want)
		}
	}
}

// TestVerdicts: a task of 40 lb against what was measured, at its own pace or a harder one, and what was projected.
func TestVerdicts(t *testing.T) {
	const o, f, c = record.Occasional, record.Frequent, record.Constant
	measured := func(verdict record.Verdict, series int, milli, short, band int64) record.TaskMatch {
		m := record.TaskMatch{Verdict: verdict, Basis: record.Measured, SeriesNumber: series}
		if milli > 0 {
			m.Capacity = pointer(milli)
		}
		if short > 0 {
			m.ShortBy = pointer(short)
		}
		if band > 0 {
			m.MeasurementError = pointer(band)
		}
		return m
	}
	projected := func(verdict record.Verdict, series int, milli, short int64) record.TaskMatch {
		m := measured(verdict, series, milli, short, 0)
		m.Basis = record.Projected
		return m
	}
	for _, test := range []struct {
		name       string
		capacities []record.Capacity
		pace       record.Pace
		band       int64 // of every series; 0 where none is known
		want       record.TaskMatch
		outcome    record.Outcome
		stoodIn    bool
	}{
		{"exactly the demand", []record.Capacity{inSeries(1, o, 40_000)}, o, 0, measured(record.TaskWithin, 1, 40_000, 0, 0), record.Meets, false},
		{"exactly the demand, with an error", []record.Capacity{inSeries(1, o, 40_000)}, o, 9_500, measured(record.TaskWithin, 1, 40_000, 0, 9_500), record.Meets, false},
		{"a thousandth short", []record.Capacity{inSeries(1, o, 39_999)}, o, 0, measured(record.TaskShort, 1, 39_999, 1, 0), record.DoesNotMeet, false},
		{"short by exactly the error", []record.Capacity{inSeries(1, o, 30_500)}, o, 9_500, measured(record.TaskWithinError, 1, 30_500, 9_500, 9_500), record.MeetsWithLimits, false},
		{"short by a thousandth more than the error", []record.Capacity{inSeries(1, o, 30_499)}, o, 9_500, measured(record.TaskShort, 1, 30_499, 9_501, 9_500), record.DoesNotMeet, false},
		{"nothing accepted is beyond any error", []record.Capacity{inSeries(1, o, 0)}, o, 90_000, measured(record.TaskShort, 1, 0, 40_000, 90_000), record.DoesNotMeet, false},
		{"not tested", nil, o, 0, record.TaskMatch{Verdict: record.TaskNotTested}, record.CannotBeDetermined, false},

		{"own pace before a harder one", []record.Capacity{inSeries(1, o, 39_999), inSeries(2, f, 40_000)}, o, 0, measured(record.TaskShort, 1, 39_999, 1, 0), record.DoesNotMeet, false},
		{"harder pace reaches", []record.Capacity{inSeries(2, f, 40_000)}, o, 0, measured(record.TaskWithin, 2, 40_000, 0, 0), record.Meets, true},
		{"harder pace does not reach", []record.Capacity{inSeries(2, f, 39_999)}, o, 5_000, record.TaskMatch{Verdict: record.TaskNotTested}, record.CannotBeDetermined, false},
		{"hardest pace reaches", []record.Capacity{inSeries(2, f, 39_999), inSeries(3, c, 40_000)}, o, 0, measured(record.TaskWithin, 3, 40_000, 0, 0), record.Meets, true},

		{"projected exactly", []record.Capacity{inSeries(1, o, 80_000)}, f, 9_500, projected(record.TaskWithin, 1, 40_000, 0), record.MeetsWithLimits, false},
		{"projected short, whatever the error", []record.Capacity{inSeries(1, o, 79_998)}, f, 9_500, projected(record.TaskShort, 1, 39_999, 1), record.CannotBeDetermined, false},
		{"projected from the frequent pace", []record.Capacity{inSeries(2, f, 100_000)}, c, 0, projected(record.TaskWithin, 2, 40_000, 0), record.MeetsWithLimits, false},
		{"measured at a harder pace before projected", []record.Capacity{inSeries(1, o, 82_000), inSeries(3, c, 40_000)}, f, 0, measured(record.TaskWithin, 3, 40_000, 0, 0), record.Meets, true},
		{"projected where the harder pace does not reach", []record.Capacity{inSeries(1, o, 82_000), inSeries(3, c, 39_999)}, f, 0, projected(record.TaskWithin, 1, 41_000, 0), record.MeetsWithLimits, false},
		{"measured before projected", []record.Capacity{inSeries(1, o, 200_000), inSeries(2, f, 39_999)}, f, 0, measured(record.TaskShort, 2, 39_999, 1, 0), record.DoesNotMeet, false},
		{"nothing is projected from nothing", []record.Capacity{inSeries(1, o, 0)}, f, 0, record.TaskMatch{Verdict: record.TaskNotTested}, record.CannotBeDetermined, false},
	} {
		ch := capacity.Choose(test.capacities)
		in := match.Input{Chosen: &ch, Projected: project.Of(&ch), Job: &record.JobProfile{Tasks: []record.JobTask{carry("Move", test.pace, 40_000)}}}
		if test.band > 0 {
			in.ErrorOf = func(int) *mass.Mass { return pointer(test.band) }
		}
		got, stoodIn := match.Match(in)
		test.want.Task, test.want.Zone, test.want.Pace, test.want.Demand = "Move", record.Carry, test.pace, pounds(40_000)
		if diff := cmp.Diff([]record.TaskMatch{test.want}, got.Tasks, exactly); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
		if got.Outcome != test.outcome || (len(stoodIn) == 1) != test.stoodIn {
			t.Errorf("%s: %s, stood in %v; want %s, %v", test.name, got.Outcome, stoodIn, test.outcome, test.stoodIn)
		}
	}
}

// TestErrorOfItsSeries: the error is asked for by the series that the verdict rests on, and may be unknown for one.
func TestErrorOfItsSeries(t *testing.T) {
	ch := capacity.Choose([]record.Capacity{inSeries(1, record.Occasional, 39_000), inSeries(2, record.Frequent, 39_000)})
	got, _ := match.Match(match.Input{
		Chosen: &ch,
		ErrorOf: func(series int) *mass.Mass {
			if series == 2 {
				return pointer(1_000)
			}
			return nil
		},
		Job: &record.JobProfile{Tasks: []record.JobTask{carry("Known", record.Frequent, 40_000), carry("Unknown", record.Occasional, 40_000)}},
	})
	if got.Tasks[0].Verdict != record.TaskWithinError || got.Tasks[1].Verdict != record.TaskShort || got.Tasks[1].MeasurementError != nil {
		t.Errorf("%+v", got.Tasks)
	}
}

// TestKilogramTwins: the exact bounds of the levels as demands, entered in kilograms, against the same capacity in pounds.
func TestKilogramTwins(t *testing.T) {
	for kilograms, milli := range map[string]int64{"4.5359237": 10_000, "9.0718474": 20_000, "22.6796185": 50_000, "45.359237": 100_000} {
		demand, err := mass.Parse(kilograms, mass.Kilogram)
		if err != nil {
			t.Fatal(err)
		}
		ch := capacity.Choose([]record.Capacity{inSeries(1, record.Occasional, milli)})
		in := match.Input{Chosen: &ch, Job: &record.JobProfile{Tasks: []record.JobTask{{Name: "Twin", Zone: record.Carry, Pace: record.Occasional, Load: demand}}}}
		if got, _ := match.Match(in); got.Tasks[0].Verdict != record.TaskWithin || got.Outcome != record.Meets {
			t.Errorf("%s kg against %d thousandths of a pound: %+v", kilograms, milli, got)
		}
		in.Job.Tasks[0].Load = demand.Add(mass.FromUnits(1))
		if got, _ := match.Match(in); got.Tasks[0].Verdict != record.TaskShort || got.Outcome != record.DoesNotMeet || got.Tasks[0].ShortBy.Units() != 1 {
			t.Errorf("a unit more than %s kg: %+v", kilograms, got)
		}
	}
}
