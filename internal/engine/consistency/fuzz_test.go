package consistency

import (
	"math"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// FuzzAssess: no panic for any trials and settings, of range or not, numbers finite, the counts add up.
func FuzzAssess(f *testing.F) {
	f.Add([]byte{10, 4, 80, 0, 20, 8, 90, 0, 30, 12, 100, 1, 40, 16, 110, 2}, true, "volitional", 2.2, 0.0, 0.0, 0.05, 2, int64(1e12))
	f.Fuzz(func(t *testing.T, data []byte, drug bool, stop string, sem, sd, icc, p float64, last int, retest int64) {
		var rows []row
		for i := 0; i+3 < len(data) && i < 160; i += 4 {
			rows = append(rows, row{int(data[i]), int(data[i+1]) - 1, int(data[i+2]) - 1, int(data[i+3]) - 1})
		}
		half := len(rows) / 2
		a, b := series(1, rows[:half]...), series(2, rows[half:]...)
		a.Stop = record.Stop(stop)
		for i := range b.Trials {
			b.Trials[i].Blinded = true
		}
		in := Input{Series: []record.Series{a, b}, RateLimitingDrug: drug, Settings: Settings{p, 2, 4, last}, Error: &MeasurementError{sem, sd, icc, stop},
			Retests: []Retest{{First: 1, Second: 2, FirstLoad: mass.FromUnits(retest), SecondLoad: mass.FromUnits(1e12)}},
			Grip:    []GripTest{{Hand: grip.Left, Trials: []mass.Mass{mass.FromUnits(retest), mass.FromUnits(1e12), mass.FromUnits(2e12)}, CutoffPercent: p}}}
		r := Of(in)
		if checked, err := Assess(in); err == nil {
			if diff := gocmp.Diff(checked, r); diff != "" {
				t.Fatal(diff)
			}
		}
		if r.Assessed+r.NotAssessed != len(r.Indicators) || r.Agree > r.Assessed || r.Caution == "" {
			t.Fatalf("%+v", r)
		}
		for _, i := range r.Indicators {
			if math.IsNaN(i.Number) || math.IsInf(i.Number, 0) || i.State == NotAssessed && i.Reason == "" || i.State != NotAssessed && !i.HasNumber && i.Kind != MechanicsNearEnd {
				t.Fatalf("%+v", i)
			}
			if drug && i.State != NotAssessed && (i.Kind == HeartRateLoad || i.Kind == EffortHeartRate) {
				t.Fatalf("%+v", i)
			}
		}
	})
}

// FuzzOnset: the first is not after the last.
func FuzzOnset(f *testing.F) {
	f.Add([]byte{0, 1, 0})
	f.Fuzz(func(t *testing.T, grades []byte) {
		var rows []row
		for _, g := range grades {
			rows = append(rows, row{1, 1, 60, int(g) - 1})
		}
		first, last, seen := Onset(series(1, rows...).Trials)
		if first > last || last > len(grades) || first > 0 && !seen || (first == 0) != (last == 0) {
			t.Fatalf("%d %d %v", first, last, seen)
		}
	})
}
