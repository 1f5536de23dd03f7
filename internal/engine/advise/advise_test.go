package advise_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func pounds(n int64) mass.Mass { return mass.FromUnits(n * 45_359_237_000) }

func ptr[T any](v T) *T { return &v }

func at(minutes int) record.Time {
	return record.TimeOf(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC).Add(time.Duration(minutes) * time.Minute))
}

// sound is a trial that breaks no limit of protocol.
func sound(number int, load int64) record.Trial {
	return record.Trial{
		Number: number, At: at(number), Load: pounds(load), Repetitions: 4, HeartRate: ptr(150), Effort: ptr(record.Effort(10)),
		Sustainable: ptr(true), MorePossible: ptr(true),
	}
}

// protocol has every limit: 150 bpm in a trial and 110 before, rating 8, 60 lb and half the body mass, five pounds back, six trials.
func protocol() record.Protocol {
	return record.Protocol{
		Name: "All limits", Zones: []record.Zone{record.FloorWaist}, Pace: record.Occasional, StartLoad: pounds(10),
		Steps:       []record.LoadStep{{Increment: pounds(10)}, {FromEffort: 12, Increment: pounds(5)}, {FromEffort: 14, Increment: pounds(2)}},
		Repetitions: 4, RestSeconds: 60, HeartRateLimit: &record.HeartRateLimit{BPM: 150}, HeartRateStartLimit: &record.HeartRateLimit{BPM: 110},
		EffortStop: 16, LoadCeiling: ptr(pounds(60)), PercentOfBodyMass: 50, BackOff: ptr(pounds(5)), MaxTrials: 6,
		RequiresHeartRate: true, RequiresEffortRating: true, AppliesToSex: record.Female,
		ScreeningLimits: &record.ScreeningLimits{RestingHeartRate: 100, Systolic: 180, Diastolic: 100},
		Calibration:     &record.CalibrationLimit{Days: 365, Block: true}, Source: "made up",
	}
}

// at every limit: ready stands exactly at each, and is advised to go on.
func ready(trials ...record.Trial) advise.Input {
	return advise.Input{
		Protocol: protocol(), Person: advise.Person{AgeYears: 40, Sex: record.Female, BodyMass: ptr(pounds(120))},
		Screening: record.Screening{RestingHeartRate: ptr(100), Systolic: ptr(180), Diastolic: ptr(100)},
		Kit: &record.Kit{
			Tote:    record.Piece{Code: "T", Mass: pounds(5), VerifiedOn: "2025-03-02"},
			Inserts: []record.Piece{{Code: "A", Mass: pounds(5), VerifiedOn: "2026-03-02"}},
		},
		Series: record.Series{Number: 1, Zone: record.FloorWaist, Pace: record.Occasional, Trials: trials},
		Now:    at(10), RestSeconds: ptr(60), HeartRate: ptr(110),
	}
}

// firm are the reasons that demand something, as "calls guard: measured | limit".
func firm(a advise.Advice) []string {
	var all []string
	for _, r := range a.Reasons {
		if r.Calls != advise.Note {
			all = append(all, string(r.Calls)+" "+r.Guard+": "+r.Measured+" | "+r.Limit)
		}
	}
	return all
}

type want struct {
	action advise.Action
	load   int64
	firm   []string
}

func expect(t *testing.T, name string, in advise.Input, w want) advise.Advice {
	t.Helper()
	a := advise.Advise(&in)
	var load *mass.Mass
	if w.load != 0 {
		load = ptr(pounds(w.load))
	}
	if a.Action != w.action || !cmp.Equal(a.Load, load, cmp.Comparer(func(a, b mass.Mass) bool { return a == b })) {
		t.Errorf("%s: %s %v, want %s %v (%v)", name, a.Action, a.Load, w.action, load, a.Reasons)
	}
	if d := cmp.Diff(w.firm, firm(a)); d != "" {
		t.Errorf("%s (-want +got):\n%s", name, d)
	}
	for _, r := range a.Reasons {
		if r.Text == "" || r.Guard == "" {
			t.Errorf("%s: a reason without a text: %+v", name, r)
		}
	}
	return a
}

