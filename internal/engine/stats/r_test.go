package stats

import (
	"testing"
)

// rCorrelation is one random data set of testdata/reference/r/stats.json; tails are greater, less, two-sided.
type rCorrelation struct {
	X, Y          []float64
	Rho, Tau      float64
	SpearmanExact []float64 `json:"spearman_exact"`
	KendallExact  []float64 `json:"kendall_exact"`
	SpearmanT     []float64 `json:"spearman_t"`
	KendallNormal []float64 `json:"kendall_normal"`
	TheilSen      []float64 `json:"theil_sen"`
}

// TestCorrelationAgainstR: R 4.2.2, cor.test for data without ties, else every permutation counted in R.
func TestCorrelationAgainstR(t *testing.T) {
	var ref struct{ Correlation []rCorrelation }
	readJSON(t, "r/stats.json", &ref)
	exact := map[string]int{}
	for _, c := range ref.Correlation {
		s, err := Spearman(c.X, c.Y)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "rho", s.Coefficient, c.Rho, 1e-12)
		if s.Method == Exact && c.SpearmanExact != nil {
			exact["spearman"]++
			nearTails(t, "Spearman, exact", s, c.SpearmanExact, 1e-12)
		}
		approximate := s
		approximate.student()
		nearTails(t, "Spearman, t", approximate, c.SpearmanT, 1e-11)
		k, err := Kendall(c.X, c.Y)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "tau", k.Coefficient, c.Tau, 1e-12)
		if k.Method == Exact && c.KendallExact != nil {
			exact["kendall"]++
			nearTails(t, "Kendall, exact", k, c.KendallExact, 1e-9)
		}
		x, y := rankOf(c.X), rankOf(c.Y)
		approximate = k
		approximate.normal(concordance(c.X, c.Y), kendallVariance(x, y))
		nearTails(t, "Kendall, normal", approximate, c.KendallNormal, 1e-11)
		line, err := TheilSen(c.X, c.Y)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "slope", line.Slope, c.TheilSen[0], 1e-12)
		near(t, "intercept", line.Intercept, c.TheilSen[1], 1e-12)
	}
	if exact["spearman"] != 18 || exact["kendall"] != 22 {
		t.Errorf("exact tails compared: %v, want 18 and 22", exact)
	}
}

func nearTails(t *testing.T, what string, c Correlation, want []float64, within float64) {
	t.Helper()
	near(t, what+", greater", c.Greater, want[0], within)
	near(t, what+", less", c.Less, want[1], within)
	near(t, what+", two-sided", c.TwoSided, want[2], within)
}

// TestICCAgainstR: the package psych 2.2.9 on random ratings.
func TestICCAgainstR(t *testing.T) {
	var ref struct {
		ICC []struct {
			Ratings                  [][]float64
			MS, ICC, Lower, Upper, F []float64
			P                        []float64
		}
	}
	readJSON(t, "r/stats.json", &ref)
	for _, c := range ref.ICC {
		r, err := IntraclassCorrelation(c.Ratings, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		for i, got := range []float64{r.BetweenTargets, r.WithinTargets, r.BetweenRaters, r.Error} {
			near(t, "mean square", got, c.MS[i], 1e-10)
		}
		for i, f := range r.Forms {
			near(t, string(f.Form), f.Estimate, c.ICC[i], 1e-10)
			near(t, string(f.Form)+" lower", f.Lower, c.Lower[i], 1e-9)
			near(t, string(f.Form)+" upper", f.Upper, c.Upper[i], 1e-9)
			near(t, string(f.Form)+" F", f.F, c.F[i], 1e-9)
			near(t, string(f.Form)+" p", f.P, c.P[i], 1e-10)
		}
	}
	if len(ref.ICC) != 8 {
		t.Errorf("%d tables, want 8", len(ref.ICC))
	}
}

// TestAgreementAgainstR: R 4.2.2 on random readings.
func TestAgreementAgainstR(t *testing.T) {
	var ref struct {
		Agreement []struct {
			A, B     []float64
			Bias, SD float64
			Usual    [2]float64 `json:"limits196"`
			Two      [2]float64 `json:"limits2"`
			BiasCI   [2]float64 `json:"ci_bias"`
			SE       float64    `json:"se_limit"`
			LowerCI  [2]float64 `json:"ci_lower"`
			Within   float64    `json:"within_sd"`
			CV       float64    `json:"cv_a"`
			Mean     float64    `json:"mean_a"`
			SDA      float64    `json:"sd_a"`
		}
	}
	readJSON(t, "r/stats.json", &ref)
	for _, c := range ref.Agreement {
		a, err := BlandAltman(c.A, c.B)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Repeatability(c.A, c.B)
		if err != nil {
			t.Fatal(err)
		}
		s, err := CoefficientOfVariation(c.A)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range [][2]float64{
			{a.Bias, c.Bias}, {a.SD, c.SD}, {a.Limits.Lower, c.Usual[0]}, {a.Limits.Upper, c.Usual[1]}, {a.Published.Lower, c.Two[0]},
			{a.Published.Upper, c.Two[1]}, {a.BiasCI[0], c.BiasCI[0]}, {a.BiasCI[1], c.BiasCI[1]}, {a.LimitSE, c.SE},
			{a.Limits.LowerCI[0], c.LowerCI[0]}, {a.Limits.LowerCI[1], c.LowerCI[1]}, {r.WithinSD, c.Within}, {s.CV, c.CV}, {s.Mean, c.Mean}, {s.SD, c.SDA},
		} {
			near(t, "agreement", p[0], p[1], 1e-11)
		}
	}
	if len(ref.Agreement) != 4 {
		t.Errorf("%d data sets, want 4", len(ref.Agreement))
	}
}
