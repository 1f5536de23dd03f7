package guard_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func pounds(n int64) mass.Mass { return mass.FromUnits(n * 45_359_237_000) }

func ptr[T any](v T) *T { return &v }

// good is a trial that breaks no limit of strict.
func good() record.Trial {
	return record.Trial{
		Number: 1, Load: pounds(50), Repetitions: 4, HeartRate: ptr(150), Effort: ptr(record.Effort(15)),
		Sustainable: ptr(true), MorePossible: ptr(true),
	}
}

// strict limits everything: 150 bpm, rating 8, 50 lb, four repetitions, both measurements required.
func strict() record.Protocol {
	return record.Protocol{
		Repetitions: 4, HeartRateLimit: &record.HeartRateLimit{BPM: 150}, EffortStop: 16, LoadCeiling: ptr(pounds(50)),
		RequiresHeartRate: true, RequiresEffortRating: true,
	}
}

func hit(name, measured, limit string, voids, ends bool) []record.GuardHit {
	return []record.GuardHit{{Guard: name, Measured: measured, Limit: limit, Voids: voids, Ends: ends}}
}

// TestWork: each guard fires on the value just beyond its limit and not on the value at it (good stands at every limit).
func TestWork(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*record.Trial)
		want   []record.GuardHit
	}{
		{"every measurement at its limit", func(*record.Trial) {}, nil},
		{"symptom", func(t *record.Trial) { t.Symptoms = []record.Symptom{record.SymptomOther} }, hit(record.GuardSymptom, "other", "none", true, true)},
		{"no symptoms listed", func(t *record.Trial) { t.Symptoms = []record.Symptom{} }, nil},
		{"mechanics grade 3", func(t *record.Trial) { t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}} }, hit(record.GuardMechanics, "grade 3: twist", "grade 2", true, true)},
		{"mechanics grade 2", func(t *record.Trial) { t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 2}} }, nil},
		{"mechanics beyond the scale", func(t *record.Trial) { t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 4}} }, hit(record.GuardMechanics, "grade 3: twist", "grade 2", true, true)},
		{"heart rate above", func(t *record.Trial) { t.HeartRate = ptr(151) }, hit(record.GuardHeartRateWork, "151 bpm", "150 bpm", true, true)},
		{"effort at the stop", func(t *record.Trial) { t.Effort = ptr(record.Effort(16)) }, hit(record.GuardEffortStop, "8 of 10", "8 of 10", false, true)},
		{"effort half above the stop", func(t *record.Trial) { t.Effort = ptr(record.Effort(17)) }, hit(record.GuardEffortStop, "8.5 of 10", "8 of 10", false, true)},
		{"load above the ceiling", func(t *record.Trial) { t.Load = t.Load.Add(mass.FromUnits(45_359_237)) }, hit(record.GuardLoadCeiling, "50.001 lb", "50 lb", false, true)},
		{"not sustainable", func(t *record.Trial) { t.Sustainable = ptr(false) }, hit(record.GuardAcceptability, "not sustainable", "", true, true)},
		{"no more possible", func(t *record.Trial) { t.MorePossible = ptr(false) }, hit(record.GuardAcceptability, "no more possible", "", false, true)},
		{"neither", func(t *record.Trial) { t.Sustainable, t.MorePossible = ptr(false), ptr(false) }, hit(record.GuardAcceptability, "not sustainable, no more possible", "", true, true)},
		{"whether more is possible not asked", func(t *record.Trial) { t.MorePossible = nil }, nil},
		{"one repetition short", func(t *record.Trial) { t.Repetitions = 3 }, hit(record.GuardRepetitions, "3", "4", true, false)},
		{"one repetition more", func(t *record.Trial) { t.Repetitions = 5 }, nil},
		{"no heart rate", func(t *record.Trial) { t.HeartRate = nil }, hit(record.GuardMissingMeasurement, "", "heart rate", false, false)},
		{"no rating", func(t *record.Trial) { t.Effort = nil }, hit(record.GuardMissingMeasurement, "", "effort rating", false, false)},
		{"not asked", func(t *record.Trial) { t.Sustainable = nil }, hit(record.GuardMissingMeasurement, "", "acceptability", false, false)},
	} {
		p, trial := strict(), good()
		test.change(&trial)
		l := guard.LimitsOf(&p, record.Person{AgeYears: 40}, record.Screening{})
		if diff := cmp.Diff(test.want, l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
	}
}