// TestStartGuards: each fires just beyond its limit; ready stands at every limit and none fires.
func TestStartGuards(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*advise.Input)
		want   want
	}{
		{"at every limit", func(*advise.Input) {}, want{advise.Start, 10, nil}},
		{"resting heart rate", func(in *advise.Input) { in.Screening.RestingHeartRate = ptr(101) }, want{advise.Stop, 0, []string{"stop screening: resting heart rate 101 bpm | 100 bpm"}}},
		{"systolic", func(in *advise.Input) { in.Screening.Systolic = ptr(181) }, want{advise.Stop, 0, []string{"stop screening: systolic pressure 181 mmHg | 180 mmHg"}}},
		{"diastolic", func(in *advise.Input) { in.Screening.Diastolic = ptr(101) }, want{advise.Stop, 0, []string{"stop screening: diastolic pressure 101 mmHg | 100 mmHg"}}},
		{"overridden", func(in *advise.Input) {
			in.Screening.Diastolic, in.Screening.OverrideReason = ptr(101), "cleared by telephone"
		}, want{advise.Start, 10, nil}},
		{"not measured, though overridden", func(in *advise.Input) {
			in.Screening.Diastolic, in.Screening.OverrideReason = nil, "cleared by telephone"
		}, want{advise.Wait, 0, []string{"wait missing_measurement:  | diastolic pressure"}}},
		{"screening not limited", func(in *advise.Input) { in.Protocol.ScreeningLimits, in.Screening = nil, record.Screening{} }, want{advise.Start, 10, nil}},
		{"heart rate before", func(in *advise.Input) { in.HeartRate = ptr(111) }, want{advise.Wait, 10, []string{"wait heart_rate_start: 111 bpm | 110 bpm"}}},
		{"no heart rate before", func(in *advise.Input) { in.HeartRate = nil }, want{advise.Wait, 10, []string{"wait heart_rate_start: not measured | 110 bpm"}}},
		{"limit before without an age", func(in *advise.Input) {
			in.Protocol.HeartRateStartLimit, in.Person.AgeYears = &record.HeartRateLimit{PercentOfPredicted: 70, Formula: record.Fox1971}, 0
		}, want{advise.Wait, 0, []string{"wait missing_measurement:  | age"}}},
		{"70 % of 180", func(in *advise.Input) {
			in.Protocol.HeartRateStartLimit, in.HeartRate = &record.HeartRateLimit{PercentOfPredicted: 70, Formula: record.Fox1971}, ptr(126)
		}, want{advise.Start, 10, nil}},
		{"above 70 % of 180", func(in *advise.Input) {
			in.Protocol.HeartRateStartLimit, in.HeartRate = &record.HeartRateLimit{PercentOfPredicted: 70, Formula: record.Fox1971}, ptr(127)
		}, want{advise.Wait, 10, []string{"wait heart_rate_start: 127 bpm | 126 bpm"}}},
		{"no limit before", func(in *advise.Input) { in.Protocol.HeartRateStartLimit, in.HeartRate = nil, nil }, want{advise.Start, 10, nil}},
		{"weighed 366 days ago", func(in *advise.Input) { in.Kit.Tote.VerifiedOn = "2025-03-01" }, want{advise.Wait, 10, []string{"wait calibration: 366 days | 365 days"}}},
		{"weighed tomorrow", func(in *advise.Input) { in.Kit.Inserts[0].VerifiedOn = "2026-03-03" }, want{advise.Wait, 10, []string{"wait calibration: later than now, or on no known day | 365 days"}}},
		{"weighed on no day", func(in *advise.Input) { in.Kit.Inserts[0].VerifiedOn = "spring" }, want{advise.Wait, 10, []string{"wait calibration: later than now, or on no known day | 365 days"}}},
		{"kit not given", func(in *advise.Input) { in.Kit = nil }, want{advise.Wait, 10, []string{"wait calibration: not known | 365 days"}}},
		{"moment not given", func(in *advise.Input) { in.Now = record.Time{} }, want{advise.Wait, 10, []string{"wait calibration: not known | 365 days"}}},
		{"calibration that only warns", func(in *advise.Input) { in.Kit.Tote.VerifiedOn, in.Protocol.Calibration.Block = "2020-03-01", false }, want{advise.Start, 10, nil}},
		{"no calibration rule", func(in *advise.Input) { in.Kit, in.Protocol.Calibration = nil, nil }, want{advise.Start, 10, nil}},
		{"a part of the body mass", func(in *advise.Input) { in.Protocol.PercentOfBodyMass, in.Person.BodyMass = 10, ptr(pounds(100)) }, want{advise.Start, 10, nil}},
		{"more than that part", func(in *advise.Input) {
			in.Protocol.PercentOfBodyMass, in.Person.BodyMass = 10, ptr(pounds(100).Sub(mass.FromUnits(1)))
		}, want{advise.Stop, 0, []string{"stop load_ceiling: 10 lb | 4.53592369999 kg (10 % of body mass)"}}},
		{"red flag", func(in *advise.Input) { in.Screening.Symptoms = []record.Symptom{record.SymptomChestPain} }, want{advise.Stop, 0, []string{"stop screening: chest pain | none"}}},
		{"red flag overridden", func(in *advise.Input) {
			in.Screening.Symptoms, in.Screening.OverrideReason = []record.Symptom{record.SymptomOther}, "old and known"
		}, want{advise.Start, 10, nil}},
		{"no body mass", func(in *advise.Input) { in.Person.BodyMass = nil }, want{advise.Wait, 0, []string{"wait missing_measurement:  | body mass"}}},
		{"no part of the body mass", func(in *advise.Input) { in.Person.BodyMass, in.Protocol.PercentOfBodyMass = nil, 0 }, want{advise.Start, 10, nil}},
		{"symptom now", func(in *advise.Input) {
			in.Symptoms = []record.Symptom{record.SymptomChestPain, record.SymptomChestPain}
		}, want{advise.Stop, 0, []string{"stop symptom: chest pain | none"}}},
		{"the other sex", func(in *advise.Input) { in.Person.Sex = record.Male }, want{advise.Stop, 0, []string{"stop applies_to: male | female"}}},
		{"sex not given", func(in *advise.Input) { in.Person.Sex = "" }, want{advise.Wait, 0, []string{"wait missing_measurement:  | sex"}}},
		{"for both sexes", func(in *advise.Input) { in.Person.Sex, in.Protocol.AppliesToSex = "", "" }, want{advise.Start, 10, nil}},
		{"another zone", func(in *advise.Input) { in.Series.Zone = record.Carry }, want{advise.Stop, 0, []string{"stop protocol: carry | "}}},
		{"another pace", func(in *advise.Input) { in.Series.Pace = record.Frequent }, want{advise.Stop, 0, []string{"stop protocol: frequent | occasional"}}},
		{"unsound protocol", func(in *advise.Input) { in.Protocol.Steps = nil }, want{advise.Stop, 0, []string{"stop protocol:  | "}}},
		{"no protocol", func(in *advise.Input) { *in = advise.Input{} }, want{advise.Stop, 0, []string{"stop protocol:  | "}}},
		{"no rest before the first", func(in *advise.Input) { in.RestSeconds = nil }, want{advise.Start, 10, nil}},
	} {
		in := ready()
		c.change(&in)
		expect(t, c.name, in, c.want)
	}
}

