package mass

import (
	"encoding/json"
	"errors"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// mustParse is Parse for values that a test knows to be good.
func mustParse(t testing.TB, value string, unit Unit) Mass {
	t.Helper()
	m, err := Parse(value, unit)
	if err != nil {
		t.Fatalf("Parse(%q, %q): %v", value, unit, err)
	}
	return m
}

// TestExactFactors: NIST SP 811 appendix B.8 and the international yard and
// pound agreement of 1959 (testdata/reference/09_units_exact.json, S100, S101).
func TestExactFactors(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", "09_units_exact.json"))
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Exact []struct{ Unit, Value, SI string }
		// Checks are keyed "50 lb in kg".
		Checks map[string]string `json:"checks_computed"`
	}
	if err := json.Unmarshal(text, &ref); err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, e := range ref.Exact {
		if e.SI != "kg" {
			continue
		}
		checked++
		if got, exact := mustParse(t, "1", Pound).In(Kilogram); got != e.Value || !exact {
			t.Errorf("1 lb = %s kg (exact %v), want %s", got, exact, e.Value)
		}
	}
	for name, want := range ref.Checks {
		value, ok := strings.CutSuffix(name, " lb in kg")
		if !ok {
			continue
		}
		checked++
		m := mustParse(t, value, Pound)
		if got, exact := m.In(Kilogram); got != want || !exact {
			t.Errorf("%s = %s (exact %v), want %s", name, got, exact, want)
		}
		if back := mustParse(t, want, Kilogram); back != m {
			t.Errorf("%s kg = %d units, want those of %s lb: %d", want, back.Units(), value, m.Units())
		}
	}
	if checked != 7 {
		t.Errorf("checked %d published masses, want 7", checked)
	}
	// "1 kg in lb" is given to 18 decimals; we round to 9.
	want := roundTo9(t, ref.Checks["1 kg in lb"])
	if got := mustParse(t, "1", Kilogram).Rounded(Pound, 9); got != want {
		t.Errorf("1 kg = %s lb, want %s", got, want)
	}
}

// roundTo9 rounds a published decimal independently of the package.
func roundTo9(t *testing.T, text string) string {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("no number: %q", text)
	}
	return r.FloatString(9)
}

func TestParse(t *testing.T) {
	tests := []struct {
		value string
		unit  Unit
		units int64
		rule  Rule // "" means accepted
	}{
		{"0", Pound, 0, ""},
		{"0.000", Pound, 0, ""},
		{"50", Pound, 2_267_961_850_000, ""},
		{"50.0", Pound, 2_267_961_850_000, ""},
		{"2.5", Pound, 113_398_092_500, ""},
		{"0.001", Pound, 45_359_237, ""},
		{"0.0010", Pound, 0, RuleDecimals},
		{"1", Kilogram, 100_000_000_000, ""},
		{"0.00000000001", Kilogram, 1, ""},
		{"0.000000000010", Kilogram, 0, RuleDecimals},
		{"1000", Kilogram, 100_000_000_000_000, ""},
		{"1000.00000000000", Kilogram, 100_000_000_000_000, ""},
		{"1000.00000000001", Kilogram, 0, RuleLimit},
		{"9999", Kilogram, 0, RuleLimit},
		{"10000", Kilogram, 0, RuleLimit},
		{"2204.622", Pound, 99_999_971_793_414, ""},
		{"2204.623", Pound, 0, RuleLimit},
		{"99999999999999999999999999", Pound, 0, RuleLimit},
		{"", Pound, 0, RuleDecimal},
		{".", Pound, 0, RuleDecimal},
		{".5", Pound, 0, RuleDecimal},
		{"5.", Pound, 0, RuleDecimal},
		{"5.5.5", Pound, 0, RuleDecimal},
		{"05", Pound, 0, RuleDecimal},
		{"00", Pound, 0, RuleDecimal},
		{"-5", Pound, 0, RuleDecimal},
		{"+5", Pound, 0, RuleDecimal},
		{"-0", Pound, 0, RuleDecimal},
		{" 5", Pound, 0, RuleDecimal},
		{"5 ", Pound, 0, RuleDecimal},
		{"5e1", Pound, 0, RuleDecimal},
		{"0x5", Pound, 0, RuleDecimal},
		{"5,5", Pound, 0, RuleDecimal},
		{"5_0", Pound, 0, RuleDecimal},
		{"NaN", Pound, 0, RuleDecimal},
		{"Inf", Kilogram, 0, RuleDecimal},
		{"٥", Kilogram, 0, RuleDecimal}, // a digit, but not an ASCII one
		{"5", "g", 0, RuleUnit},
		{"5", "", 0, RuleUnit},
		{"5", "LB", 0, RuleUnit},
	}
	for _, tt := range tests {
		m, err := Parse(tt.value, tt.unit)
		checkRule(t, "Parse "+tt.value+" "+string(tt.unit), err, tt.rule)
		if m.Units() != tt.units {
			t.Errorf("Parse(%q, %q) = %d units, want %d", tt.value, tt.unit, m.Units(), tt.units)
		}
	}
}

