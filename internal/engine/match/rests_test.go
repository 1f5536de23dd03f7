package match_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/engine/project"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// climb is a series with its capacity: trials at the loads in pounds, with these statuses, given in the reverse of their order.
func climb(number int, zone record.Zone, pace record.Pace, end record.EndReason, loads []int64, statuses ...record.TrialStatus) (*record.Series, record.Capacity) {
	s := &record.Series{Number: number, Zone: zone, Pace: pace}
	c := record.Capacity{SeriesNumber: number, Zone: zone, Pace: pace, EndReason: end}
	for i, status := range statuses {
		s.Trials = append([]record.Trial{{Number: i + 1, Load: pounds(loads[i] * 1000)}}, s.Trials...)
		c.Trials = append(c.Trials, record.TrialVerdict{Number: i + 1, Status: status})
		if status == record.TrialAccepted {
			if m := pounds(loads[i] * 1000); c.Load == nil || c.Load.Less(m) {
				c.Load = &m
			}
		}
	}
	return s, c
}

func TestRestsOn(t *testing.T) {
	const o, f = record.Occasional, record.Frequent
	const accepted, failed = record.TrialAccepted, record.TrialFailed
	var series []*record.Series
	var capacities []record.Capacity
	add := func(s *record.Series, c record.Capacity) {
		series, capacities = append([]*record.Series{s}, series...), append(capacities, c)
	}
	// The third trial and the sixth have the capacity's load, the seventh is lighter, the last failed at the capacity's load.
	add(climb(1, record.FloorWaist, o, record.EndEffort, []int64{30, 40, 50, 60, 50, 50, 40, 50}, accepted, accepted, accepted, failed, failed, accepted, accepted, failed))
	add(climb(2, record.Carry, f, record.EndVolitional, []int64{20, 30}, accepted, accepted))
	add(climb(3, record.Push, o, record.EndSymptom, []int64{20}, failed))
	job := &record.JobProfile{Tasks: []record.JobTask{
		{Name: "Crate to shelf", Zone: record.FloorWaist, Pace: o, Load: pounds(50_000)},
		{Name: "Drum to dolly", Zone: record.FloorWaist, Pace: o, Load: pounds(55_000)},
		{Name: "Safe to dolly", Zone: record.FloorWaist, Pace: o, Load: pounds(80_000)},
		{Name: "Pallet strapping", Zone: record.FloorWaist, Pace: f, Load: pounds(30_000)},
		{Name: "Bags to cart", Zone: record.Carry, Pace: o, Load: pounds(30_000)},
		{Name: "Cart along the aisle", Zone: record.Push, Pace: o, Load: pounds(10_000)},
		{Name: "Lamps", Zone: record.ShoulderOverhead, Pace: f, Load: mass.FromUnits(500_000_000_000)},
	}}
	ch := capacity.Choose(capacities)
	in := match.Input{
		Chosen: &ch, Projected: project.Of(&ch), Series: series, Job: job,
		ErrorOf: func(n int) *mass.Mass {
			if n == 1 {
				return pointer(9_500)
			}
			return nil
		},
		Positions: []record.PositionMatch{
			{Position: record.Kneeling, Demand: record.ToleratedFrequent, Tolerance: record.ToleratedOccasional, Verdict: record.TaskShort, SeriesNumber: 2},
			{Position: record.ReachingOverhead, Demand: record.ToleratedOccasional, Tolerance: record.ToleratedOccasional, Verdict: record.TaskWithin, SeriesNumber: 3},
			{Position: record.Crawling, Demand: record.ToleratedOccasional, Verdict: record.TaskNotTested},
			{Position: record.Balancing, Demand: record.ToleratedNever, Tolerance: record.ToleratedNever, Verdict: record.TaskWithin, SeriesNumber: 4},
		},
		Hands: []record.HandMatch{
			{Name: "Squeeze", Measure: record.Grip, Hand: record.RightHand, Demand: pounds(60_000), Strength: pointer(78_000), Verdict: record.TaskWithin, SeriesNumber: 1},
			{Name: "Squeeze", Measure: record.Grip, Hand: record.LeftHand, Demand: pounds(60_000), Strength: pointer(55_000), Verdict: record.TaskShort, ShortBy: pointer(5_000), SeriesNumber: 2},
			{Name: "Trigger", Measure: record.KeyPinch, Hand: record.LeftHand, Demand: pounds(9_000), Verdict: record.TaskNotTested},
		},
	}
	want := []string{
		`"Crate to shelf": floor-waist, occasional: measured 50 lb (22.7 kg) in series 1, trial 6 (effort); demand 50 lb (22.7 kg).`,
		`"Drum to dolly": floor-waist, occasional: measured 50 lb (22.7 kg) in series 1, trial 6 (effort); demand 55 lb (24.9 kg), short by 5 lb (2.3 kg), which is within the error of measurement of 9.5 lb (4.3 kg).`,
		`"Safe to dolly": floor-waist, occasional: measured 50 lb (22.7 kg) in series 1, trial 6 (effort); demand 80 lb (36.3 kg), short by 30 lb (13.6 kg).`,
		`"Pallet strapping": floor-waist, frequent: projected 25 lb (11.3 kg), 50 % of the 50 lb (22.7 kg) measured at the occasional pace in series 1, trial 6 (effort); demand 30 lb (13.6 kg), short by 5 lb (2.3 kg).`,
		`"Bags to cart": carry, occasional: measured 30 lb (13.6 kg) at the frequent pace in series 2, trial 2 (the client's choice), which stands for the occasional pace; demand 30 lb (13.6 kg).`,
		`"Cart along the aisle": push, occasional: measured without a load that was accepted in series 3 (symptom); demand 10 lb (4.5 kg), short by 10 lb (4.5 kg).`,
		`"Lamps": shoulder-overhead, frequent: not tested; demand 5 kg (11.0 lb).`,
		"kneeling: tolerated occasionally in position series 2; demand frequently, short.",
		"reaching overhead: tolerated occasionally in position series 3; demand occasionally.",
		"crawling: not tested; demand occasionally.",
		"balancing: tolerated never in position series 4; demand never.",
		`"Squeeze": grip, right hand: measured 78 lb (35.4 kg) in hand series 1; demand 60 lb (27.2 kg).`,
		`"Squeeze": grip, left hand: measured 55 lb (24.9 kg) in hand series 2; demand 60 lb (27.2 kg), short by 5 lb (2.3 kg).`,
		`"Trigger": key pinch, left hand: not tested; demand 9 lb (4.1 kg).`,
	}
	got, stoodIn := match.Match(in)
	if diff := cmp.Diff(want, got.RestsOn); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"Bags to cart"}, stoodIn); diff != "" {
		t.Errorf("stood in (-want +got):\n%s", diff)
	}

	in.Series, in.Job = nil, &record.JobProfile{Tasks: []record.JobTask{job.Tasks[0], job.Tasks[3]}}
	want = append([]string{
		`"Crate to shelf": floor-waist, occasional: measured 50 lb (22.7 kg); demand 50 lb (22.7 kg).`,
		`"Pallet strapping": floor-waist, frequent: projected 25 lb (11.3 kg), 50 % of the 50 lb (22.7 kg) measured at the occasional pace; demand 30 lb (13.6 kg), short by 5 lb (2.3 kg).`,
	}, want[7:]...)
	if got, _ = match.Match(in); cmp.Diff(want, got.RestsOn) != "" {
		t.Errorf("without series (-want +got):\n%s", cmp.Diff(want, got.RestsOn))
	}
}

