package handling

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/engine/stats/portable"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const reference = "../../../testdata/reference"

func readCSV(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open(filepath.Join(reference, name))
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

// terms are the table's spellings.
var terms = map[string]term{
	"H": {varH, 1, 0}, "VRM": {varVRM, 1, 0}, "VRM^2": {varVRM, 2, 0}, "V": {varV, 1, 0}, "V^2": {varV, 2, 0}, "DH": {varDH, 1, 0}, "DH^2": {varDH, 2, 0},
	"ln(DV)": {varLnDV, 1, 0}, "ln(DH)": {varLnDH, 1, 0}, "ln(F)": {varLnF, 1, 0}, "(ln(F))^2": {varLnF, 2, 0},
}

// TestCoefficients: all 121 terms of the 14 equations (S50 pp. 962-963), in their order, and nothing more.
func TestCoefficients(t *testing.T) {
	type flat struct {
		task   Task
		sex    record.Sex
		factor string
		term   term
	}
	var got, want []flat
	for _, e := range equations {
		for _, f := range e.factors {
			got = append(got, flat{e.task, e.sex, f.name, term{variables, 0, f.constant}})
			for _, x := range f.terms {
				got = append(got, flat{e.task, e.sex, f.name, x})
			}
		}
	}
	for _, row := range readCSV(t, "05_psychophysical_equation_terms.csv") {
		x := term{of: variables}
		if role := row["value_role"]; role == "divisor" {
			x = terms[row["term"]]
			if x.power == 0 {
				t.Fatalf("unknown term %q", row["term"])
			}
		}
		x.divisor = number(t, row["sign"]) * number(t, row["value"])
		want = append(want, flat{Task(row["task"]), record.Sex(row["sex"]), row["scale_factor"], x})
	}
	if len(want) != 121 || len(got) != len(want) || len(equations) != 14 {
		t.Fatalf("%d equations, %d terms, want 14 and %d = 121", len(equations), len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("term %d = %+v, want %+v", i, got[i], want[i])
		}
	}
}

// TestReferenceLoads: reference load, coefficient of variation and the load that 75 % accept (S50 table 4, p. 965), all 14.
func TestReferenceLoads(t *testing.T) {
	rows := readCSV(t, "05_psychophysical_reference_loads.csv")
	if len(rows) != 14 {
		t.Fatalf("%d rows, want 14", len(rows))
	}
	for _, row := range rows {
		e := equationOf(Task(row["task"]), record.Sex(row["sex"]))
		if e.reference != number(t, row["reference_load_kg"]) || e.cv != number(t, row["cv"]) {
			t.Errorf("%s %s: reference %v, cv %v", row["task"], row["sex"], e.reference, e.cv)
		}
		got, err := Result{Median: e.reference, CV: e.cv}.AcceptableTo(0.75)
		if err != nil || math.Abs(got-number(t, row["computed_75pct_z_exact"])) > 5.1e-5 {
			t.Errorf("%s %s: 75 %% accept %v (%v), want %s", row["task"], row["sex"], got, err, row["computed_75pct_z_exact"])
		}
		if math.Round(got*10) != math.Round(number(t, row["printed_75pct_capable_kg"])*10) {
			t.Errorf("%s %s: 75 %% accept %v, printed %s", row["task"], row["sex"], got, row["printed_75pct_capable_kg"])
		}
	}
}

type worked struct {
	Example struct {
		Computed struct {
			MAL     float64 `json:"MAL_kg"`
			SD      float64 `json:"SD_kg"`
			Percent float64 `json:"percent_capable_12kg"`
			MAL75   float64 `json:"MAL_75pct_kg_z_exact"`
		} `json:"computed_full_precision"`
		Printed struct {
			MAL     float64 `json:"MAL_kg"`
			Percent float64 `json:"percent_capable_12kg"`
			MAL75   float64 `json:"MAL_75pct_kg"`
		} `json:"printed"`
	} `json:"published_example"`
	Coupling []struct {
		Condition string
		Factor    float64
	} `json:"coupling_factor"`
	Cases []struct {
		Task    Task
		Sex     record.Sex
		Inputs  map[string]float64
		Factors map[string]float64 `json:"scale_factors"`
		MAL     float64            `json:"mal_50pct_kg"`
		MAL75   float64            `json:"mal_75pct_kg"`
		MAL90   float64            `json:"mal_90pct_kg"`
	}
}

func readWorked(t *testing.T) worked {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(reference, "05_psychophysical_worked_examples.json"))
	if err != nil {
		t.Fatal(err)
	}
	var w worked
	if err := json.Unmarshal(text, &w); err != nil {
		t.Fatal(err)
	}
	return w
}

