package project_test

import (
	"encoding/csv"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

var exactly = cmp.Comparer(func(a, b mass.Mass) bool { return a == b })

func parse(t testing.TB, text string) mass.Mass {
	t.Helper()
	value, unit, _ := strings.Cut(text, " ")
	m, err := mass.Parse(value, mass.Unit(unit))
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return m
}

// of makes a tested capacity; an empty load is one of which nothing was accepted.
func of(t testing.TB, series int, zone record.Zone, pace record.Pace, load string) record.Capacity {
	c := record.Capacity{
		SeriesNumber: series, Zone: zone, Pace: pace, EndReason: record.EndVolitional, Trials: []record.TrialVerdict{{Number: 1, Status: record.TrialFailed}},
	}
	if load != "" {
		m := parse(t, load)
		c.Load = &m
	}
	return c
}

// want is "pace load percent from" in short: the zone and the source are the same in every case.
type want struct {
	pace    record.Pace
	load    string
	percent int
	series  int
	from    record.Pace
}

func TestOf(t *testing.T) {
	const o, f, c = record.Occasional, record.Frequent, record.Constant
	for _, test := range []struct {
		name  string
		loads [3]string // occasional (series 1), frequent (2), constant (3); "-" not tested, empty where nothing was accepted
		want  []want
	}{
		{"nothing tested", [3]string{"-", "-", "-"}, nil},
		{"occasional alone", [3]string{"50 lb", "-", "-"}, []want{{f, "25 lb", 50, 1, o}, {c, "10 lb", 20, 1, o}}},
		{"in kilograms", [3]string{"22.6796185 kg", "-", "-"}, []want{{f, "25 lb", 50, 1, o}, {c, "10 lb", 20, 1, o}}},
		{"kilograms that are no pounds", [3]string{"22.5 kg", "-", "-"}, []want{{f, "11.25 kg", 50, 1, o}, {c, "4.5 kg", 20, 1, o}}},
		{"rounded down", [3]string{"0.00000000013 kg", "-", "-"}, []want{{f, "0.00000000006 kg", 50, 1, o}, {c, "0.00000000002 kg", 20, 1, o}}},
		{"frequent alone", [3]string{"-", "25 lb", "-"}, []want{{c, "10 lb", 40, 2, f}}},
		{"no easier pace from a harder one", [3]string{"-", "-", "10 lb"}, nil},
		{"all measured", [3]string{"50 lb", "25 lb", "10 lb"}, nil},

		{"two rules: occasional gives less", [3]string{"49.999 lb", "25 lb", "-"}, []want{{c, "4.53583298152 kg", 20, 1, o}}},
		{"two rules: equal", [3]string{"50 lb", "25 lb", "-"}, []want{{c, "10 lb", 40, 2, f}}},
		{"two rules: frequent gives less", [3]string{"50.001 lb", "25 lb", "-"}, []want{{c, "10 lb", 40, 2, f}}},

		{"nothing accepted occasionally", [3]string{"", "-", "-"}, nil},
		{"nothing accepted occasionally, frequent handled", [3]string{"", "25 lb", "-"}, nil},
		{"nothing accepted frequently", [3]string{"50 lb", "", "-"}, nil},
		{"a load of nothing", [3]string{"0 kg", "-", "-"}, nil},
		{"nothing accepted constantly", [3]string{"50 lb", "-", ""}, []want{{f, "25 lb", 50, 1, o}}},

		{"constant measured just below the projection", [3]string{"50 lb", "-", "24.999 lb"}, []want{{f, "25 lb", 50, 1, o}}},
		{"constant measured as high", [3]string{"50 lb", "-", "25 lb"}, nil},
	} {
		var capacities []record.Capacity
		for i, load := range test.loads {
			if load != "-" {
				capacities = append(capacities, of(t, i+1, record.Carry, record.Paces()[i], load))
			}
		}
		var projected []record.ProjectedCapacity
		for _, w := range test.want {
			projected = append(projected, record.ProjectedCapacity{
				Zone: record.Carry, Pace: w.pace, Load: parse(t, w.load), FromSeries: w.series, FromPace: w.from, Percent: w.percent, Source: project.Source,
			})
		}
		ch := capacity.Choose(capacities)
		if diff := cmp.Diff(projected, project.Of(&ch), exactly); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
	}
}

// TestZones: every lift and the carry, in the order of zones and then of paces; never a force.
func TestZones(t *testing.T) {
	var capacities []record.Capacity
	for i, z := range record.Zones() {
		capacities = append([]record.Capacity{of(t, i+1, z, record.Occasional, "50 lb")}, capacities...)
	}
	ch := capacity.Choose(capacities)
	got := project.Of(&ch)
	var zones []record.Zone
	for i := range got {
		if want := record.Paces()[1+i%2]; got[i].Pace != want {
			t.Errorf("place %d: %s, want %s", i, got[i].Pace, want)
		}
		if i%2 == 0 {
			zones = append(zones, got[i].Zone)
		}
	}
	if diff := cmp.Diff(record.Zones()[:5], zones); diff != "" {
		t.Errorf("zones (-want +got):\n%s", diff)
	}
	for _, z := range record.Zones() {
		force := z == record.Push || z == record.Pull
		if found := project.Find(got, z, record.Constant) != nil; found == force {
			t.Errorf("%s is projected: %v", z, found)
		}
		if project.Find(got, z, record.Occasional) != nil {
			t.Errorf("%s: the measured pace is projected", z)
		}
	}
}

// TestPublishedRatios holds the rules against every row of the table of strength levels that has both numbers (02_dot_strength_levels.csv: US
// Dictionary of Occupational Titles, Appendix C, S05 via S06): whoever stands exactly on an upper bound is projected to exactly the bounds at
// the harder paces.
func TestPublishedRatios(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", "02_dot_strength_levels.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	const occasional, frequent, constant = 3, 5, 7
	if rows[0][occasional] != "occasional_lb_max" || rows[0][frequent] != "frequent_lb_max" || rows[0][constant] != "constant_lb_max" {
		t.Fatalf("columns %v", rows[0])
	}
	checked := 0
	number := func(cell string) bool { return cell != "" && cell != "negligible" }
	for _, row := range rows[1:] {
		for _, rule := range []struct {
			from, to, percent int
		}{
			{occasional, frequent, project.FrequentOfOccasional},
			{occasional, constant, project.ConstantOfOccasional},
			{frequent, constant, project.ConstantOfFrequent},
		} {
			if !number(row[rule.from]) || !number(row[rule.to]) {
				continue
			}
			checked++
			if got, want := project.Percent(parse(t, row[rule.from]+" lb"), rule.percent), parse(t, row[rule.to]+" lb"); got != want {
				t.Errorf("%s: %d %% of %s lb is %s, want %s", row[0], rule.percent, row[rule.from], got, want)
			}
		}
	}
	if checked != 7 {
		t.Errorf("checked %d ratios of the table, want 7", checked)
	}
}

// TestPercent against whole numbers of any size.
func TestPercent(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 7))
	for range 20_000 {
		units, percent := r.Int64N(1<<56), r.IntN(127)
		want := new(big.Int).Mul(big.NewInt(units), big.NewInt(int64(percent)))
		want.Div(want, big.NewInt(100))
		if got := project.Percent(mass.FromUnits(units), percent); got.Units() != want.Int64() {
			t.Fatalf("%d %% of %d is %d, want %s", percent, units, got.Units(), want)
		}
	}
}

