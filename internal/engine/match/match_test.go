package match_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const milliLb = 45_359_237

func of(pace record.Pace, milli int64) record.Capacity {
	c := record.Capacity{SeriesNumber: 1, Zone: record.Carry, Pace: pace, EndReason: record.EndEffort, Trials: []record.TrialVerdict{{Status: record.TrialFailed}}}
	if milli > 0 {
		m := mass.FromUnits(milli * milliLb)
		c.Load = &m
	}
	return c
}

func TestTask(t *testing.T) {
	const o, f, c = record.Occasional, record.Frequent, record.Constant
	for _, test := range []struct {
		name       string
		capacities []record.Capacity
		pace       record.Pace // of a task of 40 lb
		verdict    record.Verdict
		short      int64 // in thousandths of a pound
		stoodIn    bool
	}{
		{"exactly the demand", []record.Capacity{of(o, 40_000)}, o, record.TaskWithin, 0, false},
		{"a thousandth short", []record.Capacity{of(o, 39_999)}, o, record.TaskShort, 1, false},
		{"nothing accepted", []record.Capacity{of(o, 0)}, o, record.TaskShort, 40_000, false},
		{"not tested", nil, o, record.TaskNotTested, 0, false},
		{"harder pace reaches", []record.Capacity{of(f, 40_000)}, o, record.TaskWithin, 0, true},
		{"harder pace does not reach", []record.Capacity{of(f, 39_999)}, o, record.TaskNotTested, 0, false},
		{"hardest pace reaches", []record.Capacity{of(f, 39_999), of(c, 40_000)}, o, record.TaskWithin, 0, true},
		{"constant for frequent", []record.Capacity{of(c, 40_000)}, f, record.TaskWithin, 0, true},
		{"occasional for frequent", []record.Capacity{of(o, 90_000)}, f, record.TaskNotTested, 0, false},
		{"frequent for constant", []record.Capacity{of(f, 90_000)}, c, record.TaskNotTested, 0, false},
		{"own pace before a harder one", []record.Capacity{of(o, 39_999), of(f, 40_000)}, o, record.TaskShort, 1, false},
	} {
		ch := capacity.Choose(test.capacities)
		got, stoodIn := match.Task(&ch, &record.JobTask{Name: "Move", Zone: record.Carry, Pace: test.pace, Load: mass.FromUnits(40_000 * milliLb)})
		short := int64(0)
		if got.ShortBy != nil {
			short = got.ShortBy.Units() / milliLb
		}
		if got.Verdict != test.verdict || short != test.short || stoodIn != test.stoodIn {
			t.Errorf("%s: %s, short %d, stood in %v; want %s, %d, %v", test.name, got.Verdict, short, stoodIn, test.verdict, test.short, test.stoodIn)
		}
	}
}

func TestOutcome(t *testing.T) {
	within := record.JobTask{Name: "Within", Zone: record.Carry, Pace: record.Occasional, Load: mass.FromUnits(40_000 * milliLb)}
	short := record.JobTask{Name: "Short", Zone: record.Carry, Pace: record.Occasional, Load: mass.FromUnits(40_001 * milliLb)}
	untested := record.JobTask{Name: "Untested", Zone: record.FloorWaist, Pace: record.Frequent, Load: within.Load}
	ch := capacity.Choose([]record.Capacity{of(record.Occasional, 40_000)})
	missing := []string{"Untested: floor-waist at the frequent pace was not tested"}
	for _, test := range []struct {
		name    string
		tasks   []record.JobTask
		limited bool
		want    record.Outcome
		missing []string
	}{
		{"all within", []record.JobTask{within}, false, record.Meets, nil},
		{"all within, limited", []record.JobTask{within}, true, record.MeetsWithLimits, nil},
		{"one short", []record.JobTask{within, short}, false, record.DoesNotMeet, nil},
		{"one short, limited", []record.JobTask{within, short}, true, record.DoesNotMeet, nil},
		{"one short, one not tested", []record.JobTask{untested, short}, false, record.DoesNotMeet, nil},
		{"one not tested", []record.JobTask{within, untested}, false, record.CannotBeDetermined, missing},
		{"one not tested, limited", []record.JobTask{within, untested}, true, record.CannotBeDetermined, missing},
		{"no tasks", nil, false, record.CannotBeDetermined, []string{"the job profile has no tasks"}},
	} {
		got, _ := match.Job(&ch, &record.JobProfile{ID: "j", Title: "Invented", Tasks: test.tasks}, 7, test.limited)
		if got.Outcome != test.want || got.JobProfileID != "j" || got.Title != "Invented" || got.JobProfileRevision != 7 || len(got.Tasks) != len(test.tasks) {
			t.Errorf("%s: %+v, want %s", test.name, got, test.want)
		}
		if diff := cmp.Diff(test.missing, got.Missing); diff != "" {
			t.Errorf("%s: missing (-want +got):\n%s", test.name, diff)
		}
	}
}
