package stats

import (
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ponderal.example/internal/fault"
)

func checkViolation(t *testing.T, what string, err error, field, rule string) {
	t.Helper()
	if rule == "" {
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
		return
	}
	var e *fault.Error
	if !errors.As(err, &e) || e.Kind != fault.Invalid {
		t.Errorf("%s: error %v, want Invalid", what, err)
		return
	}
	for _, v := range e.Violations {
		if v.Field == field && v.Rule == rule && v.Text != "" {
			return
		}
	}
	t.Errorf("%s: violations %+v, want %s %s", what, e.Violations, field, rule)
}

// ascending is 1 to n.
func ascending(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = float64(i + 1)
	}
	return out
}

func TestRefusals(t *testing.T) {
	nan, inf, up := math.NaN(), math.Inf(1), ascending(3)
	spearman := func(x, y []float64) error { _, err := Spearman(x, y); return err }
	kendall := func(x, y []float64) error { _, err := Kendall(x, y); return err }
	slope := func(x, y []float64) error { _, err := TheilSen(x, y); return err }
	limits := func(x, y []float64) error { _, err := BlandAltman(x, y); return err }
	repeated := func(x, y []float64) error { _, err := Repeatability(x, y); return err }
	for _, tt := range []struct {
		name        string
		err         error
		field, rule string
	}{
		{"spearman of 3", spearman(up, up), "", ""},
		{"spearman of 2", spearman(up[:2], up[:2]), "x", RuleCount},
		{"spearman of 2000", spearman(ascending(2000), ascending(2000)), "", ""},
		{"spearman of 2001", spearman(ascending(2001), ascending(2001)), "x", RuleCount},
		{"kendall lengths", kendall(up, ascending(4)), "y", RuleLengths},
		{"kendall NaN", kendall([]float64{1, nan, 2}, up), "x[1]", RuleValue},
		{"kendall Inf", kendall(up, []float64{1, 2, inf}), "y[2]", RuleValue},
		{"kendall 1e12", kendall(up, []float64{-1e12, 2, 1e12}), "", ""},
		{"kendall above", kendall(up, []float64{1, 2, 1.0001e12}), "y[2]", RuleValue},
		{"kendall constant", kendall([]float64{5, 5, 5}, up), "x", RuleSpread},
		{"spearman constant", spearman(up, []float64{5, 5, 5}), "y", RuleSpread},
		{"slope of 2", slope(up[:2], up[:2]), "", ""},
		{"slope of 1", slope(up[:1], up[:1]), "x", RuleCount},
		{"slope of 500", slope(ascending(500), ascending(500)), "", ""},
		{"slope of 501", slope(ascending(501), ascending(501)), "x", RuleCount},
		{"slope of constant x", slope([]float64{5, 5, 5}, up), "x", RuleSpread},
		{"slope of constant y", slope(up, []float64{5, 5, 5}), "", ""},
		{"slope of too close x", slope([]float64{0, math.SmallestNonzeroFloat64}, []float64{0, 1}), "x", RuleSpread},
		{"slope too steep for an intercept", slope([]float64{1e12, math.Nextafter(1e12, 0), 0, 1e-300}, []float64{1e12, -1e12, 1e12, 1e-3}), "", ""},
		{"limits of 3", limits(up, up), "", ""},
		{"limits of 2", limits(up[:2], up[:2]), "first", RuleCount},
		{"repeatability of 2", repeated(up[:2], up[:2]), "", ""},
		{"repeatability of 1", repeated(up[:1], up[:1]), "second", RuleCount},
		{"repeatability lengths", repeated(up[:2], up), "second", RuleLengths},
	} {
		checkViolation(t, tt.name, tt.err, tt.field, tt.rule)
	}
}

