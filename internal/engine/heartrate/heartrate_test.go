package heartrate_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/record"
)

func reference(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// units reads a printed decimal of at most five places exactly, in hundred-thousandths.
func units(t *testing.T, text string) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("no number: %q", text)
	}
	r.Mul(r, big.NewRat(perBeat, 1))
	if !r.IsInt() {
		t.Fatalf("not hundred-thousandths: %q", text)
	}
	return r.Num().Int64()
}

const perBeat = 100_000

// published says how the identifiers of the check values are called here, with the sources of testdata/reference/sources.csv. The rounded form
// 207 - 0.7 x age of Gellish et al. is not offered: see TestRoundedForm.
var published = map[string]struct {
	formula record.HeartRateFormula
	sex     record.Sex
	source  string
}{
	"fox_1971":               {record.Fox1971, "", "S11 Fox, Naughton, Haskell 1971"},
	"tanaka_2001":            {record.Tanaka2001, "", "S12 Tanaka, Monahan, Seals 2001"},
	"gellish_2007_unrounded": {record.Gellish2007, "", "S13 Gellish et al. 2007 via S18"},
	"gellish_2007_quadratic": {record.Gellish2007Quadratic, "", "S13 Gellish et al. 2007"},
	"gulati_2010_women":      {record.Gulati2010Women, record.Female, "S14 Gulati et al. 2010"},
	"beta_blocker":           {record.BetaBlockerFormula, "", "S18 AEROBICS 2019 update"},
}

func checkValues(t *testing.T) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(string(reference(t, "03_hr_max_check_values.csv")))).ReadAll()
	if err != nil || len(rows) != 78 {
		t.Fatalf("%d rows, want a header and 77: %v", len(rows), err)
	}
	return rows[1:]
}

// TestPredictedAndPercent holds maxima and 85 % of them against 03_hr_max_check_values.csv, at eleven ages each. The table prints three
// decimals, so that 85 % may be half a thousandth off.
func TestPredictedAndPercent(t *testing.T) {
	checked := 0
	for _, row := range checkValues(t) {
		p, offered := published[row[0]]
		if !offered {
			continue
		}
		checked++
		age, err := strconv.Atoi(row[1])
		if err != nil {
			t.Fatal(err)
		}
		who := record.Person{AgeYears: age, Sex: p.sex}
		highest, missing := heartrate.Predicted(p.formula, who)
		if want := units(t, row[2]); missing != "" || int64(highest) != want {
			t.Errorf("%s at %d: maximum %s, missing %q; want %s (%s)", p.formula, age, highest, missing, row[2], p.source)
		}
		limit, missing := heartrate.Limit(record.HeartRateLimit{PercentOfPredicted: 85, Formula: p.formula}, who, nil)
		off := int64(limit) - units(t, row[3])
		if missing != "" || off < -50 || off > 50 || int64(limit)*100 != 85*int64(highest) {
			t.Errorf("%s at %d: 85 %% is %s, missing %q; want %s (%s)", p.formula, age, limit, missing, row[3], p.source)
		}
	}
	if checked != 66 {
		t.Errorf("checked %d published values, want 66 of 77", checked)
	}
}

// TestRoundedForm: the eleven other values are of 207 - 0.7 x age, the form to which Gellish et al. 2007 (S13) round 206.9 - 0.67 x age. The two
// differ by 0.1 - 0.03 x age, and so must the value here from the printed one.
func TestRoundedForm(t *testing.T) {
	checked := 0
	for _, row := range checkValues(t) {
		if row[0] != "gellish_2007_linear" {
			continue
		}
		checked++
		age, err := strconv.Atoi(row[1])
		if err != nil {
			t.Fatal(err)
		}
		highest, missing := heartrate.Predicted(record.Gellish2007, record.Person{AgeYears: age})
		if rounded := int64(highest) + int64(10_000-3_000*age); missing != "" || rounded != units(t, row[2]) {
			t.Errorf("at %d: %d, missing %q; want %s", age, rounded, missing, row[2])
		}
		if off := 85*(int64(highest)+int64(10_000-3_000*age))/100 - units(t, row[3]); off < -50 || off > 50 {
			t.Errorf("at %d: 85 %% is %d units from %s", age, off, row[3])
		}
	}
	if checked != 11 {
		t.Errorf("checked %d published values, want 11", checked)
	}
}

