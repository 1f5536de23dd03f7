package portable

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// functions are all exported functions by the names that the reference file and the bit tests use.
var functions = map[string]func(a []float64) float64{
	"log":      func(a []float64) float64 { return Log(a[0]) },
	"exp":      func(a []float64) float64 { return Exp(a[0]) },
	"lgamma":   func(a []float64) float64 { return LogGamma(a[0]) },
	"pnorm":    func(a []float64) float64 { return NormalCDF(a[0]) },
	"qnorm":    func(a []float64) float64 { return NormalQuantile(a[0]) },
	"pbeta":    func(a []float64) float64 { return BetaCDF(a[0], a[1], a[2]) },
	"pf":       func(a []float64) float64 { return FCDF(a[0], a[1], a[2]) },
	"pf_upper": func(a []float64) float64 { return FTail(a[0], a[1], a[2]) },
	"qf":       func(a []float64) float64 { return FQuantile(a[0], a[1], a[2]) },
	"pt_upper": func(a []float64) float64 { return StudentTail(a[0], a[1]) },
	"qt":       func(a []float64) float64 { return StudentQuantile(a[0], a[1]) },
}

// TestAgainstR compares with R 4.2.2 (testdata/reference/r/stats.json, made by stats.R beside it).
func TestAgainstR(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "reference", "r", "stats.json"))
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Special []struct {
			Fn    string
			Args  []float64
			Value float64
		}
	}
	if err := json.Unmarshal(text, &ref); err != nil {
		t.Fatal(err)
	}
	worst := map[string]float64{}
	for _, r := range ref.Special {
		got := functions[r.Fn](r.Args)
		off := math.Abs(got-r.Value) / math.Max(math.Abs(r.Value), 1e-300)
		if r.Fn == "lgamma" || r.Fn == "qnorm" || r.Fn == "qt" {
			off = math.Abs(got-r.Value) / math.Max(math.Abs(r.Value), 1)
		}
		worst[r.Fn] = math.Max(worst[r.Fn], off)
		allowed := 2e-12
		if r.Fn == "qf" {
			allowed = 1e-10 // R's pf, at R's own qf, is off by this much
		}
		if !(off <= allowed) {
			t.Errorf("%s%v = %.17g, R has %.17g (off by %.2g)", r.Fn, r.Args, got, r.Value, off)
		}
	}
	if len(worst) != len(functions) {
		t.Errorf("R's file covers %d functions, want %d", len(worst), len(functions))
	}
	t.Logf("largest relative differences: %v", worst)
}

// TestBits: the same bits on every machine. The values were computed on amd64 and hold on arm64 and wasm too.
func TestBits(t *testing.T) {
	for _, tt := range []struct {
		fn   string
		args []float64
		want float64
	}{
		{"log", []float64{0.3}, -0x1.34378fcbda721p+00},
		{"log", []float64{12345.678}, 0x1.2d79559791e31p+03},
		{"exp", []float64{-30.25}, 0x1.4835bd010a41bp-44},
		{"exp", []float64{0.7}, 0x1.01c2a61268987p+01},
		{"lgamma", []float64{7.25}, 0x1.c35701a50ff08p+02},
		{"pnorm", []float64{-1.96}, 0x1.9990c588593p-06},
		{"pnorm", []float64{-4.2}, 0x1.bfcf1c72e0829p-17},
		{"qnorm", []float64{0.75}, 0x1.5956b87528a49p-01},
		{"qnorm", []float64{0.025}, -0x1.f5c0331eeff7ep+00},
		{"pbeta", []float64{0.3, 2.5, 7}, 0x1.484e4f87d9266p-01},
		{"pf", []float64{1.8, 5, 18}, 0x1.ac337936c23a8p-01},
		{"pf_upper", []float64{11.03, 5, 15}, 0x1.19cf8f5afe827p-13},
		{"qf", []float64{0.975, 5, 15}, 0x1.c9c7fa6908723p+01},
		{"qf", []float64{0.975, 3.7, 5}, 0x1.dedc2a37fce39p+02},
		{"pt_upper", []float64{2.5, 7}, 0x1.4fcee9c6ebdd5p-06},
		{"qt", []float64{0.975, 16}, 0x1.0f590e8d62dd7p+01},
	} {
		if got := functions[tt.fn](tt.args); math.Float64bits(got) != math.Float64bits(tt.want) {
			t.Errorf("%s%v = %x, want %x", tt.fn, tt.args, got, tt.want)
		}
	}
}

