package limits_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/limits"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

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

func hand(t testing.TB, series int, measure record.HandMeasure, side record.Hand, procedure record.HandProcedure, strength string, trials int) record.HandStrength {
	return record.HandStrength{SeriesNumber: series, Measure: measure, Hand: side, Procedure: procedure, Strength: parse(t, strength), Trials: trials}
}

func limit(kind record.LimitKind, basis record.Basis, series int, text string) record.WorkLimit {
	return record.WorkLimit{Text: text, Kind: kind, Basis: basis, SeriesNumber: series}
}

func TestLoads(t *testing.T) {
	const measured, projected = record.Measured, record.Projected
	ch := capacity.Choose([]record.Capacity{
		of(t, 7, record.Pull, record.Frequent, ""),
		of(t, 6, record.Push, record.Occasional, "40 lb"),
		of(t, 5, record.Carry, record.Frequent, "20.5 kg"),
		of(t, 4, record.FloorShoulder, record.Constant, "10 lb"),
		of(t, 3, record.ShoulderOverhead, record.Occasional, ""),
		of(t, 2, record.WaistShoulder, record.Occasional, "22.6796185 kg"),
		of(t, 8, record.WaistShoulder, record.Frequent, "30 lb"),
		of(t, 1, record.FloorWaist, record.Occasional, "35 lb"),
	})
	want := []record.WorkLimit{
		limit(record.LimitLoad, measured, 1, "floor to waist, occasionally, up to 35 lb (15.9 kg)"),
		limit(record.LimitLoad, projected, 1, "floor to waist, frequently, up to 17.5 lb (7.9 kg), projected from the occasional pace, not measured"),
		limit(record.LimitLoad, projected, 1, "floor to waist, constantly, up to 7 lb (3.2 kg), projected from the occasional pace, not measured"),
		limit(record.LimitLoad, measured, 2, "waist to shoulder, occasionally, up to 50 lb (22.7 kg)"),
		limit(record.LimitLoad, measured, 8, "waist to shoulder, frequently, up to 30 lb (13.6 kg)"),
		limit(record.LimitLoad, projected, 2, "waist to shoulder, constantly, up to 10 lb (4.5 kg), projected from the occasional pace, not measured"),
		limit(record.LimitLoad, measured, 3, "shoulder to overhead, occasionally: no load was accepted"),
		limit(record.LimitLoad, measured, 4, "floor to shoulder, constantly, up to 10 lb (4.5 kg)"),
		limit(record.LimitLoad, measured, 5, "carry, frequently, up to 20.5 kg (45.2 lb)"),
		limit(record.LimitLoad, projected, 5, "carry, constantly, up to 8.2 kg (18.1 lb), projected from the frequent pace, not measured"),
		limit(record.LimitLoad, measured, 6, "push, occasionally, up to 40 lb (18.1 kg) of force"),
		limit(record.LimitLoad, measured, 7, "pull, frequently: no force was accepted"),
	}
	if diff := cmp.Diff(want, limits.Of(&ch, project.Of(&ch), nil, nil)); diff != "" {
		t.Errorf("with projections (-want +got):\n%s", diff)
	}
	want = slices.DeleteFunc(want, func(l record.WorkLimit) bool { return l.Basis == projected })
	if diff := cmp.Diff(want, limits.Of(&ch, nil, nil, nil)); diff != "" {
		t.Errorf("without (-want +got):\n%s", diff)
	}
	// A projection of a pace that was measured is not stated beside it.
	stray := []record.ProjectedCapacity{{Zone: record.FloorWaist, Pace: record.Occasional, Load: parse(t, "9 lb"), FromPace: record.Occasional}}
	if diff := cmp.Diff(want, limits.Of(&ch, stray, nil, nil)); diff != "" {
		t.Errorf("measured and projected (-want +got):\n%s", diff)
	}
}

func TestHandsAndPositions(t *testing.T) {
	const repeated = record.HandRepeated
	found := []record.HandStrength{
		hand(t, 1, record.KeyPinch, record.LeftHand, repeated, "14 lb", 1),
		hand(t, 2, record.Grip, record.LeftHand, repeated, "71 lb", 3),
		hand(t, 3, record.Grip, record.RightHand, repeated, "80 lb", 3),
		hand(t, 4, record.Grip, record.RightHand, repeated, "78 lb", 3),
		hand(t, 5, record.Grip, record.RightHand, record.HandFivePositions, "60 lb", 5),
		hand(t, 6, record.TipPinch, record.RightHand, record.HandRapidExchange, "10 lb", 6),
		hand(t, 7, record.PalmarPinch, record.RightHand, repeated, "8.5 kg", 2),
	}
	positions := []record.PositionTolerance{
		{SeriesNumber: 1, Position: record.Kneeling, Tolerance: record.ToleratedFrequent},
		{SeriesNumber: 2, Position: record.Sitting, Tolerance: record.ToleratedConstant},
		{SeriesNumber: 3, Position: record.Kneeling, Tolerance: record.ToleratedOccasional},
		{SeriesNumber: 4, Position: record.Kneeling, Tolerance: record.ToleratedOccasional},
		{SeriesNumber: 5, Position: record.ClimbingLadder, Tolerance: record.ToleratedNever},
		{SeriesNumber: 6, Position: record.ReachingOverhead, Tolerance: record.ToleratedFrequent},
		{SeriesNumber: 7, Position: record.Walking},
	}
	want := []record.WorkLimit{
		limit(record.LimitHand, record.Measured, 4, "right hand, grip: 78 lb (35.4 kg), mean of 3 readings"),
		limit(record.LimitHand, record.Measured, 2, "left hand, grip: 71 lb (32.2 kg), mean of 3 readings"),
		limit(record.LimitHand, record.Measured, 1, "left hand, key pinch: 14 lb (6.4 kg), one reading"),
		limit(record.LimitHand, record.Measured, 7, "right hand, palmar pinch: 8.5 kg (18.7 lb), mean of 2 readings"),
		// The shares of a working day are those of DOT Appendix C (S05): a third, two thirds.
		limit(record.LimitPosition, "", 2, "sitting: constantly, two thirds of the working day or more"),
		limit(record.LimitPosition, "", 5, "climbing ladder: never"),
		limit(record.LimitPosition, "", 3, "kneeling: occasionally, up to a third of the working day"),
		limit(record.LimitPosition, "", 6, "reaching overhead: frequently, up to two thirds of the working day"),
	}
	ch := capacity.Choose(nil)
	r := rand.New(rand.NewPCG(5, 7))
	for range 50 {
		if diff := cmp.Diff(want, limits.Of(&ch, nil, found, positions)); diff != "" {
			t.Fatalf("(-want +got):\n%s", diff)
		}
		r.Shuffle(len(found), func(i, j int) { found[i], found[j] = found[j], found[i] })
		r.Shuffle(len(positions), func(i, j int) { positions[i], positions[j] = positions[j], positions[i] })
	}
	if got := limits.Of(&ch, nil, nil, nil); len(got) != 0 {
		t.Errorf("%d limits of nothing", len(got))
	}
}

