package consistency

import (
	"slices"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// masses compares masses by their units.
var masses = gocmp.Comparer(func(a, b mass.Mass) bool { return a == b })

// blind is a series of two trials, the last of so many blinded.
func blind(number, blinded int, zone record.Zone, pace record.Pace) record.Series {
	s := series(number, row{10, 4, -1, 0}, row{20, 6, -1, 0})
	s.Zone, s.Pace = zone, pace
	for k := range s.Trials {
		s.Trials[k].Blinded = k >= len(s.Trials)-blinded
	}
	return s
}

func TestFindRetests(t *testing.T) {
	const zone, pace = record.FloorWaist, record.Occasional
	open := func(n int) record.Series { return blind(n, 0, zone, pace) }
	again := func(n int) record.Series { return blind(n, 2, zone, pace) }
	for name, c := range map[string]struct {
		series []record.Series
		none   int // the series without an accepted load
		want   [][2]int
	}{
		"nothing":                   {nil, 0, nil},
		"one again":                 {[]record.Series{open(1), again(2)}, 0, [][2]int{{1, 2}}},
		"in another order":          {[]record.Series{again(2), open(1)}, 0, [][2]int{{1, 2}}},
		"not blinded":               {[]record.Series{open(1), open(2)}, 0, nil},
		"one trial not blinded":     {[]record.Series{open(1), blind(2, 1, zone, pace)}, 0, nil},
		"blinded before":            {[]record.Series{again(1), open(2)}, 0, nil},
		"another zone":              {[]record.Series{open(1), blind(2, 2, record.WaistShoulder, pace)}, 0, nil},
		"another pace":              {[]record.Series{open(1), blind(2, 2, zone, record.Frequent)}, 0, nil},
		"no load at first":          {[]record.Series{open(1), again(2)}, 1, nil},
		"no load again":             {[]record.Series{open(1), again(2)}, 2, nil},
		"twice again":               {[]record.Series{open(1), again(2), again(3)}, 0, [][2]int{{1, 2}, {1, 3}}},
		"of two the first":          {[]record.Series{open(2), open(1), again(3)}, 0, [][2]int{{1, 3}}},
		"the first has no load":     {[]record.Series{open(1), open(2), again(3)}, 1, [][2]int{{2, 3}}},
		"rather one not blinded":    {[]record.Series{again(1), open(2), again(3)}, 0, [][2]int{{2, 3}}},
		"partly blinded is not":     {[]record.Series{again(1), blind(2, 1, zone, pace), again(3)}, 0, [][2]int{{2, 3}}},
		"all blinded":               {[]record.Series{again(3), again(1), again(2)}, 0, [][2]int{{1, 2}, {1, 3}}},
		"one not blinded after":     {[]record.Series{again(1), again(2), open(3)}, 0, [][2]int{{1, 2}}},
		"a series without trials":   {[]record.Series{open(1), {Number: 2, Zone: zone, Pace: pace}}, 0, nil},
		"another zone in between":   {[]record.Series{open(1), blind(2, 0, record.WaistShoulder, pace), again(3)}, 0, [][2]int{{1, 3}}},
		"two zones, each again":     {[]record.Series{open(1), blind(2, 0, record.WaistShoulder, pace), again(3), blind(4, 2, record.WaistShoulder, pace)}, 0, [][2]int{{1, 3}, {2, 4}}},
		"numbers that stand for it": {[]record.Series{open(1), again(1)}, 0, nil},
	} {
		loads := func(number int) *mass.Mass {
			if number == c.none {
				return nil
			}
			return massOf(int64(number) * 1e11)
		}
		var want []Retest
		for _, w := range c.want {
			k := slices.IndexFunc(c.series, func(s record.Series) bool { return s.Number == w[1] })
			want = append(want, Retest{w[0], w[1], c.series[k].Zone, c.series[k].Pace, *loads(w[0]), *loads(w[1]), nil, ""})
		}
		if diff := gocmp.Diff(want, FindRetests(c.series, loads), masses); diff != "" {
			t.Errorf("%s:\n%s", name, diff)
		}
	}
}

// TestRetestByMass: the standard error as a mass decides as the figure does: with 2.2 kg (S33) the minimal detectable change is 6.098 kg
// (1.96 sqrt(2) SEM, Weir 2005), and the threshold says so.
func TestRetestByMass(t *testing.T) {
	sem := massOf(220_000_000_000)
	for _, c := range []struct {
		second int64
		state  State
	}{{2_609_000_000_000, Agrees}, {2_610_000_000_000, Disagrees}, {1_391_000_000_000, Agrees}, {1_390_000_000_000, Disagrees}} {
		r := assess(t, Input{SEM: sem, SEMSource: "own test", Retests: []Retest{{3, 7, record.FloorWaist, record.Occasional, mass.FromUnits(2e12), mass.FromUnits(c.second), nil, ""}}})
		got := find(t, r, BlindedRetest, 7)
		if got.State != c.state || got.Reason != "Series 7 repeats series 3 blinded." {
			t.Errorf("%d: %+v", c.second, got)
		}
		rule := ruleOf(t, r, BlindedRetest)
		if rule.Threshold != "agrees: at most 6.10 kg, the minimal detectable change with 95 % confidence; disagrees: more" || rule.Source != sourceMDC+"; error of measurement: own test" {
			t.Errorf("%+v", rule)
		}
	}
}

// TestRetestsInOrder: by the number of the repetition, whatever the order of the list.
func TestRetestsInOrder(t *testing.T) {
	kg := func(n int64) mass.Mass { return mass.FromUnits(n * 1e11) }
	list := []Retest{{1, 4, record.FloorWaist, record.Occasional, kg(20), kg(21), nil, ""}, {2, 3, record.WaistShoulder, record.Occasional, kg(10), kg(9), nil, ""}}
	first := assess(t, Input{Retests: list})
	slices.Reverse(list)
	if diff := gocmp.Diff(first, assess(t, Input{Retests: list})); diff != "" {
		t.Error(diff)
	}
	if got := find(t, first, BlindedRetest, 3); got.Number != -1 || first.Indicators[1] != got {
		t.Errorf("%+v", first.Indicators)
	}
}