// TestPopulations holds the three formulae without check values against their published expressions (03_hr_max_formulae.csv: S16 Sydo et al.
// 2014, S17 Zhu et al. 2010), worked by hand, and every formula against the people for whom it was made: within its ages, one year
// outside, for the other sex and where no sex is stated.
func TestPopulations(t *testing.T) {
	for _, c := range []struct {
		formula record.HeartRateFormula
		age     int
		sex     record.Sex
		want    string
		missing heartrate.Missing
	}{
		{record.Sydo2014Men, 40, record.Male, "182 bpm", ""},       // 220 - 38
		{record.Sydo2014Men, 89, record.Male, "135.45 bpm", ""},    // 220 - 84.55
		{record.Sydo2014Women, 40, record.Female, "178.4 bpm", ""}, // 210 - 31.6
		{record.Sydo2014Women, 89, record.Female, "139.69 bpm", ""},
		{record.Zhu2010, 18, "", "180.656 bpm", ""}, // 179 + 5.22 - 3.564
		{record.Zhu2010, 50, "", "166 bpm", ""},     // 179 + 14.5 - 27.5
		{record.Gellish2007, 18, "", "194.84 bpm", ""},
		{record.Gellish2007Quadratic, 18, "", "189.232 bpm", ""},
		{record.Gulati2010Women, 18, record.Female, "190.16 bpm", ""},
		{record.BetaBlockerFormula, 1, "", "163.3 bpm", ""},
		{record.Fox1971, 120, record.Male, "100 bpm", ""},
		{record.Tanaka2001, 1, record.Female, "207.3 bpm", ""},

		{record.Sydo2014Men, 39, record.Male, "0 bpm", heartrate.MissingFormulaForAge},
		{record.Sydo2014Men, 90, record.Male, "0 bpm", heartrate.MissingFormulaForAge},
		{record.Sydo2014Women, 39, record.Female, "0 bpm", heartrate.MissingFormulaForAge},
		{record.Sydo2014Women, 90, record.Female, "0 bpm", heartrate.MissingFormulaForAge},
		{record.Zhu2010, 17, "", "0 bpm", heartrate.MissingFormulaForAge},
		{record.Zhu2010, 51, "", "0 bpm", heartrate.MissingFormulaForAge},
		{record.Gellish2007, 17, "", "0 bpm", heartrate.MissingFormulaForAge},
		{record.Gellish2007Quadratic, 17, "", "0 bpm", heartrate.MissingFormulaForAge},
		{record.Gulati2010Women, 17, record.Female, "0 bpm", heartrate.MissingFormulaForAge},
		{record.Sydo2014Men, 50, record.Female, "0 bpm", heartrate.MissingFormulaForSex},
		{record.Sydo2014Women, 50, record.Male, "0 bpm", heartrate.MissingFormulaForSex},
		{record.Gulati2010Women, 50, record.Male, "0 bpm", heartrate.MissingFormulaForSex},
		{record.Sydo2014Men, 50, "", "0 bpm", heartrate.MissingSex},
		{record.Sydo2014Women, 50, "", "0 bpm", heartrate.MissingSex},
		{record.Gulati2010Women, 50, "", "0 bpm", heartrate.MissingSex},
		{record.Sydo2014Men, 0, "", "0 bpm", heartrate.MissingAge},
		{"none of ours", 50, "", "0 bpm", heartrate.MissingFormula},
	} {
		who := record.Person{AgeYears: c.age, Sex: c.sex}
		if got, missing := heartrate.Predicted(c.formula, who); got.String() != c.want || missing != c.missing {
			t.Errorf("%s at %d, sex %q: %s, missing %q; want %s, %q", c.formula, c.age, c.sex, got, missing, c.want, c.missing)
		}
		for _, l := range []record.HeartRateLimit{{PercentOfPredicted: 85, Formula: c.formula}, {PercentOfReserve: 85, Formula: c.formula}} {
			rest := 60
			if got, missing := heartrate.Limit(l, who, &rest); missing != c.missing || (missing == "") != (got > 0) {
				t.Errorf("%+v at %d, sex %q: %s, missing %q; want %q", l, c.age, c.sex, got, missing, c.missing)
			}
		}
	}
}

