package grip

import (
	"math"
	"slices"
	"testing"

	"ponderal.example/internal/mass"
)

// TestRepeated: the coefficient of variation with n-1 that is recorded beside Bland and Altman's data (08_reliability_formulae.json, cv_check,
// computed from 08_bland_altman_1986_data.csv, column large_first); a tenth of each value, which leaves the quotient as it is.
func TestRepeated(t *testing.T) {
	var readings []mass.Mass
	for _, row := range readCSV(t, "08_bland_altman_1986_data.csv") {
		value := row["large_first"]
		readings = append(readings, parse(t, value[:2]+"."+value[2:], mass.Kilogram))
	}
	got, err := Repeated(readings)
	if err != nil || len(readings) != 17 || math.Abs(got-25.826985) > 5e-7 {
		t.Errorf("%v, %v", got, err)
	}
	three := pounds(t, "95", "100", "105")
	v, err := Trials(three, 10)
	if got, repeatedErr := Repeated(three); err != nil || repeatedErr != nil || got != v.CVPercent {
		t.Errorf("three: %v, %v; Trials has %v, %v", got, repeatedErr, v.CVPercent, err)
	}
}

// TestRepeatedRules: each bound, where it fires and where it just does not.
func TestRepeatedRules(t *testing.T) {
	reading := mass.FromUnits(maxUnits)
	for _, c := range []struct {
		readings []mass.Mass
		want     []string
	}{
		{slices.Repeat([]mass.Mass{reading}, 1), []string{"readings " + RuleCount}},
		{slices.Repeat([]mass.Mass{reading}, 2), nil},
		{slices.Repeat([]mass.Mass{reading}, 30), nil},
		{slices.Repeat([]mass.Mass{reading}, 31), []string{"readings " + RuleCount}},
		{[]mass.Mass{reading, mass.FromUnits(maxUnits + 1)}, []string{"readings[1] " + RuleReading}},
		{[]mass.Mass{mass.FromUnits(1), mass.Zero()}, []string{"readings[1] " + RuleReading}},
	} {
		if _, err := Repeated(c.readings); !slices.Equal(rules(err), c.want) {
			t.Errorf("%d readings: %v, want %v", len(c.readings), rules(err), c.want)
		}
	}
}

// TestFigure: every set says what it is made of, and the set that parts the hands is the one of one hand.
func TestFigure(t *testing.T) {
	for _, set := range Sets() {
		n, _ := normsOf(set)
		byHand := slices.ContainsFunc(n.rows, func(r normRow) bool { return r.hand != "" })
		if f := set.Figure(); f == "" || (f == MeanOfThree) != byHand {
			t.Errorf("%s: %q, by hand %v", set, f, byHand)
		}
	}
	if f := Set("other").Figure(); f != "" {
		t.Errorf("unknown set: %q", f)
	}
}

func FuzzRepeated(f *testing.F) {
	f.Add(int64(1e12), int64(2e12), uint8(3))
	f.Fuzz(func(t *testing.T, a, b int64, n uint8) {
		readings := slices.Repeat([]mass.Mass{mass.FromUnits(a), mass.FromUnits(b)}, int(n))
		got, err := Repeated(readings[:n])
		if err == nil && !(got >= 0 && got <= 600) {
			t.Fatal(got)
		}
	})
}
