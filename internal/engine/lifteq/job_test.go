package lifteq

import (
	"math"
	"testing"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
)

func jobTask(load int64, rate measure.Rate) JobTask {
	t := JobTask{Task: plain(), Maximum: mass.FromUnits(load * pound)}
	t.Load, t.Rate = t.Maximum, rate
	return t
}

func TestJobRefuses(t *testing.T) {
	for _, tt := range []struct {
		name        string
		change      func([]JobTask) []JobTask
		field, rule string
	}{
		{"nothing", func(j []JobTask) []JobTask { return j }, "", ""},
		{"no tasks", func([]JobTask) []JobTask { return nil }, "tasks", RuleTasks},
		{"100 tasks", func(j []JobTask) []JobTask { return repeat(j[0], 100) }, "", ""},
		{"101 tasks", func(j []JobTask) []JobTask { return repeat(j[0], 101) }, "tasks", RuleTasks},
		{"a task's own rule", func(j []JobTask) []JobTask { j[1].Rate = 0; return j }, "tasks[1].rate", RulePositive},
		{"maximum below average", func(j []JobTask) []JobTask { j[1].Maximum = mass.FromUnits(j[1].Load.Units() - 1); return j }, "tasks[1].maximum", RuleMaximum},
		{"maximum above average", func(j []JobTask) []JobTask { j[1].Maximum = mass.FromUnits(j[1].Load.Units() + 1); return j }, "", ""},
		{"maximum too high", func(j []JobTask) []JobTask { j[1].Maximum = mass.FromUnits(maxLoad + 1); return j }, "tasks[1].maximum", RuleRange},
		{"two forms", func(j []JobTask) []JobTask { j[1].System = Metric; return j }, "tasks[1].system", RuleTasks},
		{"two durations", func(j []JobTask) []JobTask { j[1].Duration = Long; return j }, "tasks[1].duration", RuleTasks},
	} {
		_, err := AnalyseJob(tt.change([]JobTask{jobTask(20, measure.PerMinute), jobTask(30, measure.PerMinute)}))
		checkViolation(t, tt.name, err, tt.field, tt.rule)
	}
}

func repeat(t JobTask, n int) []JobTask {
	out := make([]JobTask, n)
	for i := range out {
		out[i] = t
	}
	return out
}

// TestJobOfOneTask: the composite index of one task is its lifting index (S01 p. 28: STLI_1 alone).
func TestJobOfOneTask(t *testing.T) {
	task := jobTask(20, 2*measure.PerMinute)
	job, err := AnalyseJob([]JobTask{task})
	if err != nil {
		t.Fatal(err)
	}
	one, err := Analyse(task.Task)
	if err != nil {
		t.Fatal(err)
	}
	if job.CLI != one.Origin.LI || job.Tasks[0].Analysis != one || job.Tasks[0].Number != 1 || job.WorksheetCLI != job.Tasks[0].WorksheetSTLI {
		t.Errorf("job %+v, want the index of %+v", job, one.Origin)
	}
}

// TestOrderOfTasks: decreasing STLI; equal ones by decreasing frequency (S01 p. 57); the order given changes no index.
func TestOrderOfTasks(t *testing.T) {
	light, heavy := jobTask(10, 2*measure.PerMinute), jobTask(40, measure.PerMinute)
	a, err := AnalyseJob([]JobTask{light, heavy})
	if err != nil {
		t.Fatal(err)
	}
	b, err := AnalyseJob([]JobTask{heavy, light})
	if err != nil {
		t.Fatal(err)
	}
	if a.CLI != b.CLI || a.WorksheetCLI != b.WorksheetCLI {
		t.Errorf("the order given changes the index: %+v, %+v", a, b)
	}
	if a.Tasks[0].Number != 2 || a.Tasks[1].Number != 1 || b.Tasks[0].Number != 1 {
		t.Errorf("numbers %d %d, want 2 1", a.Tasks[0].Number, a.Tasks[1].Number)
	}
	// By hand: STLI 40/(FIRWL FM(1)) and 10/FIRWL (1/FM(3) - 1/FM(1)), FM for up to 2 h below 30 in.
	firwl := a.Tasks[0].FIRWL
	if want := 40/(firwl*0.88) + 10/firwl*(1/0.79-1/0.88); math.Abs(a.CLI.Value-want) > 1e-12 {
		t.Errorf("CLI %v, want %v", a.CLI, want)
	}
	// Rates 0.1 and 0.2 have one multiplier, so the STLI tie and the rate decides.
	tie, err := AnalyseJob([]JobTask{jobTask(20, measure.PerMinute/10), jobTask(20, measure.PerMinute/5)})
	if err != nil {
		t.Fatal(err)
	}
	if tie.Tasks[0].Number != 2 || tie.Tasks[1].Number != 1 {
		t.Errorf("numbers of tied tasks %d %d, want 2 1", tie.Tasks[0].Number, tie.Tasks[1].Number)
	}
}

// TestUnlimitedJob: once the summed rate is beyond the table, no load is recommended; just within it there is an index.
func TestUnlimitedJob(t *testing.T) {
	for rate, want := range map[measure.Rate]bool{5 * measure.PerMinute: false, 5*measure.PerMinute + 1: true} {
		job, err := AnalyseJob([]JobTask{jobTask(20, 5*measure.PerMinute), jobTask(20, rate)})
		if err != nil {
			t.Fatal(err)
		}
		if job.CLI.Unlimited != want || job.WorksheetCLI.Unlimited != want || (job.CLI.Value == 0) != want {
			t.Errorf("at %v a minute: CLI %+v, worksheet %+v, want unlimited %v", rate.PerMinuteFloat(), job.CLI, job.WorksheetCLI, want)
		}
	}
	far := jobTask(20, measure.PerMinute)
	far.Origin.Horizontal = maxLength
	job, err := AnalyseJob([]JobTask{jobTask(20, measure.PerMinute), far, far})
	if err != nil {
		t.Fatal(err)
	}
	if !job.CLI.Unlimited || !job.WorksheetCLI.Unlimited || job.Tasks[1].Number != 1 || !job.Tasks[1].FILI.Unlimited || job.Tasks[0].Number != 3 {
		t.Errorf("a task out of reach: %+v", job)
	}
}