// TestWords: every word of the vocabulary has its own text without an underscore.
func TestWords(t *testing.T) {
	seen := map[string]bool{}
	check := func(text string) {
		t.Helper()
		if text == "" || strings.Contains(text, "_") || seen[text] {
			t.Errorf("%q is not fit for people, or stands for two things", text)
		}
		seen[text] = true
	}
	for _, z := range record.Zones() {
		check(limits.ZoneWords(z))
	}
	for _, p := range record.Paces() {
		check(limits.PaceWord(p))
		if got := limits.ToleranceWord(record.Tolerance(p)); got != limits.PaceWord(p) {
			t.Errorf("tolerance %s is %q", p, got)
		}
	}
	check(limits.ToleranceWord(record.ToleratedNever))
	for _, m := range record.HandMeasures() {
		check(limits.MeasureWords(m))
	}
	for _, p := range record.Positions() {
		check(limits.PositionWords(p))
	}
}

// TestEveryPosition: each position of the vocabulary is listed, in its order.
func TestEveryPosition(t *testing.T) {
	var found []record.PositionTolerance
	for i, p := range record.Positions() {
		found = append([]record.PositionTolerance{{SeriesNumber: i + 1, Position: p, Tolerance: record.ToleratedNever}}, found...)
	}
	ch := capacity.Choose(nil)
	got := limits.Of(&ch, nil, nil, found)
	for i, l := range got {
		if l.SeriesNumber != i+1 {
			t.Errorf("place %d: %q", i, l.Text)
		}
	}
	if len(got) != len(found) {
		t.Errorf("%d limits of %d positions", len(got), len(found))
	}
}

// TestMass: the text is what mass spells and rounds, for whole thousandths of a pound, for decimals of a kilogram, and for any unit. A pound is
// 0.45359237 kg (international yard and pound agreement, 1959).
func TestMass(t *testing.T) {
	for text, want := range map[string]string{
		"0 kg": "0 kg (0.0 lb)", "10 lb": "10 lb (4.5 kg)", "20 lb": "20 lb (9.1 kg)", "50 lb": "50 lb (22.7 kg)", "100 lb": "100 lb (45.4 kg)",
		"4.5359237 kg": "10 lb (4.5 kg)", "9.0718474 kg": "20 lb (9.1 kg)", "22.6796185 kg": "50 lb (22.7 kg)", "45.359237 kg": "100 lb (45.4 kg)",
		"0.001 lb": "0.001 lb (0.0 kg)", "20.5 kg": "20.5 kg (45.2 lb)", "0.00000000001 kg": "0.00000000001 kg (0.0 lb)", "1000 kg": "1000 kg (2204.6 lb)",
	} {
		if got := limits.Mass(parse(t, text)); got != want {
			t.Errorf("%s: %q, want %q", text, got, want)
		}
	}
	r := rand.New(rand.NewPCG(6, 7))
	for range 50_000 {
		for _, units := range []int64{
			r.Int64N(2_204_000) * 45_359_237, r.Int64N(1_000_000) * 100_000_000, r.Int64N(100_000_000_000_000), r.Int64() - r.Int64(),
			// Halves of a tenth of a kilogram and of a pound.
			(2*r.Int64N(20_000) + 1) * 5_000_000_000, (2*r.Int64N(40_000)+1)*2_267_961_850 + int64(r.IntN(3)-1),
		} {
			m := mass.FromUnits(units)
			_, unit := m.Canonical()
			other := mass.Pound
			if unit == mass.Pound {
				other = mass.Kilogram
			}
			if want := m.String() + " (" + m.Rounded(other, 1) + " " + string(other) + ")"; limits.Mass(m) != want {
				t.Fatalf("%d: %q, want %q", units, limits.Mass(m), want)
			}
		}
	}
}

func BenchmarkOf(b *testing.B) {
	var capacities []record.Capacity
	for i, z := range record.Zones()[:6] {
		capacities = append(capacities, of(b, i+1, z, record.Occasional, "37.5 lb"))
	}
	ch := capacity.Choose(capacities)
	projected := project.Of(&ch)
	b.ReportAllocs()
	for b.Loop() {
		limits.Of(&ch, projected, nil, nil)
	}
}
