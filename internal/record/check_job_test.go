package record_test

import (
	"testing"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func TestCheckJobProfile(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.JobProfile)
		want   []string
	}{
		{"sound", func(*record.JobProfile) {}, nil},
		{"no load, name twice", func(j *record.JobProfile) { j.Tasks[0].Load, j.Tasks[1].Name = mass.Zero(), "Lift" },
			[]string{"job.tasks[0].load job.load_positive", "job.tasks[1].name job.task_once"}},
		{"no demand of any kind", func(j *record.JobProfile) { *j = record.JobProfile{} }, []string{"job.tasks job.some_demand"}},
		{"loads alone", func(j *record.JobProfile) { j.Positions, j.Hands = nil, nil }, nil},
		{"positions alone", func(j *record.JobProfile) { j.Tasks, j.Hands = nil, nil }, nil},
		{"hands alone", func(j *record.JobProfile) { j.Tasks, j.Positions = nil, nil }, nil},
		{"position twice", func(j *record.JobProfile) { j.Positions[1].Position = record.Sitting }, []string{"job.positions[1].position job.position_once"}},
		{"name of a grip twice", func(j *record.JobProfile) { j.Hands[1].Name = "Pliers" }, []string{"job.hands[1].name job.hand_once"}},
		{"a grip named as a task", func(j *record.JobProfile) { j.Hands[1].Name = "Lift" }, nil},
		{"a grip of nothing", func(j *record.JobProfile) { j.Hands[0].Force = mass.Zero() }, []string{"job.hands[0].force job.force_positive"}},
		{"hardly a grip", func(j *record.JobProfile) { j.Hands[0].Force = mass.FromUnits(1) }, nil},
	} {
		j := record.JobProfile{
			Tasks:     []record.JobTask{{Name: "Lift", Load: pounds(1)}, {Name: "Carry", Load: mass.FromUnits(1)}},
			Positions: []record.PositionDemand{{Position: record.Sitting, Demand: record.ToleratedFrequent}, {Position: record.Walking, Demand: record.ToleratedFrequent}},
			Hands:     []record.HandDemand{{Name: "Pliers", Measure: record.Grip, Force: pounds(40)}, {Name: "Keys", Measure: record.KeyPinch, Force: pounds(8)}},
		}
		c.change(&j)
		expect(t, c.name, record.CheckJobProfile(j, "job"), c.want...)
	}
	expect(t, "tasks alone may be none", record.CheckJobTasks(nil, "job"))
	expect(t, "a task of nothing", record.CheckJobTasks([]record.JobTask{{Name: "Lift"}}, "job"), "job.tasks[0].load job.load_positive")
}