// TestBitsOfMany hashes the bits of 22,000 results at fixed pseudo-random arguments.
func TestBitsOfMany(t *testing.T) {
	const want = "e806180d5081d6fc9b5ec14374be0a7933e0c748bd8e0e9f40a4d05696ac2f13"
	rng := rand.New(rand.NewPCG(1, 2))
	h := sha256.New()
	add := func(v float64) {
		var b [8]byte
		binary.BigEndian.PutUint64(b[:], math.Float64bits(v))
		h.Write(b[:])
	}
	for range 2000 {
		u := float64(rng.Uint64()>>11) / (1 << 53)
		x, d1, d2 := float64(u*40)-20, float64(1+rng.IntN(60)), float64(1+rng.IntN(600))/2
		for _, name := range []string{"log", "exp", "lgamma", "pnorm", "qnorm", "pbeta", "pf", "pf_upper", "pt_upper"} {
			args := []float64{u, d1, d2}
			switch name {
			case "exp", "pnorm":
				args[0] = x
			case "log", "lgamma", "pf", "pf_upper":
				args[0] = math.Abs(x)
			case "pt_upper":
				args[0], args[1] = x, d2
			}
			add(functions[name](args))
		}
		if d1 < 6 {
			add(FQuantile(u, d1, d2))
			add(StudentQuantile(u, d2))
		}
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != want {
		t.Errorf("the results have the hash %s, want %s", got, want)
	}
}

func TestOutsideTheDomain(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, got := range map[string]float64{
		"log -1": Log(-1), "log NaN": Log(nan), "exp NaN": Exp(nan), "lgamma 0": LogGamma(0), "lgamma NaN": LogGamma(nan),
		"pnorm NaN": NormalCDF(nan), "qnorm 0": NormalQuantile(0), "qnorm 1": NormalQuantile(1), "qnorm NaN": NormalQuantile(nan),
		"pbeta a=0": BetaCDF(0.5, 0, 1), "pbeta b=2e7": BetaCDF(0.5, 1, 2e7), "pbeta NaN": BetaCDF(nan, 1, 1), "pbeta a=NaN": BetaCDF(0.5, nan, 1),
		"qf p=1": FQuantile(1, 2, 3), "qf p=0": FQuantile(0, 2, 3), "qf d=0": FQuantile(0.5, 0, 3), "qt p=0": StudentQuantile(0, 3),
		"qt df=0": StudentQuantile(0.5, 0), "pt df=0": StudentTail(1, 0),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s = %v, want NaN", name, got)
		}
	}
	for name, pair := range map[string][2]float64{
		"log 0": {Log(0), -inf}, "log Inf": {Log(inf), inf}, "exp 710": {Exp(710), inf}, "exp -746": {Exp(-746), 0}, "lgamma Inf": {LogGamma(inf), inf},
		"exp 709.78": {math.Min(Exp(709.78), 1.7e308), 1.7e308}, "pnorm -40": {NormalCDF(-40), 0}, "pnorm 40": {NormalCDF(40), 1},
		"pbeta x=-1": {BetaCDF(-1, 2, 3), 0}, "pbeta x=2": {BetaCDF(2, 2, 3), 1}, "pf 0": {FCDF(0, 2, 3), 0}, "pf_upper 0": {FTail(0, 2, 3), 1},
		"pf_upper Inf": {FTail(inf, 2, 3), 0}, "pt Inf": {StudentTail(inf, 3), 0}, "pt -Inf": {StudentTail(-inf, 3), 1}, "qt half": {StudentQuantile(0.5, 3), 0},
		// 1 - (1 - 1e-7)^1e7, which is 1 - 1/e + 1e-7/(2e) and smaller terms.
		"pbeta b=1e7": {math.Round(BetaCDF(1e-7, 1, 1e7)*1e8) / 1e8, math.Round((1-1/math.E+0.5e-7/math.E)*1e8) / 1e8},
	} {
		if pair[0] != pair[1] {
			t.Errorf("%s = %v, want %v", name, pair[0], pair[1])
		}
	}
}

func FuzzTotal(f *testing.F) {
	f.Add(0.5, 3.0, 4.0)
	f.Add(1e300, 1e-300, 1e7)
	f.Fuzz(func(t *testing.T, x, a, b float64) {
		for name, fn := range functions {
			v := fn([]float64{x, a, b})
			if isShare := name[0] == 'p'; isShare && (v < 0 || v > 1) {
				t.Errorf("%s(%v, %v, %v) = %v is not a share", name, x, a, b, v)
			}
		}
	})
}

// TestQuantilesInvert: where R's own quantile is less exact than its distribution function (many degrees of freedom), the
// quantile must still lead back to its share.
func TestQuantilesInvert(t *testing.T) {
	for _, p := range []float64{1e-6, 0.025, 0.5, 0.9, 0.975, 1 - 1e-6} {
		for _, df := range [][2]float64{{1, 1}, {1, 40000}, {5, 15}, {3.7, 5}, {200000, 30}, {1e6, 1e6}} {
			f := FQuantile(p, df[0], df[1])
			if got := FCDF(f, df[0], df[1]); math.Abs(got-p) > 1e-9*p {
				t.Errorf("F with %v: the quantile of %v leads back to %v", df, p, got)
			}
		}
		if got := NormalCDF(NormalQuantile(p)); math.Abs(got-p) > 1e-13*p {
			t.Errorf("normal: the quantile of %v leads back to %v", p, got)
		}
	}
}
