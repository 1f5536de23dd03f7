package lifteq

import (
	"errors"
	"math"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// plain is a task that breaks no rule.
func plain() Task {
	return Task{
		System: US, Load: mass.FromUnits(20 * pound),
		Origin: Hands{Horizontal: 15 * measure.PerInch, Vertical: 20 * measure.PerInch, Asymmetry: 30 * Degree},
		Travel: 20 * measure.PerInch, Rate: 2 * measure.PerMinute, Duration: Moderate, Coupling: Fair,
	}
}

// checkViolation checks that err is Invalid with exactly that field and rule, or nil for no rule.
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

func TestAnalyseRefuses(t *testing.T) {
	for _, tt := range []struct {
		name        string
		change      func(*Task)
		field, rule string
	}{
		{"nothing", func(*Task) {}, "", ""},
		{"no system", func(k *Task) { k.System = "" }, "system", RuleUnknown},
		{"metric", func(k *Task) { k.System = Metric }, "", ""},
		{"no duration", func(k *Task) { k.Duration = "day" }, "duration", RuleUnknown},
		{"no coupling", func(k *Task) { k.Coupling = "" }, "coupling", RuleUnknown},
		{"no load", func(k *Task) { k.Load = mass.Zero() }, "load", RulePositive},
		{"least load", func(k *Task) { k.Load = mass.FromUnits(1) }, "", ""},
		{"1000 kg", func(k *Task) { k.Load = mass.FromUnits(maxLoad) }, "", ""},
		{"over 1000 kg", func(k *Task) { k.Load = mass.FromUnits(maxLoad + 1) }, "load", RuleRange},
		{"H 0", func(k *Task) { k.Origin.Horizontal = 0 }, "origin.horizontal", RulePositive},
		{"H least", func(k *Task) { k.Origin.Horizontal = 1 }, "", ""},
		{"H 10 m", func(k *Task) { k.Origin.Horizontal = maxLength }, "", ""},
		{"H over 10 m", func(k *Task) { k.Origin.Horizontal = maxLength + 1 }, "origin.horizontal", RuleRange},
		{"V below the floor", func(k *Task) { k.Origin.Vertical = -1 }, "origin.vertical", RuleRange},
		{"V at the floor", func(k *Task) { k.Origin.Vertical = 0 }, "", ""},
		{"V over 10 m", func(k *Task) { k.Origin.Vertical = maxLength + 1 }, "origin.vertical", RuleRange},
		{"A below 0", func(k *Task) { k.Origin.Asymmetry = -1 }, "origin.asymmetry", RuleRange},
		{"A 180", func(k *Task) { k.Origin.Asymmetry = 180 * Degree }, "", ""},
		{"A over 180", func(k *Task) { k.Origin.Asymmetry = 180*Degree + 1 }, "origin.asymmetry", RuleRange},
		{"D below 0", func(k *Task) { k.Travel = -1 }, "travel", RuleRange},
		{"D 0", func(k *Task) { k.Travel = 0 }, "", ""},
		{"D over 10 m", func(k *Task) { k.Travel = maxLength + 1 }, "travel", RuleRange},
		{"no rate", func(k *Task) { k.Rate = 0 }, "rate", RulePositive},
		{"least rate", func(k *Task) { k.Rate = 1 }, "", ""},
		{"1000 a minute", func(k *Task) { k.Rate = measure.MaxRate }, "", ""},
		{"over 1000 a minute", func(k *Task) { k.Rate = measure.MaxRate + 1 }, "rate", RuleRange},
		{"destination", func(k *Task) { k.Destination = &Hands{Horizontal: 1, Vertical: 40 * measure.PerInch} }, "", ""},
		{"destination below", func(k *Task) { k.Destination = &Hands{Horizontal: 1, Vertical: 0} }, "", ""},
		{"destination off", func(k *Task) { k.Destination = &Hands{Horizontal: 1, Vertical: 40*measure.PerInch + 1} }, "travel", RuleTravel},
		{"destination H", func(k *Task) { k.Destination = &Hands{Vertical: 40 * measure.PerInch} }, "destination.horizontal", RulePositive},
		{"seated", func(k *Task) { k.Conditions = []Condition{SeatedOrKneeling} }, "conditions[0]", RuleNotApplicable},
		{"unheard of", func(k *Task) { k.Conditions = []Condition{OneHanded, "?"} }, "conditions[1]", RuleUnknown},
	} {
		task := plain()
		tt.change(&task)
		_, err := Analyse(task)
		checkViolation(t, tt.name, err, tt.field, tt.rule)
	}
}

// TestBeyondTheEquation: zero rules and cut-offs end in a limit of 0, not in an error (S01, limits).
func TestBeyondTheEquation(t *testing.T) {
	for _, tt := range []struct {
		name      string
		change    func(*Task)
		unlimited bool
	}{
		{"H 25 in", func(k *Task) { k.Origin.Horizontal = 25 * measure.PerInch }, false},
		{"H beyond", func(k *Task) { k.Origin.Horizontal = 25*measure.PerInch + 1 }, true},
		{"V 70 in", func(k *Task) { k.Origin.Vertical = 70 * measure.PerInch }, false},
		{"V beyond", func(k *Task) { k.Origin.Vertical = 70*measure.PerInch + 1 }, true},
		{"D 70 in", func(k *Task) { k.Travel = 70 * measure.PerInch }, false},
		{"D beyond", func(k *Task) { k.Travel = 70*measure.PerInch + 1 }, true},
		{"A 135", func(k *Task) { k.Origin.Asymmetry = 135 * Degree }, false},
		{"A beyond", func(k *Task) { k.Origin.Asymmetry = 135*Degree + 1 }, true},
		{"F 10 for 2 h", func(k *Task) { k.Rate = 10 * measure.PerMinute }, false},
		{"F above 10 for 2 h", func(k *Task) { k.Rate = 10*measure.PerMinute + 1 }, true},
		{"F 12 for 2 h, high", func(k *Task) { k.Origin.Vertical, k.Rate = 30*measure.PerInch, 12*measure.PerMinute }, false},
		{"F above 12 for 2 h, high", func(k *Task) { k.Origin.Vertical, k.Rate = 30*measure.PerInch, 12*measure.PerMinute+1 }, true},
		{"F 12 for 2 h, just below high", func(k *Task) { k.Origin.Vertical, k.Rate = 30*measure.PerInch-1, 12*measure.PerMinute }, true},
		{"F 15 for 1 h, high", func(k *Task) {
			k.Duration, k.Origin.Vertical, k.Rate = Short, 30*measure.PerInch, 15*measure.PerMinute
		}, false},
		{"F above 15", func(k *Task) {
			k.Duration, k.Origin.Vertical, k.Rate = Short, 30*measure.PerInch, 15*measure.PerMinute+1
		}, true},
	} {
		task := plain()
		tt.change(&task)
		a, err := Analyse(task)
		if err != nil {
			t.Fatal(err)
		}
		p := a.Origin
		if p.LI.Unlimited != tt.unlimited || p.WorksheetLI.Unlimited != tt.unlimited || (p.RWL == 0) != tt.unlimited || (p.RWLTenths == 0) != tt.unlimited {
			t.Errorf("%s: RWL %v, LI %+v, worksheet %+v, want unlimited %v", tt.name, p.RWL, p.LI, p.WorksheetLI, tt.unlimited)
		}
	}
}

// TestHalvesUp: the manual rounds halves up: an index of exactly 1.25 is 1.3.
func TestHalvesUp(t *testing.T) {
	if got := formOf(US).worksheetIndex(mass.FromUnits(25*pound), 200); got.Tenths != 13 {
		t.Errorf("25 lb of 20.0 lb = %+v tenths, want 13", got)
	}
	if got := formOf(US).worksheetIndex(mass.FromUnits(25*pound-1), 200); got.Tenths != 12 {
		t.Errorf("a hair below 25 lb of 20.0 lb = %+v tenths, want 12", got)
	}
	// VM at 32 in is exactly 0.985.
	if got := formOf(US).vertical(32 * measure.PerInch); got.Hundredths != 99 || got.Value != 0.985 {
		t.Errorf("VM at 32 in = %+v, want 0.99 and 0.985", got)
	}
}

// TestFrequencyCutOff: below 0.2 a minute the multiplier is that of 0.2; a column's last value is not shared with the row that says 0.
func TestFrequencyCutOff(t *testing.T) {
	for _, tt := range []struct {
		rate measure.Rate
		want float64
	}{
		{1, 0.85}, {measure.PerMinute / 5, 0.85}, {measure.PerMinute * 7 / 20, 0.83},
		{8 * measure.PerMinute, 0.18}, {8*measure.PerMinute + 1, 0}, {9 * measure.PerMinute, 0},
	} {
		if got := frequencyMultiplier(Long, false, tt.rate).Value; got != tt.want {
			t.Errorf("FM at %v a minute = %v, want %v", tt.rate.PerMinuteFloat(), got, tt.want)
		}
	}
}

// TestForms: the same task in both forms differs a little, as its constants do (S01: 51 lb is 23.133 kg); a load of one mass has one
// index whichever unit it was entered in.
func TestForms(t *testing.T) {
	task := plain()
	us, err := Analyse(task)
	if err != nil {
		t.Fatal(err)
	}
	task.System = Metric
	metric, err := Analyse(task)
	if err != nil {
		t.Fatal(err)
	}
	inKilograms := us.Origin.RWL * 0.45359237
	if inKilograms == metric.Origin.RWL || math.Abs(inKilograms-metric.Origin.RWL) > 0.3 {
		t.Errorf("RWL %v kg by the US form, %v kg by the metric one", inKilograms, metric.Origin.RWL)
	}
	task.Load = parseMass(t, "9.0718474", mass.Kilogram)
	if same, err := Analyse(task); err != nil || same != metric {
		t.Errorf("20 lb entered as 9.0718474 kg gives %+v (%v), want %+v", same, err, metric)
	}
}

// TestBits: the same bits on every machine (computed on amd64; they hold on arm64 and wasm).
func TestBits(t *testing.T) {
	a, err := Analyse(plain())
	if err != nil {
		t.Fatal(err)
	}
	task := plain()
	task.System, task.Load = Metric, mass.FromUnits(maxLoad/7)
	b, err := Analyse(task)
	if err != nil {
		t.Fatal(err)
	}
	job, err := AnalyseJob([]JobTask{{plain(), plain().Load}, {plain(), plain().Load}})
	if err != nil {
		t.Fatal(err)
	}
	got := [...]float64{a.Origin.FIRWL, a.Origin.RWL, a.Origin.LI.Value, b.Origin.RWL, b.Origin.LI.Value, job.CLI.Value}
	want := [...]float64{0x1.89413c40222f1p+04, 0x1.4a558487cacb6p+04, 0x1.effb970956749p-01, 0x1.258f2882f1f35p+03, 0x1.f2514c86a0fbep+03, 0x1.2152c2c5726eap+00}
	if got != want {
		t.Errorf("results %x, want %x", got, want)
	}
}

func TestDurationOf(t *testing.T) {
	const hour = hourSeconds
	for _, tt := range []struct {
		name    string
		periods []Period
		edition Edition
		want    Duration
	}{
		{"1 h", []Period{{hour, 0}}, Revision2021, Short},
		{"just over 1 h", []Period{{hour + 1, 0}}, Revision2021, Moderate},
		{"2 h", []Period{{2 * hour, 0}}, Revision2021, Moderate},
		{"just over 2 h", []Period{{2*hour + 1, 0}}, Revision2021, Long},
		{"8 h", []Period{{8 * hour, 0}}, Revision2021, Long},
		{"1 h twice, recovery as long", []Period{{hour, hour}, {hour, 0}}, Revision2021, Short},
		{"1 h twice, recovery a second short", []Period{{hour, hour - 1}, {hour, 0}}, Revision2021, Moderate},
		{"1994: as long is too short", []Period{{hour, hour}, {hour, 0}}, Edition1994, Moderate},
		{"1994: 72 min", []Period{{hour, 72 * 60}, {hour, 0}}, Edition1994, Short},
		{"after 3 h no recovery counts", []Period{{3 * hour, 5 * hour}, {hour, 0}}, Revision2021, Long},
		{"recovered groups do not add up", []Period{{2 * hour, hour}, {2 * hour, hour}, {2 * hour, hour}, {2 * hour, hour}, {2 * hour, 0}}, Revision2021, Moderate},
	} {
		if got, err := DurationOf(tt.periods, tt.edition); got != tt.want || err != nil {
			t.Errorf("%s = %s (%v), want %s", tt.name, got, err, tt.want)
		}
	}
	for _, tt := range []struct {
		periods     []Period
		edition     Edition
		field, rule string
	}{
		{nil, 0, "periods", RuleRange},
		{make([]Period, 1001), 0, "periods", RuleRange},
		{[]Period{{1, 0}}, 2, "edition", RuleUnknown},
		{[]Period{{0, 0}}, 0, "periods[0].work_seconds", RuleRange},
		{[]Period{{daySeconds + 1, 0}}, 0, "periods[0].work_seconds", RuleRange},
		{[]Period{{1, -1}}, 0, "periods[0].recovery_seconds", RuleRange},
		{[]Period{{1, daySeconds + 1}}, 0, "periods[0].recovery_seconds", RuleRange},
		{[]Period{{8*hour + 1, 0}}, 0, "periods[0].work_seconds", RuleHours},
		{[]Period{{4 * hour, hour}, {4*hour + 1, 0}}, 0, "periods[1].work_seconds", RuleHours},
	} {
		_, err := DurationOf(tt.periods, tt.edition)
		checkViolation(t, "DurationOf", err, tt.field, tt.rule)
	}
}

func TestSampleRateRefuses(t *testing.T) {
	for _, tt := range []struct {
		rate        measure.Rate
		work        int
		field, rule string
	}{
		{measure.PerMinute, 900, "", ""}, {measure.MaxRate, 1, "", ""}, {0, 1, "rate", RulePositive}, {measure.MaxRate + 1, 1, "rate", RuleRange},
		{1, 0, "work_seconds", RuleRange}, {1, 901, "work_seconds", RuleRange},
	} {
		_, err := SampleRate(tt.rate, tt.work)
		checkViolation(t, "SampleRate", err, tt.field, tt.rule)
	}
}

// TestEstimateHorizontal: S01 p. 8.
func TestEstimateHorizontal(t *testing.T) {
	for _, tt := range []struct {
		system        System
		vertical      measure.Length
		width, want   measure.Length
		field, broken string
	}{
		{US, 10 * measure.PerInch, 12 * measure.PerInch, 14 * measure.PerInch, "", ""},
		{US, 10*measure.PerInch - 1, 12 * measure.PerInch, 16 * measure.PerInch, "", ""},
		{Metric, 25 * measure.PerCentimetre, 30 * measure.PerCentimetre, 35 * measure.PerCentimetre, "", ""},
		{Metric, 25*measure.PerCentimetre - 1, 30 * measure.PerCentimetre, 40 * measure.PerCentimetre, "", ""},
		{"", 0, 1, 0, "system", RuleUnknown}, {US, -1, 1, 0, "vertical", RuleRange}, {US, maxLength + 1, 1, 0, "vertical", RuleRange},
		{US, 0, 0, 0, "width", RulePositive}, {US, 0, maxLength + 1, 0, "width", RuleRange},
	} {
		got, err := EstimateHorizontal(tt.system, tt.vertical, tt.width)
		checkViolation(t, "EstimateHorizontal", err, tt.field, tt.broken)
		if got != tt.want {
			t.Errorf("H for %v, %v, %v = %v, want %v", tt.system, tt.vertical, tt.width, got, tt.want)
		}
	}
}

func FuzzAnalyse(f *testing.F) {
	f.Add("us", "short", "good", int64(pound), int64(100), int64(200), int32(3), int64(400), int64(500), true, "one_handed")
	f.Add("metric", "long", "poor", int64(maxLoad), int64(1), int64(math.MaxInt64), int32(math.MinInt32), int64(math.MinInt64), int64(math.MaxInt64), false, "")
	f.Fuzz(func(t *testing.T, system, duration, coupling string, load, h, v int64, a int32, d, rate int64, put bool, condition string) {
		task := Task{
			System: System(system), Duration: Duration(duration), Coupling: Coupling(coupling), Load: mass.FromUnits(load),
			Origin: Hands{measure.Length(h), measure.Length(v), Angle(a)}, Travel: measure.Length(d), Rate: measure.Rate(rate),
		}
		if put {
			task.Destination = &Hands{measure.Length(h / 2), measure.Length(v + d), Angle(a / 2)}
		}
		if condition != "" {
			task.Conditions = []Condition{Condition(condition)}
		}
		one, err := Analyse(task)
		job, jobErr := AnalyseJob([]JobTask{{task, task.Load}, {task, task.Load}})
		if (err == nil) != (jobErr == nil) {
			t.Fatalf("one task: %v, a job of it: %v", err, jobErr)
		}
		if err != nil {
			return
		}
		for _, v := range []float64{one.Origin.RWL, one.Origin.LI.Value, one.Governing().RWL, job.CLI.Value, job.Tasks[1].Increment.Value} {
			if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				t.Fatalf("%+v gives %v", task, v)
			}
		}
		if !job.CLI.Unlimited && job.CLI.Value < one.Governing().LI.Value-1e-12 {
			t.Fatalf("the job's index %v is below its task's %v", job.CLI, one.Governing().LI)
		}
		_, _ = SampleRate(task.Rate, int(d))
		_, _ = DurationOf([]Period{{int(d), int(v)}, {int(h), 0}}, Edition(a))
		_, _ = EstimateHorizontal(task.System, task.Origin.Vertical, task.Travel)
	})
}

func BenchmarkAnalyse(b *testing.B) {
	task := plain()
	task.Destination = &Hands{Horizontal: 20 * measure.PerInch, Vertical: 40 * measure.PerInch}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Analyse(task); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAnalyseJobOfTen(b *testing.B) {
	tasks := make([]JobTask, 10)
	for i := range tasks {
		tasks[i] = JobTask{plain(), plain().Load}
		tasks[i].Rate = measure.PerMinute / 5
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := AnalyseJob(tasks); err != nil {
			b.Fatal(err)
		}
	}
}
