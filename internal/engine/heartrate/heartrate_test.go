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

// thousandths reads a printed decimal of at most three places exactly.
func thousandths(t *testing.T, text string) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("no number: %q", text)
	}
	r.Mul(r, big.NewRat(1000, 1))
	if !r.IsInt() {
		t.Fatalf("not thousandths: %q", text)
	}
	return r.Num().Int64()
}

// TestPredictedAndPercent: 220 - age (Fox, Naughton, Haskell 1971) and 208 - 0.7 x age (Tanaka, Monahan, Seals 2001) with 85 % of each,
// at eleven ages (03_hr_max_check_values.csv, S11, S12).
func TestPredictedAndPercent(t *testing.T) {
	rows, err := csv.NewReader(strings.NewReader(string(reference(t, "03_hr_max_check_values.csv")))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, row := range rows[1:] {
		formula := record.HeartRateFormula(row[0])
		if formula != record.Fox1971 && formula != record.Tanaka2001 {
			continue
		}
		checked++
		age, err := strconv.Atoi(row[1])
		if err != nil {
			t.Fatal(err)
		}
		highest, ok := heartrate.Predicted(formula, age)
		if want := thousandths(t, row[2]); !ok || int64(highest) != want {
			t.Errorf("%s at %d: maximum %d thousandths, %v; want %d", formula, age, highest, ok, want)
		}
		limit, missing := heartrate.Limit(record.HeartRateLimit{PercentOfPredicted: 85, Formula: formula}, age, nil)
		if want := thousandths(t, row[3]); missing != "" || int64(limit) != want {
			t.Errorf("%s at %d: 85 %% is %d thousandths, missing %q; want %d", formula, age, limit, missing, want)
		}
	}
	if checked != 22 {
		t.Errorf("checked %d published values, want 22", checked)
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
		percent := thousandths(t, c.Fraction.String()) / 10
		l := record.HeartRateLimit{PercentOfReserve: int(percent), Formula: record.Fox1971}
		got, missing := heartrate.Limit(l, 220-c.Max, &c.Rest)
		if want := thousandths(t, c.Target.String()); missing != "" || int64(got) != want {
			t.Errorf("%+v: %d thousandths, missing %q; want %d", c, got, missing, want)
		}
		predicted, _ := heartrate.Limit(record.HeartRateLimit{PercentOfPredicted: int(percent), Formula: record.Fox1971}, 220-c.Max, &c.Rest)
		if predicted == got {
			t.Errorf("%+v: percent of the maximum and of the reserve agree", c)
		}
	}
	if len(ref.Karvonen.Checks) != 3 {
		t.Errorf("checked %d published values, want 3", len(ref.Karvonen.Checks))
	}
}

// TestExactAgainstRationals holds every limit that a protocol can name against rational arithmetic.
func TestExactAgainstRationals(t *testing.T) {
	for age := 1; age <= 120; age++ {
		for percent := 20; percent <= 100; percent++ {
			for formula, highest := range map[record.HeartRateFormula]*big.Rat{
				record.Fox1971:    big.NewRat(int64(220-age), 1),
				record.Tanaka2001: new(big.Rat).Sub(big.NewRat(208, 1), big.NewRat(int64(7*age), 10)),
			} {
				rest := 40 + age%60
				p, rested := big.NewRat(int64(percent), 100), big.NewRat(int64(rest), 1)
				same(t, record.HeartRateLimit{PercentOfPredicted: percent, Formula: formula}, age, rest, new(big.Rat).Mul(p, highest))
				want := new(big.Rat).Sub(highest, rested)
				same(t, record.HeartRateLimit{PercentOfReserve: percent, Formula: formula}, age, rest, want.Add(want.Mul(want, p), rested))
			}
		}
	}
}

func same(t *testing.T, l record.HeartRateLimit, age, rest int, want *big.Rat) {
	t.Helper()
	got, missing := heartrate.Limit(l, age, &rest)
	if missing != "" || big.NewRat(int64(got), 1000).Cmp(want) != 0 {
		t.Fatalf("%+v at %d, resting %d: %s, missing %q; want %s", l, age, rest, got, missing, want.FloatString(6))
	}
	// The first whole beat above the limit fires, the one before does not.
	below := new(big.Int).Div(want.Num(), want.Denom()).Int64()
	if got.Above(int(below)) || !got.Above(int(below)+1) {
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
		{164900, 164, false},
		{164900, 165, true},
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
		if _, got := heartrate.Limit(c.limit, c.age, c.rest); got != c.want {
			t.Errorf("%s: missing %q, want %q", c.name, got, c.want)
		}
	}
}

func TestString(t *testing.T) {
	for want, r := range map[string]heartrate.Rate{
		"153 bpm": 153000, "161.5 bpm": 161500, "164.9 bpm": 164900, "143.225 bpm": 143225, "0.05 bpm": 50, "-1.5 bpm": -1500,
	} {
		if got := fmt.Sprint(r); got != want {
			t.Errorf("%d: %q, want %q", int64(r), got, want)
		}
	}
}
