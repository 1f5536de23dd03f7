package handling

import (
	"errors"
	"math"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func checkViolation(t *testing.T, what string, err error, field, rule string) {
	t.Helper()
	if rule == "" {
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
		return
	}
	var e *fault.Error
	if !errors.As(err, &e) || e.Kind != fault.Invalid {
		t.Errorf("%s: error %v, want Invalid", what, err)
		return
	}
	for _, v := range e.Violations {
		if v.Field == field && v.Rule == rule && v.Text != "" {
			return
		}
	}
	t.Errorf("%s: violations %+v, want %s %s", what, e.Violations, field, rule)
}

// pushing is a push that breaks no rule.
func pushing(t testing.TB) Input {
	in := Input{Task: PushInitial, Sex: record.Male, HandHeight: metre, Distance: 20 * metre, Rate: measure.PerMinute / 4}
	in.setDemand(t, 20)
	return in
}

func TestAnalyseRefuses(t *testing.T) {
	force, err := ForceOf(100, Newton)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name        string
		in          Input
		change      func(*Input)
		field, rule string
	}{
		{"task", paperExample(), func(in *Input) { in.Task = "throw" }, "task", RuleUnknown},
		{"sex", paperExample(), func(in *Input) { in.Sex = "" }, "sex", RuleUnknown},
		{"lower", paperExample(), func(in *Input) { in.Task = Lower }, "", ""},
		{"handles", paperExample(), func(in *Input) { in.Handles = "" }, "handles", RuleUnknown},
		{"no load", paperExample(), func(in *Input) { in.Load = mass.Zero() }, "load", RulePositive},
		{"1000 kg", paperExample(), func(in *Input) { in.Load = mass.FromUnits(maxLoad) }, "", ""},
		{"over 1000 kg", paperExample(), func(in *Input) { in.Load = mass.FromUnits(maxLoad + 1) }, "load", RuleRange},
		{"a force for a lift", paperExample(), func(in *Input) { in.Force = force }, "force", RuleUnused},
		{"a hand height for a lift", paperExample(), func(in *Input) { in.HandHeight = 1 }, "hand_height", RuleUnused},
		{"a distance for a lift", paperExample(), func(in *Input) { in.Distance = 1 }, "distance", RuleUnused},
		{"H low", paperExample(), func(in *Input) { in.Horizontal = 200*millimetre - 1 }, "horizontal", RuleRange},
		{"H lowest", paperExample(), func(in *Input) { in.Horizontal = 200 * millimetre }, "", ""},
		{"H highest", paperExample(), func(in *Input) { in.Horizontal = 680 * millimetre }, "", ""},
		{"H high", paperExample(), func(in *Input) { in.Horizontal = 680*millimetre + 1 }, "horizontal", RuleRange},
		{"DV low", paperExample(), func(in *Input) { in.Travel = 250*millimetre - 1 }, "travel", RuleRange},
		{"DV lowest", paperExample(), func(in *Input) { in.Travel = 250 * millimetre }, "", ""},
		{"DV whole reach", paperExample(), func(in *Input) { in.MiddleHeight, in.Travel = 980*millimetre, 1960*millimetre }, "", ""},
		{"DV beyond reach", paperExample(), func(in *Input) { in.Travel = 1960*millimetre + 1 }, "travel", RuleRange},
		{"at reach", paperExample(), func(in *Input) { in.MiddleHeight = 1705 * millimetre }, "", ""},
		{"beyond reach", paperExample(), func(in *Input) { in.MiddleHeight = 1705*millimetre + 1 }, "middle_height", RuleReach},
		{"middle beyond reach", paperExample(), func(in *Input) { in.MiddleHeight = math.MaxInt64 }, "middle_height", RuleReach},
		{"from the floor", paperExample(), func(in *Input) { in.MiddleHeight = 255 * millimetre }, "", ""},
		{"from below the floor", paperExample(), func(in *Input) { in.MiddleHeight = 255*millimetre - 1 }, "middle_height", RuleReach},
		{"no middle", paperExample(), func(in *Input) { in.MiddleHeight = 0 }, "middle_height", RuleReach},
		{"once in eight hours", paperExample(), func(in *Input) { in.Rate = measure.OncePerShift }, "", ""},
		{"less", paperExample(), func(in *Input) { in.Rate = measure.OncePerShift - 1 }, "rate", RuleRange},
		{"20 a minute", paperExample(), func(in *Input) { in.Rate = 20 * measure.PerMinute }, "", ""},
		{"more", paperExample(), func(in *Input) { in.Rate = 20*measure.PerMinute + 1 }, "rate", RuleRange},
		{"11 m/min", paperExample(), func(in *Input) { in.Travel, in.Rate = 550*millimetre, 20*measure.PerMinute }, "", ""},
		{"above 11 m/min", paperExample(), func(in *Input) { in.Travel, in.Rate = 550*millimetre+1, 20*measure.PerMinute }, "travel", RuleSpeed},
		{"push", pushing(t), func(*Input) {}, "", ""},
		{"a mass for a push", pushing(t), func(in *Input) { in.Load = mass.FromUnits(1) }, "load", RuleUnused},
		{"no force", pushing(t), func(in *Input) { in.Force = Force{} }, "force", RulePositive},
		{"handles for a push", pushing(t), func(in *Input) { in.Handles = GoodHandles }, "handles", RuleUnused},
		{"H for a push", pushing(t), func(in *Input) { in.Horizontal = 1 }, "horizontal", RuleUnused},
		{"VRM for a push", pushing(t), func(in *Input) { in.MiddleHeight = 1 }, "middle_height", RuleUnused},
		{"DV for a push", pushing(t), func(in *Input) { in.Travel = 1 }, "travel", RuleUnused},
		{"V lowest", pushing(t), func(in *Input) { in.HandHeight = 630 * millimetre }, "", ""},
		{"V low", pushing(t), func(in *Input) { in.HandHeight = 630*millimetre - 1 }, "hand_height", RuleRange},
		{"V of the other sex", pushing(t), func(in *Input) { in.Sex, in.HandHeight = record.Female, 1330*millimetre+1 }, "hand_height", RuleRange},
		{"DH longest", pushing(t), func(in *Input) { in.Distance = 61 * metre }, "", ""},
		{"DH long", pushing(t), func(in *Input) { in.Distance = 61*metre + 1 }, "distance", RuleRange},
		{"DH short", pushing(t), func(in *Input) { in.Distance = 2100*millimetre - 1 }, "distance", RuleRange},
		{"37 m/min", pushing(t), func(in *Input) { in.Distance, in.Rate = 37*metre, measure.PerMinute }, "", ""},
		{"above 37 m/min", pushing(t), func(in *Input) { in.Distance, in.Rate = 37*metre+1, measure.PerMinute }, "distance", RuleSpeed},
		{"10 a minute", pushing(t), func(in *Input) { in.Distance, in.Rate = 2100*millimetre, 10*measure.PerMinute }, "", ""},
		{"over 10 a minute", pushing(t), func(in *Input) { in.Distance, in.Rate = 2100*millimetre, 10*measure.PerMinute+1 }, "rate", RuleRange},
	} {
		in := tt.in
		tt.change(&in)
		_, err := Analyse(in)
		checkViolation(t, tt.name, err, tt.field, tt.rule)
	}
}