// TestEndsInWords: every end reason has its own words, and a capacity of none is named without.
func TestEndsInWords(t *testing.T) {
	seen := map[string]record.EndReason{}
	for _, end := range []record.EndReason{
		record.EndVolitional, record.EndEffort, record.EndHeartRate, record.EndMechanics, record.EndCeiling, record.EndSymptom,
		record.EndAdministrative, record.EndIncomplete, "",
	} {
		s, c := climb(1, record.Carry, record.Occasional, end, []int64{20}, record.TrialAccepted)
		ch := capacity.Choose([]record.Capacity{c})
		got, _ := match.Match(match.Input{Chosen: &ch, Series: []*record.Series{s}, Job: &record.JobProfile{Tasks: []record.JobTask{carry("Move", record.Occasional, 20_000)}}})
		if before, ok := seen[got.RestsOn[0]]; ok {
			t.Errorf("%q and %q read alike: %s", before, end, got.RestsOn[0])
		}
		seen[got.RestsOn[0]] = end
	}
	if _, ok := seen[`"Move": carry, occasional: measured 20 lb (9.1 kg) in series 1, trial 1; demand 20 lb (9.1 kg).`]; !ok {
		t.Errorf("%v", seen)
	}
}

// TestTrialsOfAnotherSeries: where the trials are not those that the capacity was found from, none is named.
func TestTrialsOfAnotherSeries(t *testing.T) {
	s, c := climb(1, record.Carry, record.Occasional, record.EndEffort, []int64{10, 20}, record.TrialAccepted, record.TrialAccepted)
	s.Trials = append(s.Trials, record.Trial{Number: 3, Load: pounds(20_000)})
	ch := capacity.Choose([]record.Capacity{c})
	in := match.Input{Chosen: &ch, Series: []*record.Series{s}, Job: &record.JobProfile{Tasks: []record.JobTask{carry("Move", record.Occasional, 20_000)}}}
	want := []string{`"Move": carry, occasional: measured 20 lb (9.1 kg) in series 1 (effort); demand 20 lb (9.1 kg).`}
	if got, _ := match.Match(in); cmp.Diff(want, got.RestsOn) != "" {
		t.Errorf("(-want +got):\n%s", cmp.Diff(want, got.RestsOn))
	}
}

func BenchmarkMatch(b *testing.B) {
	var series []*record.Series
	var capacities []record.Capacity
	job := &record.JobProfile{}
	statuses := []record.TrialStatus{"accepted", "accepted", "accepted", "accepted", "accepted", "accepted", "accepted", "failed"}
	for i, z := range record.Zones()[:6] {
		s, c := climb(i+1, z, record.Occasional, record.EndEffort, []int64{10, 20, 30, 40, 50, 60, 70, 80}, statuses...)
		s.Trials = append([]record.Trial(nil), capacity.Ordered(s.Trials)...)
		series, capacities = append(series, s), append(capacities, c)
		job.Tasks = append(job.Tasks, record.JobTask{Name: "Move in " + string(z), Zone: z, Pace: record.Paces()[i%2], Load: pounds(30_000)})
	}
	ch := capacity.Choose(capacities)
	in := match.Input{Chosen: &ch, Projected: project.Of(&ch), Series: series, Job: job}
	b.ReportAllocs()
	for b.Loop() {
		match.Match(in)
	}
}
