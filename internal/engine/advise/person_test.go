package advise_test

import (
	"strings"
	"testing"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// kilos is a mass in tenths of a kilogram.
func kilos(tenths int64) mass.Mass { return mass.FromUnits(tenths * 10_000_000_000) }

// compressed is ready with a ceiling by compression alone: 1.75 m, 80 kg, 3400 N (NIOSH 1981, 1993).
func compressed(start mass.Mass) advise.Input {
	in := ready()
	in.Protocol.LoadCeiling, in.Protocol.PercentOfBodyMass, in.Protocol.StartLoad = nil, 0, start
	in.Protocol.Compression = &record.CompressionLimit{CriterionNewtons: 3400}
	in.Person.BodyMass, in.Person.StatureMM = ptr(kilos(800)), 1750
	return in
}

// TestCompressionCeiling: the highest load, in tenths of a kilogram, whose estimate does not exceed the criterion may be handled, and a tenth
// more may not. The estimate is that of the model asked forwards, at the lower end of the zone.
func TestCompressionCeiling(t *testing.T) {
	who := body.Person{Stature: 1750 * measure.PerMillimetre, Mass: kilos(800)}
	highest := int64(0)
	for tenths := int64(1); tenths < 1000; tenths++ {
		e, err := body.Compression(who, body.Hands{Height: 150 * measure.PerMillimetre, Forward: 250 * measure.PerMillimetre}, kilos(tenths), body.DefaultModel())
		if err != nil {
			t.Fatal(err)
		}
		if e.Compression <= 3400 {
			highest = tenths
		}
	}
	if a := advise.Advise(ptr(compressed(kilos(highest)))); a.Action != advise.Start {
		t.Errorf("%s: %+v", kilos(highest), a)
	}
	a := advise.Advise(ptr(compressed(kilos(highest + 1))))
	want := "stop load_ceiling: " + kilos(highest+1).String() + " | " + kilos(highest).String() + " (estimated compression of 3400 N at L5/S1)"
	if a.Action != advise.Stop || len(firm(a)) != 1 || firm(a)[0] != want {
		t.Errorf("%s: %s %v, want %s", kilos(highest+1), a.Action, firm(a), want)
	}
	// A push has no such ceiling.
	in := compressed(kilos(highest + 1))
	in.Protocol.Zones, in.Series.Zone = []record.Zone{record.FloorWaist, record.Push}, record.Push
	expectAction(t, "push", in, advise.Start, "")
	// A load above the ceiling that was handled has ended the series.
	in = compressed(kilos(50))
	trial := sound(1, 1)
	trial.Load = kilos(highest)
	in.Series.Trials = []record.Trial{trial}
	in.Protocol.Steps = []record.LoadStep{{Increment: kilos(1)}}
	expectAction(t, "handled at the ceiling", in, advise.Stop, "load_ceiling")
	failed := trial
	failed.Load, failed.Repetitions = kilos(highest+1), 1
	in.Series.Trials = []record.Trial{failed}
	expectAction(t, "failed above the ceiling", in, advise.Stop, "load_ceiling")
	in.Series.Trials[0].Load = kilos(highest)
	expectAction(t, "failed at the ceiling", in, advise.BackOff, "")
}

// expectAction also demands that the first firm reason, if any, is of that guard.
func expectAction(t *testing.T, name string, in advise.Input, action advise.Action, guard string) advise.Advice {
	t.Helper()
	a := advise.Advise(&in)
	first := ""
	if all := firm(a); len(all) > 0 {
		first, _, _ = strings.Cut(strings.TrimPrefix(strings.TrimPrefix(all[0], "stop "), "wait "), ":")
	}
	if a.Action != action || first != guard {
		t.Errorf("%s: %s for %q, want %s for %q: %+v", name, a.Action, first, action, guard, a.Reasons)
	}
	return a
}

// TestCeilingThatLacksSomething: a ceiling that cannot be worked out is waited for and says what it lacks; a figure that no person has counts as
// lacking.
func TestCeilingThatLacksSomething(t *testing.T) {
	for _, c := range []struct {
		name    string
		mass    *mass.Mass
		stature int
		limit   string
	}{
		{"all there", ptr(kilos(800)), 1750, ""},
		{"no stature", ptr(kilos(800)), 0, "stature"},
		{"no body mass", nil, 1750, "body mass"},
		{"neither", nil, 0, "stature, body mass"},
		{"too short", ptr(kilos(300)), 999, "a stature is 1.00 to 2.50 m"},
		{"shortest", ptr(kilos(300)), 1000, ""},
		{"too light", ptr(kilos(199)), 1750, "a body mass is 20 to 350 kg"},
		{"lightest", ptr(kilos(200)), 1750, ""},
	} {
		in := compressed(kilos(1))
		in.Person.BodyMass, in.Person.StatureMM = c.mass, c.stature
		if c.limit == "" {
			expectAction(t, c.name, in, advise.Start, "")
			continue
		}
		a := expectAction(t, c.name, in, advise.Wait, "missing_measurement")
		if a.Reasons[0].Limit != c.limit || a.Load != nil || a.Then != advise.Note {
			t.Errorf("%s: %+v", c.name, a)
		}
	}
}

// TestHeartRateFormulae: a limit by a formula that was not made for this person is waited for, before the first trial too, and never passed
// silently. Sydo 2014 for men is of 40 to 89 years, Zhu 2010 of 18 to 50 years, Gulati 2010 for women (03_hr_max_formulae.csv: S14,
// S16, S17).
func TestHeartRateFormulae(t *testing.T) {
	for _, c := range []struct {
		formula record.HeartRateFormula
		sex     record.Sex
		age     int
		lacks   string
	}{
		{record.Sydo2014Men, record.Male, 40, ""}, {record.Sydo2014Men, record.Male, 39, "heart-rate formula for this age"},
		{record.Sydo2014Men, record.Male, 89, ""}, {record.Sydo2014Men, record.Male, 90, "heart-rate formula for this age"},
		{record.Sydo2014Men, record.Female, 40, "heart-rate formula for this sex"}, {record.Sydo2014Men, "", 40, "sex"},
		{record.Gulati2010Women, record.Female, 35, ""}, {record.Gulati2010Women, record.Male, 35, "heart-rate formula for this sex"},
		{record.Zhu2010, "", 50, ""}, {record.Zhu2010, "", 51, "heart-rate formula for this age"}, {record.Zhu2010, "", 18, ""},
		{record.Zhu2010, "", 17, "heart-rate formula for this age"}, {record.Tanaka2001, "", 0, "age"}, {record.Tanaka2001, "", 1, ""},
	} {
		for _, start := range []bool{false, true} {
			in := ready()
			in.Protocol.AppliesToSex, in.Person.Sex, in.Person.AgeYears = "", c.sex, c.age
			limit := &record.HeartRateLimit{PercentOfPredicted: 85, Formula: c.formula}
			if start {
				in.Protocol.HeartRateStartLimit, in.HeartRate = limit, ptr(60)
			} else {
				in.Protocol.HeartRateLimit = limit
			}
			name := string(c.formula) + " " + string(c.sex)
			if c.lacks == "" {
				expectAction(t, name, in, advise.Start, "")
				continue
			}
			a := expectAction(t, name, in, advise.Wait, "missing_measurement")
			if a.Reasons[0].Limit != c.lacks || a.Load != nil {
				t.Errorf("%s at %d: %+v", name, c.age, a)
			}
		}
	}
	// Women of 50 by Sydo 2014: 210 - 0.79 x 50 = 170.5, of which 85 % are 144.925.
	for rate, want := range map[int]advise.Action{144: advise.Advance, 145: advise.Stop} {
		trial := sound(1, 20)
		trial.HeartRate = &rate
		in := ready(trial)
		in.Person.AgeYears, in.Protocol.HeartRateLimit = 50, &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Sydo2014Women}
		if a := advise.Advise(&in); a.Action != want || want == advise.Stop && a.Reasons[0].Limit != "144.925 bpm" {
			t.Errorf("%d bpm: %+v", rate, a)
		}
	}
}