func metres(v float64) measure.Length { return measure.Length(math.Round(v * 1e7)) }

// TestWorkedCases: the paper's example at full precision and seven more cases (S50), within 1e-7.
func TestWorkedCases(t *testing.T) {
	cases := readWorked(t).Cases
	if len(cases) != 8 {
		t.Fatalf("%d cases, want 8", len(cases))
	}
	for _, c := range cases {
		in := Input{Task: c.Task, Sex: c.Sex, Rate: measure.Rate(math.Round(c.Inputs["F"] * float64(measure.PerMinute)))}
		if c.Task.isVertical() {
			in.Horizontal, in.MiddleHeight, in.Travel, in.Handles = metres(c.Inputs["H"]), metres(c.Inputs["VRM"]), metres(c.Inputs["DV"]), GoodHandles
		} else {
			in.HandHeight, in.Distance = metres(c.Inputs["V"]), metres(c.Inputs["DH"])
		}
		in.setDemand(t, 10)
		r, err := Analyse(in)
		if err != nil {
			t.Fatalf("%+v: %v", in, err)
		}
		got := map[string]float64{}
		for _, f := range r.Factors {
			got[f.Name] = f.Value
		}
		for name, want := range c.Factors {
			if math.Abs(got[name]-want) > 1e-9 {
				t.Errorf("%s %s: %s = %v, want %v", c.Task, c.Sex, name, got[name], want)
			}
		}
		for share, want := range map[float64]float64{0.5: c.MAL, 0.75: c.MAL75, 0.9: c.MAL90} {
			if got, err := r.AcceptableTo(share); err != nil || math.Abs(got-want) > 1e-7 {
				t.Errorf("%s %s: %v accept %v (%v), want %v", c.Task, c.Sex, share, got, err, want)
			}
		}
	}
}

// setDemand gives the input that many kg or kgf.
func (in *Input) setDemand(t testing.TB, kg int64) {
	t.Helper()
	if !in.Task.isForce() {
		in.Load = mass.FromUnits(kg * 100_000_000_000)
		return
	}
	f, err := ForceOf(float64(kg), KilogramForce)
	if err != nil {
		t.Fatal(err)
	}
	in.Force = f
}

// paperExample is the example of S50 section 3.4, p. 964.
func paperExample() Input {
	middle, travel := Heights(775*millimetre, 1285*millimetre)
	return Input{
		Task: Lift, Sex: record.Female, Load: mass.FromUnits(1_200_000_000_000), Horizontal: 380 * millimetre, MiddleHeight: middle, Travel: travel,
		Handles: GoodHandles, Rate: measure.PerMinute,
	}
}