// TestWorkGuards: what the last trial ran into, and one before it.
func TestWorkGuards(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Trial)
		want   want
	}{
		{"at every limit", func(*record.Trial) {}, want{advise.Advance, 50, nil}},
		{"heart rate", func(t *record.Trial) { t.HeartRate = ptr(151) }, want{advise.Stop, 0, []string{"stop heart_rate_work: 151 bpm | 150 bpm"}}},
		{"effort just below the stop", func(t *record.Trial) { t.Effort = ptr(record.Effort(15)) }, want{advise.Advance, 42, nil}},
		{"effort at the stop", func(t *record.Trial) { t.Effort = ptr(record.Effort(16)) }, want{advise.Stop, 0, []string{"stop effort_stop: 8 of 10 | 8 of 10"}}},
		{"mechanics 2", func(t *record.Trial) { t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 2}} }, want{advise.Advance, 50, nil}},
		{"mechanics 3", func(t *record.Trial) { t.Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}} }, want{advise.Stop, 0, []string{"stop mechanics: grade 3: twist | grade 2"}}},
		{"symptom", func(t *record.Trial) { t.Symptoms = []record.Symptom{record.SymptomOther} }, want{advise.Stop, 0, []string{"stop symptom: other | none"}}},
		{"no more", func(t *record.Trial) { t.MorePossible = ptr(false) }, want{advise.Stop, 0, []string{"stop acceptability: no more possible | "}}},
		{"not sustainable", func(t *record.Trial) { t.Sustainable = ptr(false) }, want{advise.BackOff, 35, nil}},
		{"not sustainable, no more", func(t *record.Trial) { t.Sustainable, t.MorePossible = ptr(false), ptr(false) },
			want{advise.Stop, 0, []string{"stop acceptability: not sustainable, no more possible | "}}},
		{"not completed", func(t *record.Trial) { t.Repetitions = 3 }, want{advise.BackOff, 35, nil}},
		{"no heart rate", func(t *record.Trial) { t.HeartRate = nil }, want{advise.Wait, 0, []string{"wait missing_measurement:  | heart rate"}}},
		{"no rating", func(t *record.Trial) { t.Effort = nil }, want{advise.Wait, 0, []string{"wait missing_measurement:  | effort rating"}}},
		{"not asked", func(t *record.Trial) { t.Sustainable = nil }, want{advise.Wait, 0, []string{"wait missing_measurement:  | acceptability"}}},
		{"closed", func(t *record.Trial) { t.HeartRate, t.ClosedReason = nil, "strap came off" }, want{advise.Repeat, 40, nil}},
		{"closed and not sustainable", func(t *record.Trial) { t.HeartRate, t.ClosedReason, t.Sustainable = nil, "strap came off", ptr(false) }, want{advise.BackOff, 35, nil}},
		{"incomplete and unsafe", func(t *record.Trial) {
			t.HeartRate, t.Signs = nil, []record.MechanicsSign{{Sign: record.SignTwist, Grade: 3}}
		}, want{advise.Stop, 0, []string{"stop mechanics: grade 3: twist | grade 2", "wait missing_measurement:  | heart rate"}}},
	} {
		trial := sound(3, 40)
		c.change(&trial)
		expect(t, c.name, ready(sound(1, 20), sound(2, 30), trial), c.want)
	}
	// The order of trials in the list does not matter, and an end is not undone by a lighter trial after it.
	high := sound(2, 40)
	high.Effort = ptr(record.Effort(17))
	expect(t, "lighter after the end", ready(sound(3, 20), high, sound(1, 30)), want{advise.Stop, 0, []string{"stop effort_stop: 8.5 of 10 | 8 of 10"}})
}

