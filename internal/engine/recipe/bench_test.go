package recipe

import (
	"testing"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// worst are kits of 24 inserts that make a search work: all masses different, and in one of them nearly equal, so that every count
// has a cluster of sums.
func worst() map[string]record.Kit {
	var powers, near, steps []int64
	for i := range 24 {
		powers = append(powers, 1<<i)
		near = append(near, 226_796_185_000+int64(i*i*i)*7919)
		steps = append(steps, int64(i+1)*45_359_237_000)
	}
	var even, pair []int64
	for i := range int64(24) {
		// Even masses around 5 lb: no sum is odd. One pair leaves 23 groups, which do not halve evenly.
		even = append(even, 2*(113_398_092_500+i*i*7919))
		pair = append(pair, 226_796_185_000+max(i, 1)*7_920_361)
	}
	var grouped []int64
	for i := range int64(24) {
		grouped = append(grouped, (1+i%4)*113_398_092_500)
	}
	return map[string]record.Kit{"powers": unitKit(1, powers...), "near": unitKit(1, near...), "steps": unitKit(1, steps...), "grouped": unitKit(1, grouped...),
		"even": unitKit(2, even...), "pair": unitKit(1, pair...)}
}

// halfOf are the codes of every second insert.
func halfOf(k record.Kit) []string {
	var codes []string
	for i := 0; i < len(k.Inserts); i += 2 {
		codes = append(codes, k.Inserts[i].Code)
	}
	return codes
}

func BenchmarkSearch(b *testing.B) {
	for name, k := range worst() {
		target, err := Load(k, halfOf(k))
		if err != nil {
			b.Fatal(err)
		}
		for label, tolerance := range map[string]int64{"exact": 0, "wide": 200_000_000_000} {
			b.Run(name+"/"+label, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Search(k, target, mass.FromUnits(tolerance), MaxListed); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

// BenchmarkMake: the recipe of one load from the densest region of sums: exactly it, one that is made of nothing, and one that must look different.
func BenchmarkMake(b *testing.B) {
	for name, k := range worst() {
		target, err := Load(k, halfOf(k))
		if err != nil {
			b.Fatal(err)
		}
		off := target.Add(mass.FromUnits(1))
		for label, w := range map[string]Wanted{
			"exact":     {Target: target, Low: target, High: target},
			"nothing":   {Target: off, Low: off, High: off},
			"different": {Target: target, Low: target, High: target, DifferFrom: halfOf(k)},
			"wide":      {Target: off, Low: mass.FromUnits(1), High: target.Add(target), DifferFrom: halfOf(k)},
		} {
			b.Run(name+"/"+label, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Make(k, w); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func BenchmarkOther(b *testing.B) {
	for name, k := range worst() {
		used := halfOf(k)
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				// A kit of powers makes no load in two ways.
				if _, err := Other(k, used, mass.FromUnits(500_000_000_000)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
