package recipe

import (
	"cmp"
	"errors"
	"fmt"
	"math/bits"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func load(t testing.TB, value string, unit mass.Unit) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, unit)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// kit has a tote and inserts with codes A01, A02 and so on.
func kit(t testing.TB, unit mass.Unit, tote string, inserts ...string) record.Kit {
	t.Helper()
	k := record.Kit{Tote: record.Piece{Code: "T", Mass: load(t, tote, unit), VerifiedOn: "2026-01-01"}}
	for i, v := range inserts {
		k.Inserts = append(k.Inserts, record.Piece{Code: fmt.Sprintf("A%02d", i+1), Mass: load(t, v, unit), VerifiedOn: "2026-01-01"})
	}
	return k
}

// unitKit has masses in whole units of 1e-11 kg.
func unitKit(tote int64, inserts ...int64) record.Kit {
	k := record.Kit{Tote: record.Piece{Code: "T", Mass: mass.FromUnits(tote), VerifiedOn: "2026-01-01"}}
	for i, n := range inserts {
		k.Inserts = append(k.Inserts, record.Piece{Code: fmt.Sprintf("A%02d", i+1), Mass: mass.FromUnits(n), VerifiedOn: "2026-01-01"})
	}
	return k
}

func rules(err error) []string {
	var e *fault.Error
	if !errors.As(err, &e) {
		return nil
	}
	var out []string
	for _, v := range e.Violations {
		out = append(out, v.Field+" "+v.Rule)
	}
	return out
}

func codesOf(recipes []Recipe) []string {
	var out []string
	for _, r := range recipes {
		out = append(out, strings.Join(r.Codes, "+"))
	}
	return out
}

// TestTen: 10 = 5 + 5 = 5 + 2.5 + 2.5, inserts of the usual 2.5, 5 and 10 (common practice, no source), beside a tote of 5 lb.
func TestTen(t *testing.T) {
	k := kit(t, mass.Pound, "5", "5", "5", "2.5", "2.5", "10")
	got, err := Search(k, load(t, "15", mass.Pound), mass.Zero(), 10)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"A05", "A01+A02", "A01+A03+A04"}
	if diff := gocmp.Diff(want, codesOf(got.Recipes)); diff != "" || got.Cut || got.Partial {
		t.Errorf("recipes (-want +got):\n%s cut %v", diff, got.Cut)
	}
	first, err := Search(k, load(t, "15", mass.Pound), mass.Zero(), 2)
	if err != nil || len(first.Recipes) != 2 || !first.Cut {
		t.Errorf("two of three: %v, cut %v, %v", codesOf(first.Recipes), first.Cut, err)
	}
	all, err := Search(k, load(t, "15", mass.Pound), mass.Zero(), 3)
	if err != nil || len(all.Recipes) != 3 || all.Cut {
		t.Errorf("three of three: cut %v, %v", all.Cut, err)
	}
}

// TestKilograms: a kit in kilograms, and the same load asked for in pounds.
func TestKilograms(t *testing.T) {
	k := kit(t, mass.Kilogram, "2.26796185", "2.26796185", "1.25", "1.25", "2.5", "5")
	got, err := Search(k, load(t, "10", mass.Pound), mass.Zero(), 10)
	if err != nil || !gocmp.Equal(codesOf(got.Recipes), []string{"A01"}) {
		t.Errorf("10 lb from two pieces of 5 lb weighed in kg: %v, %v", codesOf(got.Recipes), err)
	}
	got, err = Search(k, load(t, "7.26796185", mass.Kilogram), mass.Zero(), 10)
	if err != nil || !gocmp.Equal(codesOf(got.Recipes), []string{"A05", "A04+A02+A03"}) {
		t.Errorf("5 kg on the tote: %v, %v", codesOf(got.Recipes), err)
	}
}

// TestToleranceBounds: a load exactly at the tolerance is within, one unit of 1e-11 kg less is not.
func TestToleranceBounds(t *testing.T) {
	k := unitKit(1000, 500)
	for _, c := range []struct {
		target, tolerance int64
		makes             bool
	}{{1600, 100, true}, {1600, 99, false}, {1400, 100, true}, {1400, 99, false}, {1000, 0, true}, {900, 100, true}, {900, 99, false}} {
		got, err := Search(k, mass.FromUnits(c.target), mass.FromUnits(c.tolerance), 5)
		if (err == nil) != c.makes || (len(got.Recipes) == 1) != c.makes {
			t.Errorf("%+v: %v, %v", c, got, err)
		}
		if !c.makes && !slices.Equal(rules(err), []string{"target " + RuleNothingWithin}) {
			t.Errorf("%+v: %v", c, rules(err))
		}
	}
}

