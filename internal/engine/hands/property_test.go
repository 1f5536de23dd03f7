package hands_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/consistency"
	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

var sameMass = cmp.Comparer(func(a, b mass.Mass) bool { return a == b })

const milliLb = 45_359_237

// source hands out numbers below n.
type source interface{ IntN(n int) int }

func pick[T any](s source, from []T) T { return from[s.IntN(len(from))] }

var procedures = []record.HandProcedure{record.HandRepeated, record.HandRepeated, record.HandFivePositions, record.HandRapidExchange}

// random makes series whose readings are whole tenths of a pound.
func random(s source, n int) []record.HandSeries {
	series := make([]record.HandSeries, n)
	for i := range series {
		series[i] = record.HandSeries{Number: i + 1, Measure: pick(s, record.HandMeasures()[:2]), Hand: pick(s, record.Hands()), Procedure: pick(s, procedures)}
		for k := range 1 + s.IntN(6) {
			position := 2
			if series[i].Procedure == record.HandFivePositions {
				position = k%5 + 1
			}
			reading := mass.FromUnits(int64(400+s.IntN(800)) * 100 * milliLb)
			series[i].Trials = append(series[i].Trials, record.HandTrial{Number: k + 1, Position: position, Reading: reading})
		}
	}
	return series
}

func shuffle(r *rand.Rand, series []record.HandSeries) {
	r.Shuffle(len(series), func(i, j int) { series[i], series[j] = series[j], series[i] })
	for i := range series {
		trials := series[i].Trials
		r.Shuffle(len(trials), func(i, j int) { trials[i], trials[j] = trials[j], trials[i] })
	}
}

var worse = map[record.Verdict]int{record.TaskWithin: 0, record.TaskShort: 1, record.TaskNotTested: 2}

// TestProperties: the order of series, readings and strengths changes nothing; a tenth of a pound more on one reading lowers no strength and
// worsens no verdict.
func TestProperties(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	person := record.Person{AgeYears: 42, Sex: record.Male}
	body := &record.BodyMeasures{StatureMM: 1780}
	for range 2000 {
		demands := []record.HandDemand{{Measure: record.Grip, Force: mass.FromUnits(int64(400+r.IntN(800)) * 100 * milliLb)}, {Measure: record.TipPinch, Hand: record.LeftHand, Force: mass.FromUnits(80_000 * milliLb)}}
		series := random(r, 1+r.IntN(6))
		before, tests := hands.Of(series, person, body), hands.GripTests(series)
		matched := hands.Match(demands, before)
		shuffle(r, series)
		after := hands.Of(series, person, body)
		if diff := cmp.Diff(before, after, sameMass); diff != "" {
			t.Fatalf("another order: %s", diff)
		}
		if diff := cmp.Diff(tests, hands.GripTests(series), sameMass); diff != "" {
			t.Fatalf("another order: %s", diff)
		}
		r.Shuffle(len(after), func(i, j int) { after[i], after[j] = after[j], after[i] })
		if diff := cmp.Diff(matched, hands.Match(demands, after), sameMass); diff != "" {
			t.Fatalf("another order of strengths: %s", diff)
		}
		trial := &pick(r, series).Trials[0]
		trial.Reading = trial.Reading.Add(mass.FromUnits(100 * milliLb))
		stronger := hands.Of(series, person, body)
		for i := range before {
			if stronger[i].Strength.Less(before[i].Strength) {
				t.Fatalf("a stronger reading lowers %v to %v", before[i].Strength, stronger[i].Strength)
			}
		}
		for i, m := range hands.Match(demands, stronger) {
			if worse[m.Verdict] > worse[matched[i].Verdict] {
				t.Fatalf("a stronger reading worsens %+v to %+v", matched[i], m)
			}
		}
	}
}