// TestGravestFirst: what may have harmed the person stands before what the plan decided.
func TestGravestFirst(t *testing.T) {
	trial := sound(1, 70)
	trial.HeartRate, trial.Effort, trial.Symptoms = ptr(160), ptr(record.Effort(18)), []record.Symptom{record.SymptomDizziness}
	in := ready(trial)
	in.Protocol.MaxTrials, in.HeartRate, in.RestSeconds = 1, ptr(120), nil
	expect(t, "everything", in, want{advise.Stop, 0, []string{
		"stop symptom: dizziness | none", "stop heart_rate_work: 160 bpm | 150 bpm", "stop effort_stop: 9 of 10 | 8 of 10",
		"stop load_ceiling: 70 lb | 60 lb", "stop max_trials: 1 trial | 1 trial",
	}})
}

// TestCeilingOfTheNextLoad: the next load may be the ceiling and no more.
func TestCeilingOfTheNextLoad(t *testing.T) {
	expect(t, "at the ceiling", ready(sound(1, 50)), want{advise.Advance, 60, nil})
	expect(t, "above", ready(sound(1, 51)), want{advise.Stop, 0, []string{"stop load_ceiling: 61 lb | 60 lb", "stop load_ceiling: 61 lb | 60 lb (50 % of body mass)"}})
}