// TestFormulaeAreAllKnown: each formula predicts a maximum for someone of 45 years.
func TestFormulaeAreAllKnown(t *testing.T) {
	for _, f := range heartrate.Formulae() {
		_, woman := heartrate.Predicted(f, record.Person{AgeYears: 45, Sex: record.Female})
		_, man := heartrate.Predicted(f, record.Person{AgeYears: 45, Sex: record.Male})
		if woman != "" && man != "" {
			t.Errorf("%s: %q for a woman, %q for a man", f, woman, man)
		}
	}
	if n := len(heartrate.Formulae()); n != 9 {
		t.Errorf("%d formulae", n)
	}
}

// TestReserve: resting + fraction x (maximum - resting) (Karvonen, Kentala, Mustala 1957; 03_hr_reserve.json, S15). The age is the one at
// which 220 - age gives the maximum of the check.
func TestReserve(t *testing.T) {
	var ref struct {
		Karvonen struct {
			Checks []struct {
				Max, Rest int
				Fraction  json.Number
				Target    json.Number
			} `json:"checks_computed"`
		}
	}
	if err := json.Unmarshal(reference(t, "03_hr_reserve.json"), &ref); err != nil {
		t.Fatal(err)
	}
	for _, c := range ref.Karvonen.Checks {
		percent := units(t, c.Fraction.String()) / 1000
		who := record.Person{AgeYears: 220 - c.Max}
		l := record.HeartRateLimit{PercentOfReserve: int(percent), Formula: record.Fox1971}
		got, missing := heartrate.Limit(l, who, &c.Rest)
		if want := units(t, c.Target.String()); missing != "" || int64(got) != want {
			t.Errorf("%+v: %d units, missing %q; want %d", c, got, missing, want)
		}
		predicted, _ := heartrate.Limit(record.HeartRateLimit{PercentOfPredicted: int(percent), Formula: record.Fox1971}, who, &c.Rest)
		if predicted == got {
			t.Errorf("%+v: percent of the maximum and of the reserve agree", c)
		}
	}
	if len(ref.Karvonen.Checks) != 3 {
		t.Errorf("checked %d published values, want 3", len(ref.Karvonen.Checks))
	}
}

// TestExactAgainstRationals holds every limit that a protocol can name against rational arithmetic with the published coefficients
// (03_hr_max_formulae.csv).
func TestExactAgainstRationals(t *testing.T) {
	for _, c := range []struct {
		formula                  record.HeartRateFormula
		constant, linear, square string
		sex                      record.Sex
		from, to                 int
	}{
		{record.Fox1971, "220", "-1", "0", "", 1, 120},
		{record.Tanaka2001, "208", "-0.7", "0", "", 1, 120},
		{record.Gellish2007, "206.9", "-0.67", "0", "", 18, 120},
		{record.Gellish2007Quadratic, "191.5", "0", "-0.007", "", 18, 120},
		{record.Gulati2010Women, "206", "-0.88", "0", record.Female, 18, 120},
		{record.Sydo2014Men, "220", "-0.95", "0", record.Male, 40, 89},
		{record.Sydo2014Women, "210", "-0.79", "0", record.Female, 40, 89},
		{record.Zhu2010, "179", "0.29", "-0.011", "", 18, 50},
		{record.BetaBlockerFormula, "164", "-0.7", "0", "", 1, 120},
	} {
		for age := c.from; age <= c.to; age++ {
			years := big.NewRat(int64(age), 1)
			highest := number(t, c.square)
			highest.Mul(highest, years).Add(highest, number(t, c.linear)).Mul(highest, years).Add(highest, number(t, c.constant))
			who := record.Person{AgeYears: age, Sex: c.sex}
			for percent := 20; percent <= 100; percent++ {
				rest := 40 + age%60
				p, rested := big.NewRat(int64(percent), 100), big.NewRat(int64(rest), 1)
				same(t, record.HeartRateLimit{PercentOfPredicted: percent, Formula: c.formula}, who, rest, new(big.Rat).Mul(p, highest))
				want := new(big.Rat).Sub(highest, rested)
				same(t, record.HeartRateLimit{PercentOfReserve: percent, Formula: c.formula}, who, rest, want.Add(want.Mul(want, p), rested))
			}
		}
	}
}