// TestCaution: the speeds from which the authors advise caution (S50 pp. 962-968): just not, and just.
func TestCaution(t *testing.T) {
	for _, tt := range []struct {
		task     Task
		sex      record.Sex
		distance measure.Length
	}{{PushSustained, record.Female, 10 * metre}, {PullInitial, record.Male, 15 * metre}, {Carry, record.Female, 10 * metre}} {
		in := Input{Task: tt.task, Sex: tt.sex, HandHeight: 900 * millimetre, Distance: tt.distance, Rate: measure.PerMinute}
		in.setDemand(t, 5)
		at, errAt := Analyse(in)
		in.Rate++
		above, errAbove := Analyse(in)
		if errAt != nil || errAbove != nil || at.Caution || !above.Caution {
			t.Errorf("%s %s: caution %v at the speed, %v above (%v, %v)", tt.task, tt.sex, at.Caution, above.Caution, errAt, errAbove)
		}
	}
}

// TestForce: newtons and kilograms-force are not mistaken for each other: 1 kgf is 9.80665 N exactly (3rd CGPM, 1901).
func TestForce(t *testing.T) {
	n, errN := ForceOf(196.133, Newton)
	k, errK := ForceOf(20, KilogramForce)
	lb, errLb := ForceOf(20/0.45359237, PoundForce)
	if errN != nil || errK != nil || errLb != nil {
		t.Fatal(errN, errK, errLb)
	}
	if math.Abs(n.kgf-20) > 1e-12 || k.kgf != 20 || math.Abs(lb.kgf-20) > 1e-12 {
		t.Errorf("forces %v %v %v, want 20 kgf", n, k, lb)
	}
	if math.Abs(k.In(Newton)-196.133) > 1e-12 || k.In(KilogramForce) != 20 || math.Abs(k.In(PoundForce)-44.09245) > 1e-5 || k.In("dyn") != 0 {
		t.Errorf("20 kgf = %v N, %v kgf, %v lbf, %v", k.In(Newton), k.In(KilogramForce), k.In(PoundForce), k.In("dyn"))
	}
	for _, tt := range []struct {
		value       float64
		unit        ForceUnit
		field, rule string
	}{
		{1, "", "force.unit", RuleUnknown}, {1, "kg", "force.unit", RuleUnknown}, {0, Newton, "force.value", RuleRange}, {-1, Newton, "force.value", RuleRange},
		{math.NaN(), Newton, "force.value", RuleRange}, {math.Inf(1), Newton, "force.value", RuleRange}, {1000, KilogramForce, "", ""}, {9806, Newton, "", ""},
		{1000.001, KilogramForce, "force.value", RuleRange}, {math.SmallestNonzeroFloat64, KilogramForce, "", ""},
	} {
		_, err := ForceOf(tt.value, tt.unit)
		checkViolation(t, "ForceOf", err, tt.field, tt.rule)
	}
}

