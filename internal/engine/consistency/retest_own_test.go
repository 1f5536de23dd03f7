package consistency

import (
	"strings"
	"testing"

	"ponderal.example/internal/mass"
)

// TestRetestOfItsOwnError: a retest is held against the error of its own series' protocol, never against that of another series, and one without
// any is not assessed. A standard error of 2 kg makes a minimal detectable change of 1.96 sqrt 2 x 2 = 5.54 kg, one of 1 kg of 2.77 kg
// (Weir 2005, by hand); each repetition is 4 kg lower.
func TestRetestOfItsOwnError(t *testing.T) {
	const kilogram = 100_000_000_000
	kg := func(n int64) mass.Mass { return mass.FromUnits(n * kilogram) }
	wide, narrow := kg(2), kg(1)
	of := func(second int, sem *mass.Mass, source string) Retest {
		return Retest{First: 1, Second: second, FirstLoad: kg(20), SecondLoad: kg(16), SEM: sem, SEMSource: source}
	}
	for name, c := range map[string]struct {
		retests   []Retest
		want      []State
		threshold string
		source    string
	}{
		"each its own": {[]Retest{of(3, &narrow, "second clinic"), of(2, &wide, "first clinic")}, []State{Agrees, Disagrees},
			"agrees: at most the minimal detectable change with 95 % confidence of the repetition's own protocol: series 2, 5.54 kg; series 3, 2.77 kg; disagrees: more",
			"; error of measurement of series 2: first clinic; error of measurement of series 3: second clinic"},
		"none of another's": {[]Retest{of(2, nil, ""), of(3, &narrow, "second clinic")}, []State{NotAssessed, Disagrees},
			"agrees: at most the minimal detectable change with 95 % confidence of the repetition's own protocol: series 3, 2.77 kg; disagrees: more",
			"; error of measurement of series 3: second clinic"},
		"the same twice": {[]Retest{of(2, &wide, "one clinic"), of(3, &wide, "one clinic")}, []State{Agrees, Agrees},
			"agrees: at most 5.54 kg, the minimal detectable change with 95 % confidence; disagrees: more", "; error of measurement: one clinic"},
	} {
		r := Of(Input{Retests: c.retests, Settings: DefaultSettings()})
		var got []State
		for _, i := range r.Indicators {
			if i.Kind == BlindedRetest {
				got = append(got, i.State)
			}
		}
		if len(got) != len(c.want) || got[0] != c.want[0] || got[1] != c.want[1] {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
		rule := ruleOf(t, r, BlindedRetest)
		if rule.Threshold != c.threshold || !strings.HasSuffix(rule.Source, c.source) {
			t.Errorf("%s: %q, %q", name, rule.Threshold, rule.Source)
		}
	}
}

// TestRetestOfABadError: an error of a retest has its range and a source.
func TestRetestOfABadError(t *testing.T) {
	zero, most, over := mass.Zero(), mass.FromUnits(maxSEM), mass.FromUnits(maxSEM+1)
	for name, c := range map[string]struct {
		sem    *mass.Mass
		source string
		ok     bool
	}{
		"none": {nil, "", true}, "highest": {&most, "a clinic", true}, "nothing": {&zero, "a clinic", false}, "too high": {&over, "a clinic", false},
		"no source": {&most, "", false},
	} {
		one := mass.FromUnits(maxSEM)
		_, err := Assess(Input{Settings: DefaultSettings(), Retests: []Retest{{First: 1, Second: 2, FirstLoad: one, SecondLoad: one, SEM: c.sem, SEMSource: c.source}}})
		if (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
}
