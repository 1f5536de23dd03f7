package consistency

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// libraryDecimal is the standard library's text, without a sign where it says zero.
func libraryDecimal(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', min(max(decimals, 0), maxDecimals), 64)
	if digits, negative := strings.CutPrefix(text, "-"); negative && strings.Trim(digits, "0.") == "" {
		return digits
	}
	return text
}

func TestDecimal(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{
		{0, 4, "0.0000"}, {math.Copysign(0, -1), 4, "0.0000"}, {1, 4, "1.0000"}, {-1, 4, "-1.0000"}, {8, 0, "8"}, {0, 0, "0"},
		// Exact halves go to the even digit, others to the nearer.
		{0.5, 0, "0"}, {1.5, 0, "2"}, {2.5, 0, "2"}, {0.125, 2, "0.12"}, {0.375, 2, "0.38"}, {-2.5, 0, "-2"}, {math.Nextafter(2.5, 3), 0, "3"}, {math.Nextafter(0.5, 0), 0, "0"},
		// 0.00005 as a float is a little above, 0.00015 a little below the half.
		{0.00005, 4, "0.0001"}, {0.00015, 4, "0.0001"}, {-0.00004, 4, "0.0000"}, {0.99995, 4, "1.0000"}, {0.99994, 4, "0.9999"},
		{6.098, 2, "6.10"}, {1e9, 2, "1000000000.00"}, {999999999.999, 2, "1000000000.00"}, {5e-324, 9, "0.000000000"}, {1e-200, 3, "0.000"},
		{1.25, -1, "1"}, {1.25, 12, "1.250000000"}, {math.Inf(1), 2, "+Inf"}, {math.NaN(), 2, "NaN"},
	} {
		if got := decimal(c.v, c.decimals); got != c.want || got != libraryDecimal(c.v, c.decimals) {
			t.Errorf("%v with %d decimals: %q, want %q", c.v, c.decimals, got, c.want)
		}
	}
	if got := string(AppendDecimal([]byte("p "), 0.25, 1)); got != "p 0.2" {
		t.Errorf("appended: %q", got)
	}
}

// TestDecimalAgainstTheLibrary: random values of every size, and such as end in a five.
func TestDecimalAgainstTheLibrary(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	for range 100_000 {
		v := math.Ldexp(rng.Float64()-0.5, rng.IntN(100)-60)
		if rng.IntN(2) == 0 {
			v = float64(rng.IntN(2_000_001)-1_000_000) / math.Pow10(rng.IntN(8))
		}
		decimals := rng.IntN(maxDecimals + 1)
		if got, want := decimal(v, decimals), libraryDecimal(v, decimals); got != want {
			t.Fatalf("%x with %d decimals: %q, want %q", v, decimals, got, want)
		}
	}
}

// FuzzDecimal: any float has the library's text.
func FuzzDecimal(f *testing.F) {
	f.Add(uint64(0x3fe0000000000000), 0)
	f.Add(uint64(0xbf1a36e2eb1c432d), 4)
	f.Fuzz(func(t *testing.T, raw uint64, decimals int) {
		v := math.Float64frombits(raw)
		if got, want := decimal(v, decimals), libraryDecimal(v, decimals); got != want {
			t.Fatalf("%x with %d decimals: %q, want %q", v, decimals, got, want)
		}
	})
}
