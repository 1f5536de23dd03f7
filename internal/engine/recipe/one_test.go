package recipe

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// TestMakeAgainstAllSets compares the recipe, and the nearest loads, with trying all sets of random small kits within random bounds.
func TestMakeAgainstAllSets(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 17))
	made, refused := 0, 0
	for range 3000 {
		k := unitKit(1 + random.Int64N(20))
		for i := range random.IntN(10) {
			k.Inserts = append(k.Inserts, record.Piece{Code: fmt.Sprintf("A%02d", i+1), Mass: mass.FromUnits(1 + random.Int64N(1+random.Int64N(40))), VerifiedOn: "2026-01-01"})
		}
		target := 1 + random.Int64N(120)
		low, high := max(0, target-random.Int64N(6)), target+random.Int64N(6)
		want := trial(k, nil, target, low, high)
		w := Wanted{Target: mass.FromUnits(target), Low: mass.FromUnits(low), High: mass.FromUnits(high)}
		got, err := Make(k, w)
		if err != nil {
			t.Fatal(err)
		}
		holdMade(t, k, w, got, want)
		w.DifferFrom = []string{}
		for _, p := range k.Inserts {
			if random.IntN(3) == 0 {
				w.DifferFrom = append(w.DifferFrom, p.Code)
			}
		}
		if got, err = Make(k, w); err != nil {
			t.Fatal(err)
		}
		holdMade(t, k, w, got, trial(k, w.DifferFrom, target, low, high))
		if got.Recipe != nil {
			made++
		} else {
			refused++
		}
	}
	if made < 300 || refused < 300 {
		t.Errorf("made %d, refused %d", made, refused)
	}
}

// tried is the best set with the nearest loads; -1 where there is none.
type tried struct {
	found               bool
	far, shared, count  int64
	off                 int64
	masses              []int64
	below, above, loads int64
}

// trial tries all sets.
func trial(k record.Kit, used []string, target, low, high int64) tried {
	best := tried{below: -1, above: -1}
	for set := range uint(1) << len(k.Inserts) {
		c := tried{loads: k.Tote.Mass.Units()}
		for i, p := range k.Inserts {
			if set>>i&1 == 0 {
				continue
			}
			c.loads += p.Mass.Units()
			c.count++
			c.masses = append(c.masses, p.Mass.Units())
			if slices.Contains(used, p.Code) {
				c.shared++
			}
		}
		if used != nil && int(c.count) == len(used) {
			continue
		}
		if c.loads <= target && c.loads > best.below {
			best.below = c.loads
		}
		if c.loads >= target && (best.above < 0 || c.loads < best.above) {
			best.above = c.loads
		}
		c.off = c.loads - target
		c.far = max(c.off, -c.off)
		slices.SortFunc(c.masses, func(a, b int64) int { return cmp.Compare(b, a) })
		if c.loads < low || c.loads > high {
			continue
		}
		before := cmp.Or(cmp.Compare(c.far, best.far), cmp.Compare(c.shared, best.shared), cmp.Compare(c.count, best.count),
			cmp.Compare(c.off, best.off), slices.Compare(best.masses, c.masses)) < 0
		if !best.found || before {
			c.below, c.above, c.found = best.below, best.above, true
			best = c
		}
	}
	return best
}

func holdMade(t *testing.T, k record.Kit, w Wanted, got Made, want tried) {
	t.Helper()
	if unitsOf(got.Below) != want.below || unitsOf(got.Above) != want.above || (got.Recipe != nil) != want.found {
		t.Fatalf("%+v of %+v: %+v, want %+v", w, k, got, want)
	}
	if !want.found {
		return
	}
	made, err := Load(k, got.Recipe.Codes)
	if err != nil || made != got.Recipe.Load || made.Units() != want.loads || got.Recipe.Off.Units() != want.off {
		t.Fatalf("%+v of %+v: %+v, %v, want %+v", w, k, got.Recipe, err, want)
	}
	shared := int64(0)
	for _, code := range got.Recipe.Codes {
		if slices.Contains(w.DifferFrom, code) {
			shared++
		}
	}
	if shared != want.shared {
		t.Fatalf("%+v: %v shares %d, want %d", w, got.Recipe.Codes, shared, want.shared)
	}
	if diff := gocmp.Diff(want.masses, massesOf(k, *got.Recipe)); diff != "" && len(want.masses) > 0 {
		t.Fatalf("%+v of %+v (-want +got):\n%s", w, k, diff)
	}
}

// TestMakeBounds: both bounds are included, a unit beyond is not; a target outside them, and an unknown code, are refused.
func TestMakeBounds(t *testing.T) {
	k := unitKit(1000, 500)
	wanted := func(target, low, high int64) Wanted {
		return Wanted{Target: mass.FromUnits(target), Low: mass.FromUnits(low), High: mass.FromUnits(high)}
	}
	for _, c := range []struct {
		w    Wanted
		load int64
	}{
		{wanted(1490, 1490, 1500), 1500}, {wanted(1490, 1490, 1499), -1}, {wanted(1510, 1500, 1510), 1500}, {wanted(1510, 1501, 1510), -1},
		{wanted(1000, 1000, 1000), 1000}, {wanted(1240, 1000, 1500), 1000}, {wanted(1260, 1000, 1500), 1500},
	} {
		got, err := Make(k, c.w)
		switch {
		case err != nil:
			t.Errorf("%+v: %v", c.w, err)
		case got.Recipe == nil && c.load >= 0, got.Recipe != nil && got.Recipe.Load.Units() != c.load:
			t.Errorf("%+v: %+v, want %d", c.w, got.Recipe, c.load)
		}
	}
	for _, w := range []Wanted{wanted(10, 11, 12), wanted(10, 8, 9), wanted(0, 0, 1), wanted(10, -1, 10)} {
		if _, err := Make(k, w); len(rules(err)) == 0 {
			t.Errorf("%+v is taken", w)
		}
	}
	w := wanted(1500, 1500, 1500)
	w.DifferFrom = []string{"B"}
	if _, err := Make(k, w); !slices.Equal(rules(err), []string{"used[0] " + RuleCode}) {
		t.Errorf("unknown code: %v", err)
	}
}
