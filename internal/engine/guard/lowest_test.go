package guard_test

import (
	"testing"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// TestLowestIsWhatCeilingsSay: the first of Ceilings, and whether each of them has a load.
func TestLowestIsWhatCeilingsSay(t *testing.T) {
	kilo := func(n int64) *mass.Mass { m := mass.FromUnits(n * 100_000_000_000); return &m }
	for _, p := range []record.Protocol{
		{}, {LoadCeiling: kilo(30)}, {PercentOfBodyMass: 50}, {LoadCeiling: kilo(30), PercentOfBodyMass: 50},
		{LoadCeiling: kilo(60), PercentOfBodyMass: 50, Compression: &record.CompressionLimit{CriterionNewtons: 3400}},
	} {
		for _, b := range []*record.BodyMeasures{nil, {Mass: kilo(80)}, {StatureMM: 1750, Mass: kilo(80)}, {StatureMM: 1750, Mass: kilo(1)}} {
			l := guard.LimitsFor(guard.Input{Protocol: &p, Body: b, Zone: record.FloorWaist})
			load, known, all := l.Lowest()
			list := l.Ceilings()
			wantAll, wantKnown := true, len(list) > 0 && list[0].Load != nil
			for _, c := range list {
				wantAll = wantAll && c.Load != nil
			}
			if all != wantAll || known != wantKnown || known && load != *list[0].Load {
				t.Errorf("%+v %+v: %s %v %v, of %+v", p, b, load, known, all, list)
			}
		}
	}
}