// TestWorkWithoutLimits: a protocol that limits little finds little missing.
func TestWorkWithoutLimits(t *testing.T) {
	p := record.Protocol{Repetitions: 1, EffortStop: 16}
	l := guard.LimitsOf(&p, record.Person{}, record.Screening{})
	trial := record.Trial{Load: pounds(500), Repetitions: 1, HeartRate: ptr(220), Sustainable: ptr(true)}
	if got := l.Work(&trial); got != nil || l.LimitsHeartRate() || l.RequiresRating() {
		t.Errorf("hits %v, limits heart rate %v, requires rating %v", got, l.LimitsHeartRate(), l.RequiresRating())
	}
}

// TestStricterMechanics: a protocol may stop at grade 2; the limit and the highest grade are named.
func TestStricterMechanics(t *testing.T) {
	p := strict()
	p.StopMechanicsGrade = guard.MarkedGrade
	l := guard.LimitsOf(&p, record.Person{}, record.Screening{})
	for grade, want := range map[int][]record.GuardHit{
		1: nil,
		2: hit(record.GuardMechanics, "grade 2: twist", "grade 1", true, true),
		3: hit(record.GuardMechanics, "grade 3: twist, momentum", "grade 1", true, true),
	} {
		trial := good()
		trial.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: grade}}
		if grade == 3 {
			trial.Signs = append(trial.Signs, record.MechanicsSign{Sign: record.SignMomentum, Grade: 2})
		}
		if diff := cmp.Diff(want, l.Work(&trial)); diff != "" {
			t.Errorf("grade %d (-want +got):\n%s", grade, diff)
		}
	}
}

// TestWhetherMoreIsPossible: missing where the protocol requires it, and only there.
func TestWhetherMoreIsPossible(t *testing.T) {
	for required, want := range map[bool][]record.GuardHit{
		false: nil,
		true:  hit(record.GuardMissingMeasurement, "", "whether more is possible", false, false),
	} {
		p, trial := strict(), good()
		p.RequiresMorePossible, trial.MorePossible = required, nil
		l := guard.LimitsOf(&p, record.Person{}, record.Screening{})
		if diff := cmp.Diff(want, l.Work(&trial)); diff != "" {
			t.Errorf("required %v (-want +got):\n%s", required, diff)
		}
		trial.MorePossible = ptr(true)
		if got := l.Work(&trial); got != nil {
			t.Errorf("required %v and answered: %v", required, got)
		}
	}
}