func TestRefusalsOfParameters(t *testing.T) {
	nan := math.NaN()
	cv := func(list ...float64) error { _, err := CoefficientOfVariation(list); return err }
	sem := func(sd, icc float64) error { _, err := SEM(sd, icc); return err }
	mdc := func(s float64) error { _, err := MDC95(s); return err }
	icc := func(confidence float64, rows ...[]float64) error {
		_, err := IntraclassCorrelation(rows, confidence)
		return err
	}
	row := func(list ...float64) []float64 { return list }
	for _, tt := range []struct {
		name        string
		err         error
		field, rule string
	}{
		{"CV of 2", cv(1, 2), "", ""}, {"CV of 1", cv(1), "values", RuleCount}, {"CV with 0", cv(1, 0), "values[1]", RuleRange},
		{"CV of tiny", cv(1, math.SmallestNonzeroFloat64), "", ""}, {"CV with NaN", cv(nan, 1), "values[0]", RuleValue},
		{"SEM", sem(0, 1), "", ""}, {"SEM sd", sem(-1, 1), "sd", RuleRange}, {"SEM icc", sem(1, 1.001), "icc", RuleRange}, {"SEM icc below", sem(1, -0.001), "icc", RuleRange},
		{"SEM NaN", sem(nan, nan), "icc", RuleRange}, {"MDC", mdc(0), "", ""}, {"MDC below", mdc(-1), "sem", RuleRange}, {"MDC NaN", mdc(nan), "sem", RuleRange},
		{"ICC", icc(0.95, row(1, 2), row(3, 5)), "", ""}, {"ICC of 1 target", icc(0.95, row(1, 2)), "ratings", RuleCount},
		{"ICC of 1 rater", icc(0.95, row(1), row(2)), "ratings[0]", RuleCount}, {"ICC of 51 raters", icc(0.95, ascending(51), ascending(51)), "ratings[0]", RuleCount},
		{"ICC of 50 raters", icc(0.95, ascending(50), ascending(50)), "", ""},
		{"ICC gap", icc(0.95, row(1, 2), row(3, 5, 6)), "ratings[1]", RuleLengths}, {"ICC NaN", icc(0.95, row(1, nan), row(3, 5)), "ratings[0][1]", RuleValue},
		{"ICC constant", icc(0.95, row(1, 1), row(1, 1)), "ratings", RuleSpread},
		{"ICC confidence 0.5", icc(0.5, row(1, 2), row(3, 5)), "", ""}, {"ICC confidence 0.999", icc(0.999, row(1, 2), row(3, 5)), "", ""},
		{"ICC confidence low", icc(0.499, row(1, 2), row(3, 5)), "confidence", RuleRange}, {"ICC confidence high", icc(0.9991, row(1, 2), row(3, 5)), "confidence", RuleRange},
		{"ICC confidence NaN", icc(nan, row(1, 2), row(3, 5)), "confidence", RuleRange},
	} {
		checkViolation(t, tt.name, tt.err, tt.field, tt.rule)
	}
}

