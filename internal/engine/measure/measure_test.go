package measure

import (
	"errors"
	"testing"
)

func TestParseLength(t *testing.T) {
	for _, tt := range []struct {
		value string
		unit  Unit
		want  Length
		rule  Rule
	}{
		{"1", Inch, 254_000, ""},
		{"0.001", Inch, 254, ""},
		{"0.0010", Inch, 0, RuleDecimals},
		{"2.54", Centimetre, PerInch, ""},
		{"25.4", Millimetre, PerInch, ""},
		{"0.0254", Metre, PerInch, ""},
		{"1.96", Metre, 19_600_000, ""},
		{"0.0000001", Metre, 1, ""},
		{"0.00000001", Metre, 0, RuleDecimals},
		{"0.00001", Centimetre, 1, ""},
		{"0.000001", Centimetre, 0, RuleDecimals},
		{"0.0001", Millimetre, 1, ""},
		{"0.00001", Millimetre, 0, RuleDecimals},
		{"0", Metre, 0, ""},
		{"1000", Metre, MaxLength, ""},
		{"1000.0000001", Metre, 0, RuleLimit},
		{"9999999", Inch, 0, RuleLimit},
		{"10000000", Millimetre, 0, RuleLimit},
		{"", Metre, 0, RuleDecimal},
		{"-1", Metre, 0, RuleDecimal},
		{"1.", Metre, 0, RuleDecimal},
		{".5", Metre, 0, RuleDecimal},
		{"01", Metre, 0, RuleDecimal},
		{"1e2", Metre, 0, RuleDecimal},
		{"NaN", Metre, 0, RuleDecimal},
		{"1", "yd", 0, RuleUnit},
	} {
		got, err := ParseLength(tt.value, tt.unit)
		checkRule(t, tt.value+" "+string(tt.unit), err, tt.rule)
		if got != tt.want {
			t.Errorf("%s %s = %d, want %d", tt.value, tt.unit, got, tt.want)
		}
	}
}

func TestParseRateAndEvery(t *testing.T) {
	for _, tt := range []struct {
		value string
		want  Rate
		rule  Rule
	}{
		{"1", PerMinute, ""}, {"0.2", PerMinute / 5, ""}, {"0.000001", 480, ""}, {"0.0000001", 0, RuleDecimals},
		{"1000", MaxRate, ""}, {"1000.000001", 0, RuleLimit}, {"x", 0, RuleDecimal}, {"0", 0, ""},
	} {
		got, err := ParseRate(tt.value)
		checkRule(t, tt.value, err, tt.rule)
		if got != tt.want {
			t.Errorf("%s per minute = %d, want %d", tt.value, got, tt.want)
		}
	}
	for _, tt := range []struct {
		count, seconds int
		want           Rate
		rule           Rule
	}{
		{1, 60, PerMinute, ""}, {1, 8 * 3600, OncePerShift, ""}, {80, 15 * 60, 16 * PerMinute / 3, ""}, {1, 14, 2_057_142_857, ""},
		{1000, 60, MaxRate, ""}, {1001, 60, 0, RuleLimit}, {1_000_000, 1_000_000, 60 * PerMinute, ""}, {1_000_001, 1_000_000, 0, RuleLimit},
		{1, 1_000_001, 0, RuleLimit}, {0, 60, 0, RulePositive}, {1, 0, 0, RulePositive}, {-1, -1, 0, RulePositive},
	} {
		got, err := Every(tt.count, tt.seconds)
		checkRule(t, "every", err, tt.rule)
		if got != tt.want {
			t.Errorf("%d in %d s = %d, want %d", tt.count, tt.seconds, got, tt.want)
		}
	}
}

func checkRule(t *testing.T, what string, err error, want Rule) {
	t.Helper()
	var broken *RuleError
	switch {
	case want == "" && err != nil:
		t.Errorf("%s: %v", what, err)
	case want != "" && (!errors.As(err, &broken) || broken.Rule != want):
		t.Errorf("%s: error %v, want rule %s", what, err, want)
	case want != "" && broken.Error() == (&RuleError{Rule: "other"}).Error():
		t.Errorf("%s: rule %s has no text", what, want)
	}
}

func TestFloats(t *testing.T) {
	if got := Length(19_600_000).In(Metre); got != 1.96 {
		t.Errorf("In(m) = %v, want 1.96", got)
	}
	if got := PerMetre.In(Inch); got != 100/2.54 {
		t.Errorf("In(in) = %v", got)
	}
	if got := PerMetre.In("yd"); got != 0 {
		t.Errorf("In(yd) = %v, want 0", got)
	}
	if got := (PerMinute / 5).PerMinuteFloat(); got != 0.2 {
		t.Errorf("PerMinuteFloat = %v, want 0.2", got)
	}
	if got := Length(19_600_000).String(); got != "1.96 m" {
		t.Errorf("String = %q", got)
	}
}

func FuzzParse(f *testing.F) {
	f.Add("1.5", "in")
	f.Add("0.0021", "m")
	f.Fuzz(func(t *testing.T, value, unit string) {
		if l, err := ParseLength(value, Unit(unit)); err == nil && (l < 0 || l > MaxLength) {
			t.Errorf("%q %s = %d", value, unit, l)
		}
		if r, err := ParseRate(value); err == nil && (r < 0 || r > MaxRate) {
			t.Errorf("%q per minute = %d", value, r)
		}
	})
}