// TestRateLimitingDrug: the drug is noted where a heart rate passed, never where it failed or was not limited, and the rating is required.
func TestRateLimitingDrug(t *testing.T) {
	drug := record.Screening{RateLimitingDrug: true}
	p := strict()
	p.RequiresEffortRating, p.RequiresHeartRate = false, false
	l := guard.LimitsOf(&p, record.Person{}, drug)
	for _, test := range []struct {
		name   string
		change func(*record.Trial)
		want   []record.GuardHit
	}{
		{"passed", func(*record.Trial) {}, hit(record.GuardRateLimitingDrug, "150 bpm", "150 bpm", false, false)},
		{"failed", func(t *record.Trial) { t.HeartRate = ptr(151) }, hit(record.GuardHeartRateWork, "151 bpm", "150 bpm", true, true)},
		{"no heart rate", func(t *record.Trial) { t.HeartRate = nil }, nil},
		{"no rating", func(t *record.Trial) { t.HeartRate, t.Effort = nil, nil }, hit(record.GuardMissingMeasurement, "", "effort rating", false, false)},
	} {
		trial := good()
		test.change(&trial)
		if diff := cmp.Diff(test.want, l.Work(&trial)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
	}
	p.HeartRateLimit = nil
	l = guard.LimitsOf(&p, record.Person{}, drug)
	trial := good()
	if got := l.Work(&trial); got != nil {
		t.Errorf("without a heart-rate limit: %v", got)
	}
}

// TestLimitThatCannotBeComputed: what the limit lacks is missing from every trial; with it, nothing is.
func TestLimitThatCannotBeComputed(t *testing.T) {
	p := strict()
	p.HeartRateLimit = &record.HeartRateLimit{PercentOfReserve: 85, Formula: record.Fox1971}
	trial := good()
	l := guard.LimitsOf(&p, record.Person{AgeYears: 40}, record.Screening{})
	if diff := cmp.Diff(hit(record.GuardMissingMeasurement, "", "resting heart rate", false, false), l.Work(&trial)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	l = guard.LimitsOf(&p, record.Person{AgeYears: 40}, record.Screening{RestingHeartRate: ptr(60)})
	if got := l.Work(&trial); got != nil {
		t.Errorf("with a resting heart rate: %v", got)
	}
}

// TestOrderDoesNotMatter: signs and symptoms are listed once each, in the vocabulary's order, unknown words last.
func TestOrderDoesNotMatter(t *testing.T) {
	p := strict()
	l := guard.LimitsOf(&p, record.Person{}, record.Screening{})
	a, b := good(), good()
	a.Symptoms = []record.Symptom{"zz", record.SymptomDizziness, "aa", record.SymptomChestPain}
	b.Symptoms = []record.Symptom{record.SymptomChestPain, "aa", record.SymptomDizziness, record.SymptomChestPain, "zz"}
	a.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}, {Sign: record.SignLoadDistance, Grade: 3}}
	b.Signs = []record.MechanicsSign{{Sign: record.SignLoadDistance, Grade: 3}, {Sign: record.SignTwist, Grade: 3}}
	if diff := cmp.Diff(l.Work(&a), l.Work(&b)); diff != "" {
		t.Errorf("order matters:\n%s", diff)
	}
	if got, want := l.Work(&a)[0].Measured, "chest pain, dizziness, aa, zz"; got != want {
		t.Errorf("symptoms %q, want %q", got, want)
	}
	if got, want := l.Work(&a)[1].Measured, "grade 3: load distance, twist"; got != want {
		t.Errorf("signs %q, want %q", got, want)
	}
	if a.Symptoms[0] != "zz" {
		t.Error("the trial's symptoms were sorted in place")
	}
}

// TestEndOf: the end reason of each guard, in gravity's order, and none for a hit that does not end.
func TestEndOf(t *testing.T) {
	last := -1
	for _, c := range []struct {
		guard  string
		reason record.EndReason
		safety bool
	}{
		{record.GuardSymptom, record.EndSymptom, true},
		{record.GuardMechanics, record.EndMechanics, true},
		{record.GuardHeartRateWork, record.EndHeartRate, true},
		{record.GuardEffortStop, record.EndEffort, true},
		{record.GuardLoadCeiling, record.EndCeiling, true},
		{record.GuardAcceptability, record.EndVolitional, false},
	} {
		got, ok := guard.EndOf(record.GuardHit{Guard: c.guard, Ends: true})
		if !ok || got != c.reason || guard.Safety(got) != c.safety || guard.Rank(got) <= last {
			t.Errorf("%s: %s %v, safety %v, rank %d after %d", c.guard, got, ok, guard.Safety(got), guard.Rank(got), last)
		}
		last = guard.Rank(got)
		if _, ok := guard.EndOf(record.GuardHit{Guard: c.guard}); ok {
			t.Errorf("%s ends a series although it says that it does not", c.guard)
		}
	}
	if guard.Rank(record.EndAdministrative) <= last || guard.Rank(record.EndIncomplete) <= guard.Rank(record.EndAdministrative) {
		t.Error("administrative and incomplete do not come last")
	}
	if _, ok := guard.EndOf(record.GuardHit{Guard: record.GuardMissingMeasurement, Ends: true}); ok {
		t.Error("a missing measurement names an end reason")
	}
}
