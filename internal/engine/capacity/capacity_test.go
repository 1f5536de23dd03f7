package capacity_test

import (
	"slices"
	"testing"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func pounds(n int64) mass.Mass { return mass.FromUnits(n * 45_359_237_000) }

func ptr[T any](v T) *T { return &v }

// trial makes one in which nothing is wrong and more is possible.
func trial(n int, load int64, change ...func(*record.Trial)) record.Trial {
	t := record.Trial{Number: n, Load: pounds(load), Repetitions: 4, HeartRate: ptr(110), Effort: ptr(record.Effort(8)), Sustainable: ptr(true), MorePossible: ptr(true)}
	for _, c := range change {
		c(&t)
	}
	return t
}

func effort(halves record.Effort) func(*record.Trial) {
	return func(t *record.Trial) { t.Effort = &halves }
}
func rate(bpm int) func(*record.Trial) { return func(t *record.Trial) { t.HeartRate = &bpm } }
func noMore(t *record.Trial)           { t.MorePossible = ptr(false) }
func unsustainable(t *record.Trial)    { t.Sustainable = ptr(false) }
func unrated(t *record.Trial)          { t.Effort = nil }
func symptom(t *record.Trial)          { t.Symptoms = []record.Symptom{record.SymptomDizziness} }
func unsafe(t *record.Trial)           { t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}} }
func short(t *record.Trial)            { t.Repetitions = 3 }
func closed(t *record.Trial)           { t.ClosedReason = "interrupted" }
func blinded(t *record.Trial)          { t.Blinded = true }
func of(s record.Series) record.Capacity {
	p := record.Protocol{Repetitions: 4, HeartRateLimit: &record.HeartRateLimit{BPM: 150}, EffortStop: 16, LoadCeiling: ptr(pounds(90)), RequiresHeartRate: true, RequiresEffortRating: true}
	l := guard.LimitsOf(&p, record.Person{AgeYears: 40}, record.Screening{})
	return capacity.Of(&s, &l)
}