// checkRule demands a *RuleError of that rule, or no error when it is "".
func checkRule(t *testing.T, what string, err error, want Rule) {
	t.Helper()
	var broken *RuleError
	switch {
	case want == "" && err != nil:
		t.Errorf("%s: %v, want no error", what, err)
	case want != "" && !errors.As(err, &broken):
		t.Errorf("%s: error %v, want rule %s", what, err, want)
	case want != "" && broken.Rule != want:
		t.Errorf("%s: rule %s, want %s", what, broken.Rule, want)
	}
}

func TestRuleErrorsSayTheRule(t *testing.T) {
	seen := map[string]Rule{}
	for _, r := range []Rule{RuleUnit, RuleDecimal, RuleDecimals, RuleLimit, RuleObject, RuleNegative} {
		text := (&RuleError{Rule: r}).Error()
		if other, taken := seen[text]; taken || strings.Contains(text, "broken rule") {
			t.Errorf("rule %s says %q, as does %q", r, text, other)
		}
		seen[text] = r
	}
	if _, err := Parse("-17.25", Pound); err == nil || strings.Contains(err.Error(), "17") {
		t.Errorf("error %v, want one that does not repeat the value", err)
	}
}

func TestParseUnit(t *testing.T) {
	for _, u := range []Unit{Pound, Kilogram} {
		if got, err := ParseUnit(string(u)); got != u || err != nil {
			t.Errorf("ParseUnit(%q) = %q, %v", u, got, err)
		}
	}
	for _, s := range []string{"", "lbs", "KG", "kg ", "g"} {
		_, err := ParseUnit(s)
		checkRule(t, "ParseUnit "+s, err, RuleUnit)
	}
}

func TestCanonicalIsOneSpellingOfOneMass(t *testing.T) {
	tests := []struct {
		value string
		unit  Unit
		want  string
	}{
		{"50", Pound, "50 lb"},
		{"50.000", Pound, "50 lb"},
		{"22.6796185", Kilogram, "50 lb"},
		{"22.67961850000", Kilogram, "50 lb"},
		{"22.5", Pound, "22.5 lb"},
		{"0.001", Pound, "0.001 lb"},
		{"0.00045359237", Kilogram, "0.001 lb"},
		{"0.00045359238", Kilogram, "0.00045359238 kg"}, // 1e-11 kg more
		{"22.5", Kilogram, "22.5 kg"},
		{"20", Kilogram, "20 kg"},
		{"0", Pound, "0 kg"},
		{"0", Kilogram, "0 kg"},
	}
	for _, tt := range tests {
		if got := mustParse(t, tt.value, tt.unit).String(); got != tt.want {
			t.Errorf("%s %s is spelled %q, want %q", tt.value, tt.unit, got, tt.want)
		}
	}
}

