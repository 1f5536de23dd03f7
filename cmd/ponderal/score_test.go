package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const examples = "../../testdata/examples/"

func example(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(examples + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestScore: the example reads the same from a file and from standard input, and says what follows from its trials by the rules: 50 lb was
// not sustainable, so 45 lb stands; 159 bpm is above 85 % of 208 - 0.7 x 42 = 178.6 (Tanaka, Monahan, Seals 2001), which is 151.81.
func TestScore(t *testing.T) {
	got := play(t, nil, "", "score", examples+"session.json")
	if got.code != exitOK || got.err != "" {
		t.Fatalf("status %d, stderr %q", got.code, got.err)
	}
	for _, want := range []string{
		"floor-waist     occasional  45 lb (20.4 kg)  50 lb (22.7 kg)  effort", "159 bpm", "151.81 bpm", "short by 5 lb (2.3 kg)",
		"for the reviewer to decide: does not meet", "support a licensed clinician's judgement", "Nothing was stored",
	} {
		if !strings.Contains(got.out, want) {
			t.Errorf("the page lacks %q:\n%s", want, got.out)
		}
	}
	for _, line := range strings.Split(got.out, "\n") {
		if strings.TrimRight(line, " ") != line {
			t.Errorf("blanks at the end of %q", line)
		}
	}
	if piped := play(t, nil, example(t, "session.json"), "score", "-"); piped != got {
		t.Errorf("standard input gives %+v", piped)
	}
}

// TestScoreSections: the page says what rules 2 add. By hand: 1.96 x 2 lb is 3.92 lb; half of 30 lb is 15 lb (DOT Appendix C: heavy has 100 lb
// occasionally and 50 lb frequently); 55 % of 72.5 kg is 39.875 kg; of the reserve from 72 to 178.6 bpm (Tanaka 2001) 121 bpm is 46.0 %,
// which the criterion of the revised lifting equation has for 1 h (Waters and others 1993: from memory); 2.5 of 4 minutes of kneeling.
func TestScoreSections(t *testing.T) {
	got := play(t, nil, "", "score", examples+"session.json")
	if got.code != exitOK || !strings.Contains(got.out, "scored by engine rules 2") {
		t.Fatalf("status %d: %s", got.code, got.out)
	}
	for _, want := range []string{
		"It rests on", "What the person can do", "floor to waist, occasionally, up to 45 lb (20.4 kg)", "15 lb (6.8 kg), projected from the occasional pace, not",
		"Screening before the tests: passed", "4, 40 lb (18.1 kg)  6, 50 lb (22.7 kg)  2, marked", "39.875 kg (87.9 lb)", "46.0 %                1 h",
		"Capacities, projected by rule and not measured", "Hand strength", "22.1        Mathiowetz", "2:30 min of 4:00 min", "18 of 18 assessed indicators agree",
		"1.0000 tau-b", "Inconsistency has many causes", "Against it: ", "the error of 3.92", "The job's positions", "The job's demands of the hands",
	} {
		if !strings.Contains(got.out, want) {
			t.Errorf("the page lacks %q:\n%s", want, got.out)
		}
	}
	for _, line := range strings.Split(got.out, "\n") {
		if len([]rune(line)) > pageWidth {
			t.Errorf("wider than %d columns: %q", pageWidth, line)
		}
	}
}

// TestScoreRules: an earlier version of the rules reproduces its finding, by the flag and by the file alike; one that is not known is refused.
func TestScoreRules(t *testing.T) {
	file := example(t, "session.json")
	flagged := play(t, nil, file, "score", "-rules", "1", "-")
	if flagged.code != exitOK || !strings.Contains(flagged.out, "scored by engine rules 1") || strings.Contains(flagged.out, "What the person can do") {
		t.Errorf("by rules 1: %+v", flagged)
	}
	named := play(t, nil, strings.Replace(file, "{", `{"rules": "1",`, 1), "score", "-")
	if named != flagged {
		t.Errorf("the file's rules give another page: %+v", named)
	}
	if again := play(t, nil, strings.Replace(file, "{", `{"rules": "1",`, 1), "score", "-rules", "2", "-"); again != play(t, nil, file, "score", "-") {
		t.Errorf("the flag stands above the file: %+v", again)
	}
	if got := play(t, nil, file, "score", "-rules", "3", "-"); got.code != exitFailed || !strings.Contains(got.err, "rules: the engine has the rules 1, 2 [rules.known]") || got.out != "" {
		t.Errorf("rules that are not known: %+v", got)
	}
}

// TestTable: a table that does not fit is wrapped between words in its widest columns, and one that fits is not.
func TestTable(t *testing.T) {
	var wide, narrow strings.Builder
	writeTable(&narrow, [][]string{{"a", "b"}, {strings.Repeat("x", 48), strings.Repeat("y", 48)}})
	if strings.Count(narrow.String(), "\n") != 3 {
		t.Errorf("a table of 100 columns is wrapped:\n%s", narrow.String())
	}
	writeTable(&wide, [][]string{{"a", "b"}, {strings.Repeat("word ", 30), "c"}})
	for _, line := range strings.Split(wide.String(), "\n") {
		if len(line) > pageWidth {
			t.Errorf("%q is too wide", line)
		}
	}
	if strings.Count(wide.String(), "word") != 30 || strings.Count(wide.String(), "\n") != 4 {
		t.Errorf("wrapped:\n%s", wide.String())
	}
}

func TestScoreJSON(t *testing.T) {
	got := play(t, nil, "", "score", "-json", examples+"session.json")
	var answer struct {
		Finding struct {
			SessionID string `json:"sessionId"`
			Overall   struct{ Level string }
			Job       struct{ Outcome string }
		}
		Cautions []struct{ Code string }
	}
	if err := json.Unmarshal([]byte(got.out), &answer); err != nil || got.code != exitOK || strings.Count(got.out, "\n") != 1 {
		t.Fatalf("status %d, %v: %s", got.code, err, got.out)
	}
	if answer.Finding.Overall.Level != "STRENGTH_LEVEL_LIGHT" || answer.Finding.Job.Outcome != "JOB_OUTCOME_DOES_NOT_MEET" || len(answer.Cautions) == 0 {
		t.Errorf("answer %+v", answer)
	}
}

// TestDeskRefuses: whatever is wrong with a file is named by field and rule, all at once, on standard error alone.
func TestDeskRefuses(t *testing.T) {
	session, lifting := example(t, "session.json"), example(t, "lifting.json")
	for name, c := range map[string]struct {
		command, text string
		says          []string
	}{
		"no JSON":        {"score", "{", []string{"standard input breaks 1 rule;", "body: ", "[json]"}},
		"unknown member": {"score", strings.Replace(session, `"ageYears"`, `"agesYear"`, 1), []string{`unknown field "agesYear"`}},
		"member twice":   {"task", strings.Replace(lifting, `"form"`, `"form": "LIFTING_FORM_US", "form"`, 1), []string{`duplicate field "form"`}},
		"fields and masses": {"score", strings.Replace(strings.Replace(session, `"heartRateBpm": 96`, `"heartRateBpm": 251`, 1), `"value": "35"`, `"value": "35.0001"`, 1),
			[]string{"breaks 2 rules;", "session.series[0].trials[0].heart_rate_bpm: ", "[uint32.gte_lte]", "session.series[3].trials[1].load.value: ", "[mass.decimals]"}},
		"order of trials": {"score", strings.Replace(session, `"number": 2`, `"number": 3`, 1), []string{"session.series[0].trials[1].number: ", "[trial.order]"}},
		"digest": {"score", strings.Replace(session, `"effortStop": 8`, `"effortStop": 9`, 1),
			[]string{"protocols[0].digest: the digest of this protocol is ", "[protocol.digest]"}},
		"condition": {"task", strings.Replace(lifting, `"coupling"`, `"conditions": ["LIFTING_CONDITION_ONE_HANDED"], "coupling"`, 1),
			[]string{"tasks[0].conditions[0]: the lifting equation does not cover this condition [lifteq.not_applicable]"}},
	} {
		got := play(t, nil, c.text, c.command, "-")
		if got.code != exitFailed || got.out != "" {
			t.Errorf("%s: status %d, stdout %q", name, got.code, got.out)
		}
		for _, want := range c.says {
			if !strings.Contains(got.err, want) {
				t.Errorf("%s: stderr lacks %q:\n%s", name, want, got.err)
			}
		}
	}
	if got := play(t, nil, "", "score", filepath.Join(t.TempDir(), "none.json")); got.code != exitFailed || !strings.Contains(got.err, "none.json") {
		t.Errorf("a file that is not there: %+v", got)
	}
	for _, args := range [][]string{{"score"}, {"task", "a", "b"}, {"task", "-jsn", "x"}} {
		if got := play(t, nil, "", args...); got.code != exitUsage || got.out != "" {
			t.Errorf("%v: %+v", args, got)
		}
	}
}

// TestTask: the printed worksheet of the manual's package inspection (Waters, Putz-Anderson, Garg, DHHS (NIOSH) Publication 94-110, pp. 44-46;
// 01_niosh_examples_single.csv) comes out of the command as printed.
func TestTask(t *testing.T) {
	row := manualExample(t, "4")
	request := fmt.Sprintf(`{"form": "LIFTING_FORM_US", "duration": "LIFTING_DURATION_SHORT", "tasks": [{"name": "Package inspection", "load": {"value": %q, "unit": "UNIT_LB"},
		"origin": {"horizontal": {"inches": %q}, "vertical": {"inches": %q}}, "travel": {"inches": %q}, "frequency": {"perMinute": %q}, "coupling": "COUPLING_FAIR"}]}`,
		row["load_lb"], row["H_in"], row["V_in"], row["D_in"], row["F_per_min"])
	got := play(t, nil, request, "task", "-")
	if got.code != exitOK || got.err != "" {
		t.Fatalf("%+v", got)
	}
	want := strings.Join([]string{row["HM_printed"], row["VM_printed"], row["DM_printed"], row["AM_printed"], row["FM_printed"], row["CM_printed"], row["RWL_lb_printed"], row["LI_printed"]}, "  ")
	if !strings.Contains(got.out, want) || !strings.Contains(got.out, "no clearance to lift") || !strings.Contains(got.out, "It does not cover lifting with one hand") {
		t.Errorf("the page lacks %q or a caution:\n%s", want, got.out)
	}
	if strings.Contains(got.out, "Composite") {
		t.Errorf("one task has no composite index:\n%s", got.out)
	}
}

func manualExample(t *testing.T, number string) map[string]string {
	t.Helper()
	file, err := os.Open("../../testdata/reference/01_niosh_examples_single.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		if row[0] == number {
			named := map[string]string{}
			for i, name := range rows[0] {
				named[name] = row[i]
			}
			return named
		}
	}
	t.Fatalf("no example %s", number)
	return nil
}

// TestTaskOfSeveral: the composite index of the example, by hand from the manual's formula (pp. 26-29): 1.5517 + 0.5258 (1/0.79 - 1/0.88) =
// 1.6198; the frequency multipliers of 1 and 3 a minute for up to two hours are 0.88 and 0.79 (table 5).
func TestTaskOfSeveral(t *testing.T) {
	got := play(t, nil, "", "task", examples+"lifting.json")
	if got.code != exitOK || !strings.Contains(got.out, "1.620 at full precision") || !strings.Contains(got.out, "destination") {
		t.Errorf("%+v", got)
	}
	asJSON := play(t, nil, example(t, "lifting.json"), "task", "-json", "-")
	var answer struct {
		Unit      string
		Composite struct {
			Value     float64
			Worksheet string
		}
		Tasks []struct{ Place int }
	}
	if err := json.Unmarshal([]byte(asJSON.out), &answer); err != nil || answer.Unit != "UNIT_LB" || len(answer.Tasks) != 2 || answer.Tasks[1].Place != 2 {
		t.Fatalf("%v: %s", err, asJSON.out)
	}
	if c := answer.Composite; c.Value < 1.6196 || c.Value > 1.6200 || c.Worksheet != "1.7" {
		t.Errorf("composite %+v", c)
	}
}

// TestReadmeShowsRealOutput: each line that the README shows of the example stands in what the command writes.
func TestReadmeShowsRealOutput(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), "bin/ponderal score testdata/examples/session.json\n```\n\n```text\n")
	shown, _, ends := strings.Cut(rest, "\n```\n")
	if !found || !ends || strings.Count(shown, "\n") < 10 {
		t.Fatal("the README has lost its example")
	}
	got := "\n" + play(t, nil, "", "score", examples+"session.json").out
	for _, line := range strings.Split(shown, "\n") {
		if line != "  ..." && !strings.Contains(got, "\n"+line+"\n") {
			t.Errorf("the command does not write %q", line)
		}
	}
}
