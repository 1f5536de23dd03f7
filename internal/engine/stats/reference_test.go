package stats

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

const reference = "../../../testdata/reference"

func readJSON(t *testing.T, name string, into any) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(reference, name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatal(err)
	}
}

// near checks got against want within a part of the larger of 1 and want.
func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within*math.Max(1, math.Abs(want))) {
		t.Errorf("%s = %.12g, want %.12g within %g", what, got, want, within)
	}
}

// flowMeters are the readings of Bland and Altman 1986, table 1 (S91).
func flowMeters(t *testing.T) map[string][]float64 {
	t.Helper()
	file, err := os.Open(filepath.Join(reference, "08_bland_altman_1986_data.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]float64{}
	for _, row := range rows[1:] {
		for c := 1; c <= 4; c++ {
			v, err := strconv.ParseFloat(row[c], 64)
			if err != nil {
				t.Fatal(err)
			}
			out[rows[0][c]] = append(out[rows[0][c]], v)
		}
	}
	return out
}

// TestBlandAltman1986: S91; the printed limits come from rounded inputs and 2 SD, so the recomputed block is checked at 1e-6 and the
// printed mean and SD at their digits.
func TestBlandAltman1986(t *testing.T) {
	data := flowMeters(t)
	var ref struct {
		Printed struct {
			Mean float64 `json:"mean_difference"`
			SD   float64
		}
		Computed struct {
			Mean    float64    `json:"mean_difference"`
			SD      float64    `json:"sd"`
			Two     [2]float64 `json:"limits_2sd"`
			Usual   [2]float64 `json:"limits_1.96sd"`
			Bias    [2]float64 `json:"ci95_bias"`
			SE      float64    `json:"se_limit_sqrt3"`
			LowerCI [2]float64 `json:"ci95_lower_limit"`
			UpperCI [2]float64 `json:"ci95_upper_limit"`
			RMS     pairOf     `json:"repeatability_2rms"`
			About   pairOf     `json:"repeatability_2sd_about_mean"`
			Within  pairOf     `json:"within_subject_sd"`
			T16     float64    `json:"t_16"`
		}
	}
	readJSON(t, "08_bland_altman_1986_results.json", &ref)
	a, err := BlandAltman(data["large_first"], data["mini_first"])
	if err != nil {
		t.Fatal(err)
	}
	c := ref.Computed
	near(t, "bias", a.Bias, c.Mean, 1e-6)
	near(t, "SD", a.SD, c.SD, 1e-6)
	near(t, "printed bias", math.Round(a.Bias*10)/10, ref.Printed.Mean, 1e-12)
	near(t, "printed SD", math.Round(a.SD*10)/10, ref.Printed.SD, 1e-12)
	near(t, "SE of a limit", a.LimitSE, c.SE, 1e-6)
	near(t, "t", studentHalf(0.95, 16), c.T16, 1e-5)
	for i := range 2 {
		near(t, "interval of the bias", a.BiasCI[i], c.Bias[i], 1e-5)
		near(t, "interval of the lower limit", a.Published.LowerCI[i], c.LowerCI[i], 1e-5)
		near(t, "interval of the upper limit", a.Published.UpperCI[i], c.UpperCI[i], 1e-5)
	}
	near(t, "lower limit, 2 SD", a.Published.Lower, c.Two[0], 1e-6)
	near(t, "upper limit, 2 SD", a.Published.Upper, c.Two[1], 1e-6)
	near(t, "lower limit", a.Limits.Lower, c.Usual[0], 1e-6)
	near(t, "upper limit", a.Limits.Upper, c.Usual[1], 1e-6)
	for meter, want := range map[string][3]float64{"large": {c.RMS.Large, c.About.Large, c.Within.Large}, "mini": {c.RMS.Mini, c.About.Mini, c.Within.Mini}} {
		r, err := Repeatability(data[meter+"_first"], data[meter+"_second"])
		if err != nil {
			t.Fatal(err)
		}
		near(t, meter+" repeatability", r.Published, want[0], 1e-6)
		near(t, meter+" repeatability about the mean", r.AboutMean, want[1], 1e-6)
		near(t, meter+" within-subject SD", r.WithinSD, want[2], 1e-6)
		near(t, meter+" repeatability with 1.96", r.Coefficient, want[0]*0.98, 1e-6)
	}
}

type pairOf struct{ Large, Mini float64 }

// TestShroutFleiss1979: S90: mean squares, the six coefficients at 1e-6 and as printed, intervals at two decimals, variance ratios.
func TestShroutFleiss1979(t *testing.T) {
	var ref struct {
		Ratings  [][]float64
		MS       map[string]float64 `json:"computed_mean_squares"`
		Printed  map[string]float64 `json:"printed_icc"`
		Computed map[string]float64 `json:"computed_icc"`
		Interval struct {
			Lower, Upper [6]float64
		} `json:"ci95_package_2dp"`
		SEM map[string]any `json:"sem_check_computed"`
	}
	readJSON(t, "08_icc_1979.json", &ref)
	r, err := IntraclassCorrelation(ref.Ratings, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]float64{"BMS": r.BetweenTargets, "WMS": r.WithinTargets, "JMS": r.BetweenRaters, "EMS": r.Error} {
		near(t, name, got, ref.MS[name], 1e-6)
	}
	for i, name := range []string{"ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,4)", "ICC(2,4)", "ICC(3,4)"} {
		f := r.Forms[i]
		near(t, name, f.Estimate, ref.Computed[name], 1e-9)
		near(t, name+" printed", math.Round(f.Estimate*100)/100, ref.Printed[name], 1e-12)
		near(t, name+" lower", math.Round(f.Lower*100)/100, ref.Interval.Lower[i], 1e-12)
		near(t, name+" upper", math.Round(f.Upper*100)/100, ref.Interval.Upper[i], 1e-12)
		if !f.Defined || !f.IntervalDefined || f.FUnlimited {
			t.Errorf("%s: %+v", name, f)
		}
	}
	near(t, "one-way F", r.Forms[0].F, 1.8, 0.005)
	near(t, "two-way F", r.Forms[2].F, 11.03, 0.005)
	near(t, "SEM, consistency", r.SEMConsistency, ref.SEM["sqrt_EMS_consistency"].(float64), 1e-6)
	near(t, "SEM, agreement", r.SEMAgreement, ref.SEM["sqrt_WMS_one_way"].(float64), 1e-6)
}

// TestRankCorrelationExamples: Hollander and Wolfe 1973 (S92) with the printed one-sided probabilities, and two teaching examples (S93,
// S94).
func TestRankCorrelationExamples(t *testing.T) {
	var ref struct {
		Examples []struct {
			ID      string
			X, Y    []float64
			Kendall struct {
				Tau    float64
				Exact  float64 `json:"p_one_sided_exact_computed"`
				Print  float64 `json:"p_one_sided_exact_printed"`
				Normal float64 `json:"p_one_sided_normal_computed"`
			}
			Spearman struct {
				Rho   float64
				Exact float64 `json:"p_one_sided_exact_computed"`
			}
			TauB float64 `json:"kendall_tau_b"`
		}
	}
	readJSON(t, "08_rank_correlation.json", &ref)
	for _, e := range ref.Examples {
		k, err := Kendall(e.X, e.Y)
		if err != nil {
			t.Fatal(err)
		}
		s, err := Spearman(e.X, e.Y)
		if err != nil {
			t.Fatal(err)
		}
		if k.Method != Exact || s.Method != Exact {
			t.Errorf("%s: methods %s %s, want exact", e.ID, k.Method, s.Method)
		}
		switch e.ID {
		case "tuna":
			near(t, "tau", k.Coefficient, e.Kendall.Tau, 1e-9)
			near(t, "tau's tail", k.Greater, e.Kendall.Exact, 1e-9)
			near(t, "tau's tail as printed", math.Round(k.Greater*1e5)/1e5, e.Kendall.Print, 1e-12)
			normal := k
			normal.normal(16, kendallVariance(rankOf(e.X), rankOf(e.Y)))
			near(t, "tau's tail, normal", normal.Greater, e.Kendall.Normal, 1e-9)
			near(t, "rho", s.Coefficient, e.Spearman.Rho, 1e-9)
			near(t, "rho's tail", s.Greater, e.Spearman.Exact, 1e-8)
		case "iq_tv":
			near(t, "rho", s.Coefficient, e.Spearman.Rho, 1e-9)
		case "ties":
			near(t, "tau-b", k.Coefficient, e.TauB, 1e-9)
		default:
			t.Errorf("unknown example %s", e.ID)
		}
	}
}

// TestReliabilityFormulae: S95, and the coefficient of variation of the S91 data.
func TestReliabilityFormulae(t *testing.T) {
	var ref struct {
		Checks []struct {
			SD, ICC *float64
			SEM     float64
			MDC95   float64
		} `json:"checks_computed"`
		CV struct {
			Mean float64
			SD   float64 `json:"sd_n_minus_1"`
			CV   float64 `json:"cv_percent_n_minus_1"`
		} `json:"cv_check"`
		Items []struct {
			Name   string
			Factor float64
		}
	}
	readJSON(t, "08_reliability_formulae.json", &ref)
	for _, c := range ref.Checks {
		if c.SD != nil {
			got, err := SEM(*c.SD, *c.ICC)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "SEM", got, c.SEM, 1e-9)
		}
		got, err := MDC95(c.SEM)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "MDC95", got, c.MDC95, 1e-6)
	}
	for _, item := range ref.Items {
		if item.Name == "MDC90" {
			got, err := MDC90(1)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "MDC90", got, item.Factor, 1e-6)
		}
	}
	s, err := CoefficientOfVariation(flowMeters(t)["large_first"])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", s.Mean, ref.CV.Mean, 1e-8)
	near(t, "SD", s.SD, ref.CV.SD, 1e-8)
	near(t, "CV", 100*s.CV, ref.CV.CV, 1e-7)
}