// TestNearest: what can be made is named when the target cannot.
func TestNearest(t *testing.T) {
	k := kit(t, mass.Pound, "5", "10", "2.5")
	got, err := Search(k, load(t, "12.5", mass.Pound), load(t, "2.499", mass.Pound), 5)
	var e *fault.Error
	if !errors.As(err, &e) || got.Below == nil || got.Above == nil {
		t.Fatalf("%v %v", got, err)
	}
	if got.Below.String() != "7.5 lb" || got.Above.String() != "15 lb" || !strings.Contains(e.Violations[0].Text, "7.5 lb below and 15 lb above") {
		t.Errorf("nearest %v %v: %s", got.Below, got.Above, e.Violations[0].Text)
	}
	got, _ = Search(k, load(t, "20", mass.Pound), mass.Zero(), 5)
	if got.Above != nil || got.Below.String() != "17.5 lb" {
		t.Errorf("beyond the kit: %v %v", got.Below, got.Above)
	}
	got, _ = Search(k, load(t, "4", mass.Pound), mass.Zero(), 5)
	if got.Below != nil || got.Above.String() != "5 lb" {
		t.Errorf("below the tote: %v %v", got.Below, got.Above)
	}
}

// TestOther: the retest of 10 on the tote has another count and as few of the same codes as can be.
func TestOther(t *testing.T) {
	k := kit(t, mass.Pound, "5", "5", "5", "2.5", "2.5", "2.5", "2.5")
	got, err := Other(k, []string{"A01", "A02"}, mass.Zero())
	if err != nil || strings.Join(got.Codes, "+") != "A03+A04+A05+A06" || got.Shared != 0 || !got.Off.IsZero() {
		t.Errorf("other than 5+5: %v, %v", got, err)
	}
	got, err = Other(k, []string{"A03", "A04", "A05", "A06"}, mass.Zero())
	if err != nil || strings.Join(got.Codes, "+") != "A01+A02" {
		t.Errorf("other than 4 x 2.5: %v, %v", got, err)
	}
	got, err = Other(kit(t, mass.Pound, "5", "5", "5", "2.5", "2.5"), []string{"A01", "A02"}, mass.Zero())
	if err != nil || strings.Join(got.Codes, "+") != "A01+A03+A04" || got.Shared != 1 {
		t.Errorf("one code in common is the least: %v, %v", got, err)
	}
	// Two pieces of 5 make 10 in one way only, whichever they are: the same count is no alternative.
	_, err = Other(kit(t, mass.Pound, "5", "5", "5", "5", "5"), []string{"A01", "A02"}, load(t, "4.999", mass.Pound))
	if !slices.Equal(rules(err), []string{"used " + RuleAlternative}) {
		t.Errorf("no alternative: %v", rules(err))
	}
	got, err = Other(kit(t, mass.Pound, "5", "5", "5", "5", "5"), []string{"A01", "A02"}, load(t, "5", mass.Pound))
	if err != nil || got.Load.String() != "10 lb" || got.Shared != 0 {
		t.Errorf("just within the tolerance: %v, %v", got, err)
	}
}

