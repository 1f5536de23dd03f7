package strength_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// of makes a capacity that ended by will; an empty load is one of which nothing was accepted.
func of(t testing.TB, series int, zone record.Zone, pace record.Pace, load string) record.Capacity {
	c := record.Capacity{SeriesNumber: series, Zone: zone, Pace: pace, EndReason: record.EndVolitional, Trials: []record.TrialVerdict{{Number: 1, Status: record.TrialFailed}}}
	if load != "" {
		m := lb(t, load)
		c.Load = &m
	}
	return c
}

func level(t testing.TB, level record.Level, series int, pace record.Pace, within record.Level, upTo string) record.ZoneStrength {
	z := record.ZoneStrength{Zone: record.FloorWaist, Level: level, LimitingSeries: series, LimitingPace: pace, Within: within, Basis: record.Measured}
	if upTo != "" {
		m := lb(t, upTo)
		z.WithinUpTo = &m
	}
	return z
}

var exactly = cmp.Comparer(func(a, b mass.Mass) bool { return a == b })

// TestOfZone: the level and what limits it, by the bounds of DOT Appendix C.
func TestOfZone(t *testing.T) {
	const o, f, c = record.Occasional, record.Frequent, record.Constant
	for _, test := range []struct {
		name  string
		loads [3]string // occasional, frequent, constant; "-" not tested
		want  record.ZoneStrength
	}{
		{"on a bound", [3]string{"50", "-", "-"}, level(t, record.Medium, 1, o, "", "")},
		{"between bounds", [3]string{"35", "-", "-"}, level(t, record.Light, 1, o, record.Medium, "35")},
		{"nothing accepted", [3]string{"", "-", "-"}, level(t, record.BelowSedentary, 1, o, "", "")},
		{"below the lowest bound", [3]string{"5", "-", "-"}, level(t, record.BelowSedentary, 1, o, record.Sedentary, "5")},
		{"frequent lower than occasional", [3]string{"100", "24", "-"}, level(t, record.Light, 2, f, record.Medium, "24")},
		{"frequent on a bound", [3]string{"100", "25", "-"}, level(t, record.Medium, 2, f, "", "")},
		{"frequent not limiting", [3]string{"50", "26", "-"}, level(t, record.Medium, 1, o, "", "")},
		// Frequent loads of sedentary work are negligible: a small one holds the person at sedentary, none does not push below it.
		{"frequent small", [3]string{"50", "9", "-"}, level(t, record.Sedentary, 2, f, record.Light, "9")},
		{"frequent nothing", [3]string{"50", "", "-"}, level(t, record.Sedentary, 2, f, "", "")},
		{"constant nothing", [3]string{"50", "25", ""}, level(t, record.Light, 3, c, "", "")},
		{"constant on heavy", [3]string{"101", "51", "20"}, level(t, record.Heavy, 3, c, "", "")},
		// Of two paces at the same level the one on its bound limits: beyond it nothing was shown.
		{"on its bound before beyond", [3]string{"60", "25", "-"}, level(t, record.Medium, 2, f, "", "")},
		// Both within the next level: 60 of 100 against 45 of 50.
		{"further from the next", [3]string{"60", "45", "-"}, level(t, record.Medium, 1, o, record.Heavy, "60")},
		{"further from the next, frequent", [3]string{"95", "30", "-"}, level(t, record.Medium, 2, f, record.Heavy, "30")},
		{"equally far", [3]string{"60", "30", "-"}, level(t, record.Medium, 1, o, record.Heavy, "60")},
		// The harder pace stands for the occasional one, against whose bounds it does not reach medium.
		{"frequent alone", [3]string{"-", "25", "-"}, level(t, record.Light, 2, o, record.Medium, "25")},
		{"constant alone", [3]string{"-", "-", "10"}, level(t, record.Sedentary, 3, o, "", "")},
		{"frequent before constant", [3]string{"-", "20", "10"}, level(t, record.Light, 2, o, "", "")},
	} {
		var capacities []record.Capacity
		for i, load := range test.loads {
			if load != "-" {
				capacities = append(capacities, of(t, i+1, record.FloorWaist, record.Paces()[i], load))
			}
		}
		ch := capacity.Choose(capacities)
		got, ok := strength.OfZone(&ch, record.FloorWaist)
		if diff := cmp.Diff(test.want, got, exactly); !ok || diff != "" {
			t.Errorf("%s: tested %v (-want +got):\n%s", test.name, ok, diff)
		}
		if _, ok := strength.OfZone(&ch, record.Carry); ok {
			t.Errorf("%s: a level in a zone that was not tested", test.name)
		}
	}
}

// TestOverall: which zones count, and which of two equal levels is the weaker.
func TestOverall(t *testing.T) {
	o := record.Occasional
	job := func(zones ...record.Zone) *record.JobProfile {
		j := &record.JobProfile{}
		for _, z := range zones {
			j.Tasks = append(j.Tasks, record.JobTask{Zone: z, Pace: o, Load: lb(t, "5")})
		}
		return j
	}
	for _, test := range []struct {
		name       string
		capacities []record.Capacity
		job        *record.JobProfile
		want       record.Zone // empty: no overall level
		untested   []record.Zone
	}{
		{"nothing tested", nil, nil, "", nil},
		{"only a carry, no job", []record.Capacity{of(t, 1, record.Carry, o, "50")}, nil, "", nil},
		{"a carry that the job needs", []record.Capacity{of(t, 1, record.Carry, o, "50")}, job(record.Carry), record.Carry, nil},
		{"a carry that the job does not need", []record.Capacity{of(t, 1, record.FloorWaist, o, "50"), of(t, 2, record.Carry, o, "5")}, job(record.FloorWaist), record.FloorWaist, nil},
		{"a lift that the job does not need", []record.Capacity{of(t, 1, record.FloorWaist, o, "50"), of(t, 2, record.WaistShoulder, o, "5")}, job(record.FloorWaist), record.FloorWaist, nil},
		{"the same without a job", []record.Capacity{of(t, 1, record.FloorWaist, o, "50"), of(t, 2, record.WaistShoulder, o, "5")}, nil, record.WaistShoulder, nil},
		{"a zone that the job needs is not tested", []record.Capacity{of(t, 1, record.FloorWaist, o, "50")}, job(record.Push, record.FloorWaist, record.Carry), "", []record.Zone{record.Carry, record.Push}},
		{"equal levels, one within the next", []record.Capacity{of(t, 1, record.FloorWaist, o, "60"), of(t, 2, record.WaistShoulder, o, "50")}, nil, record.WaistShoulder, nil},
		{"equal levels, both within the next", []record.Capacity{of(t, 1, record.FloorWaist, o, "70"), of(t, 2, record.WaistShoulder, o, "60")}, nil, record.WaistShoulder, nil},
		{"equal in all: the first zone", []record.Capacity{of(t, 2, record.WaistShoulder, o, "60"), of(t, 1, record.FloorWaist, o, "60")}, nil, record.FloorWaist, nil},
	} {
		ch := capacity.Choose(test.capacities)
		got, untested := strength.Overall(strength.OfZones(&ch), test.job)
		zone := record.Zone("")
		if got != nil {
			zone = got.Zone
		}
		if diff := cmp.Diff(test.untested, untested); zone != test.want || diff != "" {
			t.Errorf("%s: %q, want %q; untested (-want +got):\n%s", test.name, zone, test.want, diff)
		}
	}
}