func number(t *testing.T, text string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("no number: %q", text)
	}
	return r
}

func same(t *testing.T, l record.HeartRateLimit, who record.Person, rest int, want *big.Rat) {
	t.Helper()
	got, missing := heartrate.Limit(l, who, &rest)
	if missing != "" || big.NewRat(int64(got), perBeat).Cmp(want) != 0 {
		t.Fatalf("%+v of %+v, resting %d: %s, missing %q; want %s", l, who, rest, got, missing, want.FloatString(6))
	}
	// The first whole beat above the limit fires, the one before does not.
	below := new(big.Int).Div(want.Num(), want.Denom()).Int64()
	if got.Above(int(below)) || !got.Above(int(below)+1) || got.Whole() != int(below) {
		t.Fatalf("%s: above at %d %v, at %d %v", got, below, got.Above(int(below)), below+1, got.Above(int(below)+1))
	}
}

func TestAboveIsStrict(t *testing.T) {
	for _, c := range []struct {
		limit heartrate.Rate
		bpm   int
		above bool
	}{
		{heartrate.BPM(153), 153, false},
		{heartrate.BPM(153), 154, true},
		{16490000, 164, false},
		{16490000, 165, true},
		{16499999, 165, true},
		{16500001, 165, false},
	} {
		if got := c.limit.Above(c.bpm); got != c.above {
			t.Errorf("%d above %s: %v, want %v", c.bpm, c.limit, got, c.above)
		}
	}
}

// TestMissing: each thing that a limit can lack, and the limit that has it.
func TestMissing(t *testing.T) {
	rest := 70
	reserve := record.HeartRateLimit{PercentOfReserve: 70, Formula: record.Tanaka2001}
	predicted := record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971}
	for _, c := range []struct {
		name  string
		limit record.HeartRateLimit
		age   int
		rest  *int
		want  heartrate.Missing
	}{
		{"beats need nothing", record.HeartRateLimit{BPM: 150}, 0, nil, ""},
		{"age not stated", predicted, 0, nil, heartrate.MissingAge},
		{"youngest", predicted, 1, nil, ""},
		{"oldest", predicted, 120, nil, ""},
		{"beyond any age", predicted, 121, nil, heartrate.MissingAge},
		{"no formula", record.HeartRateLimit{PercentOfPredicted: 85}, 40, nil, heartrate.MissingFormula},
		{"no resting rate", reserve, 40, nil, heartrate.MissingRestingRate},
		{"resting rate", reserve, 40, &rest, ""},
	} {
		if _, got := heartrate.Limit(c.limit, record.Person{AgeYears: c.age}, c.rest); got != c.want {
			t.Errorf("%s: missing %q, want %q", c.name, got, c.want)
		}
	}
}

func TestString(t *testing.T) {
	for want, r := range map[string]heartrate.Rate{
		"153 bpm": 15300000, "161.5 bpm": 16150000, "164.9 bpm": 16490000, "143.225 bpm": 14322500, "161.6275 bpm": 16162750,
		"144.54301 bpm": 14454301, "0.05 bpm": 5000, "-1.5 bpm": -150000,
	} {
		if got := fmt.Sprint(r); got != want {
			t.Errorf("%d: %q, want %q", int64(r), got, want)
		}
	}
}

// TestRoundedDown: thousandths and whole beats never exceed the rate.
func TestRoundedDown(t *testing.T) {
	for _, c := range []struct {
		rate        heartrate.Rate
		thousandths int64
		whole       int
	}{
		{16162750, 161627, 161}, {16162699, 161626, 161}, {16200000, 162000, 162}, {16199999, 161999, 161}, {0, 0, 0},
		{-1, -1, -1}, {-100000, -1000, -1},
	} {
		if c.rate.Thousandths() != c.thousandths || c.rate.Whole() != c.whole {
			t.Errorf("%d: %d thousandths, %d whole; want %d, %d", int64(c.rate), c.rate.Thousandths(), c.rate.Whole(), c.thousandths, c.whole)
		}
	}
}
