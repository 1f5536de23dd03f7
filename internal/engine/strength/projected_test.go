package strength_test

import (
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/engine/strength"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func projection(t testing.TB, pace record.Pace, load string) record.ProjectedCapacity {
	return record.ProjectedCapacity{Zone: record.FloorWaist, Pace: pace, Load: lb(t, load), FromSeries: 1, FromPace: record.Occasional, Percent: 50}
}

func basis(z record.ZoneStrength, b record.Basis) record.ZoneStrength {
	z.Basis = b
	return z
}

// TestOfZoneProjected: projections of every kind, also such as no rule gives, so that each can limit.
func TestOfZoneProjected(t *testing.T) {
	const o, f, c = record.Occasional, record.Frequent, record.Constant
	const measured, projected = record.Measured, record.Projected
	for _, test := range []struct {
		name      string
		loads     [3]string // measured: occasional, frequent, constant; "-" not tested
		projected [3]string // the same, projected
		want      record.ZoneStrength
	}{
		{"no projection", [3]string{"35", "-", "-"}, [3]string{"-", "-", "-"}, level(t, record.Light, 1, o, record.Medium, "35")},
		{"projection limits", [3]string{"100", "-", "-"}, [3]string{"-", "24", "-"}, basis(level(t, record.Light, 1, f, record.Medium, "24"), projected)},
		{"projection on its bound limits", [3]string{"60", "-", "-"}, [3]string{"-", "25", "-"}, basis(level(t, record.Medium, 1, f, "", ""), projected)},
		{"projection does not limit", [3]string{"50", "-", "-"}, [3]string{"-", "26", "-"}, level(t, record.Medium, 1, o, "", "")},
		{"equally far: the measured one", [3]string{"60", "-", "-"}, [3]string{"-", "30", "-"}, level(t, record.Medium, 1, o, record.Heavy, "60")},
		{"projection a little further", [3]string{"60", "-", "-"}, [3]string{"-", "29.999", "-"}, basis(level(t, record.Medium, 1, f, record.Heavy, "29.999"), projected)},
		{"a later measured one takes a tie", [3]string{"100", "-", "10"}, [3]string{"-", "25", "-"}, level(t, record.Medium, 3, c, "", "")},
		{"a later projected one does not", [3]string{"100", "25", "-"}, [3]string{"-", "-", "10"}, level(t, record.Medium, 2, f, "", "")},
		{"a measured pace is not projected", [3]string{"50", "25", "-"}, [3]string{"-", "9", "-"}, level(t, record.Medium, 1, o, "", "")},
		{"the occasional pace is never projected", [3]string{"-", "25", "-"}, [3]string{"50", "-", "-"}, level(t, record.Light, 2, o, record.Medium, "25")},
		{"a projection alone is no test", [3]string{"-", "-", "-"}, [3]string{"-", "25", "-"}, record.ZoneStrength{}},

		{"very heavy, measured", [3]string{"101", "51", "21"}, [3]string{"-", "-", "-"}, basis(level(t, record.VeryHeavy, 0, "", "", ""), measured)},
		{"very heavy by a projection", [3]string{"101", "51", "-"}, [3]string{"-", "-", "21"}, basis(level(t, record.VeryHeavy, 0, "", "", ""), projected)},
		{"not in excess by a projection", [3]string{"101", "51", "-"}, [3]string{"-", "-", "20"}, basis(level(t, record.Heavy, 1, c, "", ""), projected)},
	} {
		var capacities []record.Capacity
		var projections []record.ProjectedCapacity
		for i, pace := range record.Paces() {
			if test.loads[i] != "-" {
				capacities = append(capacities, of(t, i+1, record.FloorWaist, pace, test.loads[i]))
			}
			if test.projected[i] != "-" {
				projections = append(projections, projection(t, pace, test.projected[i]))
			}
		}
		ch := capacity.Choose(capacities)
		got, ok := strength.OfZoneProjected(&ch, projections, record.FloorWaist)
		if diff := cmp.Diff(test.want, got, exactly); ok != (len(capacities) > 0) || diff != "" {
			t.Errorf("%s: tested %v (-want +got):\n%s", test.name, ok, diff)
		}
	}
}