// TestMoreNeverProjectsLess: a heavier measured load never lowers a projection, and no projection is above what was measured at an easier pace.
func TestMoreNeverProjectsLess(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 7))
	draw := func() *mass.Mass {
		if r.IntN(4) == 0 {
			return nil
		}
		m := mass.FromUnits(1 + r.Int64N(60_000)*45_359_237)
		return &m
	}
	for range 20_000 {
		occasional, frequent := of(t, 1, record.Carry, record.Occasional, ""), of(t, 2, record.Carry, record.Frequent, "")
		occasional.Load, frequent.Load = draw(), draw()
		capacities := []record.Capacity{occasional, frequent}[:1+r.IntN(2)]
		ch := capacity.Choose(capacities)
		before := project.Of(&ch)
		for i := range before {
			if occasional.Load.Less(before[i].Load) {
				t.Fatalf("projected %s from %s", before[i].Load, occasional.Load)
			}
		}
		if occasional.Load == nil {
			continue
		}
		more := occasional.Load.Add(mass.FromUnits(r.Int64N(45_359_237_000)))
		capacities[0].Load = &more
		ch = capacity.Choose(capacities)
		after := project.Of(&ch)
		if len(after) != len(before) {
			t.Fatalf("%d projections of %s, %d of %s", len(before), occasional.Load, len(after), more)
		}
		for i := range after {
			if after[i].Load.Less(before[i].Load) {
				t.Fatalf("%s gives %s, and %s gives %s", occasional.Load, before[i].Load, more, after[i].Load)
			}
		}
	}
}

func BenchmarkOf(b *testing.B) {
	var capacities []record.Capacity
	for i, z := range record.Zones()[:6] {
		capacities = append(capacities, of(b, i+1, z, record.Occasional, "50 lb"))
	}
	ch := capacity.Choose(capacities)
	b.ReportAllocs()
	for b.Loop() {
		project.Of(&ch)
	}
}