// TestTaper: the step follows the highest rating of an accepted trial; without a rating it is the smallest.
func TestTaper(t *testing.T) {
	for rating, load := range map[record.Effort]int64{0: 30, 11: 30, 12: 25, 13: 25, 14: 22, 15: 22} {
		trial := sound(1, 20)
		trial.Effort = ptr(rating)
		expect(t, "rating "+rating.String(), ready(trial), want{advise.Advance, load, nil})
		// A retest that is rated lower does not widen the step again.
		expect(t, "retest after "+rating.String(), ready(trial, sound(2, 10)), want{advise.Advance, load, nil})
	}
	trial := sound(1, 20)
	trial.Effort = nil
	in := ready(trial)
	in.Protocol.RequiresEffortRating = false
	expect(t, "not rated", in, want{advise.Advance, 22, nil})
}

// TestRest: over at its limit and not a second before; nobody's word and a word that cannot be count as no more than they can be.
func TestRest(t *testing.T) {
	in := ready(sound(9, 20))
	expect(t, "over", in, want{advise.Advance, 30, nil})
	if a := advise.Advise(&in); !a.EarliestAt.Equal(in.Now) {
		t.Errorf("earliest %s, want now", a.EarliestAt)
	}
	for _, c := range []struct {
		name string
		rest *int
		now  record.Time
		want string
		wait int
	}{
		{"a second short", ptr(59), at(10), "59 s", 1},
		{"not said", nil, at(10), "0 s", 60},
		{"negative", ptr(-5), at(10), "0 s", 60},
		{"longer than since the trial began", ptr(600), record.TimeOf(at(9).Std().Add(45 * time.Second)), "45 s", 15},
		{"before the trial", ptr(600), at(8), "0 s", 60},
	} {
		in := ready(sound(9, 20))
		in.RestSeconds, in.Now = c.rest, c.now
		a := expect(t, c.name, in, want{advise.Wait, 30, []string{"wait rest: " + c.want + " | 60 s"}})
		if wanted := record.TimeOf(c.now.Std().Add(time.Duration(c.wait) * time.Second)); a.Then != advise.Advance || !a.EarliestAt.Equal(wanted) {
			t.Errorf("%s: then %s at %s, want advance at %s", c.name, a.Then, a.EarliestAt, wanted)
		}
	}
	// Whoever also waits for something else does not know when.
	in.RestSeconds, in.HeartRate = nil, ptr(130)
	if a := advise.Advise(&in); a.Action != advise.Wait || !a.EarliestAt.IsZero() || a.Then != advise.Advance {
		t.Errorf("%+v", a)
	}
}

// TestBackOff: below the lightest failed load, above the highest accepted one, and never again at a failed load.
func TestBackOff(t *testing.T) {
	failed := func(number int, load int64) record.Trial {
		trial := sound(number, load)
		trial.Repetitions = 2
		return trial
	}
	expect(t, "after a failed trial", ready(sound(1, 40), failed(2, 50)), want{advise.BackOff, 45, nil})
	expect(t, "accepted between", ready(sound(1, 40), failed(2, 50), sound(3, 45)), want{advise.Stop, 0, []string{"stop bracket: 55 lb | 50 lb"}})
	expect(t, "the lighter load is accepted", ready(sound(1, 45), failed(2, 50)), want{advise.Stop, 0, []string{"stop bracket: 45 lb | 50 lb"}})
	expect(t, "failed twice", ready(failed(1, 50), failed(2, 45)), want{advise.BackOff, 40, nil})
	expect(t, "nothing left", ready(failed(1, 5)), want{advise.Stop, 0, []string{"stop bracket: 5 lb | 5 lb"}})
	expect(t, "something left", ready(failed(1, 6)), want{advise.BackOff, 1, nil})
	in := ready(sound(1, 40), failed(2, 50))
	in.Protocol.BackOff = nil
	expect(t, "no back-off", in, want{advise.Stop, 0, []string{"stop repetitions: 2 | 4"}})
	unsustainable := sound(2, 50)
	unsustainable.Sustainable = ptr(false)
	in = ready(sound(1, 40), unsustainable)
	in.Protocol.BackOff = nil
	expect(t, "no back-off, not sustainable", in, want{advise.Stop, 0, []string{"stop acceptability: not sustainable | "}})
	closed := sound(3, 50)
	closed.HeartRate, closed.ClosedReason = nil, "strap came off"
	expect(t, "repeat of a failed load", ready(sound(1, 40), failed(2, 50), closed), want{advise.Stop, 0, []string{"stop bracket: 50 lb | 50 lb"}})
}