// TestProjectedBounds: by the bounds of DOT Appendix C (02_dot_strength_levels.csv, S05 via S06), whoever stands exactly on a level's occasional
// bound reaches that level with the projections as without, and the measured pace limits; a thousandth of a pound less, in both units, does
// not reach it.
func TestProjectedBounds(t *testing.T) {
	checked := 0
	for _, row := range rows(t, "02_dot_strength_levels.csv") {
		if row["level"] == string(record.VeryHeavy) {
			continue
		}
		checked++
		want := record.Level(row["level"])
		bound := lb(t, row["occasional_lb_max"])
		kilograms, _ := bound.In(mass.Kilogram)
		twin, err := mass.Parse(kilograms, mass.Kilogram)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range []mass.Mass{bound, twin} {
			z := projectedAt(t, m)
			if diff := cmp.Diff(level(t, want, 1, record.Occasional, "", ""), z, exactly); diff != "" {
				t.Errorf("%s (-want +got):\n%s", m, diff)
			}
			less := m.Sub(thousandth)
			z = projectedAt(t, less)
			if strength.Rank(z.Level) != strength.Rank(want)-1 || z.Within != want || z.WithinUpTo == nil || *z.WithinUpTo != less || z.Basis != record.Measured {
				t.Errorf("%s: %+v, want the level below %s and within it", less, z, want)
			}
		}
	}
	if checked != 4 {
		t.Errorf("checked %d bounds, want 4", checked)
	}
	hundred := lb(t, "100")
	for _, over := range []mass.Mass{hundred.Add(mass.FromUnits(1)), hundred.Add(thousandth)} {
		want := record.ZoneStrength{Zone: record.FloorWaist, Level: record.VeryHeavy, Basis: record.Projected}
		if diff := cmp.Diff(want, projectedAt(t, over), exactly); diff != "" {
			t.Errorf("just above 100 lb (-want +got):\n%s", diff)
		}
	}
}

func projectedAt(t *testing.T, m mass.Mass) record.ZoneStrength {
	t.Helper()
	c := of(t, 1, record.FloorWaist, record.Occasional, "")
	c.Load = &m
	ch := capacity.Choose([]record.Capacity{c})
	z, ok := strength.OfZoneProjected(&ch, project.Of(&ch), record.FloorWaist)
	if !ok {
		t.Fatal("not tested")
	}
	return z
}

// drawn is a load, often on or a unit beside a bound; nil one time in eight.
func drawn(r *rand.Rand) *mass.Mass {
	m := mass.FromUnits(r.Int64N(130 * 45_359_237_000))
	if r.IntN(2) == 0 {
		bounds := []int64{5, 10, 20, 25, 40, 50, 60, 100}
		m = mass.FromUnits(bounds[r.IntN(len(bounds))]*45_359_237_000 + int64(r.IntN(3)-1))
	}
	if r.IntN(8) == 0 {
		return nil
	}
	return &m
}

// TestProjectionNeverRaises: with projections, whether by the rules or any others, no zone reaches more than without; and the rules' own never lower a level
// or take the place of a measured limit, since they are the table's ratios.
func TestProjectionNeverRaises(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 7))
	for range 50_000 {
		var capacities []record.Capacity
		for i, pace := range record.Paces() {
			if r.IntN(2) == 0 {
				c := of(t, i+1, record.FloorWaist, pace, "")
				c.Load = drawn(r)
				capacities = append(capacities, c)
			}
		}
		ch := capacity.Choose(capacities)
		plain, byRule := strength.OfZones(&ch), strength.OfZonesProjected(&ch, project.Of(&ch))
		for i := range byRule {
			if byRule[i].Level == record.VeryHeavy {
				byRule[i].Basis = record.Measured
			}
		}
		if diff := cmp.Diff(plain, byRule, exactly); diff != "" {
			t.Fatalf("by the rules (-without +with):\n%s", diff)
		}
		var others []record.ProjectedCapacity
		for _, pace := range record.Paces() {
			if m := drawn(r); m != nil {
				others = append(others, record.ProjectedCapacity{Zone: record.FloorWaist, Pace: pace, Load: *m, FromSeries: 9, FromPace: record.Occasional})
			}
		}
		for i, z := range strength.OfZonesProjected(&ch, others) {
			if strength.Rank(z.Level) > strength.Rank(plain[i].Level) {
				t.Fatalf("%s with a projection, %s without", z.Level, plain[i].Level)
			}
		}
	}
}

// TestMoreLoadNeverLowers: a heavier capacity at any pace, with the projections made of it, never reaches a lower level.
func TestMoreLoadNeverLowers(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 7))
	reached := func(capacities []record.Capacity) int {
		ch := capacity.Choose(capacities)
		z, _ := strength.OfZoneProjected(&ch, project.Of(&ch), record.FloorWaist)
		return strength.Rank(z.Level)
	}
	for range 50_000 {
		var capacities []record.Capacity
		for i, pace := range record.Paces() {
			if len(capacities) == 0 || r.IntN(2) == 0 {
				c := of(t, i+1, record.FloorWaist, pace, "")
				c.Load = drawn(r)
				capacities = append(capacities, c)
			}
		}
		before := reached(capacities)
		at := r.IntN(len(capacities))
		more := mass.FromUnits(r.Int64N(20 * 45_359_237_000))
		if capacities[at].Load != nil {
			more = more.Add(*capacities[at].Load)
		}
		capacities[at].Load = &more
		if after := reached(capacities); after < before {
			t.Fatalf("rank %d with more at the %s pace, %d before", after, capacities[at].Pace, before)
		}
	}
}

func BenchmarkOfZonesProjected(b *testing.B) {
	var capacities []record.Capacity
	for i, z := range record.Zones()[:6] {
		capacities = append(capacities, of(b, i+1, z, record.Occasional, "60"))
	}
	ch := capacity.Choose(capacities)
	projected := project.Of(&ch)
	b.ReportAllocs()
	for b.Loop() {
		strength.OfZonesProjected(&ch, projected)
	}
}