// TestTwins: the same masses entered in pounds and in kilograms give the same bytes.
func TestTwins(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	person := record.Person{AgeYears: 33, Sex: record.Female}
	for range 500 {
		pounds := random(r, 1+r.IntN(5))
		kilograms := slices.Clone(pounds)
		for i := range kilograms {
			kilograms[i].Trials = slices.Clone(pounds[i].Trials)
			for k := range kilograms[i].Trials {
				value, _ := kilograms[i].Trials[k].Reading.In(mass.Kilogram)
				kilograms[i].Trials[k].Reading = kg(t, value)
				if value, _ = pounds[i].Trials[k].Reading.In(mass.Pound); lb(t, value) != kilograms[i].Trials[k].Reading {
					t.Fatal("no twins")
				}
			}
		}
		if diff := cmp.Diff(hands.Of(pounds, person, nil), hands.Of(kilograms, person, nil), sameMass); diff != "" {
			t.Fatal(diff)
		}
	}
}

// TestGripTests: what each hand's tests are put together from, and what is left out.
func TestGripTests(t *testing.T) {
	five := run(t, 5, record.RightHand, record.HandFivePositions, 1, "60 lb, 80 lb, 90 lb, 75 lb, 55 lb, 62 lb, 88 lb")
	for i := range five.Trials {
		five.Trials[i].Position = 5 - i%5
	}
	four := run(t, 4, record.RightHand, record.HandFivePositions, 1, "60 lb, 80 lb, 90 lb, 75 lb, 55 lb")
	for i := range four.Trials {
		four.Trials[i].Position = min(i+1, 4)
	}
	moved := repeated(t, 2, record.RightHand, "70 lb, 70 lb, 70 lb")
	moved.Trials[2].Position = 3
	pinch := repeated(t, 1, record.RightHand, "10 lb, 10 lb, 10 lb")
	pinch.Measure = record.TipPinch
	series := []record.HandSeries{
		run(t, 9, record.RightHand, record.HandRapidExchange, 2, "82 lb, 88 lb"), repeated(t, 8, record.RightHand, "91 lb, 92 lb"), repeated(t, 7, record.RightHand, "80 lb, 81 lb, 82 lb"),
		repeated(t, 6, record.RightHand, "85 lb, 86 lb, 87 lb"), five, four, moved, pinch, run(t, 3, record.RightHand, record.HandRapidExchange, 2, "87 lb"),
		run(t, 10, record.LeftHand, record.HandRapidExchange, 2, "80 lb"),
	}
	limits := consistency.GripTest{Hand: grip.Right, CutoffPercent: 15, FlatPercent: 10, MixedPercent: 15}
	first, second, curve, exchange := limits, limits, limits, limits
	first.Series, first.Trials = 6, masses(t, "85 lb, 86 lb, 87 lb")
	second.Series, second.Trials = 7, masses(t, "80 lb, 81 lb, 82 lb")
	curve.Series, curve.Positions = 5, masses(t, "55 lb, 75 lb, 90 lb, 88 lb, 62 lb")
	exchange.Series, exchange.Static, exchange.Rapid = 9, lb(t, "92"), lb(t, "88")
	if diff := cmp.Diff([]consistency.GripTest{first, second, curve, exchange}, hands.GripTests(series), sameMass); diff != "" {
		t.Error(diff)
	}
	// A static test beside the left hand's exchange makes a test of it, after the right.
	got := hands.GripTests(append(series, repeated(t, 11, record.LeftHand, "85 lb")))
	left := limits
	left.Hand, left.Series, left.Static, left.Rapid = grip.Left, 10, lb(t, "85"), lb(t, "80")
	if diff := cmp.Diff(left, got[len(got)-1], sameMass); len(got) != 5 || diff != "" {
		t.Errorf("%d tests: %s", len(got), diff)
	}
	if got := hands.GripTests(series[1:2]); got != nil {
		t.Errorf("a static test alone is compared with nothing: %+v", got)
	}
	if got := hands.GripTests(nil); got != nil {
		t.Error(got)
	}
}