// TestOf: capacity and bracket in pounds (0: none), accepted trials, end reason.
func TestOf(t *testing.T) {
	for _, c := range []struct {
		name     string
		stop     record.Stop
		trials   []record.Trial
		load     int64
		bracket  int64
		accepted int
		end      record.EndReason
	}{
		{"no trials", "", nil, 0, 0, 0, record.EndIncomplete},
		{"no trials, stopped", record.StopAdministrative, nil, 0, 0, 0, record.EndAdministrative},
		{"nothing tells", "", []record.Trial{trial(1, 10)}, 10, 0, 1, record.EndIncomplete},
		{"no more possible", "", []record.Trial{trial(1, 10), trial(2, 20, noMore)}, 20, 0, 2, record.EndVolitional},
		{"recorded by will", record.StopVolitional, []record.Trial{trial(1, 10)}, 10, 0, 1, record.EndVolitional},
		{"recorded ceiling", record.StopCeiling, []record.Trial{trial(1, 10)}, 10, 0, 1, record.EndCeiling},
		{"ceiling is graver than will", record.StopCeiling, []record.Trial{trial(1, 10, noMore)}, 10, 0, 1, record.EndCeiling},
		{"recorded symptom", record.StopSymptom, []record.Trial{trial(1, 10, effort(20))}, 10, 0, 1, record.EndSymptom},
		{"effort is graver than a recorded ceiling", record.StopCeiling, []record.Trial{trial(1, 10, effort(16))}, 10, 0, 1, record.EndEffort},
		{"heart rate is graver than effort", "", []record.Trial{trial(1, 10), trial(2, 20, effort(16), rate(151))}, 10, 20, 1, record.EndHeartRate},
		{"mechanics is graver than heart rate", "", []record.Trial{trial(1, 10), trial(2, 20, unsafe, rate(151))}, 10, 20, 1, record.EndMechanics},
		{"symptom is graver than mechanics", "", []record.Trial{trial(1, 10), trial(2, 20, unsafe, symptom)}, 10, 20, 1, record.EndSymptom},
		{"above the ceiling", "", []record.Trial{trial(1, 90), trial(2, 91)}, 91, 0, 2, record.EndCeiling},
		{"lightest failed load above", record.StopVolitional, []record.Trial{trial(1, 10), trial(2, 40, short), trial(3, 30, short), trial(4, 20)}, 20, 30, 2, record.EndVolitional},
		{"failed at the capacity's own load", record.StopVolitional, []record.Trial{trial(1, 20, short), trial(2, 20)}, 20, 0, 1, record.EndVolitional},
		{"failed below the capacity", record.StopVolitional, []record.Trial{trial(1, 10, short), trial(2, 20)}, 20, 0, 1, record.EndVolitional},
		{"nothing accepted", "", []record.Trial{trial(1, 30, unsustainable), trial(2, 20, unsustainable)}, 0, 20, 0, record.EndVolitional},
		{"last trial open", record.StopVolitional, []record.Trial{trial(1, 10), trial(2, 20, unrated)}, 10, 0, 1, record.EndIncomplete},
		{"last trial open, recorded ceiling", record.StopCeiling, []record.Trial{trial(1, 10), trial(2, 20, unrated)}, 10, 0, 1, record.EndIncomplete},
		{"last trial open, recorded symptom", record.StopSymptom, []record.Trial{trial(1, 10), trial(2, 20, unrated)}, 10, 0, 1, record.EndSymptom},
		{"last trial open, beyond a limit", "", []record.Trial{trial(1, 10), trial(2, 20, unrated, rate(151))}, 10, 20, 1, record.EndHeartRate},
		{"last trial closed", record.StopVolitional, []record.Trial{trial(1, 10), trial(2, 20, unrated, closed)}, 10, 0, 1, record.EndVolitional},
		{"open trial before the last", record.StopVolitional, []record.Trial{trial(1, 10, unrated), trial(2, 20)}, 20, 0, 1, record.EndVolitional},
		{"retest lighter after the end", "", []record.Trial{trial(1, 20), trial(2, 30, effort(16)), trial(3, 20, blinded)}, 30, 0, 3, record.EndEffort},
		{"heavier after the limit", "", []record.Trial{trial(1, 20, effort(16)), trial(2, 30)}, 30, 0, 2, record.EndIncomplete},
		{"blinded counts", "", []record.Trial{trial(1, 10), trial(2, 20, blinded, noMore)}, 20, 0, 2, record.EndVolitional},
		{"by number, not by place", "", []record.Trial{trial(2, 20, noMore), trial(1, 10)}, 20, 0, 2, record.EndVolitional},
	} {
		got := of(record.Series{Number: 3, Zone: record.Carry, Pace: record.Frequent, Stop: c.stop, Trials: c.trials})
		if inPounds(t, got.Load) != c.load || inPounds(t, got.BracketTo) != c.bracket || got.AcceptedTrials != c.accepted || got.EndReason != c.end {
			t.Errorf("%s: load %v, bracket %v, accepted %d, end %s; want %d, %d, %d, %s",
				c.name, got.Load, got.BracketTo, got.AcceptedTrials, got.EndReason, c.load, c.bracket, c.accepted, c.end)
		}
		if got.SeriesNumber != 3 || got.Zone != record.Carry || got.Pace != record.Frequent || got.TotalTrials != len(c.trials) || len(got.Trials) != len(c.trials) {
			t.Errorf("%s: %+v", c.name, got)
		}
		if !slices.IsSortedFunc(got.Trials, func(a, b record.TrialVerdict) int { return a.Number - b.Number }) {
			t.Errorf("%s: verdicts not by number", c.name)
		}
	}
}

func inPounds(t *testing.T, m *mass.Mass) int64 {
	t.Helper()
	if m == nil {
		return 0
	}
	n := m.Units() / 45_359_237_000
	if pounds(n) != *m {
		t.Fatalf("%s is not whole pounds", m)
	}
	return n
}

func TestUnresolved(t *testing.T) {
	for _, c := range []struct {
		name   string
		trials []record.Trial
		want   bool // of the first trial
	}{
		{"complete", []record.Trial{trial(1, 10)}, false},
		{"open", []record.Trial{trial(1, 10, unrated)}, true},
		{"closed", []record.Trial{trial(1, 10, unrated, closed)}, false},
		{"repeated", []record.Trial{trial(1, 10, unrated), trial(2, 10)}, false},
		{"repeated and failed", []record.Trial{trial(1, 10, unrated), trial(2, 10, short)}, false},
		{"repeated without it again", []record.Trial{trial(1, 10, unrated), trial(2, 10, unrated)}, true},
		{"went on", []record.Trial{trial(1, 10, unrated), trial(2, 20)}, true},
	} {
		got := of(record.Series{Trials: c.trials})
		if is := capacity.Unresolved(c.trials, got.Trials, 0); is != c.want {
			t.Errorf("%s: %v, want %v", c.name, is, c.want)
		}
	}
}

