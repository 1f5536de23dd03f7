package match_test

import (
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/engine/positions"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// TestJudgedOutcome: which verdict decides, and what is said to be missing.
func TestJudgedOutcome(t *testing.T) {
	const o, f, c = record.Occasional, record.Frequent, record.Constant
	within, short := carry("Within", o, 40_000), carry("Short", o, 45_000)
	inError := carry("In error", o, 41_000)
	projected, pallets := carry("Projected", f, 20_000), carry("Pallet strapping", f, 25_000)
	untested := record.JobTask{Name: "Untested", Zone: record.FloorWaist, Pace: f, Load: pounds(1_000)}
	kneeling := func(v record.Verdict) record.PositionMatch {
		return record.PositionMatch{Position: record.Kneeling, Demand: record.ToleratedFrequent, Verdict: v}
	}
	trigger := func(v record.Verdict) record.HandMatch {
		return record.HandMatch{Name: "Trigger", Measure: record.KeyPinch, Hand: record.LeftHand, Demand: pounds(9_000), Verdict: v}
	}
	const palletText = "Pallet strapping: carry at the frequent pace was projected and not measured; the projection is 5 lb (2.3 kg) short"
	const untestedText = "Untested: floor-waist at the frequent pace was not tested"
	const kneelingText, triggerText = "kneeling was not tested", "Trigger: key pinch of the left hand was not tested"
	for _, test := range []struct {
		name      string
		tasks     []record.JobTask
		positions []record.PositionMatch
		hands     []record.HandMatch
		limited   bool
		want      record.Outcome
		missing   []string
	}{
		{"within", []record.JobTask{within}, nil, nil, false, record.Meets, nil},
		{"within, limited", []record.JobTask{within}, nil, nil, true, record.MeetsWithLimits, nil},
		{"one in error", []record.JobTask{within, inError}, nil, nil, false, record.MeetsWithLimits, nil},
		{"one projected", []record.JobTask{projected, within}, nil, nil, false, record.MeetsWithLimits, nil},
		{"one short", []record.JobTask{within, short}, nil, nil, false, record.DoesNotMeet, nil},
		{"a shortfall decides", []record.JobTask{untested, pallets, inError, short}, nil, nil, true, record.DoesNotMeet, nil},
		{"one short by projection", []record.JobTask{within, pallets}, nil, nil, false, record.CannotBeDetermined, []string{palletText}},
		{"one not tested", []record.JobTask{within, untested, pallets}, nil, nil, true, record.CannotBeDetermined, []string{untestedText, palletText}},
		{"no demands", nil, nil, nil, false, record.CannotBeDetermined, []string{"the job profile has no demands"}},

		{"position within", nil, []record.PositionMatch{kneeling(record.TaskWithin)}, nil, false, record.Meets, nil},
		{"position short", []record.JobTask{untested}, []record.PositionMatch{kneeling(record.TaskShort)}, nil, false, record.DoesNotMeet, nil},
		{"position not tested", []record.JobTask{within}, []record.PositionMatch{kneeling(record.TaskNotTested)}, nil, false, record.CannotBeDetermined, []string{kneelingText}},
		{"position of no verdict", nil, []record.PositionMatch{kneeling("")}, nil, false, record.CannotBeDetermined, []string{kneelingText}},
		{"hand within", nil, nil, []record.HandMatch{trigger(record.TaskWithin)}, false, record.Meets, nil},
		{"hand within the error", nil, nil, []record.HandMatch{trigger(record.TaskWithinError)}, false, record.MeetsWithLimits, nil},
		{"hand short", nil, nil, []record.HandMatch{trigger(record.TaskShort)}, false, record.DoesNotMeet, nil},
		{
			"hand not tested", []record.JobTask{untested}, []record.PositionMatch{kneeling(record.TaskNotTested)}, []record.HandMatch{trigger(record.TaskNotTested)},
			false, record.CannotBeDetermined, []string{untestedText, kneelingText, triggerText},
		},
	} {
		ch := capacity.Choose([]record.Capacity{inSeries(1, o, 40_000), inSeries(3, c, 5_000)})
		got, _ := match.Match(match.Input{
			Chosen: &ch, Projected: project.Of(&ch), ErrorOf: func(int) *mass.Mass { return pointer(1_000) },
			Job: &record.JobProfile{ID: "j", Title: "Invented", Tasks: test.tasks}, Revision: 7, Limited: test.limited, Positions: test.positions, Hands: test.hands,
		})
		if got.Outcome != test.want || got.JobProfileID != "j" || got.Title != "Invented" || got.JobProfileRevision != 7 {
			t.Errorf("%s: %+v, want %s", test.name, got, test.want)
		}
		if demands := len(test.tasks) + len(test.positions) + len(test.hands); len(got.RestsOn) != demands || len(got.Tasks) != len(test.tasks) {
			t.Errorf("%s: %d tasks, rests on %q", test.name, len(got.Tasks), got.RestsOn)
		}
		if diff := cmp.Diff(test.missing, got.Missing); diff != "" {
			t.Errorf("%s: missing (-want +got):\n%s", test.name, diff)
		}
	}
}

// TestUnmatchedDemands: a position or hand that the job demands and nobody compared was not tested, for each hand that must have it; one that
// was compared is not named.
func TestUnmatchedDemands(t *testing.T) {
	job := &record.JobProfile{
		Positions: []record.PositionDemand{{Position: record.Kneeling, Demand: record.ToleratedOccasional}},
		Hands: []record.HandDemand{
			{Name: "Squeeze", Measure: record.Grip, Force: pounds(40_000)},
			{Name: "Trigger", Measure: record.KeyPinch, Hand: record.LeftHand, Force: pounds(9_000)},
		},
	}
	ch := capacity.Choose(nil)
	want := []string{
		"kneeling was not tested", "Squeeze: grip of the right hand was not tested", "Squeeze: grip of the left hand was not tested",
		"Trigger: key pinch of the left hand was not tested",
	}
	bare, _ := match.Match(match.Input{Chosen: &ch, Job: job})
	matched, _ := match.Match(match.Input{Chosen: &ch, Job: job, Positions: positions.Match(job.Positions, nil), Hands: hands.Match(job.Hands, nil)})
	for name, got := range map[string]record.JobMatch{"no matches": bare, "matches of nothing": matched} {
		if diff := cmp.Diff(want, got.Missing); got.Outcome != record.CannotBeDetermined || diff != "" {
			t.Errorf("%s: %s, missing (-want +got):\n%s", name, got.Outcome, diff)
		}
	}
	found := []record.PositionTolerance{{SeriesNumber: 1, Position: record.Kneeling, Tolerance: record.ToleratedFrequent}}
	var strengths []record.HandStrength
	for i, measure := range []record.HandMeasure{record.Grip, record.Grip, record.KeyPinch} {
		strengths = append(strengths, record.HandStrength{
			SeriesNumber: i + 1, Measure: measure, Hand: record.Hands()[min(i, 1)], Procedure: record.HandRepeated, Strength: pounds(40_000), Trials: 3,
		})
	}
	full := match.Input{Chosen: &ch, Job: job, Positions: positions.Match(job.Positions, found), Hands: hands.Match(job.Hands, strengths)}
	if got, _ := match.Match(full); got.Outcome != record.Meets || len(got.Missing) != 0 || len(got.Positions) != 1 || len(got.Hands) != 3 {
		t.Errorf("everything within: %+v", got)
	}
}

// better orders the outcomes.
func better(o record.Outcome) int {
	return map[record.Outcome]int{record.DoesNotMeet: 0, record.CannotBeDetermined: 1, record.MeetsWithLimits: 2, record.Meets: 3}[o]
}

// day is a random day: at most one series at each pace of a carry and of a lift, and up to four tasks.
type day struct {
	capacities []record.Capacity
	job        record.JobProfile
	bands      [7]int64
}

func someLoad(r *rand.Rand) int64 {
	if r.IntN(2) == 0 {
		return []int64{4_000, 5_000, 8_000, 10_000, 20_000, 25_000, 40_000, 50_000, 100_000}[r.IntN(9)]
	}
	return 1 + r.Int64N(120_000)
}

func someDay(r *rand.Rand) *day {
	d := &day{}
	zones := []record.Zone{record.Carry, record.FloorWaist}
	for i := range 6 {
		if r.IntN(2) == 0 {
			c := inSeries(i+1, record.Paces()[i%3], max(someLoad(r)-20_000, 0))
			c.Zone = zones[i/3]
			d.capacities = append(d.capacities, c)
		}
		if r.IntN(3) == 0 {
			d.bands[i+1] = r.Int64N(15_000)
		}
	}
	for range 1 + r.IntN(4) {
		d.job.Tasks = append(d.job.Tasks, record.JobTask{Name: "Task", Zone: zones[r.IntN(2)], Pace: record.Paces()[r.IntN(3)], Load: pounds(someLoad(r))})
	}
	return d
}

func (d *day) outcome() record.Outcome {
	ch := capacity.Choose(d.capacities)
	m, _ := match.Match(match.Input{Chosen: &ch, Projected: project.Of(&ch), Job: &d.job, ErrorOf: func(n int) *mass.Mass {
		if d.bands[n] == 0 {
			return nil
		}
		return pointer(d.bands[n])
	}})
	return m.Outcome
}

// TestStricterNeverImproves: a heavier demand never improves the outcome, and a heavier capacity never worsens it.
func TestStricterNeverImproves(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 7))
	seen := map[record.Outcome]int{}
	for range 60_000 {
		d := someDay(r)
		before := d.outcome()
		seen[before]++
		task := &d.job.Tasks[r.IntN(len(d.job.Tasks))]
		asked := task.Load
		task.Load = asked.Add(pounds(someLoad(r) / 4))
		if after := d.outcome(); better(after) > better(before) {
			t.Fatalf("%s, and %s for a demand of %s in place of %s: %+v", before, after, task.Load, asked, d)
		}
		task.Load = asked
		if len(d.capacities) == 0 {
			continue
		}
		c := &d.capacities[r.IntN(len(d.capacities))]
		more := pounds(someLoad(r) / 4)
		if c.Load != nil {
			more = more.Add(*c.Load)
		}
		c.Load = &more
		if after := d.outcome(); better(after) < better(before) {
			t.Fatalf("%s, and %s with a capacity of %s in series %d: %+v", before, after, more, c.SeriesNumber, d)
		}
	}
	for _, o := range []record.Outcome{record.DoesNotMeet, record.CannotBeDetermined, record.MeetsWithLimits, record.Meets} {
		if seen[o] < 500 {
			t.Errorf("%s was drawn %d times only", o, seen[o])
		}
	}
}

// TestWiderErrorOnlyEases: with a wider error of measurement no outcome is worse.
func TestWiderErrorOnlyEases(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 7))
	for range 20_000 {
		d := someDay(r)
		before := d.outcome()
		for i := range d.bands {
			d.bands[i] += r.Int64N(5_000)
		}
		if after := d.outcome(); better(after) < better(before) {
			t.Fatalf("%s, and %s with a wider error: %+v", before, after, d)
		}
	}
}