// TestPublishedExample: S50 p. 964; its SD prints 4.05 from a rounded product, so the full-precision one is checked.
func TestPublishedExample(t *testing.T) {
	w := readWorked(t).Example
	r, err := Analyse(paperExample())
	if err != nil {
		t.Fatal(err)
	}
	at75, err := r.AcceptableTo(0.75)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want, within float64 }{
		{r.Median, w.Computed.MAL, 5e-7}, {r.Deviation, w.Computed.SD, 5e-7}, {100 * r.Accepting, w.Computed.Percent, 5e-5}, {at75, w.Computed.MAL75, 5e-7},
		{r.Median, w.Printed.MAL, 0.005}, {100 * r.Accepting, w.Printed.Percent, 0.05}, {at75, w.Printed.MAL75, 0.005},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("got %v, want %v within %v", c.got, c.want, c.within)
		}
	}
	if r.Caution {
		t.Error("0.51 m/min needs no caution")
	}
}

// TestHandleFactors: S50 section 4.3, p. 968.
func TestHandleFactors(t *testing.T) {
	factors := readWorked(t).Coupling
	if handleFactor(NoHandles) != factors[0].Factor || handleFactor(PoorHandles) != factors[1].Factor || handleFactor(GoodHandles) != 1 {
		t.Errorf("factors %v %v %v, want %+v", handleFactor(NoHandles), handleFactor(PoorHandles), handleFactor(GoodHandles), factors)
	}
	good, bad := paperExample(), paperExample()
	bad.Handles = NoHandles
	a, errA := Analyse(good)
	b, errB := Analyse(bad)
	if errA != nil || errB != nil || math.Abs(b.Median-0.84*a.Median) > 1e-12 || b.Accepting >= a.Accepting {
		t.Errorf("good handles %+v, none %+v (%v, %v)", a, b, errA, errB)
	}
}

// TestInputLimits: each published limit (S50 pp. 961-968) against the code's.
func TestInputLimits(t *testing.T) {
	families := map[string]Task{"lift_lower": Lift, "push_pull": PushSustained, "carry": Carry}
	checked := 0
	for _, row := range readCSV(t, "05_psychophysical_input_limits.csv") {
		sexes := []record.Sex{record.Sex(row["sex"])}
		if row["sex"] == "both" {
			sexes = []record.Sex{record.Female, record.Male}
		}
		for _, sex := range sexes {
			l := limitsOf(families[row["task_family"]], sex)
			var b bounds
			switch row["variable"] {
			case "H":
				b = l.horizontal
			case "V":
				b = l.handHeight
			case "DH":
				b = l.distance
			case "VRM+DV/2":
				b = bounds{0, l.reach}
			case "F":
				checked++
				if l.highestRate.PerMinuteFloat() != number(t, row["max"]) || row["min"] != "1/480" {
					t.Errorf("%s %s: highest rate %v", row["task_family"], sex, l.highestRate)
				}
				continue
			case "DV*F", "DH*F":
				checked++
				if float64(l.speed) != number(t, row["max"]) {
					t.Errorf("%s %s: speed %d", row["task_family"], sex, l.speed)
				}
				continue
			case "DV":
				continue // its lower limit is checked beside the others in TestAnalyseRefuses
			}
			checked++
			if row["min"] != "" && b.low != metres(number(t, row["min"])) || b.high != metres(number(t, row["max"])) {
				t.Errorf("%s %s %s: %v to %v", row["task_family"], sex, row["variable"], b.low, b.high)
			}
		}
	}
	if checked != 24 {
		t.Errorf("checked %d limits, want 24", checked)
	}
}

// TestReferenceLoadsAreConsistent: the printed quotients of lowering to lifting (S50): 34.9 x 1.06 and 82.6 x 1.161.
func TestReferenceLoadsAreConsistent(t *testing.T) {
	for sex, ratio := range map[record.Sex]float64{record.Female: 1.06, record.Male: 1.161} {
		lift, lower := equationOf(Lift, sex).reference, equationOf(Lower, sex).reference
		if math.Abs(lift*ratio-lower) > 0.05 {
			t.Errorf("%s: %v x %v, want %v", sex, lift, ratio, lower)
		}
	}
	if z := portable.NormalQuantile(0.75); math.Abs(z-0.6744898) > 5e-8 {
		t.Errorf("z of 75 %% = %v", z)
	}
}
