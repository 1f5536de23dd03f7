package grip

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func readCSV(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open("../../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	all, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func band(t *testing.T, text string) (from, to int) {
	t.Helper()
	if open, ok := strings.CutSuffix(text, "+"); ok {
		return int(number(t, open)), 0
	}
	low, high, ok := strings.Cut(text, "-")
	if !ok {
		high = low
	}
	return int(number(t, low)), int(number(t, high))
}

func parse(t testing.TB, value string, unit mass.Unit) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, unit)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func pounds(t testing.TB, values ...string) []mass.Mass {
	t.Helper()
	var out []mass.Mass
	for _, v := range values {
		out = append(out, parse(t, v, mass.Pound))
	}
	return out
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

// TestTables compares every band with the published tables: S60 (1985), S61 (2016), S62 (2025), S63 (2014).
func TestTables(t *testing.T) {
	for _, c := range []struct {
		set      Set
		file     string
		mean, sd string
		columns  []string
	}{
		{US1985, "06_grip_norms_us_1985.csv", "mean_lb", "sd_lb", nil},
		{Germany2016, "06_grip_norms_de_2016.csv", "mean_kg", "sd_kg", nil},
		{Germany2016ByHeight, "06_grip_norms_de_2016_by_height.csv", "mean_kg", "sd_kg", nil},
		{International2025, "06_grip_norms_international_2025.csv", "", "", []string{"p5", "p10", "p20", "p30", "p40", "p50", "p60", "p70", "p80", "p90", "p95"}},
		{Britain2014Men, "06_grip_norms_gb_2014_men.csv", "", "", []string{"p10_kg", "p25_kg", "p50_kg", "p75_kg", "p90_kg"}},
	} {
		n, _ := normsOf(c.set)
		rows := readCSV(t, c.file)
		if len(rows) != len(n.rows) || len(n.percents) != len(c.columns) {
			t.Fatalf("%s: %d rows, want %d", c.set, len(n.rows), len(rows))
		}
		for i, row := range rows {
			want := normRow{sex: record.Sex(row["sex"]), hand: Hand(row["hand"])}
			want.from, want.to = band(t, row["age"]+row["age_exact"])
			if h := row["height_cm"]; h != "" {
				want.tallFrom, want.tallTo = band(t, h)
			}
			if c.mean != "" {
				want.mean, want.sd = number(t, row[c.mean]), number(t, row[c.sd])
			}
			got := n.rows[i]
			for j, column := range c.columns {
				if got.at[j] != number(t, row[column]) || column != "p"+strconv.Itoa(int(n.percents[j]))+strings.TrimLeft(column, "p0123456789") {
					t.Errorf("%s row %d: %s = %v", c.set, i, column, got.at[j])
				}
			}
			got.at = nil
			if got.sex != want.sex || got.hand != want.hand || got.from != want.from || got.to != want.to || got.tallFrom != want.tallFrom || got.tallTo != want.tallTo || got.mean != want.mean || got.sd != want.sd {
				t.Errorf("%s row %d: %+v, want %+v", c.set, i, got, want)
			}
		}
	}
}

// TestCutoffs: the published cut-offs and the figures of their critique (S64-S67, S72).
func TestCutoffs(t *testing.T) {
	all := ""
	for _, row := range readCSV(t, "06_grip_effort_consistency.csv") {
		all += row["published_cutoff_or_result"] + " " + row["detail"] + "\n"
	}
	for _, c := range Cutoffs() {
		text := strconv.FormatFloat(c.Percent, 'f', -1, 64) + " %"
		if c.For != "" {
			text += " " + c.For
		}
		if !strings.Contains(all, text) {
			t.Errorf("no published cut-off %q", text)
		}
	}
	for _, figure := range []string{"97 % of women and 64 % of men", "day-to-day reliability of the CV near zero", "n=146", "inflated in injured hands", "30 hand patients"} {
		if !strings.Contains(all, figure) {
			t.Errorf("the reference has no %q", figure)
		}
	}
	said := strings.Join(Critique(), " ") + CurveCritique
	for _, figure := range []string{"97 % of women and 64 % of men", "from day to day is near zero", "n = 146", "inflated in injured hands", "30 hand patients"} {
		if !strings.Contains(said, figure) {
			t.Errorf("the critique has no %q", figure)
		}
	}
}

// TestTrials: mean 100, SD 5, CV 5 % of 95, 100, 105 (by hand); the cut-off is inclusive.
func TestTrials(t *testing.T) {
	for _, c := range []struct {
		cutoff float64
		within bool
	}{{5.0000001, true}, {4.9999999, false}} {
		got, err := Trials(pounds(t, "95", "100", "105"), c.cutoff)
		if err != nil || math.Abs(got.CVPercent-5) > 1e-9 || math.Abs(got.MeanKg-45.359237) > 1e-9 || got.Within != c.within {
			t.Errorf("%+v, %v", got, err)
		}
	}
	got, err := Trials(pounds(t, "50", "50", "50"), 0)
	if err != nil || got.CVPercent != 0 || !got.Within {
		t.Errorf("equal trials: %+v, %v", got, err)
	}
	// The same readings in kilograms give the same coefficient.
	kg, err := Trials([]mass.Mass{parse(t, "43.09127515", mass.Kilogram), parse(t, "45.359237", mass.Kilogram), parse(t, "47.62719885", mass.Kilogram)}, 5)
	lb, _ := Trials(pounds(t, "95", "100", "105"), 5)
	if err != nil || kg != lb {
		t.Errorf("kg %+v, lb %+v", kg, lb)
	}
}

func TestPositions(t *testing.T) {
	for _, c := range []struct {
		readings []string
		flat     float64
		want     Shape
		peak     int
	}{
		{[]string{"60", "80", "90", "75", "60"}, 10, Peaked, 3},
		{[]string{"60", "90", "90", "75", "60"}, 10, Peaked, 2},
		{[]string{"90", "80", "70", "60", "50"}, 10, PeakAtEnd, 1},
		{[]string{"50", "60", "70", "80", "90"}, 10, PeakAtEnd, 5},
		{[]string{"50", "60", "90", "90", "90"}, 10, PeakAtEnd, 3},
		{[]string{"80", "60", "90", "70", "60"}, 10, Uneven, 3},
		{[]string{"60", "90", "70", "80", "60"}, 10, Uneven, 2},
		{[]string{"90", "95", "100", "95", "90"}, 10, Flat, 3},
		{[]string{"89.999", "95", "100", "95", "90"}, 10, Peaked, 3},
		{[]string{"70", "70", "70", "70", "70"}, 0, Flat, 1},
	} {
		got, err := Positions(pounds(t, c.readings...), c.flat)
		if err != nil || got.Shape != c.want || got.Peak != c.peak {
			t.Errorf("%v: %+v, %v, want %s at %d", c.readings, got, err, c.want, c.peak)
		}
	}
}

func TestRapidExchange(t *testing.T) {
	for _, c := range []struct {
		static, rapid string
		want          float64
	}{{"80", "80", 0}, {"80", "100", 25}, {"80", "60", -25}} {
		got, err := RapidExchange(parse(t, c.static, mass.Pound), parse(t, c.rapid, mass.Pound))
		if err != nil || got.DifferencePercent != c.want {
			t.Errorf("%+v: %+v, %v", c, got, err)
		}
	}
}

// TestNorm: the mean stands at 50 %, the mean less one deviation at 15.866 % (standard normal table), printed percentiles at themselves.
func TestNorm(t *testing.T) {
	man := Person{Sex: record.Male, Age: 42, Hand: Right, Stature: 178 * measure.PerCentimetre}
	got, err := Norm(US1985, man, parse(t, "116.8", mass.Pound))
	if err != nil || got.Z != 0 || got.Percentile != 50 || got.FromAge != 40 || got.ToAge != 44 {
		t.Errorf("1985 mean: %+v, %v", got, err)
	}
	// The mean in kilograms as computed beside the table: 52.980 kg.
	if math.Abs(got.MeanKg-52.980) > 5e-4 || math.Abs(got.SDKg-9.389) > 5e-4 {
		t.Errorf("mean %v kg, sd %v kg", got.MeanKg, got.SDKg)
	}
	got, err = Norm(US1985, man, parse(t, "96.1", mass.Pound))
	if err != nil || math.Abs(got.Z+1) > 1e-12 || math.Abs(got.Percentile-15.8655254) > 1e-6 {
		t.Errorf("1985 mean - sd: %+v, %v", got, err)
	}
	got, err = Norm(International2025, man, parse(t, "53.9", mass.Kilogram))
	if err != nil || got.Percentile != 60+10*(53.9-51.2)/(53.9-51.2) || got.Bound != "" || got.HasZ {
		t.Errorf("2025 70th: %+v, %v", got, err)
	}
	for _, c := range []struct {
		kg    string
		want  float64
		bound Bound
	}{{"32.3", 5, ""}, {"32.29", 5, BelowPrinted}, {"65.1", 95, ""}, {"65.11", 95, AbovePrinted}, {"42", 25, ""}} {
		got, err := Norm(International2025, man, parse(t, c.kg, mass.Kilogram))
		if err != nil || math.Abs(got.Percentile-c.want) > 1e-9 || got.Bound != c.bound {
			t.Errorf("2025 %s kg: %+v, %v", c.kg, got, err)
		}
	}
	// Between exact ages 40 and 45 the median goes from 50 to 49: at 42 it is 49.6.
	got, err = Norm(Britain2014Men, man, parse(t, "49.6", mass.Kilogram))
	if err != nil || math.Abs(got.Percentile-50) > 1e-9 || got.FromAge != 40 || got.ToAge != 45 {
		t.Errorf("2014 between ages: %+v, %v", got, err)
	}
	got, err = Norm(Germany2016ByHeight, man, parse(t, "50", mass.Kilogram))
	if err != nil || !got.HasZ {
		t.Errorf("2016 by height: %+v, %v", got, err)
	}
}

// TestNormEdges: each bound of age and stature, where the norms have it and where they just do not.
func TestNormEdges(t *testing.T) {
	reading := parse(t, "40", mass.Kilogram)
	tall := 178 * measure.PerCentimetre
	for _, c := range []struct {
		set  Set
		p    Person
		want string
	}{
		{US1985, Person{record.Male, 20, Right, 0}, ""},
		{US1985, Person{record.Male, 19, Right, 0}, "person.age " + RuleAge},
		{US1985, Person{record.Male, 75, Left, 0}, ""},
		{US1985, Person{record.Male, 300, Left, 0}, ""},
		{US1985, Person{record.Male, 301, Left, 0}, "person.age " + RuleAge},
		{US1985, Person{record.Male, 40, "", 0}, "person.hand " + RuleHand},
		{US1985, Person{"", 40, Right, 0}, "person.sex " + RuleUnknown},
		{Germany2016, Person{record.Female, 17, "", 0}, ""},
		{Germany2016, Person{record.Female, 16, "", 0}, "person.age " + RuleAge},
		{Germany2016, Person{record.Female, 90, "", 0}, ""},
		{Germany2016, Person{record.Female, 91, "", 0}, "person.age " + RuleAge},
		{Germany2016ByHeight, Person{record.Male, 40, "", tall}, ""},
		{Germany2016ByHeight, Person{record.Male, 40, "", 160 * measure.PerCentimetre}, ""},
		{Germany2016ByHeight, Person{record.Male, 40, "", 160*measure.PerCentimetre - 1}, "person.stature " + RuleStature},
		{Germany2016ByHeight, Person{record.Male, 40, "", 300 * measure.PerCentimetre}, ""},
		{Germany2016ByHeight, Person{record.Male, 40, "", 300*measure.PerCentimetre + 1}, "person.stature " + RuleStature},
		{Britain2014Men, Person{record.Male, 15, "", 0}, ""},
		{Britain2014Men, Person{record.Male, 14, "", 0}, "person.age " + RuleAge},
		{Britain2014Men, Person{record.Male, 90, "", 0}, ""},
		{Britain2014Men, Person{record.Male, 91, "", 0}, "person.age " + RuleAge},
		{Britain2014Men, Person{record.Female, 40, "", 0}, "person.sex " + RuleUnknown},
		{"other", Person{record.Male, 40, "", 0}, "set " + RuleUnknown},
	} {
		_, err := Norm(c.set, c.p, reading)
		if got := strings.Join(rules(err), ","); got != c.want || (err == nil) != (c.want == "") {
			t.Errorf("%s %+v: %q, want %q", c.set, c.p, got, c.want)
		}
	}
}

func TestRules(t *testing.T) {
	bound, over := mass.FromUnits(maxUnits), mass.FromUnits(maxUnits+1)
	_, err := Trials([]mass.Mass{bound, bound, over}, 101)
	if !slices.Equal(rules(err), []string{"readings[2] " + RuleReading, "cutoff_percent " + RuleRange}) {
		t.Error(rules(err))
	}
	if _, err := Trials([]mass.Mass{bound, bound, bound}, 100); err != nil {
		t.Error(err)
	}
	if _, err := Trials([]mass.Mass{bound, bound}, math.NaN()); len(rules(err)) != 2 {
		t.Error(rules(err))
	}
	if _, err := Positions([]mass.Mass{bound, bound, bound, bound, mass.Zero()}, -1); !slices.Equal(rules(err), []string{"readings[4] " + RuleReading, "flat_percent " + RuleRange}) {
		t.Error(rules(err))
	}
	if _, err := RapidExchange(mass.Zero(), over); len(rules(err)) != 2 {
		t.Error(rules(err))
	}
	for _, set := range Sets() {
		if _, ok := normsOf(set); !ok {
			t.Errorf("no norms %s", set)
		}
	}
}

func FuzzTrials(f *testing.F) {
	f.Add(int64(1e12), int64(2e12), int64(3e12), 7.5, uint8(3))
	f.Fuzz(func(t *testing.T, a, b, c int64, cutoff float64, n uint8) {
		all := []mass.Mass{mass.FromUnits(a), mass.FromUnits(b), mass.FromUnits(c), mass.FromUnits(a), mass.FromUnits(b)}
		v, err := Trials(all[:min(int(n), 5)], cutoff)
		if err == nil && !(v.CVPercent >= 0 && v.CVPercent <= 174) {
			t.Fatalf("%+v", v)
		}
	})
}

func FuzzPositions(f *testing.F) {
	f.Add(int64(1e12), int64(2e12), int64(3e12), int64(2e12), int64(1e12), 10.0)
	f.Fuzz(func(t *testing.T, a, b, c, d, e int64, flat float64) {
		v, err := Positions([]mass.Mass{mass.FromUnits(a), mass.FromUnits(b), mass.FromUnits(c), mass.FromUnits(d), mass.FromUnits(e)}, flat)
		if err == nil && (v.Peak < 1 || v.Peak > 5 || !(v.SpreadPercent >= 0 && v.SpreadPercent < 100) || v.Shape == "") {
			t.Fatalf("%+v", v)
		}
	})
}

func FuzzRapidExchange(f *testing.F) {
	f.Add(int64(1e12), int64(2e12))
	f.Fuzz(func(t *testing.T, a, b int64) {
		v, err := RapidExchange(mass.FromUnits(a), mass.FromUnits(b))
		if err == nil && !(v.DifferencePercent > -100) {
			t.Fatalf("%+v", v)
		}
	})
}

func FuzzNorm(f *testing.F) {
	f.Add("us_1985", "male", 40, "left", int64(17_800_000), int64(5e12))
	f.Add("britain_2014_men", "male", 42, "", int64(0), int64(5e12))
	f.Add("germany_2016_by_height", "female", 42, "", int64(16_500_000), int64(5e12))
	f.Fuzz(func(t *testing.T, set, sex string, age int, hand string, stature, reading int64) {
		p := Person{Sex: record.Sex(sex), Age: age, Hand: Hand(hand), Stature: measure.Length(stature)}
		s, err := Norm(Set(set), p, mass.FromUnits(reading))
		if err == nil && !(s.Percentile >= 0 && s.Percentile <= 100) {
			t.Fatalf("%+v", s)
		}
	})
}

func BenchmarkNorm(b *testing.B) {
	p := Person{Sex: record.Female, Age: 80, Stature: 175 * measure.PerCentimetre}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Norm(Germany2016ByHeight, p, mass.FromUnits(2e12)); err != nil {
			b.Fatal(err)
		}
	}
}
