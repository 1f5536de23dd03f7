package otp

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	lib "github.com/pquerna/otp"

	"ponderal.example/internal/fault"
)

// rfcSecret is the secret of RFC 6238, appendix B, for SHA-1: twenty ASCII digits.
const rfcSecret = "12345678901234567890"

// rfcVectors are the rows of RFC 6238, appendix B, with the mode SHA1.
var rfcVectors = []struct {
	unix int64
	step int64
	code string
}{
	{59, 0x1, "94287082"},
	{1111111109, 0x23523EC, "07081804"},
	{1111111111, 0x23523ED, "14050471"},
	{1234567890, 0x273EF07, "89005924"},
	{2000000000, 0x3F940AA, "69279037"},
	{20000000000, 0x27BC86AA, "65353130"},
}

func rfc(t testing.TB) Secret {
	t.Helper()
	s, err := ReadSecret([]byte(rfcSecret))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestPublishedVectors: RFC 6238, appendix B.
func TestPublishedVectors(t *testing.T) {
	s := rfc(t)
	for _, v := range rfcVectors {
		moment := time.Unix(v.unix, 0)
		if got := StepOf(moment); got != v.step {
			t.Errorf("step of %d: %#x, want %#x", v.unix, got, v.step)
		}
		if got, err := codeAt(s, v.step, lib.DigitsEight); err != nil || got != v.code {
			t.Errorf("code at %d: %s, %v, want %s", v.unix, got, err, v.code)
		}
		// RFC 4226, section 5.3: fewer digits are the same number modulo a smaller power of ten.
		if step, err := Verify(s, v.code[2:], moment, NeverUsed); err != nil || step != v.step {
			t.Errorf("verify at %d: step %d, %v", v.unix, step, err)
		}
	}
}

func TestWindow(t *testing.T) {
	s := rfc(t)
	const step, code = 0x23523EC, "081804"
	start := int64(step * 30)
	for name, tt := range map[string]struct {
		unix int64
		good bool
	}{
		"one second too early":           {start - 31, false},
		"the step before, first second":  {start - 30, true},
		"the step itself, first second":  {start, true},
		"the step itself, last second":   {start + 29, true},
		"the step after, last second":    {start + 59, true},
		"the step after that":            {start + 60, false},
		"long after, a million of steps": {start + 30_000_000, false},
	} {
		got, err := Verify(s, code, time.Unix(tt.unix, 0), NeverUsed)
		if tt.good && (err != nil || got != step) {
			t.Errorf("%s: step %d, %v", name, got, err)
		}
		if !tt.good && !fault.Is(err, fault.Unauthenticated) {
			t.Errorf("%s: step %d, %v, want Unauthenticated", name, got, err)
		}
	}
}

func TestReplay(t *testing.T) {
	s := rfc(t)
	now := time.Unix(1111111111, 0) // step 0x23523ED
	first, err := Verify(s, "050471", now, NeverUsed)
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		code     string
		lastUsed int64
		good     bool
	}{
		"again":                                {"050471", first, false},
		"the step before, after a newer one":   {"081804", first, false},
		"the step before, when it is newer":    {"081804", first - 2, true},
		"the step before, when it was used":    {"081804", first - 1, false},
		"newer by one":                         {"050471", first - 1, true},
		"after a step of the future was used":  {"050471", first + 1, false},
		"after one that no clock will reach":   {"050471", 1 << 62, false},
		"the first of all":                     {"050471", NeverUsed, true},
		"last used as no caller would tell it": {"050471", -1 << 63, true},
	} {
		_, err := Verify(s, tt.code, now, tt.lastUsed)
		if tt.good != (err == nil) || err != nil && !fault.Is(err, fault.Unauthenticated) {
			t.Errorf("%s: %v, want good %t", name, err, tt.good)
		}
	}
}

// TestTwoStepsWithOneCode: where two steps of the window share a code, the newer counts, so that the code cannot be used twice.
func TestTwoStepsWithOneCode(t *testing.T) {
	s := rfc(t)
	// The first pair of neighbouring steps with one code: found by trying all, since no published one is known.
	const step = 910738
	before, err := codeAt(s, step-1, lib.DigitsSix)
	if err != nil {
		t.Fatal(err)
	}
	code, err := codeAt(s, step, lib.DigitsSix)
	if err != nil || code != before {
		t.Fatalf("%s and %s, %v: the pair is none", before, code, err)
	}
	now := time.Unix(step*30, 0)
	if got, err := Verify(s, code, now, NeverUsed); err != nil || got != step {
		t.Errorf("step %d, %v, want %d", got, err, step)
	}
	if _, err := Verify(s, code, now, step); err == nil {
		t.Error("accepted twice")
	}
}

