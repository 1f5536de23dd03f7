package recipe

import (
	"testing"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// kitOf makes a kit of up to 24 inserts from bytes.
func kitOf(tote int64, data []byte) record.Kit {
	k := unitKit(tote)
	for i, b := range data[:min(len(data), 24)] {
		k.Inserts = append(k.Inserts, record.Piece{Code: string(rune('a' + i)), Mass: mass.FromUnits(int64(b)), VerifiedOn: "2026-01-01"})
	}
	return k
}

// FuzzSearch: no panic; what is listed makes the load within the tolerance, in order; nothing is listed exactly when the nearest are not within.
func FuzzSearch(f *testing.F) {
	f.Add(int64(5), []byte{5, 5, 2, 2, 1}, int64(15), int64(0), 10)
	f.Add(int64(1), []byte{}, int64(1), int64(-1), 0)
	f.Fuzz(func(t *testing.T, tote int64, data []byte, target, tolerance int64, most int) {
		k := kitOf(tote, data)
		a, err := Search(k, mass.FromUnits(target), mass.FromUnits(tolerance), most)
		for i, r := range a.Recipes {
			made, loadErr := Load(k, r.Codes)
			if loadErr != nil || made != r.Load || r.Load.Sub(mass.FromUnits(target)) != r.Off || max(r.Off.Units(), -r.Off.Units()) > tolerance {
				t.Fatalf("%v: made %v, off %v, %v", r, made, r.Off, loadErr)
			}
			if i > 0 && inOrder(k, a.Recipes[i-1], r) >= 0 {
				t.Fatalf("%v is not before %v", a.Recipes[i-1], r)
			}
		}
		if (err == nil) != (len(a.Recipes) > 0) {
			t.Fatalf("%d recipes and %v", len(a.Recipes), err)
		}
		if a.Below != nil && a.Above != nil {
			near := min(target-a.Below.Units(), a.Above.Units()-target)
			if near < 0 || (near <= tolerance) != (len(a.Recipes) > 0) {
				t.Fatalf("nearest %v %v, %d recipes", a.Below, a.Above, len(a.Recipes))
			}
		}
	})
}

// FuzzOther: no panic; the alternative has another count.
func FuzzOther(f *testing.F) {
	f.Add(int64(5), []byte{5, 5, 2, 2, 1}, "ab", int64(0))
	f.Fuzz(func(t *testing.T, tote int64, data []byte, used string, tolerance int64) {
		var codes []string
		for _, r := range used[:min(len(used), 30)] {
			codes = append(codes, string(r))
		}
		k := kitOf(tote, data)
		a, err := Other(k, codes, mass.FromUnits(tolerance))
		if err == nil && (len(a.Codes) == len(codes) || max(a.Off.Units(), -a.Off.Units()) > tolerance) {
			t.Fatalf("%v for %v", a, codes)
		}
	})
}

// FuzzCheckCalibration: no panic for any text.
func FuzzCheckCalibration(f *testing.F) {
	f.Add("2026-01-01", "2026-02-01", "a", 30, "warn")
	f.Add("0001-01-01", "9999-12-31", "", 36500, "block")
	f.Fuzz(func(t *testing.T, verified, on, code string, days int, action string) {
		k := kitOf(5, []byte{5})
		k.Inserts[0].VerifiedOn = verified
		c, err := CheckCalibration(k, []string{code}, on, Policy{days, Action(action)})
		if (len(c.Lapses) > 0) != (c.Action != "") || err != nil && len(c.Lapses) > 0 || (c.Text() == "") != (len(c.Lapses) == 0) {
			t.Fatalf("%v %v", c, err)
		}
	})
}
