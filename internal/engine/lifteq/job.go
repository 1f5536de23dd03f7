package lifteq

import (
	"cmp"
	"math/big"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// maxTasks bounds a job.
const maxTasks = 100

// JobTask is one task of a job: its Load is the average load.
type JobTask struct {
	Task
	// Maximum is the highest load lifted.
	Maximum mass.Mass
}

// JobTaskResult is one task's part in the job.
type JobTaskResult struct {
	Analysis Analysis
	// Number is the task's place, from 1, in the order of decreasing STLI.
	Number int
	// FIRWL and STRWL are the limits without and with the task's own frequency, in lb or kg, at the end that governs; FILI is the maximum
	// load over FIRWL, STLI the average load over STRWL.
	FIRWL, STRWL float64
	FILI, STLI   Index
	// The same as a worksheet has them: limits and STLI in tenths, FILI in hundredths as the manual's three-task case prints it.
	FIRWLTenths, STRWLTenths int64
	FILIHundredths           int64
	WorksheetSTLI            WorksheetIndex
	// Increment is what the task adds to the composite index; for the first it is its STLI.
	Increment Index
}

// JobResult is the composite lifting index of a job and each task's part, in the order in which the tasks were given.
type JobResult struct {
	Tasks        []JobTaskResult
	CLI          Index
	WorksheetCLI WorksheetIndex
}

// AnalyseJob rates a job of several tasks (manual pp. 26-29). All have one form of the equation and one duration category. A job
// that breaks rules gives a *fault.Error of kind Invalid whose fields are "tasks[0].load" and so on.
//
// The frequency multipliers of the summed rates in a task's increment are those of that task's own height column. The manual's text
// as we have it does not say which column holds there; both terms of one increment from one column keep the increment from being
// negative.
func AnalyseJob(tasks []JobTask) (JobResult, error) {
	if err := checkJob(tasks); err != nil {
		return JobResult{}, err
	}
	f := formOf(tasks[0].System)
	parts := make([]part, len(tasks))
	for i, t := range tasks {
		a := analyse(t.Task)
		p := a.Governing()
		parts[i] = part{
			average: t.Load, maximum: t.Maximum, rate: t.Rate, duration: t.Duration, high: t.Origin.Vertical >= f.split,
			firwl: p.FIRWL, firwlTenths: p.FIRWLTenths, out: JobTaskResult{Analysis: a},
		}
	}
	return f.combine(parts), nil
}

func checkJob(tasks []JobTask) error {
	var v violations
	if len(tasks) == 0 || len(tasks) > maxTasks {
		v.add("tasks", RuleTasks, "a job has 1 to 100 tasks")
		return fault.InvalidFields(v.list)
	}
	for i, t := range tasks {
		v.path = "tasks[" + strconv.Itoa(i) + "]."
		v.task(t.Task)
		v.load("maximum", t.Maximum)
		if t.Maximum.Less(t.Load) {
			v.add("maximum", RuleMaximum, "the maximum load is at least the average load")
		}
		if t.System != tasks[0].System {
			v.add("system", RuleTasks, "the tasks of a job have one form of the equation")
		}
		if t.Duration != tasks[0].Duration {
			v.add("duration", RuleTasks, "the tasks of a job have one duration")
		}
	}
	return fault.InvalidFields(v.list)
}

// part is what the combination needs of a task.
type part struct {
	average, maximum mass.Mass
	rate             measure.Rate
	duration         Duration
	high             bool
	firwl            float64
	firwlTenths      int64
	out              JobTaskResult
}

// combine gives each task its limits and indices, and the job its composite index in both precisions.
func (f form) combine(parts []part) JobResult {
	for i := range parts {
		p := &parts[i]
		fm := frequencyMultiplier(p.duration, p.high, p.rate)
		p.out.FIRWL, p.out.STRWL = p.firwl, float64(p.firwl*fm.Value)
		p.out.FILI, p.out.STLI = f.index(p.maximum, p.out.FIRWL), f.index(p.average, p.out.STRWL)
		p.out.FIRWLTenths, p.out.STRWLTenths = p.firwlTenths, halfUp(p.firwlTenths*int64(fm.Hundredths), 100)
		if p.firwlTenths > 0 {
			p.out.FILIHundredths = halfUp(1000*p.maximum.Units(), p.firwlTenths*f.unit)
		}
		p.out.WorksheetSTLI = f.worksheetIndex(p.average, p.out.STRWLTenths)
	}
	result := JobResult{WorksheetCLI: worksheetComposite(parts)}
	result.CLI = composite(parts)
	for _, p := range parts {
		result.Tasks = append(result.Tasks, p.out)
	}
	return result
}

// order lists the parts by decreasing index; equal ones by decreasing rate (manual p. 57), then as given.
func order(parts []part, by func(a, b part) int) []int {
	places := make([]int, len(parts))
	for i := range places {
		places[i] = i
	}
	slices.SortStableFunc(places, func(i, j int) int {
		return cmp.Or(-by(parts[i], parts[j]), -cmp.Compare(parts[i].rate, parts[j].rate))
	})
	return places
}

// composite numbers the parts and returns STLI_1 + the sum of FILI_i (1/FM(F_1+...+F_i) - 1/FM(F_1+...+F_(i-1))).
func composite(parts []part) Index {
	places := order(parts, func(a, b part) int { return compareIndex(a.out.STLI, b.out.STLI) })
	var sum measure.Rate
	var cli Index
	for n, i := range places {
		p := &parts[i]
		before := frequencyMultiplier(p.duration, p.high, sum).Value
		sum += p.rate
		after := frequencyMultiplier(p.duration, p.high, sum).Value
		p.out.Number = n + 1
		switch {
		case n == 0:
			p.out.Increment = p.out.STLI
		case p.out.FILI.Unlimited || after == 0:
			p.out.Increment = Index{Unlimited: true}
		default:
			p.out.Increment = Index{Value: float64(p.out.FILI.Value * (1/after - 1/before))}
		}
		cli = Index{Value: cli.Value + p.out.Increment.Value, Unlimited: cli.Unlimited || p.out.Increment.Unlimited}
	}
	if cli.Unlimited {
		return Index{Unlimited: true}
	}
	return cli
}

func compareIndex(a, b Index) int {
	switch {
	case a.Unlimited && b.Unlimited:
		return 0
	case a.Unlimited:
		return 1
	case b.Unlimited:
		return -1
	}
	return cmp.Compare(a.Value, b.Value)
}

// worksheetComposite is the same from the worksheet's rounded numbers and their order, to one decimal.
func worksheetComposite(parts []part) WorksheetIndex {
	places := order(parts, func(a, b part) int {
		return compareIndex(
			Index{Value: float64(a.out.WorksheetSTLI.Tenths), Unlimited: a.out.WorksheetSTLI.Unlimited},
			Index{Value: float64(b.out.WorksheetSTLI.Tenths), Unlimited: b.out.WorksheetSTLI.Unlimited})
	})
	var rate measure.Rate
	cli := new(big.Rat)
	for n, i := range places {
		p := &parts[i]
		before := int64(frequencyMultiplier(p.duration, p.high, rate).Hundredths)
		rate += p.rate
		after := int64(frequencyMultiplier(p.duration, p.high, rate).Hundredths)
		switch {
		case p.out.WorksheetSTLI.Unlimited || after == 0:
			return WorksheetIndex{Unlimited: true}
		case n == 0:
			cli.SetFrac64(p.out.WorksheetSTLI.Tenths, 10)
		default:
			// FILI/100 times (100/after - 100/before).
			cli.Add(cli, new(big.Rat).Mul(big.NewRat(p.out.FILIHundredths, 1), big.NewRat(before-after, before*after)))
		}
	}
	// Halves up: the whole part of ten times the index and a half.
	cli.Mul(cli, big.NewRat(10, 1)).Add(cli, big.NewRat(1, 2))
	return WorksheetIndex{Tenths: new(big.Int).Quo(cli.Num(), cli.Denom()).Int64()}
}