func TestContinuedAfter(t *testing.T) {
	for _, c := range []struct {
		name   string
		trials []record.Trial
		want   bool // of the first trial
	}{
		{"last", []record.Trial{trial(1, 10, symptom)}, false},
		{"heavier after a symptom", []record.Trial{trial(1, 10, symptom), trial(2, 20)}, true},
		{"lighter after a symptom", []record.Trial{trial(1, 10, symptom), trial(2, 5)}, false},
		{"heavier after effort", []record.Trial{trial(1, 10, effort(16)), trial(2, 10), trial(3, 11)}, true},
		{"heavier after too few repetitions", []record.Trial{trial(1, 10, short), trial(2, 20)}, false},
		{"heavier after not sustainable", []record.Trial{trial(1, 10, unsustainable), trial(2, 20)}, false},
	} {
		got := of(record.Series{Trials: c.trials})
		if is := capacity.ContinuedAfter(c.trials, got.Trials, 0); is != c.want {
			t.Errorf("%s: %v, want %v", c.name, is, c.want)
		}
	}
}

// TestChoose: which of the capacities (by series number) stands, whatever their order.
func TestChoose(t *testing.T) {
	c := func(series int, end record.EndReason, load int64) record.Capacity {
		k := record.Capacity{SeriesNumber: series, Zone: record.Push, Pace: record.Constant, EndReason: end, Trials: []record.TrialVerdict{{Status: record.TrialFailed}}}
		if load > 0 {
			k.Load = ptr(pounds(load))
		}
		return k
	}
	untested := record.Capacity{SeriesNumber: 9, Zone: record.Push, Pace: record.Constant, EndReason: record.EndVolitional, Trials: []record.TrialVerdict{{Status: record.TrialIncomplete}, {Status: record.TrialClosed}}}
	for _, test := range []struct {
		name string
		of   []record.Capacity
		want int // 0: none
	}{
		{"none", nil, 0},
		{"says nothing", []record.Capacity{untested}, 0},
		{"nothing accepted", []record.Capacity{c(1, record.EndVolitional, 0)}, 1},
		{"lower of two limits", []record.Capacity{c(1, record.EndEffort, 50), c(2, record.EndVolitional, 40)}, 2},
		{"nothing accepted is lower", []record.Capacity{c(1, record.EndEffort, 50), c(2, record.EndVolitional, 0)}, 2},
		{"broken off yields", []record.Capacity{c(1, record.EndAdministrative, 20), c(2, record.EndVolitional, 40)}, 2},
		{"incomplete yields", []record.Capacity{c(1, record.EndIncomplete, 20), c(2, record.EndCeiling, 40)}, 2},
		{"lower of two broken off", []record.Capacity{c(1, record.EndAdministrative, 30), c(2, record.EndIncomplete, 20)}, 2},
		{"equal: the lower number", []record.Capacity{c(2, record.EndEffort, 40), c(1, record.EndVolitional, 40)}, 1},
		{"both nothing: the lower number", []record.Capacity{c(2, record.EndEffort, 0), c(1, record.EndVolitional, 0)}, 1},
	} {
		for range 2 {
			ch := capacity.Choose(test.of)
			got := 0
			if at := ch.At(record.Push, record.Constant); at != nil {
				got = at.SeriesNumber
			}
			if got != test.want {
				t.Errorf("%s: series %d stands, want %d", test.name, got, test.want)
			}
			slices.Reverse(test.of)
		}
	}
	ch := capacity.Choose([]record.Capacity{c(1, record.EndEffort, 40)})
	if ch.At(record.Push, record.Frequent) != nil || ch.At(record.Pull, record.Constant) != nil || ch.At("ladder", record.Constant) != nil || ch.At(record.Push, "hourly") != nil {
		t.Error("a capacity stands where none was tested")
	}
}
