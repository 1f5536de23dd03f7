package lifteq

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
)

const reference = "../../../testdata/reference"

// readCSV returns the rows of a reference file by column name.
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

func readJSON(t *testing.T, name string, into any) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(reference, name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatal(err)
	}
}

func pounds(t testing.TB, value string) mass.Mass      { return parseMass(t, value, mass.Pound) }
func kilograms(t testing.TB, value string) mass.Mass   { return parseMass(t, value, mass.Kilogram) }
func inches(t testing.TB, value string) measure.Length { return parseLength(t, value, measure.Inch) }
func cm(t testing.TB, value string) measure.Length     { return parseLength(t, value, measure.Centimetre) }

func parseMass(t testing.TB, value string, unit mass.Unit) mass.Mass {
	t.Helper()
	m, err := mass.Parse(value, unit)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func parseLength(t testing.TB, value string, unit measure.Unit) measure.Length {
	t.Helper()
	l, err := measure.ParseLength(value, unit)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func perMinute(t testing.TB, value string) measure.Rate {
	t.Helper()
	r, err := measure.ParseRate(value)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func number(t testing.TB, value string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// scaled is a printed decimal as a whole number of its last digits.
func scaled(t testing.TB, value string, factor float64) int64 {
	t.Helper()
	return int64(math.Round(number(t, value) * factor))
}

var durations = map[string]Duration{"<=1h": Short, "<=2h": Moderate, "<=8h": Long}

// TestFrequencyTable: all 18 rows of table 5 (S01 p. 15).
func TestFrequencyTable(t *testing.T) {
	rows := readCSV(t, "01_niosh_frequency_multiplier.csv")
	if len(rows) != 108 {
		t.Fatalf("%d cells, want 108", len(rows))
	}
	for _, row := range rows {
		var rate measure.Rate
		if row["lifts_per_min"] == ">15" {
			rate = 15*measure.PerMinute + 1
		} else {
			rate = perMinute(t, row["lifts_per_min"])
		}
		got := frequencyMultiplier(durations[row["duration"]], strings.HasPrefix(row["v_column"], "V>="), rate)
		if want := scaled(t, row["fm"], 100); int64(got.Hundredths) != want || got.Value != float64(want)/100 {
			t.Errorf("FM %s %s at %s = %+v, want %d hundredths", row["duration"], row["v_column"], row["lifts_per_min"], got, want)
		}
	}
}

// TestCouplingTable: table 7 (S01 p. 18).
func TestCouplingTable(t *testing.T) {
	for _, row := range readCSV(t, "01_niosh_coupling_multiplier.csv") {
		for high, column := range map[bool]string{false: "cm_v_lt_30in_75cm", true: "cm_v_ge_30in_75cm"} {
			if got, want := couplingMultiplier(Coupling(row["coupling"]), high), scaled(t, row[column], 100); int64(got.Hundredths) != want {
				t.Errorf("CM %s %s = %+v, want %d", row["coupling"], column, got, want)
			}
		}
	}
}

// TestTableExceptions: three printed cells (S01) differ from the formula; the formula holds here.
func TestTableExceptions(t *testing.T) {
	for _, row := range readCSV(t, "01_niosh_table_vs_formula_exceptions.csv") {
		var got Multiplier
		switch row["row"] {
		case "H=22 in":
			got = formOf(US).horizontal(22 * measure.PerInch)
		case "H=23 in":
			got = formOf(US).horizontal(23 * measure.PerInch)
		case "D=130 cm":
			got = formOf(Metric).distance(130 * measure.PerCentimetre)
		default:
			t.Fatalf("unknown cell %q", row["row"])
		}
		if math.Abs(got.Value-number(t, row["formula_value"])) > 1e-6 || int64(got.Hundredths) != scaled(t, row["formula_rounded_2dp"], 100) {
			t.Errorf("%s = %+v, want %s", row["row"], got, row["formula_value"])
		}
	}
}

// exampleTask is a row of the single-task examples.
func exampleTask(t *testing.T, row map[string]string) Task {
	t.Helper()
	rate := strings.TrimPrefix(row["F_per_min"], "<")
	f := perMinute(t, rate)
	if rate != row["F_per_min"] {
		f--
	}
	return Task{
		System: US, Load: pounds(t, row["load_lb"]),
		Origin: Hands{Horizontal: inches(t, row["H_in"]), Vertical: inches(t, row["V_in"]), Asymmetry: Angle(scaled(t, row["A_deg"], 1000))},
		Travel: inches(t, row["D_in"]), Rate: f, Duration: durations[row["duration"]], Coupling: Coupling(row["coupling"]),
	}
}

// TestSingleTaskExamples: examples 1, 3, 4 and 6 of the manual (S01 pp. 33-54).
func TestSingleTaskExamples(t *testing.T) {
	rows := readCSV(t, "01_niosh_examples_single.csv")
	if len(rows) != 6 {
		t.Fatalf("%d examples, want 6", len(rows))
	}
	origins := map[string]Task{}
	for _, row := range rows {
		task := exampleTask(t, row)
		a, err := Analyse(task)
		if err != nil {
			t.Fatal(err)
		}
		p := a.Origin
		if row["point"] == "origin" {
			origins[row["example"]] = task
		} else {
			// The destination is rated with the frequency column of the origin.
			whole := origins[row["example"]]
			whole.Destination = &task.Origin
			both, err := Analyse(whole)
			if err != nil {
				t.Fatal(err)
			}
			if !both.DestinationAssessed || !both.DestinationGoverns || both.Governing() != both.Destination {
				t.Errorf("example %s: the destination's lower limit must govern", row["example"])
			}
			p = both.Destination
		}
		checkExample(t, row, p)
	}
}

func checkExample(t *testing.T, row map[string]string, p Point) {
	t.Helper()
	name := row["example"] + " " + row["point"]
	product := int64(51)
	for column, got := range map[string]Multiplier{"HM": p.HM, "VM": p.VM, "DM": p.DM, "AM": p.AM, "FM": p.FM, "CM": p.CM} {
		printed := scaled(t, row[column+"_printed"], 100)
		product *= printed
		if tableCell := column == "HM" && row["H_in"] == "23"; tableCell {
			continue // the printed table's own value, see 01_niosh_table_vs_formula_exceptions.csv
		}
		if int64(got.Hundredths) != printed {
			t.Errorf("%s: %s = %d hundredths, printed %d", name, column, got.Hundredths, printed)
		}
	}
	printed := scaled(t, row["RWL_lb_printed"], 10)
	if got := halfUp(product, 100_000_000_000); got != printed {
		t.Errorf("%s: the printed multipliers give %d tenths, printed %d", name, got, printed)
	}
	if row["H_in"] != "23" {
		if p.RWLTenths != printed {
			t.Errorf("%s: worksheet RWL %d tenths, printed %d", name, p.RWLTenths, printed)
		}
		if want := scaled(t, row["LI_printed"], 10); p.WorksheetLI.Tenths != want || p.WorksheetLI.Unlimited {
			t.Errorf("%s: worksheet LI %+v, printed %d tenths", name, p.WorksheetLI, want)
		}
	}
	f := formOf(US)
	if got, want := f.worksheetIndex(pounds(t, row["load_lb"]), printed).Tenths, scaled(t, row["LI_printed"], 10); got != want {
		t.Errorf("%s: the printed limit gives LI %d tenths, printed %d", name, got, want)
	}
	if want := number(t, row["computed_rwl_full_precision"]); math.Abs(p.RWL-want) > 5e-5 {
		t.Errorf("%s: RWL %v, want %v", name, p.RWL, want)
	}
	if want := number(t, row["computed_li_full_precision"]); math.Abs(p.LI.Value-want) > 5e-5 || p.LI.Unlimited {
		t.Errorf("%s: LI %+v, want %v", name, p.LI, want)
	}
}

type otherExamples struct {
	ThreeTask struct {
		Tasks []struct {
			Load      int64   `json:"load_lb"`
			F         int64   `json:"F"`
			FIRWL     int64   `json:"FIRWL"`
			FM        float64 `json:"FM"`
			STRWL     float64 `json:"STRWL"`
			FILI      float64 `json:"FILI"`
			STLI      float64 `json:"STLI"`
			NewNumber int     `json:"new_number"`
		} `json:"tasks"`
		FM       map[string]float64 `json:"FM_for_summed_F"`
		CLI      float64            `json:"printed_CLI"`
		Computed struct {
			Full float64 `json:"full_precision"`
		} `json:"computed"`
	} `json:"three_task_cli"`
	Adjustment []struct {
		Rate int     `json:"lifts_per_min"`
		Work int     `json:"work_min"`
		F    float64 `json:"computed_F"`
	} `json:"frequency_adjustment"`
	Durations []struct {
		Sequence []string `json:"sequence_min"`
		Category Duration `json:"category"`
	} `json:"duration_classification"`
	Example7 struct {
		FM float64 `json:"computed_FM_short"`
	} `json:"example_7_facts"`
	Metric struct {
		Computed struct {
			RWL float64 `json:"RWL_kg"`
			LI  float64 `json:"LI"`
		} `json:"computed_full_precision"`
		Printed struct {
			VM, DM, FM, CM, LI float64
			RWL                float64 `json:"RWL_kg"`
		} `json:"printed"`
	} `json:"example_4_metric_variant"`
}

// TestThreeTaskCase: the manual's three-task case (S01 p. 28): each printed number, and the composite index in both precisions.
func TestThreeTaskCase(t *testing.T) {
	var ref otherExamples
	readJSON(t, "01_niosh_examples_other.json", &ref)
	var parts []part
	for _, task := range ref.ThreeTask.Tasks {
		load := mass.FromUnits(task.Load * pound)
		parts = append(parts, part{
			average: load, maximum: load, rate: measure.Rate(task.F) * measure.PerMinute, duration: Short,
			firwl: float64(task.FIRWL), firwlTenths: 10 * task.FIRWL,
		})
	}
	got := formOf(US).combine(parts)
	for i, task := range ref.ThreeTask.Tasks {
		r := got.Tasks[i]
		if r.Number != task.NewNumber {
			t.Errorf("task %d: number %d, want %d", i+1, r.Number, task.NewNumber)
		}
		if r.STRWLTenths != int64(math.Round(task.STRWL*10)) || r.WorksheetSTLI.Tenths != int64(math.Round(task.STLI*10)) || r.FILIHundredths != int64(math.Round(task.FILI*100)) {
			t.Errorf("task %d: worksheet %d %+v %d, printed %v %v %v", i+1, r.STRWLTenths, r.WorksheetSTLI, r.FILIHundredths, task.STRWL, task.STLI, task.FILI)
		}
		if math.Abs(r.STRWL-task.STRWL) > 1e-12 {
			t.Errorf("task %d: STRWL %v, want %v", i+1, r.STRWL, task.STRWL)
		}
	}
	for rate, want := range ref.ThreeTask.FM {
		if fm := frequencyMultiplier(Short, false, perMinute(t, rate)).Value; fm != want {
			t.Errorf("FM at %s = %v, want %v", rate, fm, want)
		}
	}
	if got.WorksheetCLI.Tenths != int64(math.Round(ref.ThreeTask.CLI*10)) {
		t.Errorf("worksheet CLI %+v, printed %v", got.WorksheetCLI, ref.ThreeTask.CLI)
	}
	if math.Abs(got.CLI.Value-ref.ThreeTask.Computed.Full) > 5e-5 {
		t.Errorf("CLI %+v, want %v", got.CLI, ref.ThreeTask.Computed.Full)
	}
}

// TestRatesAndDurations: the manual's examples of partly worked samples (S01 p. 16; the second prints 3.4 for 3.33), of duration (p. 14)
// and example 7's interpolated frequency multiplier (pp. 55-59).
func TestRatesAndDurations(t *testing.T) {
	var ref otherExamples
	readJSON(t, "01_niosh_examples_other.json", &ref)
	for _, e := range ref.Adjustment {
		got, err := SampleRate(measure.Rate(e.Rate)*measure.PerMinute, 60*e.Work)
		if err != nil || math.Abs(got.PerMinuteFloat()-e.F) > 5e-5 {
			t.Errorf("%d a minute for %d min = %v (%v), want %v", e.Rate, e.Work, got.PerMinuteFloat(), err, e.F)
		}
	}
	classified := 0
	for _, e := range ref.Durations {
		if len(e.Sequence) == 0 {
			continue
		}
		classified++
		var periods []Period
		for _, s := range e.Sequence {
			kind, minutes, _ := strings.Cut(s, " ")
			if seconds := 60 * int(number(t, minutes)); kind == "lift" {
				periods = append(periods, Period{WorkSeconds: seconds})
			} else {
				periods[len(periods)-1].RecoverySeconds = seconds
			}
		}
		if got, err := DurationOf(periods, Revision2021); got != e.Category || err != nil {
			t.Errorf("%v = %s (%v), want %s", e.Sequence, got, err, e.Category)
		}
	}
	if classified != 2 {
		t.Errorf("%d sequences, want 2", classified)
	}
	// "2 h of continuous lifting needs at least 36 min of recovery to stay moderate."
	for recovery, want := range map[int]Duration{36 * 60: Moderate, 36*60 - 1: Long} {
		if got, err := DurationOf([]Period{{7200, recovery}, {7200, 0}}, Revision2021); got != want || err != nil {
			t.Errorf("2 h and %d s of recovery = %s (%v), want %s", recovery, got, err, want)
		}
	}
	if got := frequencyMultiplier(Short, false, perMinute(t, "2.4")).Value; got != ref.Example7.FM {
		t.Errorf("FM at 2.4 = %v, want %v", got, ref.Example7.FM)
	}
}

// TestMetricExample: the 12 kg inspection task in metric units (S04).
func TestMetricExample(t *testing.T) {
	var ref otherExamples
	readJSON(t, "01_niosh_examples_other.json", &ref)
	a, err := Analyse(Task{
		System: Metric, Load: kilograms(t, "12"), Origin: Hands{Horizontal: cm(t, "25"), Vertical: cm(t, "55")}, Travel: cm(t, "95"),
		Rate: 3 * measure.PerMinute, Duration: Short, Coupling: Fair,
	})
	if err != nil {
		t.Fatal(err)
	}
	p, printed := a.Origin, ref.Metric.Printed
	for _, c := range []struct {
		got  Multiplier
		want float64
	}{{p.VM, printed.VM}, {p.DM, printed.DM}, {p.FM, printed.FM}, {p.CM, printed.CM}} {
		if c.got.Hundredths != int(math.Round(c.want*100)) {
			t.Errorf("multiplier %+v, printed %v", c.got, c.want)
		}
	}
	if math.Abs(p.RWL-ref.Metric.Computed.RWL) > 5e-5 || math.Abs(p.LI.Value-ref.Metric.Computed.LI) > 5e-5 {
		t.Errorf("RWL %v, LI %v, want %+v", p.RWL, p.LI, ref.Metric.Computed)
	}
	if got := math.Round(p.RWL * 10); got != math.Round(printed.RWL*10) {
		t.Errorf("RWL %v, printed %v", p.RWL, printed.RWL)
	}
}

// TestConstants: the two forms' constants and limits as the manual gives them (S01 pp. 1, 6-18).
func TestConstants(t *testing.T) {
	var ref struct {
		Multipliers struct {
			US struct {
				LC int64 `json:"load_constant_lb"`
			} `json:"us"`
			Metric struct {
				LC int64 `json:"load_constant_kg"`
			} `json:"metric"`
		} `json:"multipliers"`
		Limits []struct {
			Variable    string
			BelowUS     float64 `json:"below_us"`
			BelowMetric int64   `json:"below_metric"`
			AboveUS     int64   `json:"above_us"`
			AboveMetric int64   `json:"above_metric"`
		} `json:"limits"`
		NotApplicable []string `json:"not_applicable_when"`
	}
	readJSON(t, "01_niosh_equation.json", &ref)
	us, metric := formOf(US), formOf(Metric)
	if us.loadConstant != ref.Multipliers.US.LC || metric.loadConstant != ref.Multipliers.Metric.LC {
		t.Errorf("load constants %d lb, %d kg, want %+v", us.loadConstant, metric.loadConstant, ref.Multipliers)
	}
	if len(Conditions()) != len(ref.NotApplicable) {
		t.Errorf("%d conditions, want %d", len(Conditions()), len(ref.NotApplicable))
	}
	for _, l := range ref.Limits {
		in, c := measure.Length(l.AboveUS)*measure.PerInch, measure.Length(l.AboveMetric)*measure.PerCentimetre
		low, lowC := measure.Length(l.BelowUS*1000)*measure.PerInch/1000, measure.Length(l.BelowMetric)*measure.PerCentimetre
		switch l.Variable {
		case "H":
			checkLimits(t, "HM us", us.horizontal, low, in)
			checkLimits(t, "HM metric", metric.horizontal, lowC, c)
		case "D":
			checkLimits(t, "DM us", us.distance, low, in)
			checkLimits(t, "DM metric", metric.distance, lowC, c)
		case "V":
			checkLimits(t, "VM us", us.vertical, us.split, in)
			checkLimits(t, "VM metric", metric.vertical, metric.split, c)
		}
	}
}

// checkLimits: 1 at the lower limit, a value at the upper one, 0 a hair beyond.
func checkLimits(t *testing.T, name string, f func(measure.Length) Multiplier, low, high measure.Length) {
	t.Helper()
	if m := f(low); m.Value != 1 || m.Hundredths != 100 {
		t.Errorf("%s at the lower limit = %+v, want 1", name, m)
	}
	if m := f(low + 1); m.Value >= 1 {
		t.Errorf("%s just above the lower limit = %+v, want less than 1", name, m)
	}
	if m := f(high); m.Value <= 0.39 {
		t.Errorf("%s at the upper limit = %+v, want a value", name, m)
	}
	if m := f(high + 1); m != (Multiplier{}) {
		t.Errorf("%s just above the upper limit = %+v, want 0", name, m)
	}
}