func TestIn(t *testing.T) {
	tests := []struct {
		m     Mass
		unit  Unit
		want  string
		exact bool
	}{
		{mustParse(t, "20", Kilogram), Pound, "", false},
		{mustParse(t, "20", Kilogram), Kilogram, "20", true},
		{mustParse(t, "50", Pound), Pound, "50", true},
		{Zero(), Pound, "0", true},
		{FromUnits(-45_359_237), Pound, "-0.001", true},
		{FromUnits(-1), Kilogram, "-0.00000000001", true},
		{FromUnits(math.MinInt64), Kilogram, "-92233720.36854775808", true},
		{FromUnits(1), "stone", "", false},
	}
	for _, tt := range tests {
		if got, exact := tt.m.In(tt.unit); got != tt.want || exact != tt.exact {
			t.Errorf("%d units in %q = %q, %v, want %q, %v", tt.m.Units(), tt.unit, got, exact, tt.want, tt.exact)
		}
	}
}

func TestRounded(t *testing.T) {
	tests := []struct {
		m        Mass
		unit     Unit
		decimals int
		want     string
	}{
		{mustParse(t, "50", Pound), Kilogram, 1, "22.7"},
		{mustParse(t, "50", Pound), Pound, 0, "50"},
		{mustParse(t, "50", Pound), Pound, 2, "50.00"},
		{mustParse(t, "20", Kilogram), Pound, 1, "44.1"},
		{mustParse(t, "0.5", Pound), Pound, 0, "1"}, // a half goes up
		{mustParse(t, "0.499", Pound), Pound, 0, "0"},
		{mustParse(t, "2.5", Pound), Pound, 0, "3"}, // up, not to even
		{mustParse(t, "0.005", Pound), Pound, 2, "0.01"},
		{FromUnits(-unitsPerPound / 2), Pound, 0, "-1"},
		{FromUnits(-1), Pound, 0, "0"}, // no minus zero
		{mustParse(t, "50", Pound), Pound, -3, "50"},
		{mustParse(t, "50", Pound), Pound, 99, "50.000000000"},
		{FromUnits(math.MinInt64), Kilogram, 9, "-92233720.368547758"},
		{mustParse(t, "1", Pound), "stone", 1, ""},
	}
	for _, tt := range tests {
		if got := tt.m.Rounded(tt.unit, tt.decimals); got != tt.want {
			t.Errorf("%d units in %q to %d places = %q, want %q", tt.m.Units(), tt.unit, tt.decimals, got, tt.want)
		}
	}
}

func TestArithmetic(t *testing.T) {
	five, ten := mustParse(t, "5", Pound), mustParse(t, "10", Pound)
	highest, lowest := FromUnits(math.MaxInt64), FromUnits(math.MinInt64)
	// 10 = 5 + 5 = 5 + 2.5 + 2.5 (arithmetic, no source needed).
	half := mustParse(t, "2.5", Pound)
	if five.Add(five) != ten || five.Add(half).Add(half) != ten || ten.Sub(five) != five {
		t.Error("10 lb is not 5 + 5 or 5 + 2.5 + 2.5")
	}
	if five.Cmp(ten) != -1 || ten.Cmp(five) != 1 || ten.Cmp(ten) != 0 {
		t.Error("Cmp does not order 5 lb before 10 lb")
	}
	if !five.Less(ten) || ten.Less(five) || ten.Less(ten) {
		t.Error("Less does not order 5 lb before 10 lb")
	}
	if !Zero().IsZero() || five.IsZero() || five.Sub(five) != Zero() {
		t.Error("IsZero or Zero is wrong")
	}
	bounds := []struct {
		name      string
		got, want Mass
	}{
		{"above", highest.Add(five), highest},
		{"just not above", highest.Sub(five).Add(five), highest},
		{"below by Add", lowest.Add(FromUnits(-1)), lowest},
		{"below", lowest.Sub(five), lowest},
		{"above by Sub", highest.Sub(FromUnits(-1)), highest},
		{"minus the lowest", Zero().Sub(lowest), highest},
	}
	for _, b := range bounds {
		if b.got != b.want {
			t.Errorf("%s: %d units, want %d", b.name, b.got.Units(), b.want.Units())
		}
	}
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("22.5", Pound); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCanonical(b *testing.B) {
	m := mustParse(b, "22.5", Pound)
	b.ReportAllocs()
	for b.Loop() {
		m.Canonical()
	}
}
