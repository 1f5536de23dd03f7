package consistency

import (
	"strconv"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// violations collects broken rules.
type violations []fault.Violation

func (v *violations) demand(ok bool, field, rule, text string) {
	if !ok {
		*v = append(*v, fault.Violation{Field: field, Rule: rule, Text: text})
	}
}

func item(list string, i int) string { return list + "[" + strconv.Itoa(i) + "]" }

// What is within its range.
func loadSound(m mass.Mass) bool       { return m.Units() > 0 && m.Units() <= maxUnits }
func heartRateSound(beats int) bool    { return beats >= 20 && beats <= 300 }
func effortSound(e record.Effort) bool { return e >= 0 && e <= record.EffortMax }
func gradeSound(grade int) bool        { return grade >= 0 && grade <= 3 }
func semSound(m mass.Mass) bool        { return m.Units() > 0 && m.Units() <= maxSEM }
func (s *Settings) pSound() bool       { return s.P >= 0.001 && s.P <= 0.2 }
func (s *Settings) shiftsSound() bool {
	return s.ShiftAgrees >= 0 && s.ShiftAgrees <= s.ShiftMixed && s.ShiftMixed <= record.EffortMax
}
func (s *Settings) trialsSound() bool { return s.LastTrials >= 1 && s.LastTrials <= 5 }
func (s *Settings) sound() bool       { return s.pSound() && s.shiftsSound() && s.trialsSound() }

func check(in *Input) violations {
	var v violations
	v.demand(len(in.Series) <= maxSeries, "series", RuleCount, "there are at most 100 series")
	v.demand(len(in.Retests) <= maxSeries, "retests", RuleCount, "there are at most 100 retests")
	v.demand(len(in.Grip) <= maxSeries, "grip", RuleCount, "there are at most 100 grip tests")
	if len(v) > 0 {
		return v
	}
	numbers := map[int]bool{}
	for i := range in.Series {
		s, path := &in.Series[i], item("series", i)
		v.demand(!numbers[s.Number], path+".number", RuleNumberOnce, "each series has a number of its own")
		numbers[s.Number] = true
		v.trials(s.Trials, path)
	}
	for i, r := range in.Retests {
		path := item("retests", i)
		v.demand(r.First < r.Second, path+".second", RuleRetest, "a retest is of two series, the second of which has the higher number")
		v.load(r.FirstLoad, path+".first_load")
		v.load(r.SecondLoad, path+".second_load")
		if r.SEM != nil {
			v.demand(semSound(*r.SEM), path+".sem", RuleError, "a standard error of measurement is above 0 and at most 100 kg")
			v.demand(r.SEMSource != "", path+".source", RuleError, "a measurement error has a source")
		}
	}
	v.demand(in.SEM == nil || in.Error == nil, "measurement_error", RuleError, "there is one measurement error")
	if in.SEM != nil {
		v.demand(semSound(*in.SEM), "measurement_error.sem", RuleError, "a standard error of measurement is above 0 and at most 100 kg")
		v.demand(in.SEMSource != "", "measurement_error.source", RuleError, "a measurement error has a source")
	}
	if in.Error != nil {
		v.measurement(*in.Error)
	}
	v.grip(in.Grip)
	v.settings(in.Settings)
	return v
}

func (v *violations) trials(trials []record.Trial, path string) {
	v.demand(len(trials) <= maxTrials, path+".trials", RuleCount, "a series has at most 500 trials")
	if len(trials) > maxTrials {
		return
	}
	numbers := map[int]bool{}
	for j := range trials {
		t, at := &trials[j], item(path+".trials", j)
		v.demand(!numbers[t.Number], at+".number", RuleNumberOnce, "each trial of a series has a number of its own")
		numbers[t.Number] = true
		v.load(t.Load, at+".load")
		v.demand(t.HeartRate == nil || heartRateSound(*t.HeartRate), at+".heart_rate", RuleHeartRate, "a heart rate is 20 to 300 beats per minute")
		v.demand(t.Effort == nil || effortSound(*t.Effort), at+".effort_rating", RuleEffort, "a rating is 0 to 10")
		for k, s := range t.Signs {
			v.demand(gradeSound(s.Grade), item(at+".signs", k)+".grade", RuleGrade, "a grade is 0 to 3")
		}
	}
}

func (v *violations) load(m mass.Mass, field string) {
	v.demand(loadSound(m), field, RuleLoad, "a load is above zero and at most 1000 kg")
}

func (v *violations) settings(s Settings) {
	v.demand(s.pSound(), "settings.p", RuleSettings, "the highest chance is 0.001 to 0.2")
	v.demand(s.shiftsSound(), "settings.shift", RuleSettings,
		"shifts of a rating are 0 to 10, that which agrees not above that which is mixed")
	v.demand(s.trialsSound(), "settings.last_trials", RuleSettings, "1 to 5 trials are near the end")
}

func (v *violations) measurement(e MeasurementError) {
	bySEM := e.SEMKilograms != 0
	byICC := e.SDKilograms != 0 || e.ICC != 0
	v.demand(bySEM != byICC, "measurement_error", RuleError, "a measurement error is a standard error, or a standard deviation with a coefficient of reliability")
	v.demand(!bySEM || e.SEMKilograms > 0 && e.SEMKilograms <= 100, "measurement_error.sem_kilograms", RuleError, "a standard error of measurement is above 0 and at most 100 kg")
	v.demand(!byICC || e.SDKilograms > 0 && e.SDKilograms <= 100, "measurement_error.sd_kilograms", RuleError, "a standard deviation is above 0 and at most 100 kg")
	v.demand(!byICC || e.ICC >= 0 && e.ICC <= 1, "measurement_error.icc", RuleError, "a coefficient of reliability is 0 to 1")
	v.demand(e.Source != "", "measurement_error.source", RuleError, "a measurement error has a source")
}