// TestMaxTrials: the last trial that the protocol allows is advised, none after it.
func TestMaxTrials(t *testing.T) {
	trials := []record.Trial{sound(1, 10), sound(2, 11), sound(3, 12), sound(4, 13), sound(5, 14)}
	expect(t, "one left", ready(trials...), want{advise.Advance, 24, nil})
	expect(t, "none left", ready(append(trials, sound(6, 15))...), want{advise.Stop, 0, []string{"stop max_trials: 6 trials | 6 trials"}})
}

// TestStricterMechanics: a protocol that stops at grade 2 does; at grade 1 it says that the maximum is near.
func TestStricterMechanics(t *testing.T) {
	trial := sound(1, 20)
	trial.Signs = []record.MechanicsSign{{Sign: record.SignHeelRise, Grade: 1}}
	in := ready(trial)
	in.Protocol.StopMechanicsGrade = 2
	a := expect(t, "grade 1", in, want{advise.Advance, 30, nil})
	near := advise.Reason{Guard: record.GuardMechanics, Measured: "grade 1", Limit: "grade 1", Text: "Handling has changed: the maximum is near."}
	if len(a.Reasons) == 0 || a.Reasons[0] != near {
		t.Errorf("%+v", a.Reasons)
	}
	in.Series.Trials[0].Signs[0].Grade = 2
	expect(t, "grade 2", in, want{advise.Stop, 0, []string{"stop mechanics: grade 2: heel rise | grade 1"}})
}

// TestRecordedStop: what the evaluator recorded ends the series.
func TestRecordedStop(t *testing.T) {
	for stop, reason := range map[record.Stop]string{
		record.StopVolitional: "stop recorded_stop: volitional | ", record.StopAdministrative: "stop recorded_stop: administrative | ",
		record.StopCeiling: "stop recorded_stop: ceiling | ", record.StopSymptom: "stop symptom: recorded | none",
	} {
		in := ready(sound(1, 20))
		in.Series.Stop = stop
		expect(t, string(stop), in, want{advise.Stop, 0, []string{reason}})
	}
}

// TestRateLimitingDrug: it is said, and the rating is required whatever the protocol says.
func TestRateLimitingDrug(t *testing.T) {
	in := ready(sound(1, 20))
	in.Screening.RateLimitingDrug, in.Protocol.RequiresEffortRating = true, false
	a := expect(t, "rated", in, want{advise.Advance, 30, nil})
	said := false
	for _, r := range a.Reasons {
		said = said || r.Guard == record.GuardRateLimitingDrug && strings.Contains(r.Text, "Lean on the effort rating")
	}
	if !said {
		t.Errorf("the drug is not spoken of: %+v", a.Reasons)
	}
	in.Series.Trials[0].Effort = nil
	expect(t, "not rated", in, want{advise.Wait, 0, []string{"wait missing_measurement:  | effort rating"}})
	in.Screening.RateLimitingDrug = false
	expect(t, "no drug, not rated", in, want{advise.Advance, 22, nil})
}

// TestUnresolvedEarlierTrial: an earlier trial that lacks a measurement waits too, until it was repeated.
func TestUnresolvedEarlierTrial(t *testing.T) {
	open := sound(1, 20)
	open.HeartRate = nil
	expect(t, "open", ready(open, sound(2, 30)), want{advise.Wait, 0, []string{"wait missing_measurement:  | heart rate"}})
	expect(t, "repeated", ready(open, sound(2, 20)), want{advise.Advance, 30, nil})
}