// TestGripTestsAreSound: what is put together of sound series breaks no rule of the consistency package.
func TestGripTestsAreSound(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	for range 300 {
		tests := hands.GripTests(random(r, 1+r.IntN(8)))
		if _, err := consistency.Assess(consistency.Input{Grip: tests, Settings: consistency.DefaultSettings()}); err != nil {
			t.Fatalf("%+v: %v", tests, err)
		}
	}
}

// TestCutoffIsPublished: the cut-off is the mildest of those on record.
func TestCutoffIsPublished(t *testing.T) {
	high := 0.0
	for _, c := range grip.Cutoffs() {
		high = max(high, c.Percent)
	}
	if high != hands.CutoffPercent {
		t.Errorf("the mildest cut-off is %v", high)
	}
}

// FuzzHands: any record, no panic; a strength is at most the strongest reading, and within only when it reaches the demand.
func FuzzHands(f *testing.F) {
	f.Add("grip", "right", "repeated", "male", 42, 1780, int64(5e12), int64(4e12), int64(3e12), 2, int64(4e12))
	f.Add("", "both", "five_positions", "female", -1, -1, int64(-1), int64(1<<62), int64(-1<<63), 5, int64(0))
	f.Fuzz(func(t *testing.T, measure, hand, procedure, sex string, age, stature int, a, b, c int64, position int, force int64) {
		s := record.HandSeries{Measure: record.HandMeasure(measure), Hand: record.Hand(hand), Procedure: record.HandProcedure(procedure), Trials: []record.HandTrial{
			{Number: 2, Position: position, Reading: mass.FromUnits(a)}, {Number: 1, Position: 2, Reading: mass.FromUnits(b)}, {Number: 3, Reading: mass.FromUnits(c)},
		}}
		other := s
		other.Hand, other.Trials = record.LeftHand, append(slices.Clone(s.Trials), record.HandTrial{Position: 4}, record.HandTrial{Position: 1})
		series := []record.HandSeries{s, other, {Number: 7}}
		found := hands.Of(series, record.Person{AgeYears: age, Sex: record.Sex(sex)}, &record.BodyMeasures{StatureMM: stature})
		if most := mass.FromUnits(max(a, b, c, 0)); len(found) != 2 || most.Less(found[0].Strength) {
			t.Fatalf("%+v", found)
		}
		for _, m := range hands.Match([]record.HandDemand{{Measure: record.Grip, Force: mass.FromUnits(force)}}, found) {
			if m.Verdict == record.TaskWithin && m.Strength.Less(m.Demand) || m.Verdict == record.TaskShort && m.ShortBy.Units() <= 0 {
				t.Fatalf("%+v", m)
			}
		}
		for _, test := range hands.GripTests(series) {
			if test.Series == 0 {
				t.Fatalf("a test of no series: %+v", test)
			}
		}
		hands.Symptom(series)
	})
}

// BenchmarkOf is a full examination of grip: three readings, five positions and rapid exchange of each hand, with every set of norms.
func BenchmarkOf(b *testing.B) {
	var series []record.HandSeries
	for i, hand := range record.Hands() {
		series = append(series, run(b, 3*i+1, hand, record.HandRepeated, 2, "100 lb, 104 lb, 103 lb"), run(b, 3*i+2, hand, record.HandFivePositions, 1, "80 lb, 95 lb, 104 lb, 98 lb, 85 lb"),
			run(b, 3*i+3, hand, record.HandRapidExchange, 2, "98 lb, 99 lb, 101 lb"))
		for k := range 5 {
			series[3*i+1].Trials[k].Position = k + 1
		}
	}
	person, body := record.Person{AgeYears: 42, Sex: record.Male}, &record.BodyMeasures{StatureMM: 1780}
	demands := []record.HandDemand{{Measure: record.Grip, Force: mass.FromUnits(80_000 * milliLb)}}
	b.ReportAllocs()
	for b.Loop() {
		found := hands.Of(series, person, body)
		if len(hands.Match(demands, found)) != 2 || len(hands.GripTests(series)) != 6 {
			b.Fatal(found)
		}
	}
}
