package consistency

import (
	"testing"

	"ponderal.example/internal/mass"
)

// untied is 6 series of 8 trials without ties in a series.
func untied() Input {
	in := Input{Settings: DefaultSettings()}
	for i := range 6 {
		var rows []row
		for j := range 8 {
			rows = append(rows, row{10 * (j + 1), 2*j + i%2, 80 + 5*j, max(0, j-5)})
		}
		in.Series = append(in.Series, series(i+1, rows...))
	}
	return in
}

// realistic is 6 series of 8 trials as they are recorded: ratings and heart rates that repeat, some out of order, in three series a load
// that was handled again, in the last blinded trials of the loads of the first.
func realistic() Input {
	sem := mass.FromUnits(220_000_000_000)
	in := Input{Settings: DefaultSettings(), SEM: &sem, SEMSource: "s"}
	efforts := [][8]int{{4, 4, 6, 8, 10, 10, 12, 14}, {2, 4, 4, 6, 8, 10, 14, 13}, {4, 5, 6, 6, 8, 12, 12, 16}, {2, 2, 4, 8, 8, 10, 13, 14}, {4, 6, 6, 8, 9, 9, 12, 15}, {4, 6, 6, 8, 10, 11, 13, 13}}
	rates := [][8]int{{82, 88, 88, 94, 101, 99, 108, 115}, {78, 84, 84, 90, 95, 102, 102, 111}, {80, 83, 87, 92, 92, 99, 104, 112}, {85, 84, 90, 96, 96, 103, 110, 118}, {79, 85, 91, 91, 98, 97, 105, 109}, {81, 86, 86, 93, 97, 103, 103, 116}}
	loads := [2][8]int{{10, 20, 30, 40, 50, 60, 70, 80}, {10, 20, 30, 40, 50, 60, 60, 65}}
	for i := range 6 {
		var rows []row
		for j := range 8 {
			rows = append(rows, row{loads[i%2][j], efforts[i][j], rates[i][j], max(0, j-5)})
		}
		in.Series = append(in.Series, series(i+1, rows...))
	}
	for j := range in.Series[5].Trials {
		in.Series[5].Trials[j].Blinded = true
	}
	highest := mass.FromUnits(65 * 45_359_237_000)
	in.Retests = FindRetests(in.Series, func(int) *mass.Mass { return &highest })
	return in
}

// wildest is 6 series whose measurements are tied and hardly related.
func wildest() Input {
	in := realistic()
	for i := range in.Series {
		for j, k := range [8]int{4, 1, 6, 3, 0, 5, 7, 2} {
			e, hr := *realistic().Series[i].Trials[k].Effort, *realistic().Series[i].Trials[7-k].HeartRate
			in.Series[i].Trials[j].Effort, in.Series[i].Trials[j].HeartRate = &e, &hr
		}
	}
	return in
}

func benchmarkOf(b *testing.B, in Input) {
	b.ReportAllocs()
	for b.Loop() {
		if r := Of(in); r.Assessed == 0 {
			b.Fatal(r.Summary)
		}
	}
}

// TestAllocations: a report takes few of them, however its measurements are tied.
func TestAllocations(t *testing.T) {
	for name, in := range map[string]Input{"untied": untied(), "realistic": realistic(), "wildest": wildest()} {
		if n := testing.AllocsPerRun(20, func() { Of(in) }); n > 20 {
			t.Errorf("%s: %v allocations, want at most 20", name, n)
		}
	}
}

func BenchmarkOfUntied(b *testing.B) { benchmarkOf(b, untied()) }

func BenchmarkOfRealistic(b *testing.B) { benchmarkOf(b, realistic()) }

func BenchmarkOfWildest(b *testing.B) { benchmarkOf(b, wildest()) }

func BenchmarkAssess(b *testing.B) {
	in := realistic()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Assess(in); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkToRecord is of the report of a realistic session.
func BenchmarkToRecord(b *testing.B) {
	r := Of(realistic())
	b.ReportAllocs()
	for b.Loop() {
		if c := ToRecord(r); len(c.Indicators) == 0 {
			b.Fatal("nothing")
		}
	}
}