// TestICCAtItsEnds: perfect agreement is 1; raters a constant apart are consistent but do not agree; targets that do not differ leave the
// forms of means without a value.
func TestICCAtItsEnds(t *testing.T) {
	perfect, err := IntraclassCorrelation([][]float64{{1, 1}, {2, 2}, {4, 4}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range perfect.Forms {
		if !f.Defined || !f.IntervalDefined || f.Estimate != 1 || f.Lower != 1 || f.Upper != 1 || !f.FUnlimited || f.P != 0 {
			t.Errorf("perfect agreement: %+v", f)
		}
	}
	apart, err := IntraclassCorrelation([][]float64{{1.1, 3.1}, {2.2, 4.2}, {3.3, 5.3}, {6.6, 8.6}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if f := apart.Forms[2]; f.Estimate != 1 || !f.FUnlimited {
		t.Errorf("a constant apart: %+v", f)
	}
	// By hand: BMS 1.21·28/3, JMS 8, EMS 0: ICC(2,1) = BMS/(BMS + 2·8/4).
	bms := 1.21 * 28 / 3
	if f := apart.Forms[1]; math.Abs(f.Estimate-bms/(bms+4)) > 1e-14 || !f.IntervalDefined || f.Lower >= f.Estimate || f.Upper <= f.Estimate {
		t.Errorf("a constant apart: %+v", f)
	}
	// A hair that is more than rounding gives an error mean square.
	hair, err := IntraclassCorrelation([][]float64{{1.1, 3.1}, {2.2, 4.2}, {3.3, 5.3}, {6.6, 8.6 + 1e-10}}, 0.95)
	if err != nil || hair.Forms[2].FUnlimited || hair.Error <= 0 {
		t.Errorf("nearly a constant apart: %+v (%v)", hair, err)
	}
	flat, err := IntraclassCorrelation([][]float64{{1, 3}, {3, 1}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if f := flat.Forms[3]; f.Defined || f.IntervalDefined || f.Estimate != 0 {
		t.Errorf("targets alike: %+v", f)
	}
	if f := flat.Forms[0]; !f.Defined || f.Estimate != -1 {
		t.Errorf("targets alike: %+v", f)
	}
}

// enumerate counts every order of y in three tails, independently of the package's own counting.
func enumerate(x, y []float64, statistic func(x, y []float64) float64) [3]float64 {
	var values []float64
	var visit func(k int)
	order := slices.Clone(y)
	visit = func(k int) {
		if k == len(order) {
			values = append(values, statistic(x, order))
			return
		}
		for i := k; i < len(order); i++ {
			order[k], order[i] = order[i], order[k]
			visit(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	visit(0)
	observed, centre := statistic(x, y), mean(values)
	var tails [3]float64
	for _, v := range values {
		for i, counts := range []bool{v >= observed-1e-9, v <= observed+1e-9, math.Abs(v-centre) >= math.Abs(observed-centre)-1e-9} {
			if counts {
				tails[i] += 1 / float64(len(values))
			}
		}
	}
	return tails
}

// TestExactTailsByEnumeration: all orders of small random data, with and without ties in either variable.
func TestExactTailsByEnumeration(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	rho := func(x, y []float64) float64 {
		a, b, s := rankOf(x), rankOf(y), 0.0
		for i := range x {
			s += float64(a.doubled[i] * b.doubled[i])
		}
		return s
	}
	tau := func(x, y []float64) float64 { return float64(concordance(x, y)) }
	for range 60 {
		n := 3 + rng.IntN(5)
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = float64(rng.IntN(2+rng.IntN(30))), float64(rng.IntN(2+rng.IntN(30)))
		}
		if slices.Max(x) == slices.Min(x) || slices.Max(y) == slices.Min(y) {
			continue
		}
		s, errS := Spearman(x, y)
		k, errK := Kendall(x, y)
		if errS != nil || errK != nil || s.Method != Exact || k.Method != Exact {
			t.Fatal(errS, errK)
		}
		want := enumerate(x, y, rho)
		nearTails(t, "Spearman", s, want[:], 1e-9)
		want = enumerate(x, y, tau)
		nearTails(t, "Kendall", k, want[:], 1e-9)
		// The two ways of counting Kendall's statistic agree.
		both := k
		both.tails(permutations(rankOf(x).levels, rankOf(y).levels, concordanceOf), concordance(x, y), 1, 0)
		nearTails(t, "Kendall, counted by levels", both, want[:], 1e-9)
	}
}

// TestMethods: where each method ends and the next begins.
func TestMethods(t *testing.T) {
	tied := func(n int) []float64 {
		x := ascending(n)
		x[1] = x[0]
		return x
	}
	for _, tt := range []struct {
		name              string
		x, y              []float64
		spearman, kendall Method
		ties              bool
	}{
		{"10", ascending(10), ascending(10), Exact, Exact, false},
		{"10 tied", tied(10), tied(10), Exact, Exact, true},
		{"11", ascending(11), ascending(11), StudentApproximation, Exact, false},
		{"11, one tied", tied(11), ascending(11), StudentApproximation, Exact, true},
		{"11 tied", tied(11), tied(11), StudentApproximation, NormalApproximation, true},
		{"50", ascending(50), tied(50), StudentApproximation, Exact, true},
		{"51", ascending(51), ascending(51), StudentApproximation, NormalApproximation, false},
	} {
		s, errS := Spearman(tt.x, tt.y)
		k, errK := Kendall(tt.x, tt.y)
		if errS != nil || errK != nil {
			t.Fatal(errS, errK)
		}
		if s.Method != tt.spearman || k.Method != tt.kendall || s.Ties != tt.ties || k.Ties != tt.ties {
			t.Errorf("%s: %s %s ties %v %v", tt.name, s.Method, k.Method, s.Ties, k.Ties)
		}
		if tt.ties == false && (s.Coefficient != 1 || k.Coefficient != 1) {
			t.Errorf("%s: coefficients %v %v, want 1", tt.name, s.Coefficient, k.Coefficient)
		}
	}
	falling := ascending(12)
	slices.Reverse(falling)
	s, err := Spearman(ascending(12), falling)
	if err != nil || s.Coefficient != -1 || s.Greater != 1 || s.Less != 0 || s.TwoSided != 0 {
		t.Errorf("falling: %+v (%v)", s, err)
	}
}

// TestOrderOfPairs: permuting the pairs changes no correlation and no slope.
func TestOrderOfPairs(t *testing.T) {
	x, y := []float64{10, 20, 30, 40, 50, 60, 70}, []float64{2, 3, 3, 5, 4, 7, 8}
	s, _ := Spearman(x, y)
	k, _ := Kendall(x, y)
	line, _ := TheilSen(x, y)
	rng := rand.New(rand.NewPCG(5, 6))
	for range 20 {
		rng.Shuffle(len(x), func(i, j int) { x[i], x[j], y[i], y[j] = x[j], x[i], y[j], y[i] })
		s2, errS := Spearman(x, y)
		k2, errK := Kendall(x, y)
		line2, errL := TheilSen(x, y)
		if s2 != s || k2 != k || line2 != line || errS != nil || errK != nil || errL != nil {
			t.Fatalf("order matters: %+v %+v %+v", s2, k2, line2)
		}
	}
}

// TestBits: the same bits on every machine (computed on amd64; they hold on arm64 and wasm).
func TestBits(t *testing.T) {
	x, y := []float64{10, 20, 30, 40, 50, 60, 70, 80, 90, 100, 110}, []float64{2.5, 3, 3.5, 5, 4, 7, 6.5, 8, 8.5, 9, 7.5}
	s, errS := Spearman(x, y)
	k, errK := Kendall(x, y)
	line, errL := TheilSen(x, y)
	r, errR := IntraclassCorrelation([][]float64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}, 0.95)
	a, errA := BlandAltman(x, y)
	c, errC := CoefficientOfVariation(y)
	if err := errors.Join(errS, errK, errL, errR, errA, errC); err != nil {
		t.Fatal(err)
	}
	got := [...]float64{
		s.Coefficient, s.Greater, s.TwoSided, k.Coefficient, k.Greater, line.Slope, line.Intercept, r.Forms[1].Estimate, r.Forms[1].Lower,
		r.Forms[1].Upper, r.Forms[3].Lower, r.Forms[5].Upper, r.Forms[2].P, a.SD, a.BiasCI[0], a.Limits.UpperCI[1], c.CV,
	}
	want := [...]float64{
		0x1.dac37dac37dacp-01, 0x1.4d58270197577p-16, 0x1.4d58270197577p-15, 0x1.a2e8ba2e8ba2fp-01, 0x1.1566abc011567p-14, 0x1.1eb851eb851ecp-04,
		0x1.cccccccccccccp+00, 0x1.28b7d6128b7d7p-02, 0x1.33cc592337615p-06, 0x1.85acd9ba472e7p-01, -0x1.c4d59a27e7284p-01, 0x1.f8c6cb4644f4cp-01,
		0x1.1a34d932aecf9p-13, 0x1.efdf438965bc3p+04, 0x1.0a867340c19b6p+05, 0x1.2de2ef82a1bbdp+07, 0x1.99b9e372f1b7bp-02,
	}
	if got != want {
		t.Errorf("results %x, want %x", got, want)
	}
}

func FuzzPairs(f *testing.F) {
	add := func(values ...float64) {
		var b []byte
		for _, v := range values {
			b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
		}
		f.Add(b)
	}
	add(1, 2, 2, 3, 3, 5, 4, 4)
	add(1, 1, 1, 2, 2, 1, 2, 2)
	add(0, 1e12, 5e-324, -1e12, 1e-300, 1, 1e12, 1e-5)
	f.Fuzz(func(t *testing.T, b []byte) {
		var x, y []float64
		var rows [][]float64
		for len(b) >= 16 && len(x) < 40 {
			u, v := math.Float64frombits(binary.BigEndian.Uint64(b)), math.Float64frombits(binary.BigEndian.Uint64(b[8:]))
			x, y, b, rows = append(x, u), append(y, v), b[16:], append(rows, []float64{u, v})
		}
		s, errS := Spearman(x, y)
		k, errK := Kendall(x, y)
		line, errL := TheilSen(x, y)
		a, errA := BlandAltman(x, y)
		rep, errRep := Repeatability(x, y)
		cv, errCV := CoefficientOfVariation(x)
		icc, errI := IntraclassCorrelation(rows, 0.9)
		for _, err := range []error{errS, errK, errL, errA, errRep, errCV, errI} {
			if err != nil && !fault.Is(err, fault.Invalid) {
				t.Fatal(err)
			}
		}
		for _, c := range []Correlation{s, k} {
			if math.Abs(c.Coefficient) > 1+1e-12 || c.Greater < 0 || c.Greater > 1 || c.Less < 0 || c.Less > 1 || c.TwoSided < 0 || c.TwoSided > 1 {
				t.Fatalf("%v %v: %+v", x, y, c)
			}
		}
		values := []float64{s.Coefficient, k.Coefficient, line.Slope, line.Intercept, a.Bias, a.SD, a.BiasCI[0], a.Limits.UpperCI[1], rep.WithinSD, cv.CV, icc.SEMAgreement}
		for _, c := range icc.Forms {
			values = append(values, c.Estimate, c.Lower, c.Upper, c.F, c.P)
		}
		for i, v := range values {
			if !finite(v) {
				t.Fatalf("%v %v: value %d is %v", x, y, i, v)
			}
		}
	})
}

func BenchmarkSpearmanEightTied(b *testing.B) {
	benchmarkCorrelation(b, Spearman, ascending(8), []float64{2, 3, 3, 4, 5, 5, 7, 8})
}

func BenchmarkSpearmanTen(b *testing.B) {
	benchmarkCorrelation(b, Spearman, ascending(10), []float64{2, 1, 4, 3, 6, 5, 8, 7, 10, 9})
}

func BenchmarkKendallEightTied(b *testing.B) {
	benchmarkCorrelation(b, Kendall, ascending(8), []float64{2, 3, 3, 4, 5, 5, 7, 8})
}

func benchmarkCorrelation(b *testing.B, f func(x, y []float64) (Correlation, error), x, y []float64) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := f(x, y); err != nil {
			b.Fatal(err)
		}
	}
}