func TestVerifyRefuses(t *testing.T) {
	s := rfc(t)
	now := time.Unix(59, 0)
	if _, err := Verify(s, "287082", now, NeverUsed); err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		secret Secret
		code   string
		now    time.Time
	}{
		"another code":      {s, "287083", now},
		"empty":             {s, "", now},
		"eight digits":      {s, "94287082", now},
		"five digits":       {s, "28708", now},
		"with a space":      {s, "287082 ", now},
		"wide digits":       {s, "２８", now},
		"no secret":         {Secret{}, "287082", now},
		"before 1970":       {s, "287082", time.Unix(-1, 0)},
		"a zero clock":      {s, "287082", time.Time{}},
		"signed":            {s, "+87082", now},
		"a code of letters": {s, "abcdef", now},
	} {
		step, err := Verify(tt.secret, tt.code, tt.now, NeverUsed)
		if !fault.Is(err, fault.Unauthenticated) || step != 0 || err.Error() != refused().Error() {
			t.Errorf("%s: step %d, %v, want the uniform refusal", name, step, err)
		}
	}
}

func TestEnrol(t *testing.T) {
	source := []byte("12345678901234567890more")
	s, err := Enrol(bytes.NewReader(source))
	if err != nil || !bytes.Equal(s.Bytes(), source[:SecretSize]) {
		t.Fatalf("%x, %v", s.Bytes(), err)
	}
	// RFC 4648, section 6.
	if got := s.Text(); got != "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ" {
		t.Errorf("text %s", got)
	}
	if _, err := Enrol(bytes.NewReader(source[:SecretSize-1])); err == nil {
		t.Error("enrolled with 19 random bytes of 20")
	}
	for _, stored := range [][]byte{nil, source[:SecretSize-1], source[:SecretSize+1]} {
		if _, err := ReadSecret(stored); !fault.Is(err, fault.Internal) {
			t.Errorf("%d stored bytes: %v, want Internal", len(stored), err)
		}
	}
}

func TestURI(t *testing.T) {
	s := rfc(t)
	text, err := s.URI("Ponderal & Co + 1=2", "evaluator one@clinic.example")
	if err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	want := url.Values{"secret": {s.Text()}, "issuer": {"Ponderal & Co + 1=2"}, "period": {"30"}, "algorithm": {"SHA1"}, "digits": {"6"}}
	if u.Scheme != "otpauth" || u.Host != "totp" || u.Path != "/Ponderal & Co + 1=2:evaluator one@clinic.example" || u.Query().Encode() != want.Encode() {
		t.Errorf("%s", text)
	}
	if strings.Contains(u.RawQuery, "+") {
		t.Errorf("%s: apps do not read a plus sign as a space", text)
	}
	for name, names := range map[string][2]string{
		"no issuer":    {"", "a"},
		"no account":   {"a", ""},
		"colon":        {"a:b", "a"},
		"line break":   {"a", "a\nb"},
		"text turned":  {"a", "a\u202eb"},
		"too long":     {strings.Repeat("a", maxNameBytes+1), "a"},
		"not UTF-8":    {"a", "\xff"},
		"a lone break": {"a", "\u2028"},
	} {
		if got, err := s.URI(names[0], names[1]); !fault.Is(err, fault.Invalid) || got != "" {
			t.Errorf("%s: %v, want Invalid", name, err)
		}
	}
	if _, err := s.URI(strings.Repeat("a", maxNameBytes), "a"); err != nil {
		t.Errorf("the longest name: %v", err)
	}
	if _, err := (Secret{}).URI("a", "b"); err == nil {
		t.Error("a URI of no secret")
	}
}

func TestSecretIsNotPrinted(t *testing.T) {
	s := rfc(t)
	marshalled, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	printed := fmt.Sprintf("%v %+v %#v %s %q %x %d %v", s, s, s, s, s, s, s, struct{ s *Secret }{&s}) + string(marshalled)
	for _, leak := range []string{"12345", "GEZDG", "49 50", "3132"} {
		if strings.Contains(printed, leak) {
			t.Errorf("printed %s", printed)
		}
	}
}

func BenchmarkVerify(b *testing.B) {
	s := rfc(b)
	now := time.Unix(59, 0)
	for b.Loop() {
		if _, err := Verify(s, "287082", now, NeverUsed); err != nil {
			b.Fatal(err)
		}
	}
}
