package record

import "ponderal.example/internal/fault"

// CheckJobProfile checks a job: it demands something, a load, a position or a grip; its tasks pass CheckJobTasks; each position stands once;
// every grip or pinch asks for more than nothing and has a name of its own, by which a finding names it.
func CheckJobProfile(j JobProfile, at string) []fault.Violation {
	var k checker
	some := len(j.Tasks) + len(j.Positions) + len(j.Hands)
	k.demand(some > 0, at+".tasks", "job.some_demand", "a job demands a load, a position or a grip")
	k.tasks(j.Tasks, at)
	asked := make(map[Position]bool, len(j.Positions))
	for i, p := range j.Positions {
		k.demand(!asked[p.Position], item(at, "positions", i)+".position", "job.position_once", "each position of a job stands once")
		asked[p.Position] = true
	}
	names := make(map[string]bool, len(j.Hands))
	for i := range j.Hands {
		h := &j.Hands[i]
		path := item(at, "hands", i)
		k.demand(h.Force.Units() > 0, path+".force", "job.force_positive", "a grip or pinch asks for more than nothing")
		k.demand(!names[h.Name], path+".name", "job.hand_once", "each grip or pinch of a job has a name of its own")
		names[h.Name] = true
	}
	return k.found
}

// CheckJobTasks checks the loads of a job: each is more than nothing, and every task has a name of its own, by which a finding names it.
func CheckJobTasks(tasks []JobTask, at string) []fault.Violation {
	var k checker
	k.tasks(tasks, at)
	return k.found
}

func (c *checker) tasks(tasks []JobTask, at string) {
	names := make(map[string]bool, len(tasks))
	for i := range tasks {
		t := &tasks[i]
		path := item(at, "tasks", i)
		c.demand(!t.Load.IsZero(), path+".load", "job.load_positive", "a task's load is more than nothing")
		c.demand(!names[t.Name], path+".name", "job.task_once", "each task of a job has a name of its own")
		names[t.Name] = true
	}
}