func TestRules(t *testing.T) {
	good := kit(t, mass.Pound, "5", "5")
	many := unitKit(1000)
	for i := range MaxInserts + 1 {
		many.Inserts = append(many.Inserts, record.Piece{Code: fmt.Sprint(i), Mass: mass.FromUnits(1), VerifiedOn: "2026-01-01"})
	}
	ten := load(t, "10", mass.Pound)
	heavy := mass.FromUnits(maxUnits + 1)
	for name, c := range map[string]struct {
		kit               record.Kit
		target, tolerance mass.Mass
		most              int
		want              []string
	}{
		"good":             {good, ten, mass.Zero(), 1, nil},
		"most at bound":    {good, ten, mass.Zero(), MaxListed, nil},
		"none listed":      {good, ten, mass.Zero(), 0, []string{"most " + RuleCount}},
		"too many listed":  {good, ten, mass.Zero(), MaxListed + 1, []string{"most " + RuleCount}},
		"no target":        {good, mass.Zero(), mass.Zero(), 1, []string{"target " + RuleMass}},
		"heavy target":     {good, heavy, mass.Zero(), 1, []string{"target " + RuleMass}},
		"tolerance":        {good, ten, mass.FromUnits(-1), 1, []string{"tolerance " + RuleTolerance}},
		"tolerance high":   {good, ten, heavy, 1, []string{"tolerance " + RuleTolerance}},
		"tolerance bound":  {good, ten, mass.FromUnits(maxUnits), 1, nil},
		"too many inserts": {many, ten, mass.Zero(), 1, []string{"kit.inserts " + RuleCount}},
		"heavy insert":     {unitKit(1, maxUnits+1), ten, ten, 1, []string{"kit.inserts[0].mass " + RuleMass}},
		"insert at bound":  {unitKit(1, maxUnits), ten, ten, 1, nil},
		"negative tote":    {unitKit(-1, 5), ten, ten, 1, []string{"kit.tote.mass " + RuleMass}},
		"no mass":          {unitKit(1, 0), ten, ten, 1, []string{"kit.inserts[0].mass kit.mass_positive"}},
	} {
		_, err := Search(c.kit, c.target, c.tolerance, c.most)
		if diff := gocmp.Diff(c.want, rules(err)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
	if _, err := Load(good, []string{"A01", "A01"}); !slices.Equal(rules(err), []string{"used[1] " + RuleCode}) {
		t.Errorf("repeated code: %v", rules(err))
	}
	if _, err := Other(good, []string{"T"}, mass.Zero()); !slices.Equal(rules(err), []string{"used[0] " + RuleCode}) {
		t.Errorf("the tote is no insert: %v", rules(err))
	}
	if got, err := Load(good, []string{"A01"}); err != nil || got != ten {
		t.Errorf("Load = %v, %v", got, err)
	}
}

// brute is the search by trying all sets, one for each choice of how many of each mass.
func brute(k record.Kit, target, tolerance int64) (found []Recipe, below, above int64) {
	below, above = -1, -1
	seen := map[string]bool{}
	for set := range uint(1) << len(k.Inserts) {
		total := k.Tote.Mass.Units()
		var pieces []record.Piece
		for i, p := range k.Inserts {
			if set>>i&1 == 1 {
				total += p.Mass.Units()
				pieces = append(pieces, p)
			}
		}
		if total <= target && total > below {
			below = total
		}
		if total >= target && (above < 0 || total < above) {
			above = total
		}
		off := total - target
		slices.SortFunc(pieces, func(a, b record.Piece) int { return cmp.Or(b.Mass.Cmp(a.Mass), cmp.Compare(a.Code, b.Code)) })
		key := ""
		r := Recipe{Load: mass.FromUnits(total), Off: mass.FromUnits(off)}
		for _, p := range pieces {
			key += fmt.Sprint(p.Mass.Units(), " ")
			r.Codes = append(r.Codes, p.Code)
		}
		// Sets count up, so the first of equal masses has the first codes.
		if max(off, -off) <= tolerance && !seen[key] {
			seen[key] = true
			found = append(found, r)
		}
	}
	return found, below, above
}

// massesOf spells a recipe by its masses, heaviest first, so that "more of the heavier" compares greater.
func massesOf(k record.Kit, r Recipe) []int64 {
	var out []int64
	for _, c := range r.Codes {
		out = append(out, insertOf(k, c).Mass.Units())
	}
	return out
}

func inOrder(k record.Kit, a, b Recipe) int {
	fa, fb := a.Off.Units(), b.Off.Units()
	return cmp.Or(cmp.Compare(max(fa, -fa), max(fb, -fb)), cmp.Compare(len(a.Codes), len(b.Codes)), cmp.Compare(fa, fb),
		slices.Compare(massesOf(k, b), massesOf(k, a)))
}

// TestAgainstAllSets compares answer, order, nearest loads and alternative with trying all sets of random small kits.
func TestAgainstAllSets(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	for range 400 {
		k := unitKit(1 + random.Int64N(20))
		for i := range random.IntN(11) {
			k.Inserts = append(k.Inserts, record.Piece{Code: fmt.Sprintf("A%02d", i+1), Mass: mass.FromUnits(1 + random.Int64N(1+random.Int64N(40))), VerifiedOn: "2026-01-01"})
		}
		target, tolerance := 1+random.Int64N(150), random.Int64N(8)
		want, below, above := brute(k, target, tolerance)
		slices.SortFunc(want, func(a, b Recipe) int { return inOrder(k, a, b) })
		got, err := Search(k, mass.FromUnits(target), mass.FromUnits(tolerance), MaxListed)
		if (err == nil) != (len(want) > 0) || got.Cut != (len(want) > MaxListed) || got.Partial {
			t.Fatalf("%v target %d tolerance %d: %v, cut %v, want %d", k.Inserts, target, tolerance, err, got.Cut, len(want))
		}
		want = want[:min(len(want), MaxListed)]
		if diff := gocmp.Diff(codesOf(want), codesOf(got.Recipes)); diff != "" {
			t.Fatalf("%v target %d tolerance %d (-want +got):\n%s", k, target, tolerance, diff)
		}
		for i := range want {
			if want[i].Load != got.Recipes[i].Load || want[i].Off != got.Recipes[i].Off {
				t.Fatalf("load %v off %v, want %v", got.Recipes[i].Load, got.Recipes[i].Off, want[i])
			}
		}
		if unitsOf(got.Below) != below || unitsOf(got.Above) != above {
			t.Fatalf("nearest %d %d, want %d %d", unitsOf(got.Below), unitsOf(got.Above), below, above)
		}
		compareOther(t, random, k, tolerance)
	}
}

func unitsOf(m *mass.Mass) int64 {
	if m == nil {
		return -1
	}
	return m.Units()
}

// compareOther compares the choice for a retest of a random recipe with trying all sets.
func compareOther(t *testing.T, random *rand.Rand, k record.Kit, tolerance int64) {
	t.Helper()
	set := random.Uint64N(1 << len(k.Inserts))
	var used []string
	total := k.Tote.Mass.Units()
	for i, p := range k.Inserts {
		if set>>i&1 == 1 {
			used = append(used, p.Code)
			total += p.Mass.Units()
		}
	}
	type key struct{ far, shared, count, off int64 }
	var best *key
	for other := range uint64(1) << len(k.Inserts) {
		sum := k.Tote.Mass.Units()
		for i, p := range k.Inserts {
			if other>>i&1 == 1 {
				sum += p.Mass.Units()
			}
		}
		off := sum - total
		c := key{max(off, -off), int64(bits.OnesCount64(other & set)), int64(bits.OnesCount64(other)), off}
		if c.far > tolerance || c.count == int64(len(used)) {
			continue
		}
		if best == nil || cmp.Or(cmp.Compare(c.far, best.far), cmp.Compare(c.shared, best.shared), cmp.Compare(c.count, best.count), cmp.Compare(c.off, best.off)) < 0 {
			best = &c
		}
	}
	got, err := Other(k, used, mass.FromUnits(tolerance))
	if (err == nil) != (best != nil) {
		t.Fatalf("%v used %v: %v, want %v", k.Inserts, used, err, best)
	}
	if best == nil {
		return
	}
	off := got.Off.Units()
	if c := (key{max(off, -off), int64(got.Shared), int64(len(got.Codes)), off}); c != *best {
		t.Fatalf("%v used %v: %v %+v, want %+v", k.Inserts, used, got, c, *best)
	}
	if made, err := Load(k, got.Codes); err != nil || made != got.Load {
		t.Fatalf("the codes make %v, not %v (%v)", made, got.Load, err)
	}
	shared := 0
	for _, c := range got.Codes {
		if slices.Contains(used, c) {
			shared++
		}
	}
	if shared != got.Shared {
		t.Fatalf("shares %d, says %d", shared, got.Shared)
	}
}

// TestLargeKits: 60 inserts in groups and 40 distinct ones are searched whole; 60 that share sums are exact but cut; 60 powers of a
// kind are partial and say so.
func TestLargeKits(t *testing.T) {
	var grouped, forty, summed, wild []int64
	for i := range int64(60) {
		grouped = append(grouped, 1000*(1+i%4))
		summed = append(summed, 1000+i)
		wild = append(wild, 1_000_000_000+i*i*i*i*i+i*7919*104729)
		if i < 40 {
			forty = append(forty, 1_000_000_000+i*i*i*i*i+i*7919*104729)
		}
	}
	got, err := Search(unitKit(1, grouped...), mass.FromUnits(75_001), mass.Zero(), 10)
	if err != nil || got.Partial || !got.Cut || len(got.Recipes) != 10 || len(got.Recipes[0].Codes) != 20 {
		t.Errorf("grouped: %v, cut %v partial %v", err, got.Cut, got.Partial)
	}
	got, err = Search(unitKit(1, summed...), mass.FromUnits(1+1000+1001+1002), mass.Zero(), 10)
	if err != nil || got.Partial || !got.Cut || len(got.Recipes) == 0 || !got.Recipes[0].Off.IsZero() {
		t.Errorf("summed: %v, cut %v partial %v", err, got.Cut, got.Partial)
	}
	target := int64(1)
	for i := 0; i < 40; i += 3 {
		target += forty[i]
	}
	got, err = Search(unitKit(1, forty...), mass.FromUnits(target), mass.Zero(), 10)
	if err != nil || got.Partial || len(got.Recipes) == 0 {
		t.Errorf("forty: %v, partial %v", err, got.Partial)
	}
	got, err = Search(unitKit(1, wild...), mass.FromUnits(1_000_000_001), mass.FromUnits(maxUnits), 10)
	if err != nil || !got.Partial || len(got.Recipes) != 10 {
		t.Errorf("wild: %v, partial %v", err, got.Partial)
	}
}

func TestCalibration(t *testing.T) {
	k := kit(t, mass.Pound, "5", "5", "5")
	k.Inserts[1].VerifiedOn = "2025-12-31"
	year := Policy{MaxAgeDays: 365, Action: Block}
	for name, c := range map[string]struct {
		codes  []string
		on     string
		policy Policy
		want   Calibration
	}{
		"at the bound":      {nil, "2026-12-31", year, Calibration{}},
		"a day beyond":      {nil, "2027-01-01", year, Calibration{Block, []Lapse{{"A02", "2025-12-31", 366}}}},
		"not in use":        {[]string{"A01"}, "2027-01-01", year, Calibration{}},
		"tote always":       {[]string{"A01"}, "2027-01-02", Policy{365, Warn}, Calibration{Warn, []Lapse{{"T", "2026-01-01", 366}, {"A01", "2026-01-01", 366}}}},
		"same day":          {[]string{"A01"}, "2026-01-01", Policy{1, Warn}, Calibration{}},
		"verified tomorrow": {[]string{"A02"}, "2025-12-31", Policy{1, Warn}, Calibration{Warn, []Lapse{{"T", "2026-01-01", -1}}}},
	} {
		// 2026 has 365 days: 2025-12-31 to 2026-12-31 is exactly 365 days.
		got, err := CheckCalibration(k, c.codes, c.on, c.policy)
		if diff := gocmp.Diff(c.want, got); diff != "" || err != nil {
			t.Errorf("%s: %v (-want +got):\n%s", name, err, diff)
		}
	}
	got, _ := CheckCalibration(k, []string{"A02"}, "2025-12-31", Policy{1, Warn})
	if got.Text() != "T verified on 2026-01-01, which is later than the day of use" {
		t.Error(got.Text())
	}
	got, _ = CheckCalibration(k, nil, "2027-01-01", year)
	if got.Text() != "A02 verified on 2025-12-31, 366 days before" {
		t.Error(got.Text())
	}
	_, err := CheckCalibration(k, []string{"X"}, "2026-02-30", Policy{0, "stop"})
	if diff := gocmp.Diff([]string{"used[0] " + RuleCode, "on " + RuleDate, "policy.max_age_days " + RulePolicy, "policy.action " + RulePolicy}, rules(err)); diff != "" {
		t.Error(diff)
	}
	if _, err := CheckCalibration(k, nil, "2026-02-01", Policy{36_500, Warn}); err != nil {
		t.Error(err)
	}
	if _, err := CheckCalibration(k, nil, "2026-02-01", Policy{36_501, Warn}); err == nil {
		t.Error("an age of 36501 days was taken")
	}
}
