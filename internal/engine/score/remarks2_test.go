package score_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const poundUnits = 45_359_237_000

func pounds(n int64) mass.Mass { return mass.FromUnits(n * poundUnits) }

// climb is a series of accepted trials at these loads, ended by the person's will.
func climb(number int, loads ...int64) record.Series {
	s := record.Series{Number: number, Zone: record.Carry, Pace: record.Occasional, ProtocolDigest: "p", Stop: record.StopVolitional}
	yes := true
	start := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	for i, load := range loads {
		effort := record.Effort(6)
		s.Trials = append(s.Trials, record.Trial{Number: i + 1, At: record.TimeOf(start.Add(time.Duration(20*number+i) * time.Minute)),
			Load: pounds(load), Repetitions: 4, Effort: &effort, Sustainable: &yes, MorePossible: &yes})
	}
	return s
}

// carrying scores series against a job of one carry of 30 lb.
func carrying(t *testing.T, list ...record.Series) record.Finding {
	t.Helper()
	f, _ := scored(t, score.Input{Session: record.Session{ID: "s", Series: list}, SessionRevision: 1,
		Protocols: map[string]record.Protocol{"p": {Zones: []record.Zone{record.Carry}, Pace: record.Occasional, Repetitions: 4, EffortStop: 16, RequiresEffortRating: true}},
		Job:       &record.JobProfile{ID: "j", Title: "Job", Tasks: []record.JobTask{{Name: "Carry", Zone: record.Carry, Pace: record.Occasional, Load: pounds(30)}}}})
	return f
}

// TestCaveatsOfACapacity: a symptom, and a load that failed although the capacity reaches it, limit a recommendation that would have been
// meets. A load that failed above the capacity does not. Rules of this project: never overstate (common practice, no source).
func TestCaveatsOfACapacity(t *testing.T) {
	no := false
	failing := func(s record.Series, trials ...int) record.Series {
		for _, i := range trials {
			s.Trials[i].Sustainable = &no
		}
		return s
	}
	brokenOff := func(s record.Series) record.Series {
		s.Stop = record.StopAdministrative
		return s
	}
	symptomTop := climb(1, 20, 30, 40)
	symptomTop.Trials[2].Symptoms = []record.Symptom{record.SymptomChestPain}
	stopped := climb(1, 20, 30)
	stopped.Stop = record.StopSymptom
	for name, c := range map[string]struct {
		series  []record.Series
		outcome record.Outcome
		code    string
		text    string
	}{
		"nothing":                          {[]record.Series{climb(1, 20, 30)}, record.Meets, "", ""},
		"a symptom above the demand":       {[]record.Series{symptomTop}, record.MeetsWithLimits, score.RemarkSymptomInSeries, "series 1."},
		"stopped for a symptom":            {[]record.Series{stopped}, record.MeetsWithLimits, score.RemarkSymptomInSeries, "series 1."},
		"failed above":                     {[]record.Series{failing(climb(1, 20, 30, 40), 2)}, record.Meets, "", ""},
		"failed below":                     {[]record.Series{failing(climb(1, 10, 20, 30), 0, 1)}, record.MeetsWithLimits, score.RemarkFailedWithinCapacity, "trial 1, 2 failed"},
		"failed at the capacity":           {[]record.Series{failing(climb(1, 30, 30), 1)}, record.MeetsWithLimits, score.RemarkFailedWithinCapacity, "trial 2 failed"},
		"broken off, and nothing failed":   {[]record.Series{climb(1, 20, 30), brokenOff(climb(2, 10, 20))}, record.Meets, "", ""},
		"failed above in one broken off":   {[]record.Series{climb(1, 20, 30), failed(brokenOff(climb(2, 10, 31, 10)), 1)}, record.Meets, "", ""},
		"failed exactly in one broken off": {[]record.Series{climb(1, 20, 30), failed(brokenOff(climb(2, 10, 30, 10)), 1)}, record.MeetsWithLimits, score.RemarkFailedWithinCapacity, "30 lb failed"},
	} {
		f := carrying(t, c.series...)
		if f.Job.Outcome != c.outcome {
			t.Errorf("%s: %s, want %s (%v)", name, f.Job.Outcome, c.outcome, f.Remarks)
		}
		found := func(code string) bool {
			return slices.ContainsFunc(f.Remarks, func(r record.Remark) bool { return r.Code == code && strings.Contains(r.Text, c.text) })
		}
		for _, code := range []string{score.RemarkSymptomInSeries, score.RemarkFailedWithinCapacity} {
			if found(code) != (code == c.code) {
				t.Errorf("%s: remark %s: %v", name, code, f.Remarks)
			}
		}
	}
}

// failed leaves a trial one repetition short, which says nothing about why and so leaves a series broken off.
func failed(s record.Series, trial int) record.Series {
	s.Trials[trial].Repetitions = 3
	return s
}

// TestProtocolOfOtherSex: a series under a protocol that is meant for the other sex, or while nobody knows the person's, limits. That of the
// person's own sex, and one for both, do not.
func TestProtocolOfOtherSex(t *testing.T) {
	for name, c := range map[string]struct {
		person, meant record.Sex
		want          bool
	}{
		"both": {record.Male, "", false}, "own": {record.Female, record.Female, false}, "other": {record.Male, record.Female, true}, "not known": {"", record.Male, true},
		"not known, both": {"", "", false},
	} {
		f, _ := scored(t, score.Input{Session: record.Session{ID: "s", Series: []record.Series{climb(1, 20)}}, SessionRevision: 1, Person: record.Person{Sex: c.person},
			Protocols: map[string]record.Protocol{"p": {Repetitions: 4, EffortStop: 16, AppliesToSex: c.meant}}})
		got := slices.ContainsFunc(f.Remarks, func(r record.Remark) bool { return r.Code == score.RemarkProtocolOfOtherSex })
		if got != c.want {
			t.Errorf("%s: %v", name, f.Remarks)
		}
	}
}