func TestAcceptableTo(t *testing.T) {
	r, err := Analyse(paperExample())
	if err != nil {
		t.Fatal(err)
	}
	for share, rule := range map[float64]string{0.01: "", 0.99: "", 0.009: RuleRange, 0.991: RuleRange, math.NaN(): RuleRange, math.Inf(1): RuleRange} {
		_, err := r.AcceptableTo(share)
		checkViolation(t, "AcceptableTo", err, "share", rule)
	}
	// The share that accepts what 90 % accept is 90 %.
	at90, err := r.AcceptableTo(0.9)
	if err != nil {
		t.Fatal(err)
	}
	in := paperExample()
	in.Load = mass.FromUnits(int64(math.Round(at90 * 1e11)))
	again, err := Analyse(in)
	if err != nil || math.Abs(again.Accepting-0.9) > 1e-9 {
		t.Errorf("accepting %v (%v), want 0.9", again.Accepting, err)
	}
}

// TestBits: the same bits on every machine (computed on amd64; they hold on arm64 and wasm).
func TestBits(t *testing.T) {
	lift := paperExample()
	lift.Rate = 7 * measure.PerMinute / 3
	push := pushing(t)
	a, errA := Analyse(lift)
	b, errB := Analyse(push)
	at75, err75 := a.AcceptableTo(0.75)
	if errA != nil || errB != nil || err75 != nil {
		t.Fatal(errA, errB, err75)
	}
	got := [...]float64{a.Median, a.Accepting, at75, b.Median, b.Accepting, a.Factors[2].Value, b.Factors[1].Value}
	want := [...]float64{
		0x1.bdf5304287198p+03, 0x1.682acc1c008e7p-01, 0x1.6fc057f96c412p+03, 0x1.1c7c22a955ebdp+05, 0x1.f11aa681d16e6p-01, 0x1.d095c9d99677cp-01,
		0x1.8523204db5e1fp-01,
	}
	if got != want {
		t.Errorf("results %x, want %x", got, want)
	}
}

func FuzzAnalyse(f *testing.F) {
	f.Add("lift", "female", int64(1e12), 0.0, "", int64(3_800_000), int64(10_300_000), int64(5_100_000), "good", int64(0), int64(0), int64(480_000_000))
	f.Add("push_initial", "male", int64(0), 200.0, "N", int64(0), int64(0), int64(0), "", int64(10_000_000), int64(200_000_000), int64(480_000_000))
	f.Add("carry", "female", int64(1e12), 0.0, "", int64(0), int64(0), int64(0), "", int64(7_100_000), int64(21_000_000), int64(1_000_000))
	f.Fuzz(func(t *testing.T, task, sex string, load int64, force float64, unit string, h, vrm, dv int64, handles string, v, dh, rate int64) {
		in := Input{
			Task: Task(task), Sex: record.Sex(sex), Load: mass.FromUnits(load), Horizontal: measure.Length(h), MiddleHeight: measure.Length(vrm),
			Travel: measure.Length(dv), Handles: Handles(handles), HandHeight: measure.Length(v), Distance: measure.Length(dh), Rate: measure.Rate(rate),
		}
		in.Force, _ = ForceOf(force, ForceUnit(unit))
		r, err := Analyse(in)
		if err != nil {
			if !fault.Is(err, fault.Invalid) {
				t.Fatal(err)
			}
			return
		}
		if !(r.Median > 0 && r.Median < 150 && r.Deviation > 0 && r.Accepting >= 0 && r.Accepting <= 1) {
			t.Fatalf("%+v gives %+v", in, r)
		}
		for _, x := range r.Factors {
			if !(x.Value > 0 && x.Value < 1.005) {
				t.Fatalf("%+v: factor %+v", in, x)
			}
		}
	})
}

func BenchmarkAnalyse(b *testing.B) {
	in := paperExample()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Analyse(in); err != nil {
			b.Fatal(err)
		}
	}
}
